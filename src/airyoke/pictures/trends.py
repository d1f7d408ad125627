"""Readings over time as small multiples: one quantity a plot, all on the same hours, the last value written at its end.

What was read is a dot, and only dots are data: the thin line between them leads the eye. Targets are dotted lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from xml.sax.saxutils import escape

from airyoke.pictures.lettering import Lettering
from airyoke.pictures.lines import Plot, polyline, ticks
from airyoke.pictures.style import dashes, sheet, text

WORDS, SMALL, LINE = 15.0, 14.0, 2.4
WIDTH: Final = 390.0
LEFT, RIGHT, HEIGHT, TITLE, BELOW = 48.0, 72.0, 110.0, 28.0, 30.0
SHORTEST: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One value, and its range where it has one."""

    at: datetime
    value: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class TrendLine:
    """One patient's values in the order of time; ``lane`` is its letter, empty where there is only one."""

    lane: str
    label: str
    points: tuple[TrendPoint, ...]


@dataclass(frozen=True, slots=True)
class Trend:
    """One quantity, in one unit, of one or several patients; ``bounds`` are its targets."""

    title: str
    unit: str
    digits: int
    lines: tuple[TrendLine, ...]
    bounds: tuple[float | None, float | None] = (None, None)


def trends_svg(trends: Sequence[Trend], *, theme: str = "auto", name: str = "trend") -> str:
    """The trends below each other as one SVG document, 390 units wide.

    ``theme`` as for the drawn circuit; ``name`` begins its ids. Raises ``ValueError`` where there is no value.
    """
    times = [point.at for one in trends for line in one.lines for point in line.points]
    if not times:
        raise ValueError("a trend needs a value")
    first, last = min(times), max(times)
    if last - first < SHORTEST:
        first = last - SHORTEST
    drawn: list[str] = []
    y = 0.0
    for number, one in enumerate(trends):
        bottom = number == len(trends) - 1
        drawn += _plot(one, y + TITLE, first, last, hours=bottom)
        y += TITLE + HEIGHT + (BELOW if bottom else 6.0)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {y:.5g}" class="air" role="img" '
        f'aria-labelledby="{name}-title {name}-told"><title id="{name}-title">Readings over time</title>'
        f'<desc id="{name}-told">{escape(trends_told(trends))}</desc>{sheet(theme)}'
        f'<rect class="paper" width="{WIDTH:g}" height="{y:.5g}"/>' + "".join(drawn) + "</svg>\n"
    )


def trends_told(trends: Sequence[Trend]) -> str:
    """From which value to which each went, in words."""
    told = []
    for one in trends:
        for line in one.lines:
            if line.points:
                first, last = line.points[0], line.points[-1]
                told.append(
                    f"{one.title}{' of ' + line.label if line.label else ''}: {_value(one, first.value)} at "
                    f"{_clock(first.at, last.at)}, {_value(one, last.value)} {one.unit} at {_clock(last.at, last.at)}."
                )
    return " ".join(told)


def trend_rows(trends: Sequence[Trend]) -> tuple[tuple[str, tuple[str, ...], tuple[tuple[str, ...], ...]], ...]:
    """The trends as tables: title, heads, a row a time, the newest first; a blank where nothing was read."""
    tables = []
    for one in trends:
        times = sorted({point.at for line in one.lines for point in line.points}, reverse=True)
        heads = ("time", *(line.label or one.unit for line in one.lines))
        rows = []
        for at in times:
            cells = [next((p for p in line.points if p.at == at), None) for line in one.lines]
            rows.append((_clock(at, times[0]), *("" if p is None else _with_range(one, p) for p in cells)))
        tables.append((f"{one.title}, {one.unit}" if one.unit else one.title, heads, tuple(rows)))
    return tuple(tables)


def _plot(one: Trend, top: float, first: datetime, last: datetime, *, hours: bool) -> list[str]:
    low, high = _span(one)
    plot = Plot(LEFT, top, WIDTH - LEFT - RIGHT, HEIGHT, 0.0, (last - first).total_seconds() / 3600.0, low, high)
    unit = f", {one.unit.replace('cmH2O', 'cmH₂O')}" if one.unit else ""
    drawn = [text(8.0, top - 8.0, f"{one.title}{unit}", WORDS, "start", "b")]
    for value in ticks(low, high, 3):
        y = plot.y(value)
        drawn.append(f'<path class="pipe" d="M{plot.left:g} {y:.5g} H{plot.right:g}" stroke-width="1"/>')
        drawn.append(text(plot.left - 7.0, y + 5.0, f"{value:g}", SMALL, "end", "q"))
    for bound in one.bounds:
        if bound is not None and low < bound < high:
            drawn.append(f'<path class="ink" d="M{plot.left:g} {plot.y(bound):.5g} H{plot.right:g}" '
                         'stroke-width="1.6" stroke-dasharray="2 4"/>')  # fmt: skip
    words = Lettering()
    for line in one.lines:
        drawn += _line(one, line, plot, first, words)
    if hours:
        drawn += _hours(plot, first, last)
    return [*drawn, *words.drawn]


def _line(one: Trend, line: TrendLine, plot: Plot, first: datetime, words: Lettering) -> list[str]:
    if not line.points:
        return []
    places = [(plot.x((p.at - first).total_seconds() / 3600.0), plot.y(p.value)) for p in line.points]
    kind = f"l l{line.lane.lower()}" if line.lane else "edge"
    drawn = []
    for point, (x, _) in zip(line.points, places, strict=True):
        if point.low is not None and point.high is not None:
            drawn.append(f'<path class="edge" d="M{x:.5g} {plot.y(point.low):.5g} V{plot.y(point.high):.5g}" '
                         'stroke-width="5" opacity=".45"/>')  # fmt: skip
    if len(places) > 1:
        drawn.append(polyline(places, kind, LINE if line.lane else 1.4, dashes(line.lane, LINE)))
    drawn += [f'<circle class="fill" cx="{x:.5g}" cy="{y:.5g}" r="3.6"/>' for x, y in places]
    x, y = places[-1]
    said = f"{line.lane} {_value(one, line.points[-1].value)}".strip()
    tries = [(plot.right + 10.0, y + 5.0 + by) for by in (0.0, 15.0, -15.0, 30.0, -30.0, 45.0, -45.0)]
    words.put(*tries[0], said, WORDS, "start", "b", others=tuple(tries[1:]))
    return drawn


def _span(one: Trend) -> tuple[float, float]:
    points = [point for line in one.lines for point in line.points]
    values = [v for p in points for v in (p.value, p.low, p.high) if v is not None] or [0.0]
    values += [bound for bound in one.bounds if bound is not None]
    low, high = min(values), max(values)
    room = max(0.12 * (high - low), 0.03 * abs(high), 10.0**-one.digits)
    return low - room, high + room


def _hours(plot: Plot, first: datetime, last: datetime) -> list[str]:
    """Whole hours, at most five of them."""
    span_h = (last - first).total_seconds() / 3600.0
    step = next(one for one in (1, 2, 3, 4, 6, 8, 12, 24, 48, 96, 168, 10_000) if span_h / one <= 4.0)
    at = first.replace(minute=0, second=0, microsecond=0)
    drawn = []
    while at <= last:
        if at >= first and (24 * at.toordinal() + at.hour) % step == 0:
            x = plot.x((at - first).total_seconds() / 3600.0)
            drawn.append(f'<path class="edge" d="M{x:.5g} {plot.bottom:.5g} v5" stroke-width="1.2"/>')
            words = f"{at:%H:%M}" if at.hour or step < 24 else f"{at:%d %b}"
            drawn.append(text(x, plot.bottom + 21.0, words, SMALL, "middle", "q"))
        at += timedelta(hours=1)
    return drawn


def _value(one: Trend, value: float) -> str:
    return f"{value:.{one.digits}f}"


def _with_range(one: Trend, point: TrendPoint) -> str:
    if point.low is None or point.high is None:
        return _value(one, point.value)
    return f"{_value(one, point.value)} ({_value(one, point.low)} to {_value(one, point.high)})"


def _clock(at: datetime, newest: datetime) -> str:
    return f"{at:%H:%M}" if at.date() == newest.date() else f"{at:%d %b %H:%M}"
