"""The answer for one group at one set of settings: every figure with its range, its nearest limit and its inputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from airyoke.breath.settings import Settings
from airyoke.limits.margins import GroupMargin
from airyoke.quantities.cautions import Caution

Outcome = Literal["solved", "not_converged", "impossible"]


@dataclass(frozen=True, slots=True)
class LimitDistance:
    """The limit that a figure is nearest to, or beyond: its target bound and the scaled margin at best estimate."""

    name: str
    side: str
    bound: float
    margin: float
    source: str


@dataclass(frozen=True, slots=True)
class Figure:
    """One number of an answer: at best estimate, 5th and 95th percentile over the draws. ``None`` = not computed."""

    value: float | None
    low: float | None = None
    high: float | None = None
    limit: LimitDistance | None = None


@dataclass(frozen=True, slots=True)
class Assumed:
    """A default of ours that went into an answer because nothing was read or typed."""

    patient: str | None
    field: str
    value: float | str
    unit: str
    why: str
    source: str


@dataclass(frozen=True, slots=True)
class NotComputed:
    """A figure that could not be computed, why, and what it needs."""

    patient: str | None
    quantity: str
    why: str
    needs: str


@dataclass(frozen=True, slots=True)
class Source:
    """One published source, or rule of the trade, behind the answer."""

    id: str
    text: str


@dataclass(frozen=True, slots=True)
class PatientAnswer:
    """What one patient gets. ``lane`` is the letter of its limb; ``figures`` by key of the dictionary."""

    label: str
    lane: str
    figures: dict[str, Figure]


@dataclass(frozen=True, slots=True)
class GroupAnswer:
    """What a group gets at given settings, and how that stands against the limits.

    ``margin`` is ``None`` where nothing could be judged. ``judge`` names who computed the figures; figures of the
    screen are never an answer.
    """

    outcome: Outcome
    outcome_reason: str | None
    settings: Settings
    build: str
    draws: int
    seed: int
    patients: tuple[PatientAnswer, ...]
    ventilator: dict[str, Figure]
    margin: GroupMargin | None
    assumed: tuple[Assumed, ...]
    not_computed: tuple[NotComputed, ...]
    sources: tuple[Source, ...]
    cautions: tuple[Caution, ...]
    judge: str = "engine"
