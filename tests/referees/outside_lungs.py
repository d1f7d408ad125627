"""Lungs that are not the model's, behind the same circuits, solved by scipy: what a rehearsal would really read.

Three lungs: one compartment (the model's own, for comparison), a fast and a slow compartment behind a common airway
(Otis, J Appl Physiol 1956;8:427), and one compartment with a sigmoid pressure-volume curve (Venegas, J Appl Physiol
1998;84:389). The circuit is read from a `FlowNetwork` and written out as in the outside referee of the engine, with
its branches and phases; nothing of the engine is used. Inside: L, s, cmH2O.

Plateau and total PEEP are what a hold at the end of inspiration and of expiration would read once the compartments
have evened out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Protocol

import numpy as np
from scipy.integrate import solve_ivp

from airyoke.breath.settings import Settings
from airyoke.circuit.network import Element, FlowNetwork, Limb, Valve
from referees.flow_laws import Branch, forward, through
from referees.machine import Machine, phases_of

RTOL = 1e-6
ATOL = 1e-7  # L and cmH2O
SETTLED_L = 5e-5  # change of the volume at the end of expiration from breath to breath
MOST_BREATHS = 60


class Lung(Protocol):
    """A lung with one or more compartments; volumes in L above no pressure."""

    compartments: int

    def at_rest(self, pressure: float) -> list[float]:
        """Volumes at which every compartment has this pressure."""

    def flows(self, wye: float, volumes: Sequence[float], between: Element) -> list[float]:
        """Flow into each compartment, with ``between`` lying between wye and tube."""

    def held(self, volumes: Sequence[float]) -> float:
        """The pressure that a hold reads once the compartments have evened out."""


@dataclass(frozen=True)
class OneCompartment:
    """The model's lung: a compliance behind a resistance that may differ in and out."""

    compliance: float
    resistance_in: float
    resistance_out: float
    compartments: int = 1

    def at_rest(self, pressure: float) -> list[float]:
        return [pressure * self.compliance]

    def flows(self, wye: float, volumes: Sequence[float], between: Element) -> list[float]:
        return [_flow(wye - volumes[0] / self.compliance, self.resistance_in, self.resistance_out, between)]

    def held(self, volumes: Sequence[float]) -> float:
        return volumes[0] / self.compliance


@dataclass(frozen=True)
class FastAndSlow:
    """Two compartments behind a common airway: of the compliance ``fast`` is reached quickly, the rest slowly.

    ``common`` of the resistance is the common airway's; the branches in parallel make up the rest, so that a very
    quick flow meets the whole. The slow time constant is ``slower`` times the fast one.
    """

    compliance: float
    resistance_in: float
    resistance_out: float
    fast: float = 0.6
    common: float = 0.6
    slower: float = 4.0
    compartments: int = 2

    def at_rest(self, pressure: float) -> list[float]:
        return [pressure * self.compliance * self.fast, pressure * self.compliance * (1.0 - self.fast)]

    def flows(self, wye: float, volumes: Sequence[float], between: Element) -> list[float]:
        c1, c2 = self.compliance * self.fast, self.compliance * (1.0 - self.fast)
        p1, p2 = volumes[0] / c1, volumes[1] / c2
        ratio = self.slower * c1 / c2  # of the branches' resistances, slow to fast
        share = (1.0 + ratio) / ratio * (1.0 - self.common)  # of the fast branch in the whole resistance
        # The pressure that the branches mean together does not depend on the direction's own resistance.
        mean = (p1 * ratio + p2) / (1.0 + ratio)
        total = _flow(wye - mean, self.resistance_in, self.resistance_out, between)
        resistance = self.resistance_in if wye >= mean else self.resistance_out
        carina = mean + total * (1.0 - self.common) * resistance
        fast, slow = share * resistance, share * ratio * resistance
        return [(carina - p1) / fast, (carina - p2) / slow]

    def held(self, volumes: Sequence[float]) -> float:
        return (volumes[0] + volumes[1]) / self.compliance


@dataclass(frozen=True)
class Sigmoid:
    """One compartment whose volume is span / (1 + exp(-(P - centre) / width))."""

    span: float
    centre: float
    width: float
    resistance_in: float
    resistance_out: float
    compartments: int = 1

    @classmethod
    def through(
        cls, low: float, high: float, compliance: float, centre: float, width: float, r_in: float, r_out: float
    ) -> Sigmoid:
        """The curve whose chord from pressure ``low`` to ``high`` has this compliance."""
        rise = 1.0 / (1.0 + exp(-(high - centre) / width)) - 1.0 / (1.0 + exp(-(low - centre) / width))
        return cls(compliance * (high - low) / rise, centre, width, r_in, r_out)

    def at_rest(self, pressure: float) -> list[float]:
        return [self.span / (1.0 + exp(-(pressure - self.centre) / self.width))]

    def flows(self, wye: float, volumes: Sequence[float], between: Element) -> list[float]:
        return [_flow(wye - self.held(volumes), self.resistance_in, self.resistance_out, between)]

    def held(self, volumes: Sequence[float]) -> float:
        part = min(max(volumes[0] / self.span, 1e-9), 1.0 - 1e-9)
        return self.centre - self.width * log(1.0 / part - 1.0)


def _flow(drop: float, resistance_in: float, resistance_out: float, between: Element) -> float:
    if drop >= 0:
        return forward(drop, resistance_in + between.linear, between.quadratic)
    return -forward(-drop, resistance_out + between.linear, between.quadratic)


@dataclass(frozen=True)
class Reading:
    """What holds and the flow sensor at one patient's wye would read."""

    tidal_volume_ml: float
    plateau_cmh2o: float
    total_peep_cmh2o: float


def breathe(network: FlowNetwork, settings: Settings, lungs: Sequence[Lung]) -> list[Reading]:
    """The settled breath of these lungs in pressure control, patient by patient.

    Raises ``RuntimeError`` where the breaths do not repeat, ``ValueError`` in volume control.
    """
    if settings.mode != "pc" or settings.pressure_above_peep_cmh2o is None:
        raise ValueError("only pressure control is written out here")
    machine = _machine(network, settings)
    limbs = [(_branch(b.inspiratory, b.inspiratory_valve, 0.0), _branch(b.expiratory, b.expiratory_valve, b.peep_valve_cmh2o), b)
             for b in network.limbs]  # fmt: skip
    first = [2 + len(lungs)]
    for lung in lungs:
        first.append(first[-1] + lung.compartments)
    rest = settings.peep_cmh2o + 0.5
    state = np.array([rest] * first[0] + [v for lung in lungs for v in lung.at_rest(rest)])
    before = [state]
    for _ in range(MOST_BREATHS):
        middle, end = _one_breath(machine, limbs, lungs, first, state)
        moved = np.abs(end[first[0] :] - state[first[0] :]).max()
        if moved < SETTLED_L:
            return [
                Reading(
                    1000.0 * float(middle[a:b].sum() - end[a:b].sum()),
                    lung.held(middle[a:b].tolist()),
                    lung.held(end[a:b].tolist()),
                )
                for lung, a, b in zip(lungs, first[:-1], first[1:], strict=True)
            ]
        before.append(end)
        state = end if len(before) % 4 else _extrapolated(*before[-3:])
    raise RuntimeError(f"the breaths do not repeat after {MOST_BREATHS}")


def _extrapolated(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Aitken's guess of where three breaths lead; the last one where they say nothing."""
    bend = (c - b) - (b - a)
    ahead = np.where(np.abs(bend) > 1e-7, c - (c - b) ** 2 / np.where(np.abs(bend) > 1e-7, bend, 1.0), c)
    return np.where(np.abs(ahead - c) < 5.0 * np.abs(c - b), ahead, c)


def _one_breath(
    machine: Machine,
    limbs: Sequence[tuple[Branch, Branch, Limb]],
    lungs: Sequence[Lung],
    first: Sequence[int],
    state: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """States at the end of inspiration and of expiration."""
    middle = state
    for phase in phases_of(machine, 0.0):

        def slope(t: float, y: np.ndarray, phase=phase) -> list[float]:
            y = y.tolist()
            supply, _ = phase.source(t, y[0])
            exhaust = forward(y[1] - machine.peep, *machine.trunk_out) if phase.exhaling else 0.0
            into_m, into_x = supply, -exhaust
            result = [0.0] * len(y)
            for k, (limb_in, limb_out, limb) in enumerate(limbs):
                wye, a, b = y[2 + k], first[k], first[k + 1]
                result[a:b] = lungs[k].flows(wye, y[a:b], limb.patient)
                flow_in, flow_out = through(limb_in, y[0] - wye), through(limb_out, wye - y[1])
                into_m -= flow_in
                into_x += flow_out
                result[2 + k] = (flow_in - flow_out - sum(result[a:b])) * 1000.0 / limb.wye_compliance_ml_per_cmh2o
            result[0] = into_m / machine.splitter_compliance
            result[1] = into_x / machine.splitter_compliance
            return result

        done = solve_ivp(
            slope, (phase.start, phase.end), state, method="LSODA", rtol=RTOL, atol=ATOL, t_eval=[phase.end]
        )
        if not done.success:
            raise RuntimeError(done.message)
        state = done.y[:, -1]
        if phase.end == machine.inspiratory_time:
            middle = state
    return middle, state


def _machine(network: FlowNetwork, settings: Settings) -> Machine:
    inside, outside = network.inspiratory_trunk, network.expiratory_trunk
    splitter = network.splitter_compliance_ml_per_cmh2o / 1000.0
    return Machine(
        settings={
            "mode": "pc",
            "pressure_above_peep_cmh2o": settings.pressure_above_peep_cmh2o,
            "rise_time_s": settings.rise_time_s,
            "max_peak_flow_l_per_min": settings.max_peak_flow_l_per_min,
        },
        trunk_in=(inside.linear, inside.quadratic),
        trunk_out=(outside.linear, outside.quadratic),
        splitter_compliance=splitter,
        circuit_compliance=network.compliance_ml_per_cmh2o / 1000.0,
        peep=settings.peep_cmh2o,
        period=settings.period_s,
        inspiratory_time=settings.inspiratory_time_s,
    )


def _branch(element: Element, valve: Valve | None, in_line_peep: float) -> Branch:
    if valve is None:
        return Branch(element.linear, element.quadratic, in_line_peep, 0.0, in_line_peep > 0.0)
    return Branch(
        element.linear + valve.linear,
        element.quadratic,
        valve.cracking_cmh2o + in_line_peep,
        valve.back_leak_l_per_s_per_cmh2o,
        True,
    )
