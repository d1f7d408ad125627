"""How far an estimate may be off, as the range that every face shows."""

from __future__ import annotations

import math
from typing import Final

from airyoke.quantities.estimate import Estimate

_Z95: Final = 1.6448536269514722
"""The 95th percentile of the standard normal distribution (any table of it)."""


def range_5_95(estimate: Estimate) -> tuple[float, float] | None:
    """5th and 95th percentile of the estimate's spread, in its unit; ``None`` where it has none."""
    spread, value = estimate.spread, estimate.value
    if spread.kind == "lognormal" and spread.sd > 0.0:
        return value * math.exp(-_Z95 * spread.sd), value * math.exp(_Z95 * spread.sd)
    if spread.kind == "normal" and spread.sd > 0.0:
        low, high = value - _Z95 * spread.sd, value + _Z95 * spread.sd
        low = low if spread.low is None else max(low, spread.low)
        return low, (high if spread.high is None else min(high, spread.high))
    if spread.kind == "uniform" and spread.low is not None and spread.high is not None:
        width = spread.high - spread.low
        return spread.low + 0.05 * width, spread.high - 0.05 * width
    return None
