"""How CO2 and saturation of one patient move with time once its ventilation has changed: tables over the gas stores.

The courses are those of the best estimate; a draw takes its own share of ventilation left from them. They are reckoned
once for a group, because every round asks for them at other times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.limits.prediction import GroupOutcome, SampledGroup
from airyoke.lungs.carbon_dioxide import VENTILATION_CONSTANT_MMHG
from airyoke.lungs.gas_exchange import HIGHEST_PACO2_MMHG
from airyoke.lungs.store_balance import together
from airyoke.lungs.stores import Airway, Stores, gas_course, sample_stores

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEFT: Final = np.array([0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 1.0, 1.15, 1.35, 1.7, 2.2])
MINUTES: Final = np.array([0.0, 0.5, 1.0, 2.0, 4.0, 7.0, 11.0, 16.0, 90.0])
"""Up to 16 minutes as the stores give it; by 90 minutes CO2 has settled at the new ventilation."""
USUAL_PACO2_MMHG: Final = (32.0, 65.0)
CIRCUIT, BLOCKED, ROOM_AIR = 0, 1, 2
AIRWAYS: Final = ("circuit", "blocked", "room air")


@dataclass(frozen=True, slots=True)
class GasAfter:
    """PaCO2 against that before (ratio) and saturation less that before (points), each (patients, airways, shares of
    ventilation left, minutes); ``paco2_mmhg`` and ``spo2_pct`` before, (patients,)."""

    paco2_ratio: Floats
    spo2_moved: Floats
    paco2_mmhg: Floats
    spo2_pct: Floats

    def courses(self, airway: Integers, left: Floats) -> tuple[Floats, Floats]:
        """Both tables at these shares of ventilation, (hypotheses, draws, patients, minutes).

        ``airway`` (hypotheses, patients) are indices of ``AIRWAYS``, ``left`` (hypotheses, draws, patients).
        """
        held = np.clip(left, LEFT[0], LEFT[-1])
        i = np.clip(np.searchsorted(LEFT, held, side="right") - 1, 0, LEFT.size - 2)
        u = ((held - LEFT[i]) / (LEFT[i + 1] - LEFT[i]))[..., None]
        lane, way = np.arange(left.shape[2]), airway[:, None, :]
        ratio, moved = (
            table[lane, way, i] * (1.0 - u) + table[lane, way, i + 1] * u
            for table in (self.paco2_ratio, self.spo2_moved)
        )
        return np.asarray(ratio), np.asarray(moved)


def at_minutes(course: Floats, minutes: Floats | float) -> Floats:
    """A course (hypotheses, draws, minutes) so many minutes after the change: linear in between.

    One number for all draws, or one a draw.
    """
    held = np.clip(minutes, MINUTES[0], MINUTES[-1])
    j = np.clip(np.searchsorted(MINUTES, held, side="right") - 1, 0, MINUTES.size - 2)
    v = (held - MINUTES[j]) / (MINUTES[j + 1] - MINUTES[j])
    if np.ndim(minutes) == 0:
        return np.asarray(course[..., j] * (1.0 - v) + course[..., j + 1] * v)
    draw = np.arange(course.shape[1])
    return np.asarray(course[:, draw, j] * (1.0 - v) + course[:, draw, j + 1] * v)


def gas_after(group: SampledGroup, baseline: GroupOutcome) -> GasAfter:
    """The tables of every patient of a group at its settings. What is not known of a body is assumed by the stores."""
    patients = len(group.patients)
    shape = (patients, len(AIRWAYS), LEFT.size, MINUTES.size)
    ratio, spo2 = np.empty(shape), np.empty(shape)
    every = together([_best(group, baseline, lane) for lane in range(patients)])
    times = 60.0 * MINUTES[:-1]
    usual = VENTILATION_CONSTANT_MMHG * every.vco2_ml_per_min / every.paco2_mmhg
    # One row a patient and share of ventilation, patients one after the other.
    course = gas_course(every.rows(np.repeat(np.arange(patients), LEFT.size)), "circuit", times,
                        (usual[:, None] * LEFT).ravel())  # fmt: skip
    with np.errstate(divide="ignore"):
        settled = np.minimum(every.paco2_mmhg[:, None] / LEFT, HIGHEST_PACO2_MMHG)
    paco2 = course.paco2_mmhg.T.reshape(patients, LEFT.size, times.size)
    ratio[:, CIRCUIT] = np.concatenate([paco2, settled[..., None]], axis=2) / every.paco2_mmhg[:, None, None]
    spo2[:, CIRCUIT] = _held_on(course.spo2_pct.T.reshape(patients, LEFT.size, times.size))
    ways: tuple[tuple[int, Airway], ...] = ((BLOCKED, "blocked"), (ROOM_AIR, "room air"))
    for place, airway in ways:
        # Nothing is ventilated there, whatever share is asked for.
        still = gas_course(every, airway, times)
        rise = np.concatenate([still.paco2_mmhg.T, np.full((patients, 1), HIGHEST_PACO2_MMHG)], axis=1)
        ratio[:, place] = (rise / every.paco2_mmhg[:, None])[:, None]
        spo2[:, place] = _held_on(still.spo2_pct.T)[:, None]
    at_first = spo2[:, CIRCUIT, int(np.searchsorted(LEFT, 1.0)), 0].copy()
    return GasAfter(ratio, spo2 - at_first[:, None, None, None], every.paco2_mmhg, at_first)


def _held_on(values: Floats) -> Floats:
    """The last value once more, for the time when all has settled."""
    return np.concatenate([values, values[..., -1:]], axis=-1)


def _best(group: SampledGroup, baseline: GroupOutcome, lane: int) -> Stores:
    stores = sample_stores(
        group.patients[lane],
        group.columns[lane],
        fio2=baseline.settings[0].fio2,
        seed=group.seed,
        # What typed lungs give may be far from anything alive; only ratios to it count.
        paco2_mmhg=np.clip(baseline.paco2_mmhg[:, lane], *USUAL_PACO2_MMHG),
        total_peep_cmh2o=baseline.breath.total_peep_cmh2o[:, lane],
        shunt_fraction=group.shunt_fraction[:, lane],
    )
    return stores.rows(np.array([0]))
