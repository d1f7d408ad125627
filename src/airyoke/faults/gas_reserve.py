"""How long a patient's oxygen lasts, and how CO2 rises, once a fault has taken ventilation or oxygen away."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.faults.runs import MOST_SHUNT, FaultRun, FaultRuns
from airyoke.limits.prediction import GroupOutcome
from airyoke.lungs.carbon_dioxide import VENTILATION_CONSTANT_MMHG, acute_bicarbonate_mmol_per_l, ph_from
from airyoke.lungs.store_balance import together
from airyoke.lungs.stores import (
    DESATURATED_SPO2_PCT,
    LONGEST_S,
    Airway,
    Stores,
    carbon_dioxide_rise,
    gas_course,
    sample_stores,
    seconds_to_desaturation,
)

Floats = NDArray[np.float64]

UNKNOWN_DEAD_SPACE_ML: Final = 143.0  # 2.2 mL/kg of 65 kg; from memory
COURSE_S: Final = np.arange(0.0, LONGEST_S + 1.0, 20.0)
LOW_PERCENTILE, HIGH_PERCENTILE = 5.0, 95.0


@dataclass(frozen=True, slots=True)
class Seconds:
    """A time (or a rate) at best estimate with the 5th and 95th percentile; infinite = not within the time looked at.
    """

    value: float
    low: float
    high: float

    def later(self, by_s: float) -> Seconds:
        """The same, counted from so much earlier."""
        return Seconds(self.value + by_s, self.low + by_s, self.high + by_s)


class GasReserve:
    """The gas stores of every patient of a group, as they are when the fault comes.

    Answers are kept, and those of all patients are worked out together: many faults ask the same.
    """

    def __init__(self, runs: FaultRuns) -> None:
        self._runs = runs
        self._lanes = range(len(runs.group.patients))
        self._stores = [self._stores_of(lane) for lane in self._lanes]
        self._together = together(self._stores)
        self._seconds = cache(self._seconds_without)
        self._rise = cache(self._rise_without)
        self._air = cache(self._seconds_on_air)
        self._courses = cache(self._courses_of)

    def dead_space_ml(self, lane: int) -> float:
        """Airway and apparatus, best estimate."""
        return float(self._dead_space(lane)[0])

    def ventilation_left(self, outcome: GroupOutcome, lane: int) -> Floats:
        """Alveolar ventilation against that without the fault, (draws + 1,); 0 = nothing gets past the dead space."""
        dead = self._dead_space(lane)
        base = self._runs.baseline.breath.tidal_volume_ml[:, lane] - dead
        now = outcome.breath.tidal_volume_ml[:, lane] - dead
        every = np.array([one.rate_per_min for one in outcome.settings])
        rate = every[outcome.settings_of] / self._runs.settings.rate_per_min
        return np.asarray(np.where(base > 0.0, rate * np.maximum(now, 0.0) / np.where(base > 0.0, base, 1.0), 0.0))

    def seconds_until_nothing(self, run: FaultRun, lane: int) -> float:
        """How long the fault takes until no breath gets past the dead space any more, best estimate."""
        way = run.way
        if way is None:
            return 0.0
        got = way.tidal_volume_ml[0, :, lane] > self.dead_space_ml(lane)
        return float(way.ends_s[0, np.flatnonzero(got)[-1]]) if got.any() and not got[-1] else 0.0

    def seconds_without_ventilation(self, lane: int, airway: Airway) -> Seconds:
        """Until SpO2 is below 85 % once nothing is ventilated."""
        return self._seconds(airway)[lane]

    def co2_rise_without_ventilation(self, lane: int) -> Seconds:
        """mmHg per minute over the second and third minute, with the airway blocked; an open one differs little."""
        return self._rise()[lane]

    def seconds_to_ph(self, run: FaultRun, lane: int, bound: float) -> Seconds:
        """Until arterial pH falls below ``bound`` at what the fault leaves of ventilation, best estimate only."""
        return _alone(_crossing(self._courses()[run.fault.id, lane][0], bound))

    def seconds_to_desaturation(self, run: FaultRun, lane: int, bound: float) -> Seconds:
        """Until SpO2 falls below ``bound`` at what the fault leaves of ventilation and oxygen."""
        outcome = run.outcome
        if outcome is not None and outcome.settings[0].fio2 < self._runs.settings.fio2:
            return self._air(run.fault.id, bound)[lane]
        return _alone(_crossing(self._courses()[run.fault.id, lane][1], bound))

    def _dead_space(self, lane: int) -> Floats:
        group = self._runs.group
        airway = group.columns[lane].airway_dead_space_ml
        return np.asarray(np.where(np.isfinite(airway), airway, UNKNOWN_DEAD_SPACE_ML) + group.dead_space_ml[lane])

    def _ventilation(self, outcome: GroupOutcome, lane: int) -> Floats:
        stores = self._stores[lane]
        before = VENTILATION_CONSTANT_MMHG * stores.vco2_ml_per_min / stores.paco2_mmhg
        return np.asarray(before * self.ventilation_left(outcome, lane))

    def _stores_of(self, lane: int) -> Stores:
        group, base = self._runs.group, self._runs.baseline
        return sample_stores(
            group.patients[lane],
            group.columns[lane],
            fio2=self._runs.settings.fio2,
            seed=group.seed,
            paco2_mmhg=base.paco2_mmhg[:, lane],
            total_peep_cmh2o=base.breath.total_peep_cmh2o[:, lane],
            shunt_fraction=group.shunt_fraction[:, lane],
        )

    def _each(self, values: Floats) -> list[Seconds]:
        return [_seconds(one) for one in np.split(values, len(self._lanes))]

    def _seconds_without(self, airway: Airway) -> list[Seconds]:
        return self._each(seconds_to_desaturation(self._together, airway, spo2_pct=DESATURATED_SPO2_PCT))

    def _rise_without(self) -> list[Seconds]:
        return self._each(carbon_dioxide_rise(self._together, "blocked").per_minute_mmhg)

    def _seconds_on_air(self, fault_id: str, bound: float) -> list[Seconds]:
        """The circuit carries air: the lung keeps its volume and is washed with it."""
        outcome = next(run.outcome for run in self._runs.runs if run.fault.id == fault_id and run.outcome is not None)
        stores = replace(self._together, peep_cmh2o=np.zeros_like(self._together.peep_cmh2o))
        ventilation = np.concatenate([self._ventilation(outcome, lane) for lane in self._lanes])
        return self._each(seconds_to_desaturation(stores, "room air", ventilation, spo2_pct=bound))

    def _courses_of(self) -> dict[tuple[str, int], tuple[Floats, Floats]]:
        """pH and SpO2 at ``COURSE_S`` after every fault in every lane, best estimate: one run for all."""
        asked = [(run, run.outcome, lane) for run in self._runs.runs if run.outcome is not None for lane in self._lanes]
        rows = self._stores[0].size * np.array([lane for _, _, lane in asked])
        best = self._together.rows(rows)
        added = np.array([_shunt_added(run, lane) for run, _, lane in asked])
        stores = replace(best, shunt_fraction=np.minimum(best.shunt_fraction + added, MOST_SHUNT))
        left = np.array([self._ventilation(outcome, lane)[0] for _, outcome, lane in asked])
        course = gas_course(stores, "circuit", COURSE_S, left)
        acute = acute_bicarbonate_mmol_per_l(stores.bicarbonate_mmol_per_l, stores.paco2_mmhg, course.paco2_mmhg)
        ph = np.asarray(ph_from(acute, course.paco2_mmhg))
        return {
            (run.fault.id, lane): (ph[:, i], course.spo2_pct[:, i]) for i, (run, _, lane) in enumerate(asked)
        }


def _shunt_added(run: FaultRun, lane: int) -> float:
    change = None if run.fault.effect is None else run.fault.effect.lungs
    return 0.0 if change is None or change.lane != lane else change.shunt_added


def _crossing(values: Floats, bound: float) -> float:
    below = np.flatnonzero(values < bound)
    if not below.size:
        return float(np.inf)
    i = int(below[0])
    if i == 0:
        return 0.0
    part = (values[i - 1] - bound) / (values[i - 1] - values[i])
    return float(COURSE_S[i - 1] + part * (COURSE_S[i] - COURSE_S[i - 1]))


def _alone(value: float) -> Seconds:
    return Seconds(value, value, value)


def _seconds(rows: Floats) -> Seconds:
    if rows.size == 1:
        return _alone(float(rows[0]))
    # Percentiles of values that may be infinite: order statistics, no interpolation between them.
    ordered = np.sort(rows[1:])
    last = ordered.size - 1
    low = float(ordered[int(np.floor(last * LOW_PERCENTILE / 100.0))])
    high = float(ordered[int(np.ceil(last * HIGH_PERCENTILE / 100.0))])
    return Seconds(float(rows[0]), low, high)
