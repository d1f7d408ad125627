"""`airyoke predict CASE`."""

from __future__ import annotations

import sys
from pathlib import Path

from airyoke.cli.group_page import prediction_page
from airyoke.cli.page import page_for_stdout, print_page
from airyoke.cli.progress import engine_notice
from airyoke.cli.run import EXIT_DONE, EXIT_NOT_SOLVED
from airyoke.contract.answers import Prediction
from airyoke.contract.case import read_case
from airyoke.contract.case_findings import unusual
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import Caution
from airyoke.ward.questions import predict_case


def predict_command(source: str, *, as_json: bool, seed: int, brief: bool, why: str | None) -> int:
    """Read a case, ask the engine, print. 0 solved, 1 not; a bad case raises ``Refused``."""
    name = None if source == "-" else Path(source).name
    written = read_case(_text(source), name)
    case = written.to_domain(unusual(written))
    with engine_notice():
        answer = predict_case(
            case.patients,
            case.build,
            case.settings,
            seed=seed,
            structural=case.structural,
            assumed=case.assumed,
        )
    if why is not None:
        from airyoke.cli.why import explain_case

        return explain_case(case, answer, why, as_json=as_json)
    if as_json:
        print(Prediction.of(answer, case.findings).json_text())
    else:
        notes = tuple(Caution(f.id, f"{f.column}: {f.reason}; {f.remedy}") for f in case.findings)
        page = page_for_stdout()
        prediction_page(page, case, answer, notes, brief=brief)
        print_page(page)
    return EXIT_DONE if answer.outcome == "solved" else EXIT_NOT_SOLVED


def _text(source: str) -> str:
    def refused(id_: str, reason: str, remedy: str) -> Refused:
        return Refused((Finding(id_, "refused", reason, remedy, file=None if source == "-" else Path(source).name),))

    try:
        raw = sys.stdin.buffer.read() if source == "-" else Path(source).read_bytes()
    except FileNotFoundError:
        raise refused("case-not-found", "there is no such file", "check the path, or give - for stdin") from None
    except IsADirectoryError:
        raise refused("case-not-found", "this is a folder", "a case is one JSON file") from None
    except OSError as error:
        reason = f"it cannot be opened: {error.strerror or type(error).__name__}"
        raise refused("case-not-readable", reason, "check the rights of the file") from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise refused("case-encoding", "it is not UTF-8 text", "save the case as UTF-8") from None
