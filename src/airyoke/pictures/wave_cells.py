"""One small plot of the breath: a patient's volume, pressure or flow, or the sum as the ventilator sees it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from airyoke.limits.curves import Curve, Floats, GroupCurves, PatientCurves
from airyoke.pictures.lettering import LETTER, Lettering
from airyoke.pictures.lines import Plot, area, polyline, ticks
from airyoke.pictures.style import dashes, text

Quantity = Literal["volume", "pressure", "flow"]
WORDS, SMALL = 15.0, 14.0
LINE, THIN, STACKED, SUM = 2.8, 1.6, 2.0, 3.2
TOGETHER: Final = "Together"
HEAD = 1.2  # of the largest flow of the patients: how far the scale of flow goes


@dataclass(frozen=True, slots=True)
class Figure:
    """What all plots show: the breath, the letters of its patients, and the breath before, which is drawn behind."""

    curves: GroupCurves
    lanes: tuple[str, ...]
    before: GroupCurves | None

    def span(self, quantity: Quantity) -> tuple[float, float]:
        """The scale of a quantity, the same for everybody."""
        both = [self.curves] if self.before is None else [self.curves, self.before]
        if quantity == "flow":
            most = HEAD * max(flow_together_l_per_min(one) for one in both)
            return -most, most
        if quantity == "volume":
            tops = [float(one.ventilator_volume_ml.best.max()) for one in both]
            tops += [float(p.volume_ml.high.max()) for one in both for p in one.patients]
            return -0.02 * max(tops), 1.16 * max(tops)
        values = [c for one in both for p in one.patients for c in (p.wye_cmh2o.best, p.lungs_cmh2o.low,
                                                                   p.lungs_cmh2o.high)]  # fmt: skip
        values += [one.ventilator_cmh2o.best for one in both]
        highest = max(*(float(v.max()) for v in values), self.curves.plateau_bound_cmh2o or 0.0)
        lowest = min(float(v.min()) for v in values)
        return lowest - 0.25 * (highest - lowest), highest + 0.18 * (highest - lowest)


def flow_together_l_per_min(curves: GroupCurves) -> float:
    """The largest flow of all patients together; the ventilator's own is larger while it fills the circuit."""
    return float(np.abs(np.sum([one.flow_l_per_min.best for one in curves.patients], axis=0)).max())


def surge_is_cut(curves: GroupCurves) -> bool:
    """Whether the scale cuts off the flow that fills the circuit."""
    return float(np.abs(curves.ventilator_flow_l_per_min.best).max()) > HEAD * flow_together_l_per_min(curves)


def patient_cell(figure: Figure, number: int, quantity: Quantity, plot: Plot, *, numbers: bool) -> list[str]:
    """The plot of one patient; ``numbers`` stand at its scale where no other plot to the left has them."""
    one, lane = figure.curves.patients[number], figure.lanes[number]
    dash = dashes(lane, LINE)
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    x, y = plot.left, plot.top - 7.0
    drawn = [
        text(x, y, lane, 18.0, "start", "b"),
        f'<path class="l l{lane.lower()}" d="M{x + 18.0:.5g} {y - 5.0:.5g} h44" stroke-width="{LINE}"{dashed}/>',
        text(x + 70.0, y, f"bed {one.label}", WORDS, "start"),
        *_axes(figure.curves, plot, quantity, numbers),
    ]
    times_s = figure.curves.times_s
    spread = one.lungs_cmh2o if quantity == "pressure" else _of(one, quantity)
    drawn.append(area(plot.places(times_s, plot.clip(spread.low)), plot.places(times_s, plot.clip(spread.high)), "bed"))
    drawn += [
        f'<path class="ink" d="M{plot.left:.5g} {plot.y(bound):.5g} H{plot.right:.5g}" stroke-width="{THIN}" '
        'stroke-dasharray="2 4"/>'
        for _, bound in _bounds(figure.curves, one, quantity, plot)
    ]
    drawn += _earlier(figure, one.label, quantity, plot)
    if quantity == "pressure":
        drawn.append(polyline(plot.places(times_s, one.lungs_cmh2o.best), "ink", THIN))
    drawn.append(_line(times_s, _of(one, quantity).best, plot, f"l l{lane.lower()}", LINE, dash))
    words = Lettering()
    for side, bound in _bounds(figure.curves, one, quantity, plot):
        words.put(plot.right, plot.y(bound) - 5.0, f"{side} {bound:.0f}", SMALL, "end", "q")
    for at_s, value, said in _marks(figure.curves, one, quantity):
        drawn.append(_dot(plot, at_s, value))
        _say(words, plot, at_s, value, said)
    return [*drawn, *words.drawn]


def together_cell(figure: Figure, ventilator: str, quantity: Quantity, plot: Plot, *, numbers: bool) -> list[str]:
    """The sum: of the volume, the patients stacked, and on top what the circuit holds."""
    curves = figure.curves
    x, y = plot.left, plot.top - 7.0
    drawn = [text(x, y, TOGETHER, WORDS, "start", "b"), text(x + 86.0, y, ventilator, WORDS, "start", "q"),
             *_axes(curves, plot, quantity, numbers)]  # fmt: skip
    if figure.before is not None:
        drawn.append(_line(figure.before.times_s, _sum(figure.before, quantity).best, plot, "edge", THIN))
    words = Lettering()
    end, end_s = curves.end_of_inspiration, curves.inspiratory_time_s
    if quantity == "volume":
        _say(words, plot, end_s, curves.inspired_ml, f"{curves.inspired_ml:.0f} mL")
        below, stacked = np.zeros(len(curves.times_s)), np.zeros(len(curves.times_s))
        for lane, one in zip(figure.lanes, curves.patients, strict=True):
            below, stacked = stacked, stacked + one.volume_ml.best
            drawn.append(_line(curves.times_s, stacked, plot, f"l l{lane.lower()}", STACKED, dashes(lane, STACKED)))
            middle = plot.y(float(below[end] + stacked[end]) / 2.0) + 5.0
            words.put(plot.x(end_s) - 6.0, middle, lane, WORDS, "end", "b")
    drawn.append(_line(curves.times_s, _sum(curves, quantity).best, plot, "ink", SUM))
    if quantity == "pressure":
        peak = float(curves.ventilator_cmh2o.best.max())
        _say(words, plot, end_s, peak, f"peak {peak:.1f}")
    return [*drawn, *words.drawn]


def _axes(curves: GroupCurves, plot: Plot, quantity: Quantity, numbers: bool) -> list[str]:
    drawn = []
    for value in ticks(plot.low, plot.high):
        kind = "edge" if quantity == "flow" and abs(value) < 1e-9 else "pipe"
        drawn.append(f'<path class="{kind}" d="M{plot.left:.5g} {plot.y(value):.5g} H{plot.right:.5g}" '
                     'stroke-width="1"/>')  # fmt: skip
        if numbers:
            drawn.append(text(plot.left - 6.0, plot.y(value) + 5.0, _number(value), SMALL, "end", "q"))
    x = plot.x(curves.inspiratory_time_s)
    return [*drawn, f'<path class="edge" d="M{x:.5g} {plot.top:.5g} V{plot.bottom:.5g}" stroke-width="1"/>']


def _number(value: float) -> str:
    return f"{value:g}".replace("-", "\N{MINUS SIGN}")


def _of(one: PatientCurves, quantity: Quantity) -> Curve:
    return {"volume": one.volume_ml, "pressure": one.wye_cmh2o, "flow": one.flow_l_per_min}[quantity]


def _sum(curves: GroupCurves, quantity: Quantity) -> Curve:
    return {"volume": curves.ventilator_volume_ml, "pressure": curves.ventilator_cmh2o,
            "flow": curves.ventilator_flow_l_per_min}[quantity]  # fmt: skip


def _bounds(curves: GroupCurves, one: PatientCurves, quantity: Quantity, plot: Plot) -> list[tuple[str, float]]:
    """The targets that the plot reaches, with the word for their side."""
    sides = {"volume": one.volume_bounds_ml, "pressure": (None, curves.plateau_bound_cmh2o), "flow": (None, None)}
    pairs = zip(("at least", "at most"), sides[quantity], strict=True)
    return [(side, bound) for side, bound in pairs if bound is not None and plot.low < bound < plot.high]


def _marks(curves: GroupCurves, one: PatientCurves, quantity: Quantity) -> list[tuple[float, float, str]]:
    """What is written into the plot of a patient: time, value, words."""
    end_s, last_s = curves.inspiratory_time_s, float(curves.times_s[-1])
    if quantity == "volume":
        return [(end_s, one.tidal_volume_ml, f"{one.tidal_volume_ml:.0f} mL")]
    if quantity == "pressure":
        return [(end_s, one.plateau_cmh2o, f"plateau {one.plateau_cmh2o:.1f}"),
                (last_s, one.total_peep_cmh2o, f"total PEEP {one.total_peep_cmh2o:.1f}")]  # fmt: skip
    left = float(one.flow_l_per_min.best[curves.end_of_inspiration])
    return [(end_s, left, f"still {left:.0f}")]


def _earlier(figure: Figure, label: str, quantity: Quantity, plot: Plot) -> list[str]:
    """The breath before, where this patient was there."""
    if figure.before is None:
        return []
    old = next((one for one in figure.before.patients if one.label == label), None)
    if old is None:
        return []
    shown = [_of(old, quantity), *([old.lungs_cmh2o] if quantity == "pressure" else [])]
    return [_line(figure.before.times_s, one.best, plot, "edge", THIN) for one in shown]


def _line(times_s: Floats, values: Floats, plot: Plot, kind: str, width: float, dash: str = "") -> str:
    """A curve, as much of it as the plot holds."""
    there = times_s <= plot.last + 1e-9
    return polyline(plot.places(times_s[there], plot.clip(values[there])), kind, width, dash)


def _dot(plot: Plot, at_s: float, value: float) -> str:
    return f'<circle class="fill" cx="{plot.x(at_s):.5g}" cy="{plot.y(value):.5g}" r="4"/>'


def _say(words: Lettering, plot: Plot, at_s: float, value: float, said: str) -> None:
    """Words beside a point: to its right, at the end of the breath to its left."""
    x, y = plot.x(at_s), plot.y(value)
    inside = (plot.left - 2.0, plot.top - 6.0, plot.right + 12.0, plot.bottom + 4.0)
    if at_s > 0.9 * plot.last:
        places = tuple((plot.right, y + by) for by in (22.0, -9.0, -26.0, 38.0, -42.0))
        words.put(*places[0], said, WORDS, "end", "b", others=places[1:], inside=inside)
    else:
        x = min(x + 9.0, inside[2] - LETTER * WORDS * len(said))
        places = tuple((x, y + by) for by in (-4.0, -14.0, 8.0, -28.0, 22.0, 36.0, -44.0))
        words.put(*places[0], said, WORDS, "start", "b", others=places[1:], inside=inside)
