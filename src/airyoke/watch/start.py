"""Coupling a group: who does what, what is ticked first, what must lie ready, when to stop.

Judgement unless a line says otherwise; local protocol comes first.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from airyoke.watch.act import ActRules, volume_band_ml
from airyoke.watch.sources import COMMON_PRACTICE, FDA_2021, JUDGEMENT, TONETTI_2020


@dataclass(frozen=True, slots=True)
class Task:
    """Something that a named person does or ticks. ``people``: how many different ones have to.

    ``proof``: what of the record must hold as well, whatever is ticked: a rehearsal that was passed or skipped with a
    reason, a build whose bench check passed and has not run out, a plan that was accepted.
    """

    id: str
    text: str
    source: str = JUDGEMENT
    people: int = 1
    proof: Literal["", "rehearsal", "build", "plan"] = ""


@dataclass(frozen=True, slots=True)
class Need:
    """Equipment: how many for each patient, for the group, and what it is."""

    item: str
    per_patient: int
    per_group: int
    source: str = COMMON_PRACTICE


@dataclass(frozen=True, slots=True)
class StopRules:
    """The numbers of the stop rules. Every one is a judgement that a site may change."""

    spo2_pct: float = 88.0
    spo2_fall_pct: float = 5.0
    mean_arterial_pressure_mmhg: float = 60.0
    mean_arterial_pressure_fall_share: float = 0.20
    breaths_without_co2: int = 2
    apnoea_s: float = 20.0
    rules: ActRules = field(default_factory=ActRules)


@dataclass(frozen=True, slots=True)
class Stop:
    """One reason to stop and go back: ``{low}`` and ``{high}`` in the text stand for the numbers, in ``unit``."""

    id: str
    text: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    source: str = JUDGEMENT


ROLES: Final[tuple[Task, ...]] = (
    Task("airway", "Airway: clamps, parts, joins, bags"),
    Task("circuit", "Circuit: branches and settings of the ventilators"),
    Task("drugs", "Drugs and monitors: block, sedation, pressure, both CO2 curves"),
    Task("reader", "Reader with a clock: reads each step aloud, writes, calls the stop"),
)

GATE: Final[tuple[Task, ...]] = (
    Task("rehearsal", "Rehearsal passed for every patient, prediction made again from it",
         proof="rehearsal"),
    Task("accepted", "Last resort accepted by two senior clinicians, families told", people=2, proof="plan"),
    Task("bench", "This build passed its bench check today and was not opened since", TONETTI_2020,
         proof="build"),
    Task("alarms", "Settings and alarm limits dialled on the shared ventilator, read back"),
    Task("block", "Depth of block and of sedation checked in every patient", TONETTI_2020),
    Task("syringes", "Spare syringes of relaxant, sedative and vasopressor at every bed"),
    Task("airway", "Stomach emptied, airway suctioned, cuff pressure and tube depth written for every patient"),
    Task("bag", "Bag, filter, PEEP valve and own oxygen at every bed, tried"),
    Task("clamps", "Non-toothed clamps at every bed; none on a wire-reinforced tube, use its flexible mount"),
    Task("labels", "Every hose, monitor, CO2 line, pump and oximeter labelled; a second person has read them",
         people=2),
    Task("reserve", "Reserve ventilator named, switched on and self-tested", FDA_2021),
)

EQUIPMENT: Final[tuple[Need, ...]] = (
    Need("self-inflating bag with filter, PEEP valve and mask", 1, 0),
    Need("oxygen outlet or cylinder of its own for the bag", 1, 0),
    Need("clamp, non-toothed", 3, 0, JUDGEMENT),
    Need("pulse oximeter", 1, 0),
    Need("CO2 line with monitor", 1, 0),
    Need("cap for a patient end", 1, 0),
    Need("spare HME or filter", 1, 1),
    Need("sign: do not touch settings", 0, 1, JUDGEMENT),
)


def equipment_for(patients: int) -> tuple[tuple[Need, int], ...]:
    """How many of each a group of that many needs at its beds."""
    return tuple((need, need.per_patient * patients + need.per_group) for need in EQUIPMENT)


def stop_rules(displayed_ml: float, rules: StopRules) -> tuple[Stop, ...]:
    """When the change-over is stopped. ``displayed_ml`` is the exhaled volume that the shared ventilator should show
    with everybody on."""
    low, high = volume_band_ml(displayed_ml, rules.rules)
    fall = 100.0 * rules.mean_arterial_pressure_fall_share
    return (
        Stop("spo2", f"SpO2 of anybody below {{low}} %, or {rules.spo2_fall_pct:g} points below its value before",
             low=rules.spo2_pct, unit="%"),
        Stop("map", f"mean arterial pressure of anybody below {{low}} mmHg, or {fall:g} % below its value before",
             low=rules.mean_arterial_pressure_mmhg, unit="mmHg"),
        Stop("co2", f"no CO2 curve for {rules.breaths_without_co2} breaths in anybody"),
        Stop("volume", "exhaled volume with everybody on below {low} or above {high} mL", low, high, "mL"),
        Stop("trigger", "any breath that was triggered"),
        Stop("apnoea", "more than {high} s without a breath", high=rules.apnoea_s, unit="s"),
    )  # fmt: skip
