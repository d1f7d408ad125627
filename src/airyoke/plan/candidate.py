"""Who could share with whom before any physiology: rooms, infection labels, position, never-share reasons."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from airyoke.breath.settings import Settings
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient


@dataclass(frozen=True, slots=True)
class Note:
    """A reason or a decision: a stable id and a sentence."""

    id: str
    text: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """One bed as the planner sees it.

    patient
        ``None`` where nothing could be judged (readings refused or not sufficient): such a bed can only stay alone.
    present_settings
        What its ventilator is set to now; it keeps them if it stays alone.
    never
        Reasons why it may not share at all (empty: it may).
    needs
        Decisions that sharing would depend on (deep sedation, an entry rule waived).
    never_change
        What would take each of those reasons away.
    must_match
        What has to be the same for everybody in a group (prone, a resistant germ).
    humidification
        How its present circuit humidifies.
    ventilator
        The machine it is on now.
    keeps_ventilator
        It is not judged and keeps the machine it is on; that machine is not given away.
    """

    bed: str
    patient: Patient | None
    present_settings: Settings | None
    never: tuple[Note, ...] = ()
    never_change: tuple[Note, ...] = ()
    needs: tuple[Note, ...] = ()
    room: str | None = None
    infection: frozenset[str] | None = None
    must_match: frozenset[str] = frozenset()
    humidification: Literal["hme", "heated"] | None = None
    ventilator: str | None = None
    keeps_ventilator: bool = False

    @property
    def may_share(self) -> bool:
        """Whether this patient may be in a group of more than one at all."""
        return self.patient is not None and not self.never


def why_not_together(one: Candidate, other: Candidate, policy: Policy) -> tuple[Note, ...]:
    """Reasons before any physiology why these two may not breathe from one ventilator (empty: they may)."""
    notes: list[Note] = []
    if not policy.rooms_may_mix and one.room != other.room:
        notes.append(Note("rooms", f"{one.bed} and {other.bed} are in different rooms"))
    if one.infection is None or other.infection is None:
        blank = " and ".join(c.bed for c in (one, other) if c.infection is None)
        notes.append(Note("infection-unknown", f"no infection label for {blank}: it matches nobody"))
    elif one.infection != other.infection:
        notes.append(Note("infection", f"infection labels of {one.bed} and {other.bed} differ"))
    if one.must_match != other.must_match:
        differ = ", ".join(sorted(one.must_match ^ other.must_match))
        notes.append(Note("must-match", f"{one.bed} and {other.bed} differ in what must match: {differ}"))
    return tuple(notes)


@dataclass(frozen=True, slots=True)
class Permitted:
    """Which groups may be judged at all, and why the other pairs may not. Beds are positions in the list."""

    pairs: frozenset[tuple[int, int]]
    refused: tuple[tuple[int, int, tuple[Note, ...]], ...]

    def groups(self, size: int) -> list[tuple[int, ...]]:
        """Groups of ``size`` in which every two may be together, in the order of the beds."""
        if size == 2:
            return sorted(self.pairs)
        return self.groups_from(self.groups(size - 1), size)

    def groups_from(self, smaller: Iterable[tuple[int, ...]], size: int) -> list[tuple[int, ...]]:
        """Groups of ``size`` made by adding one bed to these, every two of which may be together."""
        beds = sorted({bed for pair in self.pairs for bed in pair})
        return [
            (*group, bed)
            for group in sorted(smaller)
            for bed in beds
            if len(group) == size - 1 and bed > group[-1] and all((member, bed) in self.pairs for member in group)
        ]


def permitted_pairs(candidates: tuple[Candidate, ...], policy: Policy) -> Permitted:
    """Every pair of patients who may share, by rooms, labels, position and never-share reasons."""
    pairs: set[tuple[int, int]] = set()
    refused: list[tuple[int, int, tuple[Note, ...]]] = []
    for (i, one), (j, other) in combinations(enumerate(candidates), 2):
        if not (one.may_share and other.may_share):
            continue
        notes = why_not_together(one, other, policy)
        if notes:
            refused.append((i, j, notes))
        else:
            pairs.add((i, j))
    return Permitted(frozenset(pairs), tuple(refused))
