"""The settled breath by a general-purpose solver: what a capable engineer would write without an engine.

scipy's LSODA at rtol 1e-4 on the written-out equations, breath after breath from PEEP until what each lung still has
to go, predicted from the ratio of its last two changes, is below the engine's own bound. Two right-hand sides: numpy
(patients as arrays) and the same compiled by numba. Valves are hard-edged. cmH2O, L, s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from airyoke.breath import layout as at
from airyoke.breath.engine import FINE, MIN_RESISTANCE, breath_plan, pack
from airyoke.speed.scenarios import StoredScenario

Floats = NDArray[np.float64]
Slope = Callable[..., Any]

RELATIVE = 1e-4
ABSOLUTE_CMH2O = 1e-4
ABSOLUTE_L = 1e-6
MOST_BREATHS = 120


@dataclass(frozen=True, slots=True)
class Problem:
    """One group as plain arrays: limbs (patients, columns), trunks, lungs (elastance, R in, R out, K), phases."""

    limbs: Floats
    trunk: Floats
    lungs: Floats
    phases: Floats
    inspiratory_phases: int
    peep: float
    set_volume: float
    compensates: bool
    flow_limit: float

    @classmethod
    def of(cls, scenario: StoredScenario) -> Problem:
        """The numbers of a stored scenario."""
        network = pack([scenario.network])
        phases, row = breath_plan(scenario.settings)
        lungs = scenario.lungs
        return cls(
            limbs=network.limbs[0],
            trunk=network.trunks[0],
            lungs=np.stack(
                [
                    1000.0 / lungs.compliance_ml_per_cmh2o[0],
                    np.maximum(lungs.inspiratory_resistance_cmh2o_s_per_l[0], MIN_RESISTANCE),
                    np.maximum(lungs.expiratory_resistance_cmh2o_s_per_l[0], MIN_RESISTANCE),
                    lungs.quadratic_resistance_cmh2o_s2_per_l2[0],
                ],
                axis=1,
            ),
            phases=phases[: int(row[at.PHASES])],
            inspiratory_phases=int(row[at.PHASES_IN_INSPIRATION]),
            peep=float(row[at.SET_PEEP]),
            set_volume=float(row[at.SET_VOLUME]),
            compensates=bool(row[at.COMPENSATES]),
            flow_limit=float(row[at.MAX_FLOW]),
        )


@dataclass(frozen=True, slots=True)
class Settled:
    """What each patient gets, and after how many breaths."""

    tidal_volume_ml: Floats
    plateau_cmh2o: Floats
    total_peep_cmh2o: Floats
    breaths: int


def settle_by_lsoda(problem: Problem, slope: Slope) -> Settled:
    """Breathe from PEEP until settled. Raises ``RuntimeError`` where it never is."""
    patients = len(problem.limbs)
    elastance = problem.lungs[:, at.ELASTANCE]
    y = np.concatenate([np.full(2 + patients, problem.peep), problem.peep / elastance])
    circuit = problem.trunk[at.SPLITTER_IN_C] + problem.trunk[at.SPLITTER_OUT_C] + problem.limbs[:, at.WYE_C].sum()
    scale = 1.0
    before = np.full(patients, np.nan)
    for breath in range(1, MOST_BREATHS + 1):
        start = y[2 + patients :].copy()
        y, top, peak = _breathe(problem, slope, y, scale)
        end = y[2 + patients :]
        change = np.abs(end - start)
        kept = np.clip(change / np.maximum(before, 1e-12), 0.0, 0.98) if breath > 1 else np.full(patients, 0.98)
        before = change
        bound = FINE.stop * float(np.max(top - end))
        new = 1.0
        if problem.compensates:
            new = (problem.set_volume + circuit * max(peak - problem.peep, 0.0)) / problem.set_volume
        if breath > 1 and np.all(change * kept / (1.0 - kept) < bound) and abs(new - scale) < FINE.stop:
            return Settled(1000.0 * (top - end), elastance * top, elastance * end, breath)
        scale = new
    raise RuntimeError("not settled")


def _breathe(problem: Problem, slope: Slope, y: Floats, scale: float) -> tuple[Floats, Floats, float]:
    """One breath: the state at its end, the lung volumes at the end of inspiration, the peak at the splitter."""
    from scipy.integrate import solve_ivp

    patients = len(problem.limbs)
    tolerance = np.concatenate([np.full(2 + patients, ABSOLUTE_CMH2O), np.full(patients, ABSOLUTE_L)])
    top = y[2 + patients :]
    peak = float(y[0])
    for number, phase in enumerate(problem.phases):
        solved = solve_ivp(
            slope, (0.0, phase[at.DURATION]), y, method="LSODA", rtol=RELATIVE, atol=tolerance,
            args=(problem.limbs, problem.trunk, problem.lungs, phase, problem.peep, problem.flow_limit, scale),
        )  # fmt: skip
        if not solved.success:
            raise RuntimeError(solved.message)
        y = solved.y[:, -1]
        peak = max(peak, float(solved.y[0].max()))
        if number == problem.inspiratory_phases - 1:
            top = y[2 + patients :].copy()
    return y, top, peak


def _forward(drop: Any, linear: Any, quadratic: Any) -> Any:
    """Flow through R q + K q² = drop; none backwards."""
    pushed = np.maximum(drop, 0.0)
    return 2.0 * pushed / (linear + np.sqrt(linear * linear + 4.0 * quadratic * pushed))


def _through(drop: Any, r: Any, k: Any, cracking: Any, leak: Any, one_way: Any) -> Any:
    free = np.sign(drop) * _forward(np.abs(drop), r, k)
    return np.where(one_way > 0.0, _forward(drop - cracking, r, k) + leak * np.minimum(drop, 0.0), free)


def slope_numpy(
    t: float, y: Floats, limbs: Floats, trunk: Floats, lungs: Floats, phase: Floats, peep: float, limit: float,
    scale: float,
) -> Floats:  # fmt: skip
    """Right-hand side for one phase, patients as arrays."""
    patients = len(limbs)
    p_in, p_out, wye, volume = y[0], y[1], y[2 : 2 + patients], y[2 + patients :]
    part = t / phase[at.DURATION]
    source = 0.0
    if phase[at.SOURCE_OPEN] > 0.0:
        pressure = phase[at.PRESSURE_0] + (phase[at.PRESSURE_1] - phase[at.PRESSURE_0]) * part
        own = phase[at.FLOW_0] + (phase[at.FLOW_1] - phase[at.FLOW_0]) * part
        own = min(own * (scale if phase[at.IS_SET_VOLUME] > 0.0 else 1.0), limit)
        source = min(own, _forward(pressure - p_in, trunk[at.TRUNK_IN_R], trunk[at.TRUNK_IN_K]))
    outlet = 0.0
    if phase[at.EXPIRATORY_OPEN] > 0.0:
        outlet = _forward(p_out - peep, trunk[at.TRUNK_OUT_R], trunk[at.TRUNK_OUT_K])
    b = limbs.T
    q_in = _through(p_in - wye, b[at.IN_R], b[at.IN_K], b[at.IN_CRACK], b[at.IN_LEAK], b[at.IN_ONE_WAY])
    q_out = _through(wye - p_out, b[at.OUT_R], b[at.OUT_K], b[at.OUT_CRACK], b[at.OUT_LEAK], b[at.OUT_ONE_WAY])
    drop = wye - lungs[:, at.ELASTANCE] * volume
    linear = np.where(drop > 0.0, lungs[:, at.LUNG_R_IN], lungs[:, at.LUNG_R_OUT]) + b[at.PATIENT_R]
    q_lung = np.sign(drop) * _forward(np.abs(drop), linear, lungs[:, at.LUNG_K] + b[at.PATIENT_K])
    return np.concatenate(
        [
            [(source - q_in.sum()) / trunk[at.SPLITTER_IN_C], (q_out.sum() - outlet) / trunk[at.SPLITTER_OUT_C]],
            (q_in - q_lung - q_out) / b[at.WYE_C],
            q_lung,
        ]
    )


@njit(error_model="numpy")
def _both_ways(drop: float, r: float, k: float) -> float:
    """Flow through R q + K q|q| = drop."""
    return 2.0 * drop / (r + sqrt(r * r + 4.0 * k * abs(drop)))


@njit(error_model="numpy")
def _limb(drop: float, r: float, k: float, cracking: float, leak: float, one_way: float) -> float:
    if one_way == 0.0:
        return _both_ways(drop, r, k)
    return _both_ways(max(drop - cracking, 0.0), r, k) + leak * min(drop, 0.0)


@njit(error_model="numpy")
def slope_numba(
    t: float, y: Floats, limbs: Floats, trunk: Floats, lungs: Floats, phase: Floats, peep: float, limit: float,
    scale: float,
) -> Floats:  # fmt: skip
    """The same, compiled, patient by patient."""
    patients = limbs.shape[0]
    out = np.empty(2 + 2 * patients)
    part = t / phase[at.DURATION]
    into = 0.0
    if phase[at.SOURCE_OPEN] > 0.0:
        pressure = phase[at.PRESSURE_0] + (phase[at.PRESSURE_1] - phase[at.PRESSURE_0]) * part
        own = phase[at.FLOW_0] + (phase[at.FLOW_1] - phase[at.FLOW_0]) * part
        if phase[at.IS_SET_VOLUME] > 0.0:
            own *= scale
        into = min(own, limit, _both_ways(max(pressure - y[0], 0.0), trunk[at.TRUNK_IN_R], trunk[at.TRUNK_IN_K]))
    away = 0.0
    if phase[at.EXPIRATORY_OPEN] > 0.0:
        away = _both_ways(max(y[1] - peep, 0.0), trunk[at.TRUNK_OUT_R], trunk[at.TRUNK_OUT_K])
    for i in range(patients):
        b = limbs[i]
        wye = y[2 + i]
        q_in = _limb(y[0] - wye, b[at.IN_R], b[at.IN_K], b[at.IN_CRACK], b[at.IN_LEAK], b[at.IN_ONE_WAY])
        q_out = _limb(wye - y[1], b[at.OUT_R], b[at.OUT_K], b[at.OUT_CRACK], b[at.OUT_LEAK], b[at.OUT_ONE_WAY])
        drop = wye - lungs[i, at.ELASTANCE] * y[2 + patients + i]
        r = (lungs[i, at.LUNG_R_IN] if drop > 0.0 else lungs[i, at.LUNG_R_OUT]) + b[at.PATIENT_R]
        q_lung = _both_ways(drop, r, lungs[i, at.LUNG_K] + b[at.PATIENT_K])
        into -= q_in
        away -= q_out
        out[2 + i] = (q_in - q_lung - q_out) / b[at.WYE_C]
        out[2 + patients + i] = q_lung
    out[0] = into / trunk[at.SPLITTER_IN_C]
    out[1] = -away / trunk[at.SPLITTER_OUT_C]
    return out
