"""Outside check of the breath engine: the same physics written out again, hard-edged, and solved by scipy.

`solve_case` takes a case as people write it (`cases`) and returns what each patient gets in the settled (periodic)
breath. Nothing here, nor in the modules it is made of (`flow_laws`, `machine`, `graph`, `cases`), comes from the package
under test: no code, no constants, no numerical method.

Unknowns: pressure of every splitter and wye, gas in each lung. Every element gives its flow from its pressure drop,
R q + K q|q| = drop, and a valve opens sharply at its cracking pressure. Inside: L, s, cmH2O; outside: the units in the
field names.

Method: scipy's LSODA (variable order and step, switching between Adams and stiff BDF) at a relative tolerance
of 1e-9, or Radau at the same where the circuit has next to no volume; started anew at every jump or kink in
time. The settled breath is found by Newton's method on the lung volumes at the end of expiration (plus the
machine's volume where it compensates for its circuit); a plain breath from the answer checks it.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.integrate import LSODA, Radau

from referees.cases import read_case, springs_of
from referees.graph import Graph, Muscle, equations, jacobian
from referees.machine import Machine, Phase, phases_of

RTOL = 1e-9
ATOL_PRESSURE = 1e-9  # cmH2O
ATOL_VOLUME = 1e-11  # L
SETTLED = 1e-7  # remaining distance to the periodic breath, as a part of the tidal volume
SETTLED_PRESSURE = 1e-6  # cmH2O, change of a junction's pressure from breath to breath
SMALL_BREATH = 0.02  # L: below this the tidal volume is no longer a sensible yardstick
SLOW_COMPLIANCE = 5e-3  # L/cmH2O: a junction with more may keep its pressure from breath to breath
MOST_BREATHS = 120
MOST_STEPS = 20000  # in one phase; LSODA needs a few hundred
SHORTEST_FOR_LSODA = 1e-5  # s: with shorter time constants LSODA may creep, and Radau does not


class NotSettledError(RuntimeError):
    """No periodic breath was found within the allowed number of breaths."""


def bump(t0: float, t1: float, y0: np.ndarray, y1: np.ndarray, f0: np.ndarray, f1: np.ndarray) -> np.ndarray:
    """Highest value over a step, of the cubic through both ends and both slopes."""
    top = np.maximum(y0, y1)
    for i in np.nonzero((f0 > 0) & (f1 < 0))[0]:
        h = t1 - t0
        a = 2 * (y0[i] - y1[i]) + h * (f0[i] + f1[i])
        b = 3 * (y1[i] - y0[i]) - h * (2 * f0[i] + f1[i])
        for s in np.roots([3 * a, 2 * b, h * f0[i]]):
            if abs(s.imag) < 1e-12 and 0 < s.real < 1:
                s = s.real
                top[i] = max(top[i], y0[i] + s * (h * f0[i] + s * (b + s * a)))
    return top


@dataclass(frozen=True)
class Breath:
    """One breath: state at Ti and at T (totals included where asked), highest pressure of each junction in it."""

    at_inspiration_end: np.ndarray
    at_end: np.ndarray
    peaks: np.ndarray


def method_for(machine: Machine, graph: Graph) -> Any:
    """LSODA, or Radau where a junction fills through a neighbouring linear resistance in no time."""
    linear = [one.law.linear for one in graph.links if one.end is None or one.end < graph.junctions]
    shortest = min(graph.compliances) * min(machine.trunk_in[0], machine.trunk_out[0], *linear)
    return LSODA if shortest > SHORTEST_FOR_LSODA else Radau


def breathe(
    machine: Machine,
    graph: Graph,
    start: np.ndarray,
    volume: float,
    *,
    totals: bool = False,
    peaks: bool = False,
    method: Any = None,
    rtol: float = RTOL,
) -> Breath:
    """One breath from a state; by the given one of scipy's stiff methods, or the fitting one."""
    y = np.concatenate([start[: graph.size], np.zeros(graph.totals if totals else 0)])
    top = y[: graph.junctions].copy()
    at_ti = y
    for phase in phases_of(machine, volume):
        y, top = advance(machine, graph, phase, y, top if peaks else None, totals=totals, method=method, rtol=rtol)
        if phase.end == machine.inspiratory_time:
            at_ti = y
    return Breath(at_ti, y, top)


def advance(
    machine: Machine,
    graph: Graph,
    phase: Phase,
    y: np.ndarray,
    top: np.ndarray | None,
    *,
    totals: bool = False,
    method: Any = None,
    rtol: float = RTOL,
    muscle: Muscle | None = None,
    watch: Callable[[Any, np.ndarray], float | None] | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Integrates one phase; also the highest pressures so far, where `top` has those before.

    `watch` sees the solver after each step, with the slope there; what it returns ends the phase at that time.
    """
    slope = equations(graph, machine, phase, totals, muscle)
    jac = jacobian(graph, machine, phase, totals, muscle)
    atol = np.full(len(y), ATOL_VOLUME)
    atol[: graph.junctions] = ATOL_PRESSURE
    chosen = method_for(machine, graph) if method is None else method
    highest = y[: graph.junctions].copy() if top is None else top
    try:
        return _steps(chosen, slope, jac, phase, y, rtol, atol, highest, top is not None, watch)
    except ArithmeticError:
        return _steps(Radau, slope, jac, phase, y, rtol, atol, highest, top is not None, watch)


def _steps(
    method: Any,
    slope: Callable[[float, np.ndarray], list[float]],
    jac: Callable[[float, np.ndarray], np.ndarray],
    phase: Phase,
    y: np.ndarray,
    rtol: float,
    atol: np.ndarray,
    top: np.ndarray,
    peaks: bool,
    watch: Callable[[Any, np.ndarray], float | None] | None,
) -> tuple[np.ndarray, np.ndarray]:
    solver = method(slope, phase.start, y, phase.end, rtol=rtol, atol=atol, jac=jac)
    pressures = len(top)
    f0 = np.asarray(slope(phase.start, y))[:pressures]
    steps = 0
    while solver.status == "running":
        steps += 1
        if steps > MOST_STEPS:
            raise ArithmeticError("too many steps")
        t0, y0 = solver.t, solver.y.copy()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a failed step also shows in the status, which counts here
            message = solver.step()
        if solver.status == "failed":
            raise ArithmeticError(message)
        t1, y1 = solver.t, solver.y
        ended = None if watch is None else watch(solver, y0)
        if ended is not None:
            t1, y1 = ended, solver.dense_output()(ended)
        if peaks:
            f1 = np.asarray(slope(t1, y1))[:pressures]
            top = np.maximum(top, bump(t0, t1, y0[:pressures], y1[:pressures], f0, f1))
            f0 = f1
        if ended is not None:
            return np.asarray(y1).copy(), top
    return solver.y.copy(), top


def remembered(graph: Graph) -> tuple[list[int], np.ndarray]:
    """What a breath does not forget: junctions with a lot of hose, then all lungs; and what makes gas (L) of each."""
    first = graph.junctions
    kept = [k for k in range(first) if graph.compliances[k] >= SLOW_COMPLIANCE] + list(range(first, graph.size))
    return kept, np.array([graph.compliances[k] if k < first else 1.0 for k in kept])


def settle(
    machine: Machine, graph: Graph, springs: list[float], offset: float = 0.0
) -> tuple[np.ndarray, float, np.ndarray, int]:
    """Periodic state at the start of inspiration, the machine's volume (L), Newton's matrix, breaths used.

    `offset` (cmH2O) lifts the first guess, so that a test can come from another side.
    """
    first = graph.junctions
    kept, per_unit = remembered(graph)
    compensates = machine.compensates
    state = graph.rest(machine.peep + offset, springs)
    volume = machine.set_volume
    used = 0

    def run(y: np.ndarray, v: float) -> tuple[np.ndarray, float, np.ndarray]:
        nonlocal used
        used += 1
        breath = breathe(machine, graph, y, v, peaks=compensates)
        if compensates:
            v = machine.set_volume + machine.circuit_compliance * (float(breath.peaks[0]) - machine.peep)
        return breath.at_end, v, breath.at_inspiration_end

    def slow(y: np.ndarray, v: float) -> np.ndarray:
        found = y[kept] * per_unit
        return np.append(found, v) if compensates else found

    def shifted(y: np.ndarray, u: np.ndarray) -> np.ndarray:
        moved = y.copy()
        moved[kept] = u[: len(kept)] / per_unit
        before, after = graph.pressures(y.tolist()), graph.pressures(moved.tolist())
        for wye, lung in zip(graph.wyes, graph.first_lungs, strict=True):
            if wye not in kept:
                moved[wye] += after[lung] - before[lung]
        return moved

    for _ in range(2):
        state, volume, _at_ti = run(state, volume)
    after, next_volume, at_ti = run(state, volume)
    u, u_after = slow(state, volume), slow(after, next_volume)
    matrix = np.eye(len(u))  # I - (change of the breath's end with its start)
    for j in range(len(u)):
        probe = u.copy()
        probe[j] += 1e-3
        end, end_volume, _at_ti = run(shifted(state, probe), probe[-1] if compensates else volume)
        matrix[:, j] -= (slow(end, end_volume) - u_after) / 1e-3

    while used < MOST_BREATHS:
        residual = u_after - u
        correction = np.linalg.solve(matrix, residual)
        tidal = np.maximum((at_ti - after)[kept] * per_unit, SMALL_BREATH)
        yardstick = np.append(tidal, tidal.sum()) if compensates else tidal
        fast = np.abs(after - state)[:first].max()
        if np.all(np.abs(correction) < SETTLED * yardstick) and fast < SETTLED_PRESSURE:
            return after, next_volume, matrix, used
        new = u + correction
        state, volume = shifted(after, new), float(new[-1]) if compensates else volume
        after, next_volume, at_ti = run(state, volume)
        u, u_after = new, slow(after, next_volume)
        # Broyden's update, as long as the step stands clear of the integrator's noise.
        if np.abs(correction).max() > 1e-6:
            miss = residual - (u_after - u) - matrix @ correction
            matrix = matrix + np.outer(miss, correction) / (correction @ correction)
    raise NotSettledError(f"not periodic after {used} breaths")


def solve_case(case: dict[str, Any], start_offset_cmh2o: float = 0.0, second_method: bool = False) -> dict[str, Any]:
    """What each patient of a case gets in the settled breath.

    Tidal volume = gas of all compartments at Ti minus at T; plateau and total PEEP = pressure of the first at Ti and T;
    intrinsic PEEP = total minus set minus the own in-line valve; peak at the wye (patient) and at the
    inspiratory splitter (ventilator); backflow = gas reversed in a breath over both limbs; delivered = gas out
    of the machine in inspiration; exhaled = gas through the expiratory trunk (a bias flow is in it); leaked = gas
    through all openings.

    `check` tells how far a plain breath still moves, and with `second_method` how far one breath by Radau
    (implicit Runge-Kutta, rtol 1e-8) from the same state differs.
    """
    machine, graph = read_case(case)
    springs = springs_of(case)
    first, size = graph.junctions, graph.size
    state, volume, matrix, used = settle(machine, graph, springs, start_offset_cmh2o)
    breath = breathe(machine, graph, state, volume, totals=True, peaks=True)
    middle, end = breath.at_inspiration_end, breath.at_end
    kept, per_unit = remembered(graph)
    moved = (end[:size] - state)[kept] * per_unit
    if machine.compensates:
        again = machine.set_volume + machine.circuit_compliance * (breath.peaks[0] - machine.peep)
        moved = np.append(moved, again - volume)
    remaining = np.linalg.solve(matrix, moved)[len(kept) - size + first : len(kept)]
    whole = [list(graph.lungs_of(lung)) for lung in graph.first_lungs]
    tidal = np.array([float(np.sum(middle[own] - end[own])) for own in whole])
    apart = None
    if second_method:
        other = breathe(machine, graph, state, volume, method=Radau, rtol=1e-8)
        again = np.array([float(np.sum(other.at_inspiration_end[own] - other.at_end[own])) for own in whole])
        apart = float(np.max(np.abs(again - tidal) / np.maximum(tidal, SMALL_BREATH)))
    at_ti, at_end = graph.pressures(middle[:size].tolist()), graph.pressures(end[:size].tolist())
    rate = 60 / machine.period
    patients = []
    for k, patient in enumerate(case["patients"]):
        wye, lung = graph.wyes[k], graph.first_lungs[k]
        tube = next((one for one in graph.links if (one.start, one.end) == (wye, lung)), None)
        patients.append(
            {
                "label": patient["label"],
                "tidal_volume_ml": 1000 * tidal[k],
                "plateau_cmh2o": at_ti[lung],
                "driving_pressure_cmh2o": at_ti[lung] - at_end[lung],
                "total_peep_cmh2o": at_end[lung],
                "intrinsic_peep_cmh2o": at_end[lung] - machine.peep - springs[k],
                "end_inspiratory_flow_l_per_min": 60 * tube.flow(at_ti[wye] - at_ti[lung]) if tube else 0.0,
                "minute_volume_l_per_min": tidal[k] * rate,
                "peak_pressure_cmh2o": float(breath.peaks[wye]),
                "backflow_ml": 1000 * float(end[size + 3 + k]),
            }
        )
    answer = {
        "patients": patients,
        "ventilator": {
            "delivered_tidal_volume_ml": 1000 * float(middle[size]),
            "exhaled_volume_ml": 1000 * float(end[size + 1]),
            "source_volume_ml": 1000 * float(end[size]),
            "peak_pressure_cmh2o": float(breath.peaks[0]),
            "compensated_volume_ml": 1000 * volume if machine.compensates else None,
        },
        "check": {
            "breaths": used + 1,
            "remaining_volume_ml": 1000 * float(np.abs(remaining).max()),
            "remaining_part_of_tidal_volume": float(
                np.max(np.abs(remaining) / np.maximum(middle[first:size] - end[first:size], SMALL_BREATH))
            ),
            "junction_pressure_change_cmh2o": float(np.abs(end[:first] - state[:first]).max()),
            "radau_difference_part_of_tidal_volume": apart,
            "volume_balance_ml": 1000 * float(end[size] - end[size + 1] - end[size + 2]),
        },
    }
    if case["circuit"].get("openings"):
        answer["ventilator"]["leaked_ml"] = 1000 * float(end[size + 2])
    return answer
