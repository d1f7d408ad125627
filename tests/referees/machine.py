"""The ventilator written out again: what its settings mean, and one breath cut where something jumps or bends in time.

Nothing here comes from the package under test. L, s, cmH2O.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from referees.flow_laws import conductance, forward

Source = Callable[[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Phase:
    """A stretch of the breath without jump or kink in time. `exhaling`: expiratory valve open.

    `source(t, pM)` gives the machine's flow (L/s) and its change with the splitter's pressure; t counts from the start
    of the breath.
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

    @property
    def bias_flow(self) -> float:
        """L/s."""
        return (self.settings.get("bias_flow_l_per_min") or 0.0) / 60


def no_flow(_t: float, _p_m: float) -> tuple[float, float]:
    """A shut machine."""
    return 0.0, 0.0


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

    bias = machine.bias_flow
    hold = machine.period - (settings.get("expiratory_pause_s") or 0.0)
    phases = [*inspired, Phase(inspiration, hold, lambda _t, _p: (bias, 0.0), exhaling=True)]
    if hold < machine.period:
        phases.append(Phase(hold, machine.period, no_flow, exhaling=False))
    return phases
