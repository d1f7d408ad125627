"""Where a command finds its ward: a workbook, a folder, or a record."""

from __future__ import annotations

import getpass
import sys
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from airyoke.exchange import read_ward
from airyoke.quantities import Finding, Refused
from airyoke.ward.ward import Ward

if TYPE_CHECKING:
    from airyoke.record.record import Record

_ONLY_TO_READ = frozenset({"record-read-only", "record-not-opened", "record-no-rights", "disk-nearly-full", "disk-full",
                           "chain-broken", "disk-error"})  # fmt: skip


@dataclass(frozen=True, slots=True)
class FoundWard:
    """A ward, and the sequence of the entry up to which it was folded where it came from a record."""

    ward: Ward
    sequence: int | None = None


def ward_from(source: Path | None, record: str | None, site: str | None, *, now: datetime, what: str) -> FoundWard:
    """The ward in a workbook or folder, or as it stands in a record. ``what`` is shown of a record, for its audit."""
    if (source is None) == (record is None):
        raise ward_refused("give a workbook or folder, or --record with a record", "one of the two, not both")
    if source is not None:
        return FoundWard(read_ward(source, now=now))
    from airyoke.exchange.ward_rows import ward_of_rows
    from airyoke.ward.rows import ward_rows

    assert record is not None
    with open_to_read(record, site) as opened:
        head = opened.head()
        state = opened.state()
        ward = ward_of_rows(ward_rows(state), file=f"{opened.site} at {head.short}", now=now)
        note_reading(opened, what)
    return FoundWard(ward, state.sequence)


def open_to_read(record: str, site: str | None) -> Record:
    """The record; where it cannot be written to it is shown all the same."""
    from airyoke.record.record import Record

    try:
        return Record.open(record, site=site)
    except Refused as refusal:
        if refusal.findings[0].id not in _ONLY_TO_READ:
            raise
        print(f"only read: {refusal.findings[0].reason}", file=sys.stderr)
        return Record.open(record, site=site, read_only=True)


def note_reading(record: Record, what: str) -> None:
    """An entry of the audit stream that says who saw what."""
    _note(record, "read", {"what": what})


def note_export(record: Record, content: dict[str, Any]) -> None:
    """An entry of the audit stream that says what left the record."""
    _note(record, "export", content)


def _note(record: Record, kind: str, content: dict[str, Any]) -> None:
    """Where it cannot be written, that is said, and no more: a full disk hides nothing from the people at the bed."""
    try:
        record.write_audit(kind, content, person=account())
    except Refused as refusal:
        print(f"not noted who did it ({kind}): {refusal.findings[0].reason}", file=sys.stderr)


def account() -> str:
    """Whose account of the machine runs this: who that is at the bed is not proved."""
    try:
        return f"account {getpass.getuser()}"
    except (OSError, KeyError):
        return "account unknown"


def ward_refused(reason: str, remedy: str) -> Refused:
    """Where no ward, or more than one, was named."""
    return Refused((Finding("ward-source", "refused", reason, remedy),))
