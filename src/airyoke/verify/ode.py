"""The settled breath written out as differential equations and solved by scipy's LSODA.

Same physics as the engine, nothing of its code: flows by hard-edged valves (the engine rounds them over 0.002 cmH2O),
no elimination, another integrator, and plain breathing from PEEP until nothing changes any more.

Unknowns: pressure of both splitters, then wye pressures, then lung volumes; cmH2O, L, s. Splitters behind the first are
not written out here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.settings import Settings
from airyoke.circuit.network import Element, FlowNetwork, Limb, Valve
from airyoke.verify.scenarios import LungValues

_RELATIVE: Final = 1e-8
_ABSOLUTE: Final = 1e-9
_SETTLED: Final = 2e-7  # predicted remaining drift, as a part of the largest tidal volume
_MOST_BREATHS: Final = 80

Floats = NDArray[np.float64]
Source = Callable[[float, float], float]


@dataclass(frozen=True, slots=True)
class OdeBreath:
    """The settled breath, patient by patient."""

    tidal_volume_ml: tuple[float, ...]
    plateau_cmh2o: tuple[float, ...]
    total_peep_cmh2o: tuple[float, ...]
    breaths: int


def solve(network: FlowNetwork, settings: Settings, lungs: tuple[LungValues, ...]) -> OdeBreath:
    """Breathe from PEEP until settled. Raises ``RuntimeError`` where it never is, ``ValueError`` for settings that
    are not written out here."""
    from scipy.integrate import solve_ivp

    if settings.circuit_compensation == "on" or settings.bias_flow_l_per_min or settings.expiratory_pause_s:
        raise ValueError("compensation, bias flow and expiratory pause are not written out here")
    if network.inspiratory_branches or network.expiratory_branches:
        raise ValueError("splitters behind splitters are not written out here")
    phases = _phases(network, settings)
    state = np.concatenate([np.full(2 + len(lungs), settings.peep_cmh2o), np.zeros(len(lungs))])
    elastance = np.array([1000.0 / lung.compliance_ml_per_cmh2o for lung in lungs])
    # Lung volumes count from the relaxed lung: at PEEP they hold PEEP / elastance.
    state[2 + len(lungs) :] = settings.peep_cmh2o / elastance
    last_change: float | None = None
    for breath in range(1, _MOST_BREATHS + 1):
        before = state[2 + len(lungs) :].copy()
        volumes = []
        for duration, source, exhaling in phases:
            rates = _rates(network, lungs, settings.peep_cmh2o, source, exhaling)
            run = solve_ivp(rates, (0.0, duration), state, "LSODA", rtol=_RELATIVE, atol=_ABSOLUTE)
            if not run.success:
                raise RuntimeError(f"LSODA: {run.message}")
            state = run.y[:, -1]
            volumes.append(state[2 + len(lungs) :].copy())
        full, empty = volumes[-2], volumes[-1]
        change = float(np.max(np.abs(empty - before)))
        # Deviations shrink by at least this factor a breath; a smaller observed one may be luck of a single breath.
        factor = 0.9 if last_change is None else min(max(change / last_change, 0.5), 0.999)
        last_change = max(change, 1e-15)
        if change * factor / (1.0 - factor) < _SETTLED * float(np.max(full - empty)):
            return OdeBreath(tuple(1000.0 * (full - empty)), tuple(full * elastance), tuple(empty * elastance), breath)
    raise RuntimeError(f"not settled after {_MOST_BREATHS} breaths")


def _phases(network: FlowNetwork, settings: Settings) -> list[tuple[float, Source, bool]]:
    """Stretches of the breath without a jump in time: duration, flow of the machine, expiratory valve open.

    The last but one ends inspiration, the last ends expiration.
    """
    trunk, peep, ti = network.inspiratory_trunk, settings.peep_cmh2o, settings.inspiratory_time_s
    phases: list[tuple[float, Source, bool]] = []
    if settings.mode == "pc":
        drive, rise = settings.pressure_above_peep_cmh2o or 0.0, settings.rise_time_s
        if rise > 0.0:
            phases.append((rise, lambda t, p: _forward(peep + drive * t / rise - p, trunk), False))
        phases.append((ti - rise, lambda t, p: _forward(peep + drive - p, trunk), False))
    else:
        flow_time = ti - settings.pause_s
        mean = (settings.tidal_volume_ml or 0.0) / 1000.0 / flow_time
        if settings.flow_shape == "constant":
            phases.append((flow_time, lambda t, p: mean, False))
        else:
            phases.append((flow_time, lambda t, p: 2.0 * mean * (1.0 - t / flow_time), False))
        if settings.pause_s > 0.0:
            phases.append((settings.pause_s, lambda t, p: 0.0, False))
    phases.append((settings.expiratory_time_s, lambda t, p: 0.0, True))
    return phases


def _rates(
    network: FlowNetwork, lungs: tuple[LungValues, ...], peep: float, source: Source, exhaling: bool
) -> Callable[[float, Floats], list[float]]:
    n = len(lungs)
    inside, outside = (compliance / 1000.0 for compliance in network.splitter_compliances)
    wyes = [limb.wye_compliance_ml_per_cmh2o / 1000.0 for limb in network.limbs]
    limbs = list(zip(network.limbs, lungs, strict=True))

    def rates(t: float, state: Floats) -> list[float]:
        values = state.tolist()
        p_in, p_out = values[0], values[1]
        sum_in, sum_out = source(t, p_in), -_forward(p_out - peep, network.expiratory_trunk) if exhaling else 0.0
        wye_rates, lung_rates = [], []
        for k, (limb, lung) in enumerate(limbs):
            wye, alveolar = values[2 + k], values[2 + n + k] * 1000.0 / lung.compliance_ml_per_cmh2o
            inward = _branch(p_in - wye, limb.inspiratory, limb.inspiratory_valve, 0.0)
            outward = _branch(wye - p_out, limb.expiratory, limb.expiratory_valve, limb.peep_valve_cmh2o)
            into_lung = _lung_flow(wye - alveolar, limb, lung)
            sum_in -= inward
            sum_out += outward
            wye_rates.append((inward - outward - into_lung) / wyes[k])
            lung_rates.append(into_lung)
        return [sum_in / inside, sum_out / outside, *wye_rates, *lung_rates]

    return rates


def _forward(drop: float, element: Element, extra_linear: float = 0.0) -> float:
    if drop <= 0.0:
        return 0.0
    linear = element.linear + extra_linear
    return 2.0 * drop / (linear + sqrt(linear * linear + 4.0 * element.quadratic * drop))


def _branch(drop: float, element: Element, valve: Valve | None, spring: float) -> float:
    """Flow along a limb: open once the drop passes the opening pressure, a leak when pushed back."""
    if valve is None and spring == 0.0:
        return _forward(drop, element) if drop >= 0.0 else -_forward(-drop, element)
    if drop < 0.0:
        return 0.0 if valve is None else valve.back_leak_l_per_s_per_cmh2o * drop
    cracking = spring + (0.0 if valve is None else valve.cracking_cmh2o)
    return _forward(drop - cracking, element, 0.0 if valve is None else valve.linear)


def _lung_flow(drop: float, limb: Limb, lung: LungValues) -> float:
    if drop >= 0.0:
        return _forward(drop, limb.patient, lung.resistance_in)
    return -_forward(-drop, limb.patient, lung.resistance_out)
