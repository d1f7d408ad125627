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
from airyoke.lungs.stores import Stores, gas_course, sample_stores

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEFT: Final = np.array([0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 1.0, 1.15, 1.35, 1.7, 2.2])
MINUTES: Final = np.array([0.0, 0.5, 1.0, 2.0, 4.0, 7.0, 11.0, 16.0, 90.0])
"""Up to 16 minutes as the stores give it; by 90 minutes CO2 has settled at the new ventilation."""
CIRCUIT, BLOCKED, ROOM_AIR = 0, 1, 2
AIRWAYS: Final = ("circuit", "blocked", "room air")


@dataclass(frozen=True, slots=True)
class GasAfter:
    """PaCO2 against that before (ratio) and saturation less that before (points), each (patients, airways, shares of
    ventilation left, minutes); ``paco2_mmhg`` before, (patients,)."""

    paco2_ratio: Floats
    spo2_moved: Floats
    paco2_mmhg: Floats
    spo2_pct: Floats

    def paco2(self, lane: int, airway: Integers, left: Floats, minutes: Floats) -> Floats:
        """PaCO2 against that before, of every entry of ``left`` after its ``minutes``."""
        return _looked_up(self.paco2_ratio[lane], airway, left, minutes)

    def spo2(self, lane: int, airway: Integers, left: Floats, minutes: Floats) -> Floats:
        """Points by which saturation has moved."""
        return _looked_up(self.spo2_moved[lane], airway, left, minutes)


def gas_after(group: SampledGroup, baseline: GroupOutcome) -> GasAfter:
    """The tables of every patient of a group at its settings. What is not known of a body is assumed by the stores."""
    patients = len(group.patients)
    shape = (patients, len(AIRWAYS), LEFT.size, MINUTES.size)
    ratio, moved = np.empty(shape), np.empty(shape)
    stores = [_best(group, baseline, lane) for lane in range(patients)]
    times = 60.0 * MINUTES[:-1]
    for lane, one in enumerate(stores):
        tiled = one.tiled(LEFT.size)
        ventilation = LEFT * VENTILATION_CONSTANT_MMHG * one.vco2_ml_per_min / one.paco2_mmhg
        course = gas_course(tiled, "circuit", times, ventilation)
        paco2 = np.empty(shape[2:])
        paco2[:, :-1] = course.paco2_mmhg.T
        with np.errstate(divide="ignore"):
            paco2[:, -1] = np.minimum(one.paco2_mmhg / LEFT, HIGHEST_PACO2_MMHG)
        spo2 = np.concatenate([course.spo2_pct.T, course.spo2_pct.T[:, -1:]], axis=1)
        ratio[lane, CIRCUIT], moved[lane, CIRCUIT] = paco2 / one.paco2_mmhg, spo2
        for airway, name in ((BLOCKED, "blocked"), (ROOM_AIR, "room air")):
            # Nothing is ventilated there, whatever share is asked for.
            still = gas_course(one, name, times)  # type: ignore[arg-type]
            rise = np.append(still.paco2_mmhg[:, 0], HIGHEST_PACO2_MMHG) / one.paco2_mmhg
            fall = np.append(still.spo2_pct[:, 0], still.spo2_pct[-1, 0])
            ratio[lane, airway], moved[lane, airway] = rise, fall
    at_first = moved[:, CIRCUIT, int(np.searchsorted(LEFT, 1.0)), 0].copy()
    return GasAfter(
        ratio, moved - at_first[:, None, None, None], np.array([one.paco2_mmhg[0] for one in stores]), at_first
    )


def _best(group: SampledGroup, baseline: GroupOutcome, lane: int) -> Stores:
    stores = sample_stores(
        group.patients[lane],
        group.columns[lane],
        fio2=baseline.settings[0].fio2,
        seed=group.seed,
        paco2_mmhg=baseline.paco2_mmhg[:, lane],
        total_peep_cmh2o=baseline.breath.total_peep_cmh2o[:, lane],
        shunt_fraction=group.shunt_fraction[:, lane],
    )
    return stores.rows(np.array([0]))


def _looked_up(table: Floats, airway: Integers, left: Floats, minutes: Floats) -> Floats:
    """Linear between the nodes of share and time, held at the ends."""
    i, u = _place(LEFT, left)
    j, v = _place(MINUTES, minutes)
    low = table[airway, i, j] * (1.0 - v) + table[airway, i, j + 1] * v
    high = table[airway, i + 1, j] * (1.0 - v) + table[airway, i + 1, j + 1] * v
    return np.asarray(low * (1.0 - u) + high * u)


def _place(nodes: Floats, values: Floats) -> tuple[Integers, Floats]:
    held = np.clip(values, nodes[0], nodes[-1])
    i = np.clip(np.searchsorted(nodes, held, side="right") - 1, 0, nodes.size - 2)
    return i, np.asarray((held - nodes[i]) / (nodes[i + 1] - nodes[i]))
