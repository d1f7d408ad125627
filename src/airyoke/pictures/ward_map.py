"""The ward's patients as a map: compliance per kg across, driving pressure up, both so that equal factors are equal.

On such axes a volume per kg is a slanting line. Within the targets is blank, beyond them hatched: a level line through
the blank is a drive that suits everybody whom it passes there. Each patient has a mark where it is now; a planned group
is a line from member to member at what the plan gives. Ranges stand in the table (``map_rows``): they run along the
slanting lines, over each other.
"""

from __future__ import annotations

import math
from typing import Final
from xml.sax.saxutils import escape

from airyoke.pictures.lettering import LETTER, Box, Lettering, wrapped
from airyoke.pictures.lines import Plot, area, polyline
from airyoke.pictures.style import sheet, text
from airyoke.ward.drive_map import DriveMap, DrivePoint

WORDS: Final = 15.0
TOP, LEFT, RIGHT, ROW = 34.0, 52.0, 16.0, 20.0
EDGE: Final = 1.12
"""A factor, beyond what is drawn."""
TICKS: Final = (
    0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0,
)  # fmt: skip
STEPS: Final = 200
SIZES: Final = {"wide": (1000.0, 520.0), "narrow": (390.0, 420.0)}

Point = tuple[float, float]


def ward_map_svg(map_: DriveMap, *, shape: str = "wide", theme: str = "auto", name: str = "map") -> str:
    """The map as one SVG document; ``shape`` ``narrow`` is for a phone. ``theme`` as for the drawn circuit.

    Raises ``ValueError`` where nobody is to be shown.
    """
    if not map_.points:
        raise ValueError("a map needs somebody on it")
    width, height = SIZES[shape]
    plot = _plot(map_, width, height)
    words = Lettering([box for one in map_.points for box in _taken(plot, one)])
    drawn = [text(8.0, 22.0, "Driving pressure, cmH₂O", WORDS, "start", "b")]
    drawn += [*_field(map_, plot, name), *_axes(plot), *_groups(map_, plot, words)]
    for one in map_.points:
        drawn += [_mark(one, plot), *_label(one, plot, words)]
    _bound_words(map_, plot, words)
    y = plot.bottom + 44.0
    drawn.append(text(plot.right, y, "Compliance, mL/cmH₂O per kg PBW", WORDS, "end", "b"))
    for line in wrapped(" ".join(_key(map_)), int((width - 16.0) / (LETTER * WORDS))):
        y += ROW
        drawn.append(text(8.0, y + 4.0, line, WORDS, "start", "q"))
    y += 16.0
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {y:.5g}" class="air" role="img" '
        f'aria-labelledby="{name}-title {name}-told"><title id="{name}-title">Which drive suits whom</title>'
        f'<desc id="{name}-told">{escape(map_told(map_))}</desc>{sheet(theme)}'
        f'<rect class="paper" width="{width:g}" height="{y:.5g}"/>' + "".join(drawn) + "".join(words.drawn) + "</svg>\n"
    )


def map_told(map_: DriveMap) -> str:
    """The map in words."""
    told = [
        f"Bed {one.bed}: compliance {one.compliance_ml_per_cmh2o_per_kg:.2f} mL/cmH2O per kg, driving pressure now "
        f"{one.now_cmh2o:.1f} cmH2O, suited by {span_words(one)}."
        for one in map_.points
    ]
    return " ".join((*told, *(f"{ventilator}: {' and '.join(beds)}." for ventilator, beds in map_.groups)))


def map_rows(map_: DriveMap) -> tuple[tuple[str, ...], ...]:
    """The map as a table: bed, compliance per kg and its range, drive now and its range, drives that suit, planned."""
    return tuple(
        (one.bed, f"{one.compliance_ml_per_cmh2o_per_kg:.2f}",
         f"{one.compliance_range[0]:.2f} to {one.compliance_range[1]:.2f}", f"{one.now_cmh2o:.1f}",
         f"{one.now_range[0]:.1f} to {one.now_range[1]:.1f}", span_words(one),
         "" if one.planned_cmh2o is None else f"{one.planned_cmh2o:.1f}")
        for one in map_.points
    )  # fmt: skip


def span_words(point: DrivePoint) -> str:
    """``7.5 to 15.0``, or that nothing suits."""
    span = point.suits_cmh2o
    if span is None:
        return "none within these targets"
    return f"{span[0]:.1f} to {span[1]:.1f}" if math.isfinite(span[1]) else f"at least {span[0]:.1f}"


def _plot(map_: DriveMap, width: float, height: float) -> Plot:
    """Both axes in logarithms."""
    across = [one.compliance_ml_per_cmh2o_per_kg for one in map_.points]
    up = [v for one in map_.points for v in (one.now_cmh2o, one.planned_cmh2o or one.now_cmh2o)]
    if map_.bounds.driving_pressure_cmh2o is not None:
        up.append(map_.bounds.driving_pressure_cmh2o)
    edge = math.log(EDGE)
    return Plot(
        LEFT, TOP, width - LEFT - RIGHT, height - TOP - 60.0, math.log(min(across)) - edge,
        math.log(max(across)) + edge, math.log(min(up)) - edge, math.log(max(up)) + edge,
    )  # fmt: skip


def _at(plot: Plot, compliance: float, drive_cmh2o: float) -> Point:
    return plot.x(math.log(compliance)), plot.y(math.log(drive_cmh2o))


def _field(map_: DriveMap, plot: Plot, name: str) -> list[str]:
    """Hatched all over, blank where everybody within the targets would stand."""
    bounds = map_.bounds
    most = [plot.high] if bounds.driving_pressure_cmh2o is None else [math.log(bounds.driving_pressure_cmh2o)]
    tops, feet = [], []
    for step in range(STEPS + 1):
        log_c = plot.first + (plot.last - plot.first) * step / STEPS
        high = min([*most, *([] if bounds.high_ml_per_kg is None else [math.log(bounds.high_ml_per_kg) - log_c])])
        low = plot.low if bounds.low_ml_per_kg is None else math.log(bounds.low_ml_per_kg) - log_c
        if low < high and low < plot.high and high > plot.low:
            tops.append((plot.x(log_c), plot.y(min(high, plot.high))))
            feet.append((plot.x(log_c), plot.y(max(low, plot.low))))
    box = f'x="{plot.left:g}" y="{plot.top:g}" width="{plot.width:g}" height="{plot.height:g}"'
    drawn = [
        f'<defs><pattern id="{name}-hatch" width="9" height="9" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="pipe" d="M0 0 V9" stroke-width="2.4"/></pattern></defs>',
        f'<rect {box} fill="url(#{name}-hatch)"/>',
    ]
    if tops:
        drawn.append(area(tops, feet, "paper"))
        for bound in (tops, feet):
            inside = [one for one in bound if plot.top + 0.5 < one[1] < plot.bottom - 0.5]
            drawn += [polyline(inside, "ink", 1.6, "2 4")] if len(inside) > 1 else []
    return [*drawn, f'<rect {box} class="edge" stroke-width="1.2"/>']


def _axes(plot: Plot) -> list[str]:
    drawn = []
    for tick in TICKS:
        log = math.log(tick)
        if plot.first <= log <= plot.last:
            drawn.append(f'<path class="edge" d="M{plot.x(log):.5g} {plot.bottom:g} v5" stroke-width="1.2"/>')
            drawn.append(text(plot.x(log), plot.bottom + 20.0, f"{tick:g}", WORDS, "middle", "q"))
        if plot.low <= log <= plot.high:
            drawn.append(f'<path class="edge" d="M{plot.left:g} {plot.y(log):.5g} h-5" stroke-width="1.2"/>')
            drawn.append(text(plot.left - 9.0, plot.y(log) + 5.0, f"{tick:g}", WORDS, "end", "q"))
    return drawn


def _groups(map_: DriveMap, plot: Plot, words: Lettering) -> list[str]:
    """Each planned group: its members' places joined, the ventilator's label beside."""
    drawn = []
    by_bed = {one.bed: one for one in map_.points}
    for ventilator, beds in map_.groups:
        there = [(one.compliance_ml_per_cmh2o_per_kg, one.planned_cmh2o) for one in map(by_bed.__getitem__, beds)]
        places = sorted(_at(plot, c, drive) for c, drive in there if drive is not None)
        drawn.append(polyline(places, "ink", 3.0))
        drawn += [f'<circle class="fill" cx="{x:.5g}" cy="{y:.5g}" r="4.5"/>' for x, y in places]
        words.taken += [(x - 5.0, y - 5.0, x + 5.0, y + 5.0) for x, y in places]
        x, y = (sum(one[k] for one in places) / len(places) for k in (0, 1))
        right, left = places[-1], places[0]
        ends = [(right[0] + 9.0, right[1] + 5.0), (left[0] - 9.0 - LETTER * WORDS * len(ventilator), left[1] + 5.0)]
        tries = [(x, y - 7.0), (x, y + 18.0), *ends, (x, y - 22.0), (x, y + 34.0)]
        words.put(*tries[0], ventilator, WORDS, "start", "b", others=tuple(tries[1:]))
    return drawn


def _mark(one: DrivePoint, plot: Plot) -> str:
    """A ring for who may share, a cross for who may not."""
    x, y = _at(plot, one.compliance_ml_per_cmh2o_per_kg, one.now_cmh2o)
    if one.alone:
        return f'<path class="ink" d="M{x - 5:.5g} {y - 5:.5g} l10 10 m0 -10 l-10 10" stroke-width="2.4"/>'
    return f'<circle class="box" cx="{x:.5g}" cy="{y:.5g}" r="6" stroke-width="2.2"/>'


def _taken(plot: Plot, one: DrivePoint) -> list[Box]:
    x, y = _at(plot, one.compliance_ml_per_cmh2o_per_kg, one.now_cmh2o)
    return [(x - 7.0, y - 7.0, x + 7.0, y + 7.0)]


def _label(one: DrivePoint, plot: Plot, words: Lettering) -> list[str]:
    """The bed beside its mark, with a thin line to it where no place was free close by."""
    x, y = _at(plot, one.compliance_ml_per_cmh2o_per_kg, one.now_cmh2o)
    wide = LETTER * WORDS * len(one.bed)
    near = [(x + 10.0, y + 5.0), (x - 10.0 - wide, y + 5.0), (x - wide / 2, y - 11.0), (x - wide / 2, y + 22.0)]
    far = [
        (x + reach * math.cos(turn) - wide / 2, y + reach * math.sin(turn) + 5.0)
        for reach in (34.0, 52.0, 70.0, 90.0) for turn in (i * math.pi / 8 for i in range(16))
    ]  # fmt: skip
    inside = (plot.left, plot.top, plot.right, plot.bottom)
    if words.put(*near[0], one.bed, WORDS, "start", "b", others=tuple(near[1:]), inside=inside):
        return []
    if not words.put(*far[0], one.bed, WORDS, "start", "b", others=tuple(far[1:]), inside=inside):
        return []
    left, top, right, bottom = words.taken[-1]
    to_x, to_y = min(max(x, left), right), min(max(y, top), bottom)
    return [f'<path class="edge" d="M{x:.5g} {y:.5g} L{to_x:.5g} {to_y:.5g}" stroke-width="1"/>']


def _bound_words(map_: DriveMap, plot: Plot, words: Lettering) -> None:
    """Each target beside its line, where there is room."""
    bounds, inside = map_.bounds, (plot.left + 2.0, plot.top + 2.0, plot.right - 2.0, plot.bottom - 2.0)
    steps = [plot.last - (plot.last - plot.first) * i / 40 for i in range(41)]
    if bounds.driving_pressure_cmh2o is not None:
        y = plot.y(math.log(bounds.driving_pressure_cmh2o))
        tries = [(plot.x(log_c), y - 6.0) for log_c in steps]
        said = f"at most {bounds.driving_pressure_cmh2o:g} cmH₂O"
        words.put(*tries[0], said, WORDS, "end", "q", others=tuple(tries[1:]), inside=inside)
    for bound, side, anchor, by in (
        (bounds.high_ml_per_kg, "at most", "start", -6.0), (bounds.low_ml_per_kg, "at least", "end", 16.0),
    ):  # fmt: skip
        if bound is not None:
            beside = 6.0 if by < 0.0 else -6.0
            tries = [(plot.x(log_c) + beside, plot.y(math.log(bound) - log_c) + by) for log_c in steps]
            words.put(*tries[0], f"{side} {bound:g} mL/kg", WORDS, anchor, "q", others=tuple(tries[1:]), inside=inside)


def _key(map_: DriveMap) -> list[str]:
    return [
        "Hatched: beyond a target.",
        "A level line through the blank is a drive that suits everybody whom it passes there;",
        "PEEP, rate, gases and what the circuit takes are not in this picture.",
        "Ring: now. Cross: now, and must stay alone.",
        *(["Dots joined by a line: a planned group."] if map_.groups else []),
    ]
