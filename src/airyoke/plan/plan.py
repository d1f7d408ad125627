"""A plan: groups that cover the ward, who is left and why, and how it is known that no better plan exists."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from airyoke.breath.settings import Settings
from airyoke.circuit.from_stock import BuiltCircuit
from airyoke.limits.answer import Assumed, GroupAnswer, Source
from airyoke.plan.candidate import Note
from airyoke.plan.room_left import RoomLeft
from airyoke.quantities.cautions import Caution
from airyoke.quantities.finding import Finding


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm limit to dial on the shared ventilator: ``low`` and ``high`` in ``unit``, and the rule behind it."""

    name: str
    low: float | None
    high: float | None
    unit: str
    why: str


@dataclass(frozen=True, slots=True)
class Expectation:
    """What one patient should show, alone on its own ventilator at the shared settings."""

    bed: str
    quantity: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """Each patient alone at the shared settings before anybody is coupled.

    ``settings`` is dialled on each patient's own ventilator for ``minutes``; ``read`` lists what to read;
    ``expected`` what the engine predicts for each; ``passes`` is the test in words: the measured values must bring
    the chance to ``confidence`` (targets) and ``hard_confidence`` (hard bounds).
    """

    settings: Settings
    minutes: str
    read: tuple[str, ...]
    expected: tuple[Expectation, ...]
    confidence: float
    hard_confidence: float
    passes: str


@dataclass(frozen=True, slots=True)
class PlannedGroup:
    """One ventilator and the beds on it. A group of one keeps its present settings (``settings`` is ``None``).

    ``status``: ``judged`` by the engine at shared settings · ``as_read`` a patient who stays alone, judged at its
    present settings · ``not_judged`` a bed whose readings were refused. ``present_settings`` by bed.
    ``breaks`` are the beds whose ventilator changes. ``switches`` says what else is to be set or avoided on it.
    ``build`` is the name of its circuit, ``parts`` what that takes, ``built`` its joints where it was chosen from the
    stock.
    """

    id: str
    ventilator: str
    beds: tuple[str, ...]
    needs: tuple[Note, ...]
    build: str
    parts: tuple[tuple[str, int], ...]
    settings: Settings | None
    present_settings: dict[str, Settings | None]
    alarms: tuple[Alarm, ...]
    answer: GroupAnswer | None
    rehearsal: Rehearsal | None
    status: Literal["judged", "as_read", "not_judged"]
    breaks: tuple[str, ...] = ()
    switches: tuple[str, ...] = ()
    room_left: tuple[RoomLeft, ...] = ()
    built: BuiltCircuit | None = None


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A bed without a ventilator under this plan: why, what would change it.

    ``alternatives``: other sets of beds that could be left instead, equal in the first two goals; people choose.
    """

    bed: str
    why: tuple[Note, ...]
    would_change: tuple[Note, ...]
    alternatives: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal of the plan in its order: what was reached, the proved bound, the gap, and who proved it."""

    goal: Literal["placed", "couplings", "needs", "smallest_margin", "breaks", "off_first", "margin_sum"]
    value: float | None
    bound: float | None
    gap: float | None
    status: Literal["proved", "open", "skipped"]
    by: str


@dataclass(frozen=True, slots=True)
class RefusedLimit:
    """One limit that keeps a pair apart, at the settings that came closest: the best that bed could get there."""

    limit: str
    bed: str | None
    bound: float
    best: float
    unit: str


@dataclass(frozen=True, slots=True)
class RefusedPair:
    """Two beds that may not share, and why: limits at the closest settings, or reasons before any physiology.

    ``settings_tried`` says at which settings the engine came closest (``None`` where physiology was not reached);
    ``by`` who judged: ``engine``, ``screen`` (a closed form corrected by the engine, far enough outside that the
    engine was not asked), ``readings`` (limits on present values) or ``rules``.
    """

    beds: tuple[str, str]
    limits: tuple[RefusedLimit, ...]
    reasons: tuple[Note, ...]
    settings_tried: Settings | None
    margin: float | None
    by: Literal["engine", "screen", "readings", "rules"]


@dataclass(frozen=True, slots=True)
class PickLine:
    """One line of the pick list: ``have`` is ``None`` where no stock sheet was given.

    ``substitute``: what the part stands in for, and what to mind; ``None`` for a usual part.
    """

    part: str
    need: int
    have: int | None
    substitute: str | None = None


@dataclass(frozen=True, slots=True)
class RunnerUpGroup:
    """One ventilator of the runner-up: who would be on it, and the judged margin of a shared group."""

    ventilator: str
    beds: tuple[str, ...]
    margin: float | None


@dataclass(frozen=True, slots=True)
class RunnerUp:
    """The best plan that differs in a shared group (``group``) or, with the same groups, in who is ``left``.

    ``worse_by``: the goals in which it is worse, and by how much in the unit of the goal; a plan may be better in a
    later goal when it is worse in an earlier one (then below zero). ``unplaced`` are its beds without a ventilator.
    """

    differs: Literal["group", "left"]
    groups: tuple[RunnerUpGroup, ...]
    unplaced: tuple[str, ...]
    worse_by: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan of a ward. See the parts for their meaning; every number names its judge."""

    outcome: Literal["all_placed", "some_left", "no_sharing"]
    outcome_reason: str | None
    oldest_reading: datetime | None
    newest_reading: datetime | None
    rounds: int
    groups: tuple[PlannedGroup, ...]
    unplaced: tuple[Unplaced, ...]
    reserve: tuple[str, ...]
    proof: tuple[Goal, ...]
    runner_up: RunnerUp | None
    refused_pairs: tuple[RefusedPair, ...]
    findings: tuple[Finding, ...]
    pick_list: tuple[PickLine, ...]
    assumed: tuple[Assumed, ...]
    sources: tuple[Source, ...]
    cautions: tuple[Caution, ...]
    draws: int
    seed: int
