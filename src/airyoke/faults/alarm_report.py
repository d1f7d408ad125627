"""The alarms of one shared ventilator put side by side: as planned, as one would set them for one patient, and best.

One call for faces and studies: what each fault sets off at the planned limits, what each set of
limits catches and costs, and which planned limits lie inside the scatter from breath to breath.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.faults.alarms import Before, Verdict, verdict
from airyoke.faults.best_limits import BestLimits, Danger, Dangers, best_limits, critical_limits
from airyoke.faults.false_alarms import false_alarms_of, scatter_of
from airyoke.limits.policy import Policy
from airyoke.plan.alarm_system import Key, Limits, Side
from airyoke.plan.alarms import APNOEA_S

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LimitSet:
    """One set of limits. ``caught``: weighted share of the dangers, ``None`` where there are none; ``false_alarms``:
    expected in 12 h, condition by condition."""

    limits: Mapping[Key, float]
    caught: float | None
    false_alarms: Mapping[Key, float]

    @property
    def false_alarms_in_all(self) -> float:
        """Of the whole set in 12 h."""
        return sum(self.false_alarms.values())


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One condition: what the machine should show (``expected``), and the three limits; ``None``: not set."""

    name: str
    side: Side
    unit: str
    expected: float
    planned: float | None
    usual: float | None
    best: float | None


@dataclass(frozen=True, slots=True)
class AlarmReport:
    """The alarms of one group.

    planned, usual, best
        The three sets; ``best`` and ``proof`` are ``None`` where no fault does harm.
    verdicts
        Fault by fault, at the planned limits.
    noisy
        Planned limits with more false alarms than the policy accepts, in words.
    """

    rows: tuple[AlarmRow, ...]
    planned: LimitSet
    usual: LimitSet
    best: LimitSet | None
    proof: BestLimits | None
    verdicts: Mapping[str, Verdict]
    noisy: tuple[str, ...]


def danger_weight(priority: str, policy: Policy) -> float:
    """What catching a fault of this priority (``high``, ``medium``, ``low``) is worth by the policy."""
    return {
        "high": policy.alarm_weight_high, "medium": policy.alarm_weight_medium, "low": policy.alarm_weight_low,
    }[priority]  # fmt: skip


def in_time_s(harm_after_s: float | None, policy: Policy) -> float:
    """Until when an alarm is of use: before the harm, and in any case within the time that the policy gives."""
    return max(policy.alarm_within_s, harm_after_s or 0.0)


def usual_limits(before: Before) -> dict[Key, float]:
    """As one would set them for one patient: common practice, from memory.

    High pressure 10 above the peak, low 5 below it; PEEP 3 below; volumes half and one and a half of what is shown;
    rate 35; apnoea 20 s; leak 40 %; FiO2 6 points either side. What a dial does not take is left open.
    """
    centre = before.centre
    volume, minute = centre["exhaled_tidal_volume", "low"], centre["exhaled_minute_volume", "low"]
    peak, peep, fio2 = centre["airway_pressure", "high"], centre["peep", "low"], centre["fio2", "low"]
    wanted: dict[Key, float] = {
        ("airway_pressure", "high"): peak + 10.0,
        ("airway_pressure", "low"): peak - 5.0,
        ("peep", "low"): peep - 3.0,
        ("exhaled_tidal_volume", "low"): 0.5 * volume,
        ("exhaled_tidal_volume", "high"): 1.5 * volume,
        ("exhaled_minute_volume", "low"): 0.5 * minute,
        ("exhaled_minute_volume", "high"): 1.5 * minute,
        ("rate", "high"): 35.0,
        ("apnoea", "high"): APNOEA_S,
        ("leak", "high"): 40.0,
        ("fio2", "low"): fio2 - 0.06,
        ("fio2", "high"): min(fio2 + 0.06, 1.0),
    }
    system = before.watch.system
    found: dict[Key, float] = {}
    for one in system.conditions:
        if one.key in wanted and one.takes(at := one.tighter(wanted[one.key])):
            found[one.key] = at
    return found


def alarm_report(dangers: Sequence[Danger], before: Before, planned: Limits, policy: Policy) -> AlarmReport:
    """What the alarms of one machine are worth to one group.

    ``dangers`` are every fault that was breathed; those of weight 0 (no harm) get a verdict and pull at no limit.
    Raises ``Refused`` for planned limits that the machine cannot be set to.
    """
    system = before.watch.system
    system.checked(planned)
    usual = usual_limits(before)
    verdicts: dict[str, Verdict] = {}
    weighed: list[Danger] = []
    critical: list[Mapping[Key, Floats]] = []
    for one in dangers:
        after = before.after(one.shown)
        verdicts[one.id] = verdict(before, one.shown, planned, after=after)
        if one.weight > 0.0:
            weighed.append(one)
            critical.append(critical_limits(one, before, after))
    judged = Dangers.met(weighed, before, critical) if weighed else None
    proof = None if judged is None else best_limits(judged, policy.false_alarms_per_12_h)

    def weigh(limits: Limits) -> LimitSet:
        caught = None if judged is None else judged.share(limits)
        return LimitSet(limits, caught, false_alarms_of(before, limits))

    best = None if proof is None else weigh(proof.limits)
    as_planned = weigh(planned)
    return AlarmReport(
        rows=tuple(
            AlarmRow(
                one.name, one.side, one.unit, before.centre[one.key], planned.get(one.key), usual.get(one.key),
                None if best is None else best.limits.get(one.key),
            )
            for one in system.conditions
            if one.fixed is None
        ),
        planned=as_planned,
        usual=weigh(usual),
        best=best,
        proof=proof,
        verdicts=verdicts,
        noisy=tuple(_noisy(as_planned, before, policy.false_alarms_per_12_h)),
    )  # fmt: skip


def _noisy(planned: LimitSet, before: Before, budget: float) -> Sequence[str]:
    found = []
    for key, rate in planned.false_alarms.items():
        if rate <= budget:
            continue
        condition = before.watch.system.condition(*key)
        scatter = float(scatter_of(before, condition).mean())
        off = abs(planned.limits[key] - before.centre[key]) / max(scatter, 1e-9)
        name, side = key
        found.append(
            f"{side} {name.replace('_', ' ')} limit {planned.limits[key]:g} {condition.unit}".rstrip()
            + f" lies inside the scatter from breath to breath, {off:.1f} standard deviations away: about "
            f"{rate:.0f} false alarms in 12 h"
        )
    return found
