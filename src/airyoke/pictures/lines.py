"""Measured or computed curves as strokes: scaled into a plot, and with no more corners than the eye can tell apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Point = tuple[float, float]
SEEN = 0.3  # of a unit of the drawing: less off the line is not seen


@dataclass(frozen=True, slots=True)
class Plot:
    """A rectangle of the drawing and the values at its edges."""

    left: float
    top: float
    width: float
    height: float
    first: float
    last: float
    low: float
    high: float

    def x(self, value: float) -> float:
        """Where a value of the horizontal axis stands."""
        return self.left + self.width * (value - self.first) / (self.last - self.first)

    def y(self, value: float) -> float:
        """Where a value of the vertical axis stands."""
        return self.top + self.height * (self.high - value) / (self.high - self.low)

    def clip(self, values: Floats) -> Floats:
        """Values beyond the scale at its end."""
        return np.clip(values, self.low, self.high)

    @property
    def bottom(self) -> float:
        """The lower edge."""
        return self.top + self.height

    @property
    def right(self) -> float:
        """The right edge."""
        return self.left + self.width

    def places(self, across: Floats, up: Floats) -> list[Point]:
        """Points of a curve on the drawing."""
        return [(self.x(float(a)), self.y(float(b))) for a, b in zip(across, up, strict=True)]


def polyline(places: Sequence[Point], kind: str, width: float, dash: str = "") -> str:
    """A line through the places."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline class="{kind}" fill="none" points="{_points(fewer(places))}" stroke-width="{width:g}"{dashed}/>'


def area(places: Sequence[Point], back: Sequence[Point], kind: str) -> str:
    """What lies between two lines that run the same way."""
    return f'<polygon class="{kind}" points="{_points([*fewer(places), *reversed(fewer(back))])}"/>'


def fewer(places: Sequence[Point], off: float = SEEN) -> list[Point]:
    """The same line with fewer corners, nowhere further than ``off`` from it (Douglas, Peucker 1973)."""
    kept = {0, len(places) - 1}
    spans = [(0, len(places) - 1)]
    while spans:
        first, last = spans.pop()
        (x0, y0), (x1, y1) = places[first], places[last]
        length = math.hypot(x1 - x0, y1 - y0) or 1.0
        away, where = off, -1
        for i in range(first + 1, last):
            distance = abs((x1 - x0) * (y0 - places[i][1]) - (x0 - places[i][0]) * (y1 - y0)) / length
            if distance > away:
                away, where = distance, i
        if where >= 0:
            kept.add(where)
            spans += [(first, where), (where, last)]
    return [places[i] for i in sorted(kept)]


def ticks(low: float, high: float, most: int = 4) -> list[float]:
    """Round values from ``low`` to ``high``: at most so many."""
    span = (high - low) / most
    power = 10.0 ** math.floor(math.log10(span))
    step = next(one * power for one in (1.0, 2.0, 5.0, 10.0) if one * power >= span - 1e-9)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def _points(places: Sequence[Point]) -> str:
    return " ".join(f"{x:.5g},{y:.5g}" for x, y in places)
