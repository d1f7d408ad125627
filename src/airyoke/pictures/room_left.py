"""The joint room of two patients as a picture: compliance of one across, of the other up, what is left along each edge.

Inside is blank, outside hatched; an edge has the line of the patient whose limit it is and a number, told below it. A
table of the same stands beside the picture (``edge_rows``): nothing is told by the drawing alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from xml.sax.saxutils import escape

from airyoke.pictures.lettering import wrapped
from airyoke.pictures.style import PATTERNS, dashes, sheet, text
from airyoke.plan.region import BoundaryPoint, Region

Left = tuple[str | None, str | None, str | None]
Point = tuple[float, float]

WIDTH, PLOT, LEFT, TOP = 400.0, 316.0, 62.0, 58.0
WORDS, ROW = 15.0, 26.0
LETTERS = 44  # of a line of the key
TICKS = (5, 7, 10, 15, 20, 30, 40, 60, 80, 120, 160, 240)
MARGIN = 1.12  # of a factor, beyond what is drawn


def edge_rows(region: Region, words: Callable[[Left], str]) -> tuple[tuple[str, str, str, str], ...]:
    """The picture as a table: number of the edge, what is left there, and the compliances that it spans."""
    return tuple(
        (str(number), words(run[0].left), _span([p.first for p in run]), _span([p.second for p in run]))
        for number, run in enumerate(region.edges(), 1)
    )


def room_left_svg(
    regions: Sequence[Region], words: Callable[[Left], str], *, theme: str = "auto", name: str = "room"
) -> str:
    """The regions of a group below each other as one SVG document, 400 units wide: a phone shows it as it is.

    ``words`` says what is left at an edge ("pH of B below 7.20"). ``theme`` as for the drawn circuit. ``name`` begins
    its ids.
    """
    parts: list[str] = []
    y = 0.0
    for number, region in enumerate(regions):
        panel, height = _panel(region, words, f"{name}-{number}")
        parts.append(f'<g transform="translate(0 {y:.5g})">{panel}</g>')
        y += height
    told = " ".join(_told(region, words) for region in regions)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {y:.5g}" class="air" role="img" '
        f'aria-labelledby="{name}-title {name}-told"><title id="{name}-title">Room left, two patients at a time</title>'
        f'<desc id="{name}-told">{escape(told)}</desc>{sheet(theme)}'
        f'<rect class="paper" width="{WIDTH:g}" height="{y:.5g}"/>' + "".join(parts) + "</svg>\n"
    )


def _told(region: Region, words: Callable[[Left], str]) -> str:
    head = f"Compliance of {region.first} now {region.now[0]:.0f}, of {region.second} now {region.now[1]:.0f} mL/cmH2O."
    if not region.points:
        return f"{head} No room: {'' if region.outside is None else words(region.outside)}."
    rows = "; ".join(
        f"edge {n}: {what}, {region.first} {first}, {region.second} {second}"
        for n, what, first, second in edge_rows(region, words)
    )
    return f"{head} Nobody leaves a limit within these edges, at best estimate: {rows}."


def _panel(region: Region, words: Callable[[Left], str], name: str) -> tuple[str, float]:
    """One pair, and its height."""
    scale = _Scale(region)
    rows = edge_rows(region, words)
    drawn = [
        text(14.0, 24.0, f"Room left: {region.first} against {region.second}", 18.0, "start", "b"),
        text(14.0, 44.0, "compliance, mL/cmH₂O, at best estimate", WORDS, "start", "q"),
        *_plot(region, scale, name),
        *_axes(region, scale),
        *_present(region, scale),
    ]
    y = TOP + PLOT + 70.0
    if not region.points:
        what = "" if region.outside is None else words(region.outside)
        rows = (("", f"No room now: {what}", "", ""),)
    for number, what, _, _ in rows:
        for i, line in enumerate(wrapped(what.replace("cmH2O", "cmH₂O"), LETTERS)):
            if i == 0 and number:
                drawn.append(_disc(26.0, y - 5.0, number))
            drawn.append(text(46.0, y, line, WORDS, "start"))
            y += ROW
    drawn.append(text(14.0, y + 2.0, "Hatched: somebody leaves a limit.", WORDS, "start", "q"))
    drawn.append(text(14.0, y + 2.0 + ROW, "Cross: now, with the range of the readings.", WORDS, "start", "q"))
    return "".join(drawn), y + 2.0 * ROW + 10.0


class _Scale:
    """Logarithmic axes, the same length of a factor on both."""

    def __init__(self, region: Region) -> None:
        ends = [(p.first, p.second) for p in region.points] + [region.now]
        ends += [(region.ranges[0][k], region.ranges[1][k]) for k in (0, 1)]
        spans = [(min(e[k] for e in ends) / MARGIN, max(e[k] for e in ends) * MARGIN) for k in (0, 1)]
        widest = max(math.log(high / low) for low, high in spans)
        self.low = tuple(math.sqrt(low * high) / math.exp(widest / 2.0) for low, high in spans)
        self.unit = PLOT / widest
        self.high = tuple(one * math.exp(widest) for one in self.low)

    def at(self, first: float, second: float) -> Point:
        """Where a pair of compliances stands."""
        return (
            LEFT + self.unit * math.log(first / self.low[0]),
            TOP + PLOT - self.unit * math.log(second / self.low[1]),
        )


def _plot(region: Region, scale: _Scale, name: str) -> list[str]:
    box = f'x="{LEFT:g}" y="{TOP:g}" width="{PLOT:g}" height="{PLOT:g}"'
    hatch = (
        f'<defs><pattern id="{name}-hatch" width="9" height="9" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="edge" d="M0 0 V9" stroke-width="1.6"/></pattern></defs>'
    )
    drawn = [hatch, f'<rect {box} fill="url(#{name}-hatch)"/>']
    if region.points:
        corners = " ".join(f"{x:.5g},{y:.5g}" for x, y in (scale.at(p.first, p.second) for p in region.points))
        drawn.append(f'<polygon class="paper" points="{corners}"/>')
    drawn.append(f'<rect {box} class="edge" stroke-width="1.4"/>')
    runs = region.edges()
    for number, run in enumerate(runs, 1):
        following = runs[number % len(runs)][0]
        drawn += _edge(region, [*run, following], number, scale)
    return drawn


def _edge(region: Region, run: Sequence[BoundaryPoint], number: int, scale: _Scale) -> list[str]:
    """One edge with the line of its patient, and its number outside the middle of it."""
    places = [scale.at(point.first, point.second) for point in run]
    lane = dict(zip((region.first, region.second), region.lanes, strict=True)).get(run[0].whose or "")
    width = 3.2
    dash = dashes(lane, width) if lane else "1 5"
    kind = f"l l{lane.lower()}" if lane else "ink"
    line = " ".join(f"{x:.5g},{y:.5g}" for x, y in places)
    style = f' stroke-dasharray="{dash}"' if dash else ""
    x, y = _middle(places)
    cx, cy = scale.at(*region.now)
    away = math.hypot(x - cx, y - cy) or 1.0
    x, y = x + 17.0 * (x - cx) / away, y + 17.0 * (y - cy) / away
    x = min(max(x, LEFT + 12.0), LEFT + PLOT - 12.0)
    y = min(max(y, TOP + 12.0), TOP + PLOT - 12.0)
    return [
        f'<polyline class="{kind}" fill="none" points="{line}" stroke-width="{width:g}"{style}/>',
        _disc(x, y, str(number)),
    ]


def _middle(places: Sequence[Point]) -> Point:
    """Half way along the line."""
    lengths = [math.dist(one, other) for one, other in pairwise(places)]
    rest = sum(lengths) / 2.0
    for ((x, y), (to_x, to_y)), length in zip(pairwise(places), lengths, strict=True):
        if rest <= length and length > 0.0:
            return x + (to_x - x) * rest / length, y + (to_y - y) * rest / length
        rest -= length
    return places[0]


def _disc(x: float, y: float, words: str) -> str:
    return f'<circle class="box" cx="{x:.5g}" cy="{y:.5g}" r="11" stroke-width="1.6"/>' + text(
        x, y + 5.2, words, WORDS, kind="b"
    )


def _axes(region: Region, scale: _Scale) -> list[str]:
    drawn = []
    bottom = TOP + PLOT
    for tick in TICKS:
        if scale.low[0] <= tick <= scale.high[0]:
            x = scale.at(tick, scale.low[1])[0]
            drawn.append(f'<path class="ink" d="M{x:.5g} {bottom:g} v6" stroke-width="1.4"/>')
            drawn.append(text(x, bottom + 22.0, str(tick), WORDS))
        if scale.low[1] <= tick <= scale.high[1]:
            y = scale.at(scale.low[0], tick)[1]
            drawn.append(f'<path class="ink" d="M{LEFT:g} {y:.5g} h-6" stroke-width="1.4"/>')
            drawn.append(text(LEFT - 10.0, y + 5.0, str(tick), WORDS, "end"))
    across, up = (
        f"{label if label == lane else f'{label} ({lane})'}, {PATTERNS[lane].words}"
        for label, lane in zip((region.first, region.second), region.lanes, strict=True)
    )
    drawn.append(text(LEFT + PLOT, bottom + 42.0, f"{across} →", WORDS, "end", "b"))
    drawn.append(f'<g transform="translate(18 {TOP:g}) rotate(-90)">{text(0.0, 0.0, f"{up} →", WORDS, "end", "b")}</g>')
    return drawn


def _present(region: Region, scale: _Scale) -> list[str]:
    (low, high), (bottom, top) = region.ranges
    x, y = scale.at(*region.now)
    west, east = (scale.at(one, region.now[1])[0] for one in (low, high))
    south, north = (scale.at(region.now[0], one)[1] for one in (bottom, top))
    across = f"M{min(west, x - 7):.5g} {y:.5g} H{max(east, x + 7):.5g}"
    up = f"M{x:.5g} {min(north, y - 7):.5g} V{max(south, y + 7):.5g}"
    return [
        f'<path class="ink" d="{across} {up}" stroke-width="2.4"/>',
        f'<circle class="fill" cx="{x:.5g}" cy="{y:.5g}" r="4.5"/>',
        text(x + 8.0, y - 9.0, f"now {region.now[0]:.0f} / {region.now[1]:.0f}", WORDS, "start", "b"),
    ]


def _span(values: Sequence[float]) -> str:
    low, high = f"{min(values):.0f}", f"{max(values):.0f}"
    return low if low == high else f"{low} to {high}"
