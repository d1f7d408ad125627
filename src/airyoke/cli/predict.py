"""`airyoke predict CASE`."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from airyoke.cli.group_page import prediction_page
from airyoke.cli.page import page_for_stdout, print_page
from airyoke.cli.progress import engine_notice
from airyoke.cli.run import EXIT_DONE, EXIT_NOT_SOLVED
from airyoke.contract.answers import Prediction
from airyoke.contract.case import read_case
from airyoke.contract.case_domain import DomainCase
from airyoke.contract.case_findings import unusual
from airyoke.limits.answer import GroupAnswer
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import Caution
from airyoke.ward.questions import predict_case


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of a case beside its prediction."""

    brief: bool = False
    why: str | None = None
    changes: tuple[str, ...] = ()
    others: str | None = None  # a case whose patients a change may bring in
    trim: bool = False
    stock: Path | None = None  # a ward whose stock sheet says which trims there are
    room_left: Path | None = None  # where to draw how far two compliances may go together


def predict_command(source: str | None, asked: Asked, *, as_json: bool, seed: int) -> int:
    """Read a case, ask the engine, print. 0 solved, 1 not; a bad case raises ``Refused``."""
    if source is None:
        reason = "no CASE is given"
        raise Refused((Finding("command-line", "refused", reason, "give a JSON file, or - for stdin"),))
    _check(asked)
    case = domain_case(source)
    if asked.changes:
        return _what_if(case, asked, as_json=as_json, seed=seed)
    if asked.room_left is not None:
        return _room_left(case, asked.room_left, as_json=as_json, seed=seed)
    if asked.trim:
        return _trim(case, asked, as_json=as_json, seed=seed)
    with engine_notice():
        answer = predict_case(
            case.patients,
            case.build,
            case.settings,
            seed=seed,
            structural=case.structural,
            assumed=case.assumed,
        )
    if asked.why is not None:
        from airyoke.cli.why import explain_case

        return explain_case(case, answer, asked.why, as_json=as_json)
    if as_json:
        print(Prediction.of(answer, case.findings).json_text())
    else:
        page = page_for_stdout()
        prediction_page(page, case, answer, _notes(case), brief=asked.brief)
        print_page(page)
    return _exit(answer)


def _check(asked: Asked) -> None:
    """One question at a time."""
    questions = [("--why", asked.why is not None), ("--change", bool(asked.changes)), ("--trim", asked.trim),
                 ("--room-left", asked.room_left is not None)]  # fmt: skip
    named = [name for name, there in questions if there]
    reason = None
    if len(named) > 1 or (asked.brief and named):
        reason = f"{' and '.join([*named, *(['--brief'] if asked.brief else [])])} do not go together"
    elif asked.others is not None and not asked.changes:
        reason = "--with is for --change"
    elif asked.stock is not None and not asked.trim:
        reason = "--stock is for --trim"
    if reason is not None:
        raise Refused((Finding("command-line", "refused", reason, "ask one thing at a time"),))


def _trim(case: DomainCase, asked: Asked, *, as_json: bool, seed: int) -> int:
    """The best trim. 0 also where none helps: the answer says so."""
    from airyoke.cli.trim import trim_page
    from airyoke.contract.trim_answer import TrimAnswer
    from airyoke.plan.coupling import Coupling
    from airyoke.plan.trims import search_trims
    from airyoke.plan.what_if import Question

    stock = None
    if asked.stock is not None:
        from airyoke.cli.times import now_from
        from airyoke.exchange import read_ward

        stock = read_ward(asked.stock, now=now_from(None)).stock
    coupling = Coupling(case.patients, case.bare_build, case.settings, case.trims)
    question = Question(seed=seed, structural=case.structural, hold_sensor="inspiratory")
    with engine_notice():
        found = search_trims(coupling, question, stock, assumed=case.assumed)
        if as_json:
            print(TrimAnswer.of(found, stock_known=stock is not None, notes=case.findings).json_text())
            return _exit(found.before.answer)
        page = page_for_stdout()
        trim_page(page, found, _notes(case), stock_known=stock is not None)
    print_page(page)
    return _exit(found.before.answer)


def _room_left(case: DomainCase, path: Path, *, as_json: bool, seed: int) -> int:
    """Draw, and print the same as a table."""
    from airyoke.cli.room_left import room_left_page, write_svg
    from airyoke.contract.region_answer import RoomLeftRegionsAnswer
    from airyoke.limits.policy import Policy
    from airyoke.plan.coupling import Coupling
    from airyoke.plan.region import regions
    from airyoke.quantities.cautions import STANDING

    policy = Policy()
    with engine_notice():
        found = regions(Coupling(case.patients, case.bare_build, case.settings, case.trims), policy, seed)
    if found:
        write_svg(path, found, policy)
    cautions = (*STANDING, *_notes(case))
    if as_json:
        print(RoomLeftRegionsAnswer.of(found, policy, cautions).json_text())
        return EXIT_DONE
    page = page_for_stdout()
    room_left_page(page, found, policy, cautions)
    print_page(page)
    if found:
        print(f"Drawn in {path}", file=sys.stderr)
    return EXIT_DONE


def _exit(answer: GroupAnswer) -> int:
    return EXIT_DONE if answer.outcome == "solved" else EXIT_NOT_SOLVED


def _what_if(case: DomainCase, asked: Asked, *, as_json: bool, seed: int) -> int:
    """Before and after the changes. 0 where the changed group was solved, 1 where not."""
    from airyoke.cli.what_if import what_if_page
    from airyoke.contract.change_forms import parse_changes
    from airyoke.contract.what_if_answer import WhatIfAnswer
    from airyoke.plan.coupling import Coupling
    from airyoke.plan.what_if import Question, compare

    others = {} if asked.others is None else {one.label: one for one in domain_case(asked.others).patients}
    coupling = Coupling(case.patients, case.bare_build, case.settings, case.trims)
    changes = parse_changes(asked.changes, coupling.labels, others)
    question = Question(seed=seed, structural=case.structural, hold_sensor="inspiratory")
    with engine_notice():
        answer = compare(coupling, changes, question, case.assumed)
    if as_json:
        print(WhatIfAnswer.of(answer, case.findings).json_text())
    else:
        page = page_for_stdout()
        what_if_page(page, answer, _notes(case))
        print_page(page)
    return _exit(answer.after.answer)


def _notes(case: DomainCase) -> tuple[Caution, ...]:
    return tuple(Caution(f.id, f"{f.column}: {f.reason}; {f.remedy}") for f in case.findings)


def domain_case(source: str) -> DomainCase:
    """The case in a file, or for ``-`` on stdin. Raises ``Refused`` for whatever is wrong with it."""
    written = read_case(_text(source), None if source == "-" else Path(source).name)
    return written.to_domain(unusual(written))


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
