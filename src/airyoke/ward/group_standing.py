"""What became of a group, from the minute it is prepared until nobody shares any more, as its entries say.

Every list that people tick (gate, steps) stands here as it was written down when it was begun: a program with other
lists reads an old record as it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from airyoke.ward.read_value import ReadValue

Stage = Literal["rehearse", "gate", "coupling", "running", "abandoning", "abandoned", "leaving", "dissolved", "ended"]
"""``rehearse``: prepared, each alone at the shared settings. ``gate``: rehearsed (or skipped), being ticked.
``coupling``, ``abandoning``, ``leaving``: a sequence is under way, see :class:`Way`. ``running``: everybody joined.
``abandoned``: given up; who is still on the ventilator stays watched. ``dissolved``: not coupled, by its rehearsal.
``ended``: nobody shares."""

OVER: frozenset[Stage] = frozenset({"dissolved", "ended"})
Proof = Literal["", "rehearsal", "build", "plan"]


@dataclass(frozen=True, slots=True)
class GateItem:
    """One line of the gate. ``people``: how many different people must have seen to it. ``proof``: what of the record
    must hold as well, whatever was ticked."""

    id: str
    text: str
    people: int = 1
    proof: Proof = ""


@dataclass(frozen=True, slots=True)
class Tick:
    """One line of the gate as somebody left it."""

    sequence: int
    at: str
    by: tuple[str, ...]
    passed: bool


@dataclass(frozen=True, slots=True)
class RehearsalStanding:
    """What the rehearsal came to. ``settings`` are those that it stands for; ``values`` its numbers."""

    sequence: int
    verdict: Literal["confirmed", "retuned", "skipped", "replan", "dissolved"]
    settings: Mapping[str, Any]
    reason: str
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Done:
    """Somebody did a step: who holds its role, who wrote it down, how many clamps were counted, and the ids of
    findings that were answered. ``apnoea_s``: how long the tube was clamped, where this step opened it."""

    sequence: int
    at: str
    by: str
    written_by: str
    clamps: int | None = None
    confirmed: tuple[str, ...] = ()
    apnoea_s: float | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a sequence as it was begun.

    ``who`` is the role that does it; ``bed`` whose step it is. ``joins``, ``leaves``, ``returns``: that patient is on
    the shared ventilator after it, off it, back on a ventilator of its own. ``closes``, ``opens``: its tube.
    ``clamps``: how many are on the circuit and the tubes after it, ``None`` where nobody counts.
    """

    id: str
    at: str
    who: str
    do: str
    read: str = ""
    bed: str | None = None
    joins: bool = False
    leaves: bool = False
    returns: bool = False
    closes: bool = False
    opens: bool = False
    clamps: int | None = None
    done: Done | None = None


@dataclass(frozen=True, slots=True)
class Way:
    """A sequence under way: who has which role, and its steps. ``off`` are the beds that it takes off, ``to`` the
    ventilator each then has (none = bagged)."""

    name: Literal["start", "abandon", "exit"]
    sequence: int
    at: str
    roles: Mapping[str, str]
    steps: tuple[Step, ...]
    off: tuple[str, ...] = ()
    to: Mapping[str, str | None] = field(default_factory=dict)
    reason: str = ""

    @property
    def next(self) -> Step | None:
        """The step that comes now; ``None`` where all are done."""
        return next((step for step in self.steps if step.done is None), None)

    @property
    def last(self) -> Step | None:
        """The step done last."""
        done = [step for step in self.steps if step.done is not None]
        return done[-1] if done else None

    @property
    def closed(self) -> Step | None:
        """The step that clamped a tube which no step has opened since: somebody is not breathing."""
        found: Step | None = None
        for step in self.steps:
            if step.done is not None and step.closes:
                found = step
            if step.done is not None and step.opens:
                found = None
        return found


@dataclass(frozen=True, slots=True)
class Baseline:
    """What was measured when everybody had joined, and the alarm limits that were set from it."""

    sequence: int
    at: str
    values: Mapping[str, Any]
    patients: Mapping[str, Mapping[str, Any]]
    alarms: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class GroupStanding:
    """One group. ``beds`` are in the order of its lanes; those of :attr:`joined` breathe from ``ventilator`` now.

    ``patients`` says for each bed the entry since which its patient is here: the group is of patients, not of beds.
    ``coupled_at`` is when the last one joined: minute zero of the rounds. ``read`` holds the newest value of each item
    at each bed (``""`` = of the ventilator); ``round_at``, ``changed_at``, ``reviewed_at`` are the newest round, change
    of anything that was dialled or done, and review.
    """

    ventilator: str
    beds: tuple[str, ...]
    stage: Stage
    since: int
    settings: Mapping[str, Any] = field(default_factory=dict)
    patients: Mapping[str, int] = field(default_factory=dict)
    plan: str | None = None
    build: str | None = None
    gate_items: tuple[GateItem, ...] = ()
    gate: Mapping[str, Tick] = field(default_factory=dict)
    rehearsal: RehearsalStanding | None = None
    way: Way | None = None
    joined: tuple[str, ...] = ()
    before: Mapping[str, str | None] = field(default_factory=dict)
    coupled_at: str | None = None
    baseline: Baseline | None = None
    round_at: str | None = None
    changed_at: str | None = None
    reviewed_at: str | None = None
    read: Mapping[str, Mapping[str, ReadValue]] = field(default_factory=dict)

    @property
    def over(self) -> bool:
        """Whether nothing more can be done with it."""
        return self.stage in OVER


def later(one: str | None, other: str) -> str:
    """The later of two times."""
    if one is None:
        return other
    return max(one, other, key=datetime.fromisoformat)
