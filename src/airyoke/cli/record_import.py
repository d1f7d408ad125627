"""`airyoke record import` and `export`: workbooks as proposals that a person confirms, and whole records as lines."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import rfc8785

from airyoke.cli.page import page_for_stdout, print_page
from airyoke.cli.record import answer
from airyoke.cli.record_people import writer
from airyoke.cli.times import now_from
from airyoke.cli.wards import note_export, open_to_read
from airyoke.contract.record_answer import LineAnswer
from airyoke.exchange import write_tables
from airyoke.exchange.ward_rows import read_typed_rows
from airyoke.quantities import Finding, Refused
from airyoke.record.files import file_sha256
from airyoke.record.moment import system_clock
from airyoke.record.record import Record
from airyoke.record.rights import may_write
from airyoke.record.transfer import export_lines, record_from_lines
from airyoke.ward.entries import Draft
from airyoke.ward.proposal import Line, propose, seems_of_another_site
from airyoke.ward.rows import ward_rows

_LINES = ".jsonl"
_NAMED = {"new": ("new",), "changed": ("changed",), "all": ("new", "changed")}


def export_command(target: Path, where: str, site: str | None, *, as_json: bool) -> int:
    """The whole record as lines, or the ward as it stands as a workbook or folder."""
    with open_to_read(where, site) as record:
        if target.suffix.casefold() == _LINES:
            written = export_lines(record, target)
            digest: str | None = written.sha256
            count = written.entries
        else:
            write_tables(target, ward_rows(record.state()))
            digest = file_sha256(target) if target.is_file() else None
            count = record.state().sequence
        content: dict[str, Any] = {"what": target.name[:80], "entries": count}
        if digest is not None:
            content["sha256"] = digest
        note_export(record, content)
        words = [f"{target} holds {'the record' if target.suffix == _LINES else 'the ward as it stands'}."]
        words += [f"SHA-256 {digest}"] if digest is not None else []
        return answer("export", words, record, as_json=as_json, path=str(target), sha256=digest)


def import_command(source: Path, where: str, site: str | None, *, confirm: str | None, proposal: str | None,
                   person: str | None, password_file: Path | None, now: str | None, as_json: bool) -> int:  # fmt: skip
    """A proposal; with ``confirm`` the lines it names are written, all of them or none."""
    if source.suffix.casefold() == _LINES:
        made = record_from_lines(source, where, system_clock())
        with Record.open(where, site=made) as record:
            words = [
                f"{record.state().sequence} entries of {made} are in {record.database.name}.",
                "Accounts do not travel in lines: each keeper named there needs a password, set on this computer.",
            ]
            return answer("import", words, record, as_json=as_json)
    with Record.open(where, site=site) as record:
        ward, rows = read_typed_rows(source, now=now_from(now))
        seen = record.state()
        lines = propose(seen, rows)
        name = proposal_id(lines)
        wanted = _confirmed(lines, confirm, proposal, name)
        if confirm in _NAMED and seems_of_another_site(seen, rows):
            reason = f"no bed and no ventilator of {source.name} is in the record of {record.site}: another site's?"
            raise _refused("import-other-site", reason, f"if it is this site's, confirm by number, --proposal {name}")
        if confirm is not None:
            who = writer(record, person, password_file)
            if confirm in _NAMED:  # of what was not picked by number, what this person may write
                wanted = [n for n in wanted if all(may_write(seen, who, draft.kind) for draft in lines[n - 1].drafts)]
            drafts = [draft for number in wanted for draft in lines[number - 1].drafts]
            about: dict[str, Any] = {"source": source.name[:80], "sha256": _sha256(source)}
            about |= {"lines": len(lines), "confirmed": len(wanted)}
            record.write([Draft("import", about), *drafts], person=who, seen=seen.sequence)
        left = sum(finding.level == "refused" for finding in ward.findings)
        if not as_json:
            _print_lines(lines, wanted, name, left)
        words = []
        if confirm is not None:
            other = " The rest is for somebody with another role, or to be picked by number."
            rest = other if len(wanted) < len(lines) else ""
            words = [f"{len(wanted)} of {len(lines)} lines were written.{rest if confirm in _NAMED else ''}"]
        return answer("import", words, record, as_json=as_json, written=len(wanted), proposal=name,
                      lines=[LineAnswer.of(number, line) for number, line in enumerate(lines, start=1)])  # fmt: skip


def proposal_id(lines: Sequence[Line]) -> str:
    """A name for exactly these lines: numbers of another proposal confirm nothing."""
    body: list[Any] = [[line.kind, line.subject, dict(line.before), dict(line.after)] for line in lines]
    return hashlib.sha256(rfc8785.dumps(body)).hexdigest()[:8]


def _confirmed(lines: Sequence[Line], confirm: str | None, proposal: str | None, name: str) -> list[int]:
    if confirm is None:
        return []
    kinds = _NAMED.get(confirm)
    if kinds is not None:
        return [number for number, line in enumerate(lines, start=1) if line.kind in kinds]
    words = [word.strip() for word in confirm.split(",")]
    if not all(word.isdecimal() and 1 <= int(word) <= len(lines) for word in words):
        raise _refused("confirm-form", f"--confirm {confirm!r} names no lines", "new, changed, all, or numbers: 1,4,7")
    if proposal != name:
        reason = f"these numbers are of another proposal than the present one, {name}"
        raise _refused("proposal-other", reason, f"look at the lines, then --proposal {name}")
    return sorted({int(word) for word in words})


def _print_lines(lines: Sequence[Line], wanted: Sequence[int], name: str, left: int) -> None:
    page = page_for_stdout()
    page.text(f"Proposal {name}: {len(lines)} lines" if lines else "The record has all of it: nothing to confirm.")
    for number, line in enumerate(lines, start=1):
        done = " - written" if number in wanted else ""
        page.text(f"{number}  {line.kind}: {line.subject}{done}", style="strong")
        if line.why:
            page.text(line.why, 4)
        for column, value in line.after.items():
            before = f"{line.before[column]} -> " if column in line.before else ""
            page.text(f"{column} {before}{value}", 4)
    if left:
        page.text(f"{left} values were refused and are in no line: airyoke check lists them.", style="strong")
    print_page(page)


def _sha256(source: Path) -> str:
    if source.is_file():
        return file_sha256(source)
    files = sorted(path for path in source.iterdir() if path.is_file())
    return hashlib.sha256("".join(f"{path.name} {file_sha256(path)}\n" for path in files).encode()).hexdigest()


def _refused(finding_id: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy),))
