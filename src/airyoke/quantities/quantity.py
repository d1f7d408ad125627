"""What the dictionary of quantities says about one quantity."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from airyoke.quantities.units import convert

# Column suffix -> unit. Only these may name another unit in a header, besides the suffix of the key itself.
COLUMN_SUFFIXES: Final[dict[str, str]] = {
    "in": "in",
    "m": "m",
    "kpa": "kPa",
    "mbar": "mbar",
    "hpa": "hPa",
    "l": "L",
    "pct": "%",
    "g_per_l": "g/L",
    "mmol_per_l": "mmol/L Hb",
    "kpa_s_per_l": "kPa·s/L",
}

# Spelling of a unit at the end of a key. Longest first where one ends like another.
_KEY_SUFFIXES: Final[dict[str, tuple[str, ...]]] = {
    "cmH2O": ("cmh2o",),
    "mmHg": ("mmhg",),
    "mL": ("ml",),
    "mL/kg": ("ml_per_kg",),
    "L/min": ("l_per_min",),
    "mL/min": ("ml_per_min",),
    "mL/dL": ("ml_per_dl",),
    "cmH2O·s/L": ("cmh2o_s_per_l",),
    "cmH2O·s²/L²": ("cmh2o_s2_per_l2",),
    "mL/cmH2O": ("ml_per_cmh2o",),
    "cm": ("cm",),
    "mm": ("mm",),
    "kg": ("kg",),
    "s": ("s",),
    "h": ("h",),
    "years": ("years",),
    "/min": ("per_min",),
    "%": ("pct",),
    "g/dL": ("g_per_dl",),
    "mmol/L": ("mmol_per_l",),
    "J/min": ("j_per_min",),
    "°C": ("c",),
    "": ("fraction",),
}


@dataclass(frozen=True, slots=True)
class Range:
    """Closed on both sides, in the unit of the quantity; ``None`` = no bound there."""

    low: float | None = None
    high: float | None = None

    def holds(self, value: float) -> bool:
        """Whether ``value`` lies inside; a converted value that misses a bound by rounding is inside."""
        if value != value:
            return False
        slack = 1e-9 * max(1.0, abs(value))
        return (self.low is None or value >= self.low - slack) and (
            self.high is None or value <= self.high + slack
        )

    def words(self, unit: str) -> str:
        """``4 to 60 /min``, ``at least 80 %``, ``any number``."""
        tail = f" {unit}" if unit else ""
        if self.low is None and self.high is None:
            return "any number"
        if self.low is None:
            return f"at most {self.high:g}{tail}"
        if self.high is None:
            return f"at least {self.low:g}{tail}"
        return f"{self.low:g} to {self.high:g}{tail}"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row of the dictionary: what a name means, everywhere in the tool.

    key
        The name in code, files and answers; its end names the unit.
    refuse, ask
        For values that a person types or a device sends, never for what is computed. Outside ``refuse`` a
        value is impossible (or in another unit) and not used; outside ``ask`` it is used and asked about.
    accepts
        Other units of this quantity that a column header may name by its suffix.
    slips
        Units in which it is often typed by mistake: offered in the remedy, never converted.
    loinc, mdc
        Codes of LOINC and of ISO/IEEE 11073-10101 where they are certain; ``None`` where they are not.
    """

    key: str
    symbol: str
    unit: str
    meaning: str
    refuse: Range = field(default_factory=Range)
    ask: Range = field(default_factory=Range)
    accepts: tuple[str, ...] = ()
    slips: tuple[str, ...] = ()
    integer: bool = False
    loinc: str | None = None
    mdc: int | None = None
    note: str = ""

    @property
    def stem(self) -> str:
        """The key without its unit: ``plateau`` of ``plateau_cmh2o``."""
        for suffix in _KEY_SUFFIXES.get(self.unit, ()):
            if self.key.endswith(f"_{suffix}"):
                return self.key.removesuffix(f"_{suffix}")
        return self.key

    @property
    def finding_stem(self) -> str:
        """Start of the ids of findings about it: ``plateau``, ``total-peep``."""
        return self.stem.replace("_", "-")

    def columns(self) -> dict[str, str]:
        """Every column header that may carry it, with the unit that the header names."""
        others = {f"{self.stem}_{suffix}": COLUMN_SUFFIXES[suffix] for suffix in self.accepts}
        return {self.key: self.unit, **others}

    def words(self, value: float) -> str:
        """The value with its unit, as a sentence carries it."""
        return f"{value:g} {self.unit}".rstrip()

    def level(self, value: float) -> Literal["refused", "ask"] | None:
        """How a typed value in the unit of the quantity is to be taken; ``None`` = without a question."""
        if not self.refuse.holds(value) or (self.integer and value != int(value)):
            return "refused"
        return None if self.ask.holds(value) else "ask"

    def likely_unit(self, value: float) -> tuple[str, float] | None:
        """The unit in which ``value`` was probably typed, and what it would be in the right one.

        Only where the value is unusual as it stands and usual in that unit. It is for the words of a remedy.
        """
        if self.level(value) is None:
            return None
        for unit in self.slips:
            meant = convert(value, unit, self.unit)
            if self.ask.holds(meant) and self.refuse.holds(meant):
                return unit, meant
        return None
