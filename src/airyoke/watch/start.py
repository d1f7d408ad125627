"""Coupling a group: who does what, what is ticked first, the sequence by the clock, when to stop, how to get out.

Judgement unless a line says otherwise; local protocol comes first.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from airyoke.watch.act import ActRules, volume_band_ml
from airyoke.watch.sources import COMMON_PRACTICE, FDA_2021, JUDGEMENT, TONETTI_2020


@dataclass(frozen=True, slots=True)
class Task:
    """Something that a named person does or ticks."""

    id: str
    text: str
    source: str = JUDGEMENT


@dataclass(frozen=True, slots=True)
class TimedStep:
    """One step of the change-over. ``at`` is when, in words; ``who`` the role that does it; ``read`` what is written
    down or has to be seen before the next step."""

    at: str
    who: str
    do: str
    read: str = ""
    source: str = JUDGEMENT


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
    Task("rehearsal", "Rehearsal passed for every patient, prediction made again from it"),
    Task("accepted", "Last resort accepted by two senior clinicians, families told"),
    Task("bench", "This build passed its bench check today and was not opened since", TONETTI_2020),
    Task("alarms", "Settings and alarm limits dialled on the shared ventilator, read back"),
    Task("block", "Depth of block and of sedation checked in every patient", TONETTI_2020),
    Task("syringes", "Spare syringes of relaxant, sedative and vasopressor at every bed"),
    Task("airway", "Stomach emptied, airway suctioned, cuff pressure and tube depth written for every patient"),
    Task("bag", "Bag, filter, PEEP valve and own oxygen at every bed, tried"),
    Task("clamps", "Non-toothed clamps at every bed; none on a wire-reinforced tube, use its flexible mount"),
    Task("labels", "Every hose, monitor, CO2 line, pump and oximeter labelled; a second person has read them"),
    Task("reserve", "Reserve ventilator named, switched on and self-tested", FDA_2021),
)

ABANDON: Final[tuple[TimedStep, ...]] = (
    TimedStep("at once", "airway", "Clamp the tube of the one joined last, part at the filter, bag with 100 % oxygen "
              "and PEEP valve", "chest rises"),
    TimedStep("next", "circuit", "Close its inspiratory branch, then its expiratory branch: never in without out"),
    TimedStep("next", "circuit", "Cap its end; alarm limits again for those who stay", "their volumes"),
    TimedStep("then", "airway", "Back on its own ventilator, at its settings from before"),
    TimedStep("then", "reader", "Write what was seen and when; nobody is coupled again before it is explained"),
)  # fmt: skip

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


def sequence(lanes: str) -> tuple[TimedStep, ...]:
    """The change-over of a group, lane by lane: the first is moved onto the shared build alone, then one at a time."""
    first, rest = lanes[0], lanes[1:]
    others = rest if len(rest) == 1 else f"{', '.join(rest[:-1])} and {rest[-1]}"
    steps = [
        TimedStep("0 min", "airway", "FiO2 1.0 for everybody, each on its own ventilator, for 5 min",
                  "SpO2 of each"),
        TimedStep("5 min", "airway", f"{first} onto the shared build, ends of {others} capped: inspiratory hold on its "
                  "old ventilator, clamp the tube, standby, part on the machine side of the filter, join, run, unclamp",
                  "seconds without a breath: aim 10, stop at 20"),
        TimedStep("5 to 10 min", "reader", f"{first} alone on the shared build for 5 min: the baseline",
                  "exhaled volume, plateau, total PEEP", TONETTI_2020),
    ]  # fmt: skip
    for lane in rest:
        steps += [
            TimedStep("next", "circuit", f"Clamp {lane}'s two branches, then take off its cap", "volume as before"),
            TimedStep("next", "airway", f"{lane}: inspiratory hold on its old ventilator, clamp the tube, standby, "
                      "part on the machine side of the filter, join", "seconds without a breath: aim 10, stop at 20"),
            TimedStep("next", "circuit", f"Open {lane}'s expiratory branch, its inspiratory branch, then its tube"),
            TimedStep("at once", "reader", "Every chest, every CO2 curve, the exhaled volume of the sum", "volume"),
        ]  # fmt: skip
    steps += [
        TimedStep("next", "circuit", "One after another: at an expiratory hold clamp all tubes but one, read that one, "
                  "unclamp", "plateau, total PEEP, volume of each", TONETTI_2020),
        TimedStep("15 min", "circuit", "FiO2 to the planned value", "SpO2 of each"),
        TimedStep("15 min", "circuit", "Alarm limits again from the volumes measured now", "the new limits"),
    ]  # fmt: skip
    return tuple(steps)


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
