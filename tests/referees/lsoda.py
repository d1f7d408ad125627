"""Outside check of the breath engine: the same physics written out again, hard-edged, and solved by scipy.

`solve_case` takes a case as people write it and returns what each patient gets in the settled (periodic)
breath.
Nothing here comes from the package under test: no code, no constants, no numerical method.

Unknowns: pressure of the inspiratory splitter (M) and of the expiratory one (X), pressure at each patient's
wye (W), gas in each lung (v; alveolar pressure = v/C). Every element gives its flow from its pressure drop,
R q + K q|q| = drop, and a valve opens sharply at its cracking pressure. Inside: L, s, cmH2O; outside: the
units in the field names.

Method: scipy's LSODA (variable order and step, switching between Adams and stiff BDF) at a relative tolerance
of 1e-9, or Radau at the same where the circuit has next to no volume; started anew at every jump or kink in
time. The settled breath is found by Newton's method on the lung volumes at the end of expiration (plus the
machine's volume where it compensates for its circuit); a plain breath from the answer checks it.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt
from typing import Any

import numpy as np
from scipy.integrate import LSODA, Radau

RTOL = 1e-9
ATOL_PRESSURE = 1e-9  # cmH2O
ATOL_VOLUME = 1e-11  # L
SMALLEST_COMPLIANCE = 1e-6  # L/cmH2O: a junction without volume would make the equations algebraic
SETTLED = 1e-7  # remaining distance to the periodic breath, as a part of the tidal volume
SETTLED_PRESSURE = 1e-6  # cmH2O, change of a junction's pressure from breath to breath
SMALL_BREATH = 0.02  # L: below this the tidal volume is no longer a sensible yardstick
MOST_BREATHS = 120
MOST_STEPS = 20000  # in one phase; LSODA needs a few hundred
SHORTEST_FOR_LSODA = 1e-5  # s: with shorter time constants LSODA may creep, and Radau does not

Source = Callable[[float, float], tuple[float, float]]


class NotSettledError(RuntimeError):
    """No periodic breath was found within the allowed number of breaths."""


@dataclass(frozen=True)
class Branch:
    """A limb with its valve: resistances, opening pressure, leak when reversed (L/s per cmH2O), direction."""

    linear: float
    quadratic: float
    cracking: float
    back_leak: float
    one_way: bool


@dataclass(frozen=True)
class Lane:
    """One patient with the two limbs, the wye and the lung (L/cmH2O, cmH2O·s/L, cmH2O·s²/L²)."""

    inspiratory: Branch
    expiratory: Branch
    wye_compliance: float
    resistance_in: float
    resistance_out: float
    resistance_quadratic: float
    compliance: float
    in_line_peep: float


@dataclass(frozen=True)
class Phase:
    """A stretch of the breath without jump or kink in time. `exhaling`: expiratory valve open.

    `source(t, pM)` gives the machine's flow (L/s) and its change with the splitter's pressure.
    """

    start: float
    end: float
    source: Source
    exhaling: bool


@dataclass(frozen=True)
class Machine:
    """Ventilator settings and both trunks, in L, s, cmH2O."""

    settings: dict[str, Any]
    trunk_in: tuple[float, float]
    trunk_out: tuple[float, float]
    splitter_compliance: float
    circuit_compliance: float
    peep: float
    period: float
    inspiratory_time: float

    @property
    def compensates(self) -> bool:
        return self.settings["mode"] == "vc" and self.settings.get("circuit_compensation", "off") == "on"

    @property
    def set_volume(self) -> float:
        """Set volume in L (0 in pressure control)."""
        return self.settings.get("tidal_volume_ml", 0.0) / 1000 if self.settings["mode"] == "vc" else 0.0


def forward(drop: float, linear: float, quadratic: float) -> float:
    """Flow (L/s) that a pressure drop drives through R q + K q² = drop; none for a drop of zero or less."""
    if drop <= 0:
        return 0.0
    return 2 * drop / (linear + sqrt(linear * linear + 4 * quadratic * drop))


def both_ways(drop: float, linear: float, quadratic: float) -> float:
    """Flow (L/s) of R q + K q|q| = drop, either direction."""
    return forward(drop, linear, quadratic) if drop >= 0 else -forward(-drop, linear, quadratic)


def through(branch: Branch, drop: float) -> float:
    """Flow (L/s) through a limb with its valve at a pressure drop (cmH2O), positive the intended way."""
    if not branch.one_way:
        return both_ways(drop, branch.linear, branch.quadratic)
    if drop < 0:
        return branch.back_leak * drop
    return forward(drop - branch.cracking, branch.linear, branch.quadratic)


def conductance(drop: float, linear: float, quadratic: float) -> float:
    """Change of flow with the drop (L/s per cmH2O) of R q + K q|q| = drop."""
    return 1 / sqrt(linear * linear + 4 * quadratic * abs(drop))


def conductance_through(branch: Branch, drop: float) -> float:
    """Change of flow with the drop (L/s per cmH2O) of a limb with its valve."""
    if not branch.one_way:
        return conductance(drop, branch.linear, branch.quadratic)
    if drop < 0:
        return branch.back_leak
    beyond = drop - branch.cracking
    return conductance(beyond, branch.linear, branch.quadratic) if beyond > 0 else 0.0


def no_flow(_t: float, _p_m: float) -> tuple[float, float]:
    """A shut machine."""
    return 0.0, 0.0


def read_case(case: dict[str, Any]) -> tuple[Machine, list[Lane]]:
    """A case in the units of its field names, as the machine and the lanes in L, s, cmH2O."""
    circuit, settings = case["circuit"], case["settings"]
    valves = circuit["valves"]
    has_valves = valves != "none"
    valve_linear = valves["linear"] if has_valves else 0.0
    cracking = valves["cracking_cmh2o"] if has_valves else 0.0
    leak = valves["back_leak_l_per_s_per_cmh2o"] if has_valves else 0.0
    splitter = max(circuit["splitter_compliance_ml_per_cmh2o"] / 1000, SMALLEST_COMPLIANCE)
    wye = max(circuit["wye_compliance_ml_per_cmh2o"] / 1000, SMALLEST_COMPLIANCE)
    limb_in, limb_out = circuit["inspiratory_limb"], circuit["expiratory_limb"]
    lanes = []
    for patient in case["patients"]:
        in_line = patient.get("peep_valve_cmh2o") or 0.0
        resistance_in = patient["inspiratory_resistance_cmh2o_s_per_l"]
        lanes.append(
            Lane(
                inspiratory=Branch(
                    linear=limb_in["linear"] + valve_linear,
                    quadratic=limb_in["quadratic"] + (patient.get("restrictor_cmh2o_s2_per_l2") or 0.0),
                    cracking=cracking,
                    back_leak=leak,
                    one_way=has_valves,
                ),
                # An in-line PEEP valve passes gas one way only, also where the build has no other valve.
                expiratory=Branch(
                    linear=limb_out["linear"] + valve_linear,
                    quadratic=limb_out["quadratic"],
                    cracking=cracking + in_line,
                    back_leak=leak,
                    one_way=has_valves or in_line > 0,
                ),
                wye_compliance=wye,
                resistance_in=resistance_in,
                resistance_out=patient.get("expiratory_resistance_cmh2o_s_per_l", resistance_in),
                resistance_quadratic=patient.get("quadratic_resistance_cmh2o_s2_per_l2") or 0.0,
                compliance=patient["compliance_ml_per_cmh2o"] / 1000,
                in_line_peep=in_line,
            )
        )
    trunk_in, trunk_out = circuit["inspiratory_trunk"], circuit["expiratory_trunk"]
    machine = Machine(
        settings=settings,
        trunk_in=(trunk_in["linear"], trunk_in["quadratic"]),
        trunk_out=(trunk_out["linear"], trunk_out["quadratic"]),
        splitter_compliance=splitter,
        circuit_compliance=2 * splitter + wye * len(lanes),
        peep=settings["peep_cmh2o"],
        period=60 / settings["rate_per_min"],
        inspiratory_time=settings["inspiratory_time_s"],
    )
    return machine, lanes


def phases_of(machine: Machine, volume: float) -> list[Phase]:
    """The breath cut at every jump or kink in time. `volume`: what the machine means to deliver (L)."""
    settings, peep = machine.settings, machine.peep
    linear, quadratic = machine.trunk_in
    most_flow = settings.get("max_peak_flow_l_per_min")
    cap = float("inf") if most_flow is None else most_flow / 60
    inspiration = machine.inspiratory_time
    inspired: list[Phase] = []

    def from_port(drop: float, most: float) -> tuple[float, float]:
        """Flow of a port that holds a pressure, up to the most it can give, and its change with pM."""
        flow = forward(drop, linear, quadratic)
        if flow >= most or drop <= 0:
            return min(flow, most), 0.0
        return flow, -conductance(drop, linear, quadratic)

    if settings["mode"] == "pc":
        above = settings["pressure_above_peep_cmh2o"]
        rise = min(settings.get("rise_time_s") or 0.0, inspiration)

        def ramp(t: float, p_m: float) -> tuple[float, float]:
            return from_port(peep + above * t / rise - p_m, cap)

        def full(_t: float, p_m: float) -> tuple[float, float]:
            return from_port(peep + above - p_m, cap)

        if rise > 0:
            inspired.append(Phase(0.0, rise, ramp, exhaling=False))
        if rise < inspiration:
            inspired.append(Phase(rise, inspiration, full, exhaling=False))
    else:
        flow_time = inspiration - (settings.get("pause_s") or 0.0)
        limit = settings.get("pressure_limit_cmh2o")
        decelerating = settings.get("flow_shape", "constant") == "decelerating"

        def wanted(t: float) -> float:
            flow = 2 * volume / flow_time * (1 - t / flow_time) if decelerating else volume / flow_time
            return min(cap, flow)

        def limited(t: float, p_m: float) -> tuple[float, float]:
            flow = wanted(t)
            return (flow, 0.0) if limit is None else from_port(limit - p_m, flow)

        cuts = [0.0, flow_time]
        if decelerating and 2 * volume / flow_time > cap:
            cuts.insert(1, flow_time * (1 - cap * flow_time / (2 * volume)))
        inspired += [Phase(a, b, limited, exhaling=False) for a, b in pairwise(cuts)]
        if flow_time < inspiration:
            inspired.append(Phase(flow_time, inspiration, no_flow, exhaling=False))

    bias = (settings.get("bias_flow_l_per_min") or 0.0) / 60
    hold = machine.period - (settings.get("expiratory_pause_s") or 0.0)
    phases = [*inspired, Phase(inspiration, hold, lambda _t, _p: (bias, 0.0), exhaling=True)]
    if hold < machine.period:
        phases.append(Phase(hold, machine.period, no_flow, exhaling=False))
    return phases


def equations(
    machine: Machine, lanes: list[Lane], phase: Phase, totals: bool
) -> Callable[[float, np.ndarray], list[float]]:
    """Right-hand side for one phase. State: M, X, every W, every v; with `totals` also gas out of the
    machine, gas through the expiratory trunk, and each patient's reversed gas (L)."""
    count = len(lanes)
    source, exhaling, peep = phase.source, phase.exhaling, machine.peep
    out_linear, out_quadratic = machine.trunk_out
    per_splitter = 1 / machine.splitter_compliance
    parts = [
        (
            k, lane.inspiratory, lane.expiratory, 1 / lane.compliance, 1 / lane.wye_compliance,
            lane.resistance_in, lane.resistance_out, lane.resistance_quadratic,
        )
        for k, lane in enumerate(lanes)
    ]  # fmt: skip

    def slope(t: float, state: np.ndarray) -> list[float]:
        y = state.tolist()
        p_m, p_x = y[0], y[1]
        supply, _change = source(t, p_m)
        exhaust = forward(p_x - peep, out_linear, out_quadratic) if exhaling else 0.0
        into_m, into_x = supply, -exhaust
        result = [0.0] * len(y)
        for k, limb_in, limb_out, elastance, per_wye, r_in, r_out, r_quadratic in parts:
            wye = y[2 + k]
            drop = wye - y[2 + count + k] * elastance
            lung = forward(drop, r_in, r_quadratic) if drop >= 0 else -forward(-drop, r_out, r_quadratic)
            flow_in = through(limb_in, p_m - wye)
            flow_out = through(limb_out, wye - p_x)
            into_m -= flow_in
            into_x += flow_out
            result[2 + k] = (flow_in - flow_out - lung) * per_wye
            result[2 + count + k] = lung
            if totals:
                result[4 + 2 * count + k] = max(-flow_in, 0.0) + max(-flow_out, 0.0)
        result[0] = into_m * per_splitter
        result[1] = into_x * per_splitter
        if totals:
            result[2 + 2 * count] = supply
            result[3 + 2 * count] = exhaust
        return result

    return slope


def jacobian(
    machine: Machine, lanes: list[Lane], phase: Phase, totals: bool
) -> Callable[[float, np.ndarray], np.ndarray]:
    """Derivative of `equations` by the state.

    Written out because differences fail here: a valve that is only just open is shut by the smallest probe.
    """
    count = len(lanes)
    size = (4 + 3 * count) if totals else (2 + 2 * count)
    out_linear, out_quadratic = machine.trunk_out

    def derivative(t: float, y: np.ndarray) -> np.ndarray:
        j = np.zeros((size, size))
        p_m, p_x = float(y[0]), float(y[1])
        _supply, g_source = phase.source(t, p_m)
        above = p_x - machine.peep
        g_exhaust = conductance(above, out_linear, out_quadratic) if phase.exhaling and above > 0 else 0.0
        j[0, 0], j[1, 1] = g_source, -g_exhaust
        if totals:
            j[2 + 2 * count, 0], j[3 + 2 * count, 1] = g_source, g_exhaust
        for k, lane in enumerate(lanes):
            w, v = 2 + k, 2 + count + k
            wye, elastance = float(y[w]), 1 / lane.compliance
            drop = wye - float(y[v]) * elastance
            resistance = lane.resistance_in if drop >= 0 else lane.resistance_out
            g_lung = conductance(drop, resistance, lane.resistance_quadratic)
            g_in = conductance_through(lane.inspiratory, p_m - wye)
            g_out = conductance_through(lane.expiratory, wye - p_x)
            j[0, 0] -= g_in
            j[0, w] = g_in
            j[1, 1] -= g_out
            j[1, w] = g_out
            j[w, [0, 1, w, v]] = (
                np.array([g_in, g_out, -g_in - g_out - g_lung, g_lung * elastance]) / lane.wye_compliance
            )
            j[v, w], j[v, v] = g_lung, -g_lung * elastance
            if totals:
                back = 4 + 2 * count + k
                if p_m < wye:
                    j[back, 0] -= g_in
                    j[back, w] += g_in
                if wye < p_x:
                    j[back, 1] += g_out
                    j[back, w] -= g_out
        j[:2] /= machine.splitter_compliance
        return j

    return derivative


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
    """One breath: state at Ti and at T (totals included where asked), highest M and W in it."""

    at_inspiration_end: np.ndarray
    at_end: np.ndarray
    peaks: np.ndarray


def shortest_time(machine: Machine, lanes: list[Lane]) -> float:
    """The smallest product of a junction's compliance and a neighbouring linear resistance (s)."""
    junction = min(machine.splitter_compliance, min(lane.wye_compliance for lane in lanes))
    limbs = [limb.linear for lane in lanes for limb in (lane.inspiratory, lane.expiratory)]
    return junction * min(machine.trunk_in[0], machine.trunk_out[0], *limbs)


def breathe(
    machine: Machine,
    lanes: list[Lane],
    start: np.ndarray,
    volume: float,
    *,
    totals: bool = False,
    peaks: bool = False,
    method: Any = None,
    rtol: float = RTOL,
) -> Breath:
    """One breath from a state (M, X, W…, v…); by the given one of scipy's stiff methods, or the fitting one."""
    count = len(lanes)
    if method is None:
        method = LSODA if shortest_time(machine, lanes) > SHORTEST_FOR_LSODA else Radau
    basic = 2 + 2 * count
    y = np.concatenate([start[:basic], np.zeros(2 + count)]) if totals else start[:basic].copy()
    atol = np.full(len(y), ATOL_VOLUME)
    atol[: 2 + count] = ATOL_PRESSURE
    top = y[: 2 + count].copy()
    at_ti = y
    for phase in phases_of(machine, volume):
        slope = equations(machine, lanes, phase, totals)
        jac = jacobian(machine, lanes, phase, totals)
        try:
            y, top = advance(method, slope, jac, phase, y, rtol, atol, top, peaks)
        except ArithmeticError:
            y, top = advance(Radau, slope, jac, phase, y, rtol, atol, top, peaks)
        if phase.end == machine.inspiratory_time:
            at_ti = y
    return Breath(at_ti, y, top)


def advance(
    method: Any,
    slope: Callable[[float, np.ndarray], list[float]],
    jac: Callable[[float, np.ndarray], np.ndarray],
    phase: Phase,
    y: np.ndarray,
    rtol: float,
    atol: np.ndarray,
    top: np.ndarray,
    peaks: bool,
) -> tuple[np.ndarray, np.ndarray]:
    """Integrates one phase; also the highest pressures so far."""
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
        if peaks:
            f1 = np.asarray(slope(solver.t, solver.y))[:pressures]
            rise = bump(t0, solver.t, y0[:pressures], solver.y[:pressures], f0, f1)
            top = np.maximum(top, rise)
            f0 = f1
    return solver.y.copy(), top


def settle(machine: Machine, lanes: list[Lane], offset: float = 0.0) -> tuple[np.ndarray, float, np.ndarray, int]:
    """Periodic state at the start of inspiration, the machine's volume (L), Newton's matrix, breaths used.

    `offset` (cmH2O) lifts the first guess, so that a test can come from another side.
    """
    count = len(lanes)
    first = 2 + count  # where the lung volumes start
    compensates = machine.compensates
    elastance = np.array([1 / lane.compliance for lane in lanes])
    rest = np.array([machine.peep + lane.in_line_peep + offset for lane in lanes])
    state = np.concatenate([[machine.peep + offset] * 2, rest, rest / elastance])
    volume = machine.set_volume
    used = 0

    def run(y: np.ndarray, v: float) -> tuple[np.ndarray, float, np.ndarray]:
        nonlocal used
        used += 1
        breath = breathe(machine, lanes, y, v, peaks=compensates)
        if compensates:
            v = machine.set_volume + machine.circuit_compliance * (float(breath.peaks[0]) - machine.peep)
        return breath.at_end, v, breath.at_inspiration_end

    def slow(y: np.ndarray, v: float) -> np.ndarray:
        return np.append(y[first:], v) if compensates else y[first:].copy()

    def shifted(y: np.ndarray, u: np.ndarray) -> np.ndarray:
        moved = y.copy()
        moved[2:first] += (u[:count] - y[first:]) * elastance
        moved[first:] = u[:count]
        return moved

    for _ in range(2):
        state, volume, _at_ti = run(state, volume)
    after, next_volume, at_ti = run(state, volume)
    u, u_after = slow(state, volume), slow(after, next_volume)
    size = len(u)
    matrix = np.eye(size)  # I - (change of the breath's end with its start)
    for j in range(size):
        step = np.zeros(size)
        step[j] = 1e-3
        probe = u + step
        end, end_volume, _at_ti = run(shifted(state, probe), probe[-1] if compensates else volume)
        matrix[:, j] -= (slow(end, end_volume) - u_after) / 1e-3

    while used < MOST_BREATHS:
        residual = u_after - u
        correction = np.linalg.solve(matrix, residual)
        tidal = np.maximum(at_ti[first:] - after[first:], SMALL_BREATH)
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

    Tidal volume = lung gas at Ti minus at T; plateau and total PEEP = alveolar pressure at Ti and T;
    intrinsic PEEP = total minus set minus the own in-line valve; peak at the wye (patient) and at the
    inspiratory splitter (ventilator); backflow = gas reversed in a breath over both limbs; delivered = gas out
    of the machine in inspiration; exhaled = gas through the expiratory trunk (a bias flow is in it).

    `check` tells how far a plain breath still moves, and with `second_method` how far one breath by Radau
    (implicit Runge-Kutta, rtol 1e-8) from the same state differs.
    """
    machine, lanes = read_case(case)
    count = len(lanes)
    state, volume, matrix, used = settle(machine, lanes, start_offset_cmh2o)
    breath = breathe(machine, lanes, state, volume, totals=True, peaks=True)
    first, basic = 2 + count, 2 + 2 * count
    begin, middle, end = state[first:basic], breath.at_inspiration_end, breath.at_end
    moved = end[first:basic] - begin
    if machine.compensates:
        again = machine.set_volume + machine.circuit_compliance * (breath.peaks[0] - machine.peep)
        moved = np.append(moved, again - volume)
    remaining = np.linalg.solve(matrix, moved)[:count]
    rate = 60 / machine.period
    apart = None
    if second_method:
        other = breathe(machine, lanes, state, volume, method=Radau, rtol=1e-8)
        tidal, other_tidal = (b.at_inspiration_end[first:basic] - b.at_end[first:basic] for b in (breath, other))
        apart = float(np.max(np.abs(other_tidal - tidal) / np.maximum(tidal, SMALL_BREATH)))
    patients = []
    for k, (patient, lane) in enumerate(zip(case["patients"], lanes, strict=True)):
        v_ti, v_end = float(middle[first + k]), float(end[first + k])
        drop = float(middle[2 + k]) - v_ti / lane.compliance
        if drop >= 0:
            lung = forward(drop, lane.resistance_in, lane.resistance_quadratic)
        else:
            lung = -forward(-drop, lane.resistance_out, lane.resistance_quadratic)
        patients.append(
            {
                "label": patient["label"],
                "tidal_volume_ml": 1000 * (v_ti - v_end),
                "plateau_cmh2o": v_ti / lane.compliance,
                "driving_pressure_cmh2o": (v_ti - v_end) / lane.compliance,
                "total_peep_cmh2o": v_end / lane.compliance,
                "intrinsic_peep_cmh2o": v_end / lane.compliance - machine.peep - lane.in_line_peep,
                "end_inspiratory_flow_l_per_min": 60 * lung,
                "minute_volume_l_per_min": (v_ti - v_end) * rate,
                "peak_pressure_cmh2o": float(breath.peaks[2 + k]),
                "backflow_ml": 1000 * float(end[basic + 2 + k]),
            }
        )
    return {
        "patients": patients,
        "ventilator": {
            "delivered_tidal_volume_ml": 1000 * float(middle[basic]),
            "exhaled_volume_ml": 1000 * float(end[basic + 1]),
            "source_volume_ml": 1000 * float(end[basic]),
            "peak_pressure_cmh2o": float(breath.peaks[0]),
            "compensated_volume_ml": 1000 * volume if machine.compensates else None,
        },
        "check": {
            "breaths": used + 1,
            "remaining_volume_ml": 1000 * float(np.abs(remaining).max()),
            "remaining_part_of_tidal_volume": float(
                np.max(np.abs(remaining) / np.maximum(middle[first:basic] - end[first:basic], SMALL_BREATH))
            ),
            "junction_pressure_change_cmh2o": float(np.abs(end[:first] - state[:first]).max()),
            "radau_difference_part_of_tidal_volume": apart,
            "volume_balance_ml": 1000 * float(end[basic] - end[basic + 1]),
        },
    }
