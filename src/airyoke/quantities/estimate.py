"""A value that carries its own uncertainty and the way to its inputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SpreadKind = Literal["none", "lognormal", "normal", "uniform"]


@dataclass(frozen=True, slots=True)
class Spread:
    """How far the truth may lie from the best value.

    kind
        ``none`` known exactly · ``lognormal`` the value is the median, ``sd`` the standard deviation of ln ·
        ``normal`` ``sd`` in the unit of the value · ``uniform`` anywhere between ``low`` and ``high``.
    low, high
        Bounds in the unit of the value; normal draws are clipped to them (fractions: 0 to 1).
    """

    kind: SpreadKind
    sd: float = 0.0
    low: float | None = None
    high: float | None = None

    @classmethod
    def none(cls) -> Spread:
        return cls("none")

    @classmethod
    def relative(cls, sd: float) -> Spread:
        """Log-normal with the value as median; ``sd`` is the standard deviation of ln(value)."""
        return cls("lognormal", sd=sd)

    @classmethod
    def absolute(cls, sd: float, low: float | None = None, high: float | None = None) -> Spread:
        """Normal with ``sd`` in the unit of the value, clipped to ``low`` and ``high`` where given."""
        return cls("normal", sd=sd, low=low, high=high)

    @classmethod
    def between(cls, low: float, high: float) -> Spread:
        """Anywhere between ``low`` and ``high``; the best value need not be the middle (a one-sided range)."""
        return cls("uniform", low=low, high=high)


@dataclass(frozen=True, slots=True)
class Estimate:
    """One quantity of one patient: best value, spread, and where both come from.

    quantity
        Key of the dictionary of quantities; it fixes unit and meaning.
    basis
        The formula or rule in words, with its source ("compliance = VT / (plateau - total PEEP), from the
        inspiratory hold").
    inputs
        The readings that went in, as (quantity, value) pairs.
    assumed
        True where the value is a default of ours and not a reading of this patient.
    """

    quantity: str
    value: float
    spread: Spread = Spread("none")
    basis: str = ""
    inputs: tuple[tuple[str, float | str], ...] = ()
    assumed: bool = False
