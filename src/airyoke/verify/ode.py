"""The settled breath written out as differential equations and solved by scipy's LSODA.

Same physics as the engine, nothing of its code: flows by hard-edged valves (the engine rounds them over 0.002 cmH2O),
no elimination, another integrator, and plain breathing from PEEP until nothing changes any more.

Unknowns: pressures of the splitters (the first of each side, then those behind them), wye pressures, lung volumes;
cmH2O, L, s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.settings import Settings
from airyoke.circuit.network import Branch, Element, FlowNetwork, Limb, Valve
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
    phases = _phases(network, settings)
    tree = _tree(network)
    first = len(tree.compliances) + len(lungs)  # where lung volumes begin
    elastance = np.array([1000.0 / lung.compliance_ml_per_cmh2o for lung in lungs])
    # Lung volumes count from the relaxed lung: at PEEP they hold PEEP / elastance.
    state = np.concatenate([np.full(first, settings.peep_cmh2o), settings.peep_cmh2o / elastance])
    last_change: float | None = None
    for breath in range(1, _MOST_BREATHS + 1):
        before = state[first:].copy()
        volumes = []
        for duration, source, exhaling in phases:
            rates = _rates(network, tree, lungs, settings.peep_cmh2o, source, exhaling)
            run = solve_ivp(rates, (0.0, duration), state, "LSODA", rtol=_RELATIVE, atol=_ABSOLUTE)
            if not run.success:
                raise RuntimeError(f"LSODA: {run.message}")
            state = run.y[:, -1]
            volumes.append(state[first:].copy())
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


@dataclass(frozen=True, slots=True)
class _Tree:
    """Splitters by number: 0 and 1 the first ones. Compliances (L/cmH2O), stretches between two (the way gas goes in a
    breath out of the machine), and for each limb the splitters it lies between."""

    compliances: tuple[float, ...]
    stretches: tuple[tuple[int, int, Element], ...]
    limb_between: tuple[tuple[int, int], ...]


def _tree(network: FlowNetwork) -> _Tree:
    compliances = [one / 1000.0 for one in network.splitter_compliances]
    stretches: list[tuple[int, int, Element]] = []
    between = [[0, 1] for _ in network.limbs]

    def grow(branches: tuple[Branch, ...], near: int, side: int) -> None:
        for branch in branches:
            here = len(compliances)
            compliances.append(branch.compliance_ml_per_cmh2o / 1000.0)
            stretches.append((near, here, branch.element) if side == 0 else (here, near, branch.element))
            for limb in branch.limbs:
                between[limb][side] = here
            grow(branch.branches, here, side)

    grow(network.inspiratory_branches, 0, 0)
    grow(network.expiratory_branches, 1, 1)
    return _Tree(tuple(compliances), tuple(stretches), tuple((a, b) for a, b in between))


def _rates(
    network: FlowNetwork, tree: _Tree, lungs: tuple[LungValues, ...], peep: float, source: Source, exhaling: bool
) -> Callable[[float, Floats], list[float]]:
    count, n = len(tree.compliances), len(lungs)
    wyes = [limb.wye_compliance_ml_per_cmh2o / 1000.0 for limb in network.limbs]
    limbs = list(zip(network.limbs, lungs, tree.limb_between, strict=True))

    def rates(t: float, state: Floats) -> list[float]:
        values = state.tolist()
        into = [0.0] * count
        into[0] = source(t, values[0])
        into[1] = -_forward(values[1] - peep, network.expiratory_trunk) if exhaling else 0.0
        for start, end, element in tree.stretches:
            flow = _two_way(values[start] - values[end], element)
            into[start] -= flow
            into[end] += flow
        wye_rates, lung_rates = [], []
        for k, (limb, lung, (before, behind)) in enumerate(limbs):
            wye, alveolar = values[count + k], values[count + n + k] * 1000.0 / lung.compliance_ml_per_cmh2o
            inward = _branch(values[before] - wye, limb.inspiratory, limb.inspiratory_valve, 0.0)
            outward = _branch(wye - values[behind], limb.expiratory, limb.expiratory_valve, limb.peep_valve_cmh2o)
            into_lung = _lung_flow(wye - alveolar, limb, lung)
            into[before] -= inward
            into[behind] += outward
            wye_rates.append((inward - outward - into_lung) / wyes[k])
            lung_rates.append(into_lung)
        splitter_rates = [flow / compliance for flow, compliance in zip(into, tree.compliances, strict=True)]
        return [*splitter_rates, *wye_rates, *lung_rates]

    return rates


def _two_way(drop: float, element: Element) -> float:
    return _forward(drop, element) if drop >= 0.0 else -_forward(-drop, element)


def _forward(drop: float, element: Element, extra_linear: float = 0.0) -> float:
    if drop <= 0.0:
        return 0.0
    linear = element.linear + extra_linear
    return 2.0 * drop / (linear + sqrt(linear * linear + 4.0 * element.quadratic * drop))


def _branch(drop: float, element: Element, valve: Valve | None, spring: float) -> float:
    """Flow along a limb: open once the drop passes the opening pressure, a leak when pushed back."""
    if valve is None and spring == 0.0:
        return _two_way(drop, element)
    if drop < 0.0:
        return 0.0 if valve is None else valve.back_leak_l_per_s_per_cmh2o * drop
    cracking = spring + (0.0 if valve is None else valve.cracking_cmh2o)
    return _forward(drop - cracking, element, 0.0 if valve is None else valve.linear)


def _lung_flow(drop: float, limb: Limb, lung: LungValues) -> float:
    if drop >= 0.0:
        return _forward(drop, limb.patient, lung.resistance_in)
    return -_forward(-drop, limb.patient, lung.resistance_out)
