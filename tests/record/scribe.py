"""Entries for tests, without a database: a list that can be folded."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from airyoke.ward.entries import Draft, Entry
from airyoke.ward.fold import Fold, Source
from airyoke.ward.kinds import KINDS, content_findings


def entry(sequence: int, kind: str, content: dict[str, Any], person: str = "rt-1") -> Entry:
    """A made-up entry; its id is its sequence."""
    return Entry(
        site="st-example", stream="ward", sequence=sequence, previous="0" * 64, id=f"entry-{sequence}", kind=kind,
        version=KINDS[kind].version, content=content, person=person, device="desk", utc="2026-11-25T14:00:00.000+00:00",
        boot="b", monotonic_s=float(sequence), local="2026-11-25T15:00:00.000+01:00", zone="CET", program="0",
    )  # fmt: skip


@dataclass
class Scribe:
    """Writes entries into a list and folds them as it goes; a contradiction leaves everything as it was."""

    entries: list[Entry] = field(default_factory=list)
    fold: Fold = field(default_factory=Fold)

    def source(self) -> Source:
        return source_of(self.entries)

    def write(self, kind: str, **content: Any) -> Entry:
        assert content_findings(kind, content) == (), content_findings(kind, content)
        new = entry(len(self.entries) + 1, kind, content)
        self.fold = self.fold.with_entries([new], self.source())
        self.entries.append(new)
        return new

    def write_drafts(self, drafts: Iterable[Draft]) -> None:
        for draft in drafts:
            self.write(draft.kind, **draft.content)


def source_of(entries: list[Entry]) -> Source:
    """Where a fold finds old entries: in this list."""
    by_id = {one.id: one for one in entries}
    return Source(by_id.get, lambda first: iter(entries[first - 1 :]))


def small_ward() -> Scribe:
    """Two beds, three ventilators, one patient on V1."""
    scribe = Scribe()
    for machine in ("V1", "V2", "V3"):
        scribe.write("ventilator", ventilator=machine)
    scribe.write("bed", bed="1", room="East")
    scribe.write("bed", bed="2", room="East")
    scribe.write("patient_in", bed="1", code="a", values={"ventilator": "V1"})
    scribe.write("patient_in", bed="2", code="b", values={"ventilator": "V2"})
    return scribe
