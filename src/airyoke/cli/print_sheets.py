"""`airyoke print`: the sheets of a plan as PDF files."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from airyoke import __version__
from airyoke.cli.notes import cautions_part
from airyoke.cli.page import Column, page_for_stdout, print_page
from airyoke.cli.plan import planned
from airyoke.cli.plan_file import read_plan
from airyoke.cli.progress import engine_notice
from airyoke.cli.run import EXIT_DONE
from airyoke.cli.times import now_from
from airyoke.cli.wards import note_export, note_reading, open_to_read, ward_refused
from airyoke.contract.answers import NoteAnswer
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.contract.print_answer import PrintAnswer, PrintedFile
from airyoke.exchange import read_ward
from airyoke.paper import (
    KINDS,
    Material,
    Paper,
    Provenance,
    check_paper,
    gather,
    kept_plan,
    pdf,
    plan_words,
    running_groups,
    sheets,
    short_sha256,
)
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import Caution
from airyoke.ward.ward import Ward

if TYPE_CHECKING:
    from airyoke.record.record import Record


@dataclass(frozen=True, slots=True)
class Asked:
    """The command line of `airyoke print`."""

    source: Path | None
    record: str | None
    site: str | None
    plan: Path | None
    group: str | None
    sheets: Sequence[str]
    to: Path
    paper: str
    now: str | None
    seed: int


def print_command(asked: Asked, *, as_json: bool) -> int:
    """Gather, make every sheet, then write the files: nothing is written where anything is refused."""
    paper = check_paper(asked.paper)
    if asked.source is not None and asked.record is not None:
        raise ward_refused("a workbook and a record were given", "one of the two, not both")
    if asked.source is None and asked.record is None and asked.plan is None:
        raise ward_refused("nothing to print from", "give a workbook or folder, --record, or --plan with a plan")
    now = now_from(asked.now)
    given = None if asked.plan is None else read_plan(asked.plan, "--plan")
    if asked.record is not None:
        with open_to_read(asked.record, asked.site) as opened:
            answer = _print(asked, _from_record(asked, opened, given, now), paper)
            note_reading(opened, "sheets to print")
            names = ", ".join(one.file for one in answer.files)
            note_export(opened, {"what": f"printed: {names}"[:4000]})
    else:
        answer = _print(asked, _from_files(asked, given, now), paper)
    if as_json:
        print(answer.json_text())
    else:
        _show(answer)
    return EXIT_DONE


def _from_files(asked: Asked, given: PlanAnswer | None, now: datetime) -> Material:
    ward = None if asked.source is None else read_ward(asked.source, now=now)
    plan = given if given is not None else PlanAnswer.of(planned(_known(ward), now, asked.seed))
    names = [one.name for one in (asked.source, asked.plan) if one is not None]
    words = "plan worked out for this print" if given is None else f"plan {short_sha256(given)}"
    with engine_notice():
        return gather(plan, ward, Provenance(now, __version__, " with ".join(names), None, words))


def _from_record(asked: Asked, record: Record, given: PlanAnswer | None, now: datetime) -> Material:
    from airyoke.exchange.ward_rows import ward_of_rows
    from airyoke.ward.rows import ward_rows

    state, head = record.state(), record.head()
    ward = ward_of_rows(ward_rows(state), file=f"{record.site} at {head.short}", now=now)
    last = record.entries(head.sequence, head.sequence)
    as_of = datetime.fromisoformat(last[0].local) if last else now
    plan = given if given is not None else PlanAnswer.of(planned(ward, now, asked.seed))
    kept = kept_plan(record, state, plan)
    words = plan_words(plan, kept, "made for this print, not kept" if given is None else "NOT kept in this record")
    provenance = Provenance(as_of, __version__, f"record {record.site}", head.short, words)
    running = running_groups(record, state, as_of)
    with engine_notice():
        return gather(plan, ward, provenance, running, same_patients=kept is not None)


def _print(asked: Asked, material: Material, paper: Paper) -> PrintAnswer:
    where = material.provenance
    found = sheets(material, names=asked.sheets, group=asked.group)
    made = [(sheet, pdf(sheet, paper=paper, as_of=int(where.as_of.timestamp()))) for sheet in found]
    _write(asked.to, {sheet.file: content for sheet, content in made})
    return PrintAnswer(
        version=__version__,
        folder=str(asked.to),
        paper=paper,
        as_of=where.as_of.isoformat(),
        source=where.source,
        head=where.head,
        plan=where.plan,
        files=[
            PrintedFile(file=sheet.file, sheet=sheet.name, group=sheet.group, bytes=len(content),
                        sha256=hashlib.sha256(content).hexdigest())
            for sheet, content in made
        ],
        cautions=[NoteAnswer(id=one.id, text=one.text) for one in material.plan.cautions],
    )  # fmt: skip


def _write(folder: Path, files: dict[str, bytes]) -> None:
    """Each file whole or not at all; an older print of the same sheet is replaced."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            part = folder / f".{name}.part"
            part.write_bytes(content)
            os.replace(part, folder / name)
    except OSError as error:
        reason = f"{folder} cannot be written to: {error.strerror or type(error).__name__}"
        finding = Finding("print-folder", "refused", reason, "name a folder that can be", column="--to")
        raise Refused((finding,)) from None


def _known(ward: Ward | None) -> Ward:
    assert ward is not None, "without a plan file there is a ward"
    return ward


def _show(answer: PrintAnswer) -> None:
    page = page_for_stdout()
    page.title(f"Printed into {answer.folder}")
    page.text(f"{len(answer.files)} files, {answer.paper}. {answer.source}, {answer.head or 'not from a record'}; "
              f"{answer.plan}.")  # fmt: skip
    page.blank()
    by_sheet: dict[str, list[str]] = {}
    for one in answer.files:
        by_sheet.setdefault(one.sheet, []).append(one.group or "ward")
    page.table(
        [Column("sheet"), Column("of", wrap=True), Column("answers", wrap=True)],
        [[name, ", ".join(whose), KINDS[name].question] for name, whose in by_sheet.items()],
    )
    cautions_part(page, tuple(Caution(one.id, one.text) for one in answer.cautions))
    print_page(page)
