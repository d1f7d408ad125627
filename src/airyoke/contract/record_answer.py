"""What a command about the record did: `airyoke/record/1`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import Answer, FindingAnswer
from airyoke.contract.fields import Frozen
from airyoke.quantities import Finding
from airyoke.ward.due import DueLine
from airyoke.ward.entries import Entry
from airyoke.ward.proposal import Line


class LineAnswer(Frozen):
    """One line of a proposal, numbered as it is confirmed."""

    number: int
    kind: Literal["new", "changed", "conflicting"]
    subject: str
    before: dict[str, Any]
    after: dict[str, Any]
    why: str

    @classmethod
    def of(cls, number: int, line: Line) -> LineAnswer:
        """From the domain."""
        return cls(number=number, kind=line.kind, subject=line.subject, before=dict(line.before),
                   after=dict(line.after), why=line.why)  # fmt: skip


class EntryAnswer(Frozen):
    """One entry as it was written."""

    sequence: int
    id: str
    kind: str
    content: dict[str, Any]
    person: str
    device: str
    utc: str
    local: str

    @classmethod
    def of(cls, entry: Entry) -> EntryAnswer:
        """From the domain."""
        return cls(sequence=entry.sequence, id=entry.id, kind=entry.kind, content=dict(entry.content),
                   person=entry.person, device=entry.device, utc=entry.utc, local=entry.local)  # fmt: skip


class PersonAnswer(Frozen):
    """Somebody who may sign in."""

    name: str
    roles: list[str]


class DueAnswer(Frozen):
    """One thing that is due. ``at`` null = now, as soon as somebody can; ``bed`` null = of the whole group."""

    group: str
    check: str
    words: str
    bed: str | None
    at: str | None
    overdue_min: float
    last: str | None

    @classmethod
    def of(cls, line: DueLine, now: datetime) -> DueAnswer:
        """From the domain, at that time."""
        return cls(group=line.group, check=line.name, words=line.words, bed=line.bed,
                   at=None if line.at is None else line.at.isoformat(),
                   overdue_min=round(line.overdue(now).total_seconds() / 60, 1),
                   last=None if line.last is None else line.last.isoformat())  # fmt: skip


class RecordAnswer(Answer):
    """The record as it stands after the command. What a command has nothing to say about is empty or null.

    ``heads`` are the ends of both chains, ``stream:sequence:hash``: keep them in a second place. ``proposal`` names
    the lines as they were shown, so that numbers confirm what was read.
    """

    schema_: Annotated[Literal["airyoke/record/1"], Field(alias="schema")] = "airyoke/record/1"
    version: str = __version__
    did: str
    record: str
    site: str | None
    heads: list[str] = Field(default_factory=list)
    path: str | None = None
    sha256: str | None = None
    written: int = 0
    proposal: str | None = None
    lines: list[LineAnswer] = Field(default_factory=list)
    entries: list[EntryAnswer] = Field(default_factory=list)
    people: list[PersonAnswer] = Field(default_factory=list)
    due: list[DueAnswer] = Field(default_factory=list)
    findings: list[FindingAnswer] = Field(default_factory=list)

    @classmethod
    def findings_of(cls, findings: Sequence[Finding]) -> list[FindingAnswer]:
        """Findings as they leave the tool."""
        return [FindingAnswer.of(one) for one in findings]
