"""Outside check of courses: breaths one after another while things change, by scipy on the equations of `graph`.

A course begins at the settled breath of its case, at the start of inspiration. Changes of the case (a clamp, a hole, a
valve, lungs, settings), efforts of a patient and what the machine does by itself (a trigger, a limit of pressure) start the
solver anew at their instant, which is found on the solver's own dense output. Nothing here comes from the package under
test. L, s, cmH2O inside; outside the units in the names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import pi, sin
from typing import Any

import numpy as np
from scipy.optimize import brentq

from referees.cases import read_case, springs_of
from referees.flow_laws import forward
from referees.graph import Graph, Muscle
from referees.lsoda import advance, settle
from referees.machine import Machine, Phase, phases_of

RTOL = 1e-8


@dataclass(frozen=True)
class Change:
    """From `at_s` on the course follows this case (same patients, same splitters)."""

    at_s: float
    case: dict[str, Any]


@dataclass(frozen=True)
class Effort:
    """Half a sine of muscle pressure (cmH2O): positive draws gas in, negative pushes it out."""

    patient: int
    at_s: float
    lasts_s: float
    cmh2o: float

    def pull(self, t: float) -> float:
        part = (t - self.at_s) / self.lasts_s
        return self.cmh2o * sin(pi * part) if 0 < part < 1 else 0.0


@dataclass(frozen=True)
class Rules:
    """What the machine does by itself, by the pressures at its ports.

    `pressure_trigger_cmh2o`: so far below PEEP at either port, in expiration; `flow_trigger_l_per_min`: what passes the
    expiratory valve falls this far short of the bias flow. `high_pressure_cmh2o`: passed at either,
    inspiration ends. `refractory_s`: no trigger so soon after inspiration has ended.
    """

    pressure_trigger_cmh2o: float | None = None
    flow_trigger_l_per_min: float | None = None
    high_pressure_cmh2o: float | None = None
    refractory_s: float = 0.0


@dataclass
class Breath:
    """One breath of a course. Pressures and volumes per patient as in `lsoda.solve_case`."""

    starts_s: float
    triggered: bool
    inspiratory_time_s: float = 0.0
    cut_short: bool = False
    tidal_volume_ml: tuple[float, ...] = ()
    plateau_cmh2o: tuple[float, ...] = ()
    total_peep_cmh2o: tuple[float, ...] = ()
    peak_cmh2o: tuple[float, ...] = ()
    backflow_ml: tuple[float, ...] = ()
    inspired_ml: float = 0.0
    exhaled_ml: float = 0.0
    leaked_ml: float = 0.0
    machine_peak_cmh2o: float = 0.0
    port_peak_cmh2o: float = 0.0
    machine_peep_cmh2o: float = 0.0
    ends_s: float = 0.0


def run(
    case: dict[str, Any],
    seconds: float,
    changes: Sequence[Change] = (),
    efforts: Sequence[Effort] = (),
    rules: Rules = Rules(),
    *,
    rtol: float = RTOL,
) -> list[Breath]:
    """The breaths that end within `seconds`. Changed settings take effect at the next breath, all else at once."""
    machine, graph = read_case(case)
    state, volume, _matrix, _used = settle(machine, graph, springs_of(case))
    y = np.concatenate([state, np.zeros(graph.totals)])
    waiting = sorted(changes, key=lambda one: one.at_s)
    corners = sorted({at for one in efforts for at in (one.at_s, one.at_s + one.lasts_s)})
    breaths: list[Breath] = []
    begins, triggered = 0.0, False
    follows = case
    while begins < seconds - 1e-9:
        machine, _ = read_case(follows)
        if begins > 0 and not machine.compensates:
            volume = machine.set_volume
        one = Breath(begins, triggered)
        y[graph.size :] = 0.0
        y, graph, follows, triggered, complete = _breathe(
            one, machine, graph, follows, y, volume, waiting, efforts, corners, rules, seconds, rtol
        )
        if not complete:
            break
        breaths.append(one)
        begins = one.ends_s
    return breaths


def _breathe(
    one: Breath,
    machine: Machine,
    graph: Graph,
    follows: dict[str, Any],
    y: np.ndarray,
    volume: float,
    waiting: list[Change],
    efforts: Sequence[Effort],
    corners: list[float],
    rules: Rules,
    seconds: float,
    rtol: float,
) -> tuple[np.ndarray, Graph, dict[str, Any], bool, bool]:
    """One breath. Gives state, graph and case at its end, whether a trigger ended it, whether it is complete."""
    begins = one.starts_s
    top = y[: graph.junctions].copy()
    at_ti = y
    phases = phases_of(machine, volume)
    last_in = machine.inspiratory_time
    pull = _muscle(efforts, begins, len(graph.wyes)) if efforts else None
    index = 0
    triggered = False
    peak = [-np.inf]
    while index < len(phases):
        phase = phases[index]
        stops = [at - begins for at in (*corners, *(change.at_s for change in waiting), seconds)]
        edges = [phase.start, *sorted(s for s in stops if phase.start + 1e-12 < s < phase.end - 1e-12), phase.end]
        jumped = False
        for start, end in pairwise(edges):
            while waiting and waiting[0].at_s - begins <= start + 1e-12:
                follows = waiting.pop(0).case
                graph = read_case(follows)[1]
                machine = replace(
                    machine, trunk_in=_trunk(follows, "inspiratory"), trunk_out=_trunk(follows, "expiratory")
                )
                phases = _same_cuts(phases, phases_of(machine, volume))
                phase = phases[index]
            if begins + start >= seconds - 1e-9:
                return y, graph, follows, False, False
            found: list[float] = []
            watch = _watch(rules, machine, phase, last_in, found, peak)
            piece = Phase(start, end, phase.source, phase.exhaling)
            y, top = advance(machine, graph, piece, y, top, totals=True, rtol=rtol, muscle=pull, watch=watch)
            if found:
                jumped = True
                if phase.exhaling:
                    triggered, ended = True, found[0]
                else:
                    # Expiration now, and the whole of it that is left on the clock.
                    one.cut_short, last_in, at_ti = True, found[0], y.copy()
                    index = next(i for i, later in enumerate(phases) if later.exhaling)
                    phases[index] = replace(phases[index], start=found[0])
                break
        if jumped and triggered:
            break
        if not jumped:
            if phase.end == machine.inspiratory_time:
                at_ti = y.copy()
            index += 1
    one.ends_s = begins + (ended if triggered else machine.period)
    one.inspiratory_time_s = last_in
    pulls = [None if pull is None else pull(t) for t in (last_in, one.ends_s - begins)]
    one.port_peak_cmh2o = peak[0]
    _write(one, graph, (at_ti, y), pulls, top)
    return y, graph, follows, triggered, True


def _trunk(case: dict[str, Any], side: str) -> tuple[float, float]:
    trunk = case["circuit"][f"{side}_trunk"]
    return trunk["linear"], trunk["quadratic"]


def _same_cuts(old: list[Phase], new: list[Phase]) -> list[Phase]:
    """New sources with the windows that the breath has kept so far (a limit may have moved one)."""
    return [replace(n, start=o.start, end=o.end) for o, n in zip(old, new, strict=True)]


def _muscle(efforts: Sequence[Effort], begins: float, count: int) -> Muscle:
    def pull(t: float) -> list[float]:
        found = [0.0] * count
        for one in efforts:
            found[one.patient] += one.pull(begins + t)
        return found

    return pull


def _port(machine: Machine, phase: Phase, t: float, y: np.ndarray) -> float:
    """Pressure at the inspiratory port: that of the splitter, and what the trunk takes."""
    supply, _change = phase.source(t, float(y[0]))
    linear, quadratic = machine.trunk_in
    return float(y[0]) + linear * supply + quadratic * supply * abs(supply)


def _watch(rules: Rules, machine: Machine, phase: Phase, last_in: float, found: list[float], peak: list[float]) -> Any:
    """Ends a stretch where the machine's own rule strikes: the limit in inspiration, the trigger in expiration.

    Notes the highest pressure at the port in `peak`, from step to step.
    """
    out_linear, out_quadratic = machine.trunk_out

    def beyond(t: float, y: np.ndarray) -> float:
        """Above zero where the rule has struck."""
        port = _port(machine, phase, t, y)
        if not phase.exhaling:
            return -1.0 if rules.high_pressure_cmh2o is None else max(port, float(y[1])) - rules.high_pressure_cmh2o
        if rules.pressure_trigger_cmh2o is not None:
            return machine.peep - rules.pressure_trigger_cmh2o - min(port, float(y[1]))
        if rules.flow_trigger_l_per_min is not None:
            passes = forward(float(y[1]) - machine.peep, out_linear, out_quadratic)
            return machine.bias_flow - passes - rules.flow_trigger_l_per_min / 60
        return -1.0

    def watch(solver: Any, y0: np.ndarray) -> float | None:
        first = solver.t_old
        ends, dense = solver.t, solver.dense_output()
        if phase.exhaling:
            first = max(first, last_in + rules.refractory_s)
        if ends > first and beyond(ends, solver.y) > 0:
            struck = beyond(first, dense(first)) > 0
            ends = first if struck else float(brentq(lambda t: beyond(t, dense(t)), first, ends, xtol=1e-10))
            found.append(ends)
        peak[0] = max(peak[0], _port(machine, phase, solver.t_old, y0), _port(machine, phase, ends, dense(ends)))
        return ends if found else None

    return watch


def _write(
    one: Breath,
    graph: Graph,
    states: tuple[np.ndarray, np.ndarray],
    pulls: Sequence[Sequence[float] | None],
    top: np.ndarray,
) -> None:
    size = graph.size
    at_ti, end = states
    whole = [list(graph.lungs_of(lung)) for lung in graph.first_lungs]
    full, empty = (graph.pressures(y[:size].tolist(), pull) for y, pull in zip(states, pulls, strict=True))
    one.tidal_volume_ml = tuple(1000 * float(np.sum(at_ti[own] - end[own])) for own in whole)
    one.plateau_cmh2o = tuple(full[lung] for lung in graph.first_lungs)
    one.total_peep_cmh2o = tuple(empty[lung] for lung in graph.first_lungs)
    one.peak_cmh2o = tuple(float(top[wye]) for wye in graph.wyes)
    one.backflow_ml = tuple(1000 * float(v) for v in end[size + 3 :])
    # The bias flow runs through expiration, and is taken off what the expiratory valve passes.
    one.inspired_ml = 1000 * float(at_ti[size])
    one.exhaled_ml = 1000 * (float(end[size + 1]) - float(end[size] - at_ti[size]))
    one.leaked_ml = 1000 * float(end[size + 2])
    one.machine_peak_cmh2o, one.machine_peep_cmh2o = float(top[0]), float(end[1])
