"""A circuit as places and links, written out as differential equations: any tree of splitters, holes, kinds of lung.

Places have a pressure of their own (compliance, pressure as unknown) or hold a volume (a lung: volume as unknown,
pressure from its curve, less what muscles pull). A link carries gas from one place to another, or to a fixed pressure
outside. The machine feeds place 0 and empties place 1. Nothing here comes from the package under test. L, s, cmH2O.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Any

import numpy as np

from referees.flow_laws import Branch, conductance, conductance_through, forward, through
from referees.machine import Machine, Phase


@dataclass(frozen=True)
class LungCurve:
    """Volume against pressure: a straight line of `compliance`, or low + span / (1 + exp(-(P - centre) / width)).

    Straight on beyond the last thousandth of the sigmoid's span at either end.
    """

    compliance: float = 0.0
    low: float = 0.0
    span: float = 0.0
    centre: float = 0.0
    width: float = 0.0

    def pressure(self, volume: float) -> float:
        if not self.span:
            return volume / self.compliance
        part = (volume - self.low) / self.span
        held = min(max(part, EDGE), 1 - EDGE)
        return self.centre + self.width * log(held / (1 - held)) + (part - held) * self._steepness(held)

    def slope(self, volume: float) -> float:
        """Change of pressure with volume."""
        if not self.span:
            return 1 / self.compliance
        part = (volume - self.low) / self.span
        return self._steepness(min(max(part, EDGE), 1 - EDGE)) / self.span

    def volume(self, pressure: float) -> float:
        if not self.span:
            return pressure * self.compliance
        part = 1 / (1 + exp(-(pressure - self.centre) / self.width))
        held = min(max(part, EDGE), 1 - EDGE)
        if held != part:
            at = self.centre + self.width * log(held / (1 - held))
            held += (pressure - at) / self._steepness(held)
        return self.low + self.span * held

    def _steepness(self, part: float) -> float:
        return self.width / (part * (1 - part))


EDGE = 1e-3


@dataclass(frozen=True)
class Link:
    """Gas from `start` to `end`; `end` None: to the pressure `outside`. Flow back may meet another linear resistance.

    `drawn`: L/s that pass whatever the pressure, besides. `lane`, where not None: reversed gas counts as this patient's backflow.
    """

    start: int
    end: int | None
    law: Branch
    linear_back: float | None = None
    outside: float = 0.0
    drawn: float = 0.0
    lane: int | None = None

    def flow(self, drop: float) -> float:
        if drop < 0 and self.linear_back is not None:
            return self.drawn - forward(-drop, self.linear_back, self.law.quadratic)
        return self.drawn + through(self.law, drop)

    def conductance(self, drop: float) -> float:
        if drop < 0 and self.linear_back is not None:
            return conductance(drop, self.linear_back, self.law.quadratic)
        return conductance_through(self.law, drop)


Muscle = Callable[[float], Sequence[float]]


@dataclass(frozen=True)
class Graph:
    """`compliances` of the places with a pressure (0 and 1 are the machine's splitters), `curves` of the lungs, numbered
    on behind them; `wyes` and `tubes` (places) of the patients and `first_lung` of each."""

    compliances: tuple[float, ...]
    curves: tuple[LungCurve, ...]
    links: tuple[Link, ...]
    wyes: tuple[int, ...]
    first_lungs: tuple[int, ...]

    @property
    def junctions(self) -> int:
        return len(self.compliances)

    @property
    def size(self) -> int:
        return len(self.compliances) + len(self.curves)

    @property
    def totals(self) -> int:
        """Gas out of the machine, through its expiratory valve, and outside; then each patient's reversed gas."""
        return 3 + len(self.wyes)

    def pressures(self, y: Sequence[float], pull: Sequence[float] | None = None) -> list[float]:
        count = self.junctions
        found = list(y[:count])
        found += [curve.pressure(v) for curve, v in zip(self.curves, y[count : self.size], strict=True)]
        if pull is not None:
            for first, muscle in zip(self.first_lungs, pull, strict=True):
                for lung in self.lungs_of(first):
                    found[lung] -= muscle
        return found

    def rest(self, peep: float, above: Sequence[float]) -> np.ndarray:
        """Everything at a pressure: junctions at PEEP, wyes and lungs of a patient `above` it by so much."""
        place = [peep] * self.junctions
        volumes = [curve.volume(peep) for curve in self.curves]
        for wye, first, more in zip(self.wyes, self.first_lungs, above, strict=True):
            place[wye] = peep + more
            for k in self.lungs_of(first):
                volumes[k - self.junctions] = self.curves[k - self.junctions].volume(peep + more)
        return np.array(place + volumes)

    def lungs_of(self, first: int) -> range:
        """A patient's compartments: the first and what is numbered on until the next patient's."""
        later = [other for other in self.first_lungs if other > first]
        return range(first, min(later, default=self.size))


def equations(
    graph: Graph, machine: Machine, phase: Phase, totals: bool, muscle: Muscle | None = None
) -> Callable[[float, np.ndarray], list[float]]:
    """Right-hand side for one phase. State: pressures, lung volumes; with `totals` also those of `Graph.totals`."""
    source, exhaling, peep = phase.source, phase.exhaling, machine.peep
    out_linear, out_quadratic = machine.trunk_out
    count, size = graph.junctions, graph.size
    per_place = [1 / c for c in graph.compliances]
    links = [(one.start, one.end, one.outside, one.lane, one.flow) for one in graph.links]
    length = size + (graph.totals if totals else 0)

    def slope(t: float, state: np.ndarray) -> list[float]:
        y = state.tolist()
        p = graph.pressures(y, None if muscle is None else muscle(t))
        supply, _change = source(t, p[0])
        exhaust = forward(p[1] - peep, out_linear, out_quadratic) if exhaling else 0.0
        result = [0.0] * length
        result[0], result[1] = supply, -exhaust
        gone = 0.0
        for start, end, outside, lane, law in links:
            flow = law(p[start] - (outside if end is None else p[end]))
            result[start] -= flow
            if end is None:
                gone += flow
            else:
                result[end] += flow
            if totals and flow < 0 and lane is not None:
                result[size + 3 + lane] -= flow
        for k in range(count):
            result[k] *= per_place[k]
        if totals:
            result[size : size + 3] = supply, exhaust, gone
        return result

    return slope


def jacobian(
    graph: Graph, machine: Machine, phase: Phase, totals: bool, muscle: Muscle | None = None
) -> Callable[[float, np.ndarray], np.ndarray]:
    """Derivative of `equations` by the state.

    Written out because differences fail here: a valve that is only just open is shut by the smallest probe.
    """
    count, size = graph.junctions, graph.size
    length = size + (graph.totals if totals else 0)
    out_linear, out_quadratic = machine.trunk_out
    compliances = np.array(graph.compliances)

    def derivative(t: float, state: np.ndarray) -> np.ndarray:
        j = np.zeros((length, length))
        y = state.tolist()
        p = graph.pressures(y, None if muscle is None else muscle(t))
        _supply, g_source = phase.source(t, p[0])
        above = p[1] - machine.peep
        g_exhaust = conductance(above, out_linear, out_quadratic) if phase.exhaling and above > 0 else 0.0
        j[0, 0], j[1, 1] = g_source, -g_exhaust
        if totals:
            j[size, 0], j[size + 1, 1] = g_source, g_exhaust
        for one in graph.links:
            drop = p[one.start] - (one.outside if one.end is None else p[one.end])
            g = one.conductance(drop)
            j[one.start, one.start] -= g
            if one.end is not None:
                j[one.start, one.end] += g
                j[one.end, one.start] += g
                j[one.end, one.end] -= g
            elif totals:
                j[size + 2, one.start] += g
            if totals and drop < 0 and one.lane is not None:
                j[size + 3 + one.lane, one.start] -= g
                if one.end is not None:
                    j[size + 3 + one.lane, one.end] += g
        # So far by pressures; a lung's pressure moves with its volume.
        for k, curve in enumerate(graph.curves):
            j[:, count + k] *= curve.slope(y[count + k])
        j[:count] /= compliances[:, None]
        return j

    return derivative


def branch_of(element: dict[str, Any], valve: dict[str, Any] | None = None, spring: float = 0.0) -> Branch:
    """An element of a case (linear, quadratic), with the valve of the circuit or a spring in line where there is one.

    An in-line PEEP valve passes gas one way only, also where the build has no other valve.
    """
    return Branch(
        element["linear"] + (valve["linear"] if valve else 0.0),
        element["quadratic"],
        (valve["cracking_cmh2o"] if valve else 0.0) + spring,
        valve["back_leak_l_per_s_per_cmh2o"] if valve else 0.0,
        valve is not None or spring > 0,
    )
