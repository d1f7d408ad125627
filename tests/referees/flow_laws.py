"""How much gas a pressure drop drives through one thing, hard-edged, and how fast that changes with the drop.

Nothing here comes from the package under test. L/s, cmH2O.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt


@dataclass(frozen=True)
class Branch:
    """A stretch with or without a valve: resistances, opening pressure, leak when reversed (L/s per cmH2O), direction."""

    linear: float
    quadratic: float
    cracking: float = 0.0
    back_leak: float = 0.0
    one_way: bool = False


def forward(drop: float, linear: float, quadratic: float) -> float:
    """Flow (L/s) that a pressure drop drives through R q + K q² = drop; none for a drop of zero or less."""
    if drop <= 0:
        return 0.0
    return 2 * drop / (linear + sqrt(linear * linear + 4 * quadratic * drop))


def both_ways(drop: float, linear: float, quadratic: float) -> float:
    """Flow (L/s) of R q + K q|q| = drop, either direction."""
    return forward(drop, linear, quadratic) if drop >= 0 else -forward(-drop, linear, quadratic)


def through(branch: Branch, drop: float) -> float:
    """Flow (L/s) through a stretch at a pressure drop (cmH2O), positive the intended way."""
    if not branch.one_way:
        return both_ways(drop, branch.linear, branch.quadratic)
    if drop < 0:
        return branch.back_leak * drop
    return forward(drop - branch.cracking, branch.linear, branch.quadratic)


def conductance(drop: float, linear: float, quadratic: float) -> float:
    """Change of flow with the drop (L/s per cmH2O) of R q + K q|q| = drop."""
    return 1 / sqrt(linear * linear + 4 * quadratic * abs(drop))


def conductance_through(branch: Branch, drop: float) -> float:
    """Change of flow with the drop (L/s per cmH2O) of a stretch with or without a valve."""
    if not branch.one_way:
        return conductance(drop, branch.linear, branch.quadratic)
    if drop < 0:
        return branch.back_leak
    beyond = drop - branch.cracking
    return conductance(beyond, branch.linear, branch.quadratic) if beyond > 0 else 0.0
