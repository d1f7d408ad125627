"""Two people change one thing: the second is told, and sees both values."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from airyoke.quantities import Finding, Refused
from airyoke.ward.entries import Draft, Entry
from airyoke.ward.kinds import touches


@dataclass(frozen=True, slots=True)
class Clash:
    """One thing that somebody else has changed meanwhile: their value, mine, and their entry."""

    subject: str
    theirs: Any
    mine: Any
    entry: Entry


class Conflict(Refused):
    """Somebody else has changed the same thing since the writer looked. Nothing was written."""

    def __init__(self, clashes: tuple[Clash, ...]) -> None:
        self.clashes = clashes
        super().__init__(tuple(_finding(clash) for clash in clashes))


def check_conflicts(drafts: Sequence[Draft], since: Iterable[Entry]) -> None:
    """Raise :class:`Conflict` where one of the entries ``since`` the writer looked sets what a draft sets too, to
    another value."""
    mine: dict[str, Any] = {}
    for draft in drafts:
        mine.update(touches(draft.kind, draft.content))
    theirs: dict[str, Clash] = {}
    for entry in since:
        for subject, value in touches(entry.kind, entry.content).items():
            if subject in mine:
                theirs[subject] = Clash(subject, value, mine[subject], entry)
    clashes = tuple(clash for clash in theirs.values() if clash.theirs != clash.mine)
    if clashes:
        raise Conflict(clashes)


def _finding(clash: Clash) -> Finding:
    reason = (
        f"{clash.subject}: {clash.entry.person} wrote {clash.theirs!r} at {clash.entry.local[11:16]}, "
        f"you want {clash.mine!r}"
    )
    return Finding("changed-meanwhile", "refused", reason, "look at both, then write again what holds")
