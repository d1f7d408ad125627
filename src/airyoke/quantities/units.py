"""Exact conversion between units of one kind, and between the conditions in which a gas volume is stated.

The only module that converts. Factors are exact fractions of the SI unit, so that a conversion and its
inverse agree to rounding. An unknown unit is an error; there is no default unit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Final


@dataclass(frozen=True, slots=True)
class _Unit:
    """``value in SI = factor * value + offset``; only units of one ``kind`` convert into each other."""

    kind: str
    factor: Fraction
    offset: Fraction = Fraction(0)


def _f(text: str) -> Fraction:
    return Fraction(text)


# Conventional water and mercury columns: 1 cmH2O = 98.0665 Pa, 1 mmHg = 133.322387415 Pa, 1 Torr = 101325/760
# Pa, exact by definition. Inch, foot and pound: exact by the 1959 agreement.
_CMH2O: Final = _f("98.0665")
_LITRE: Final = _f("0.001")

# 1 mmol of haemoglobin counted per iron atom weighs 16.114 g, a quarter of 64 456 g/mol.
_HAEMOGLOBIN_G_PER_MMOL: Final = _f("16.114")

_UNITS: Final[dict[str, _Unit]] = {
    "Pa": _Unit("pressure", _f("1")),
    "hPa": _Unit("pressure", _f("100")),
    "mbar": _Unit("pressure", _f("100")),
    "kPa": _Unit("pressure", _f("1000")),
    "cmH2O": _Unit("pressure", _CMH2O),
    "mmHg": _Unit("pressure", _f("133.322387415")),
    "Torr": _Unit("pressure", Fraction(101325, 760)),
    "m": _Unit("length", _f("1")),
    "cm": _Unit("length", _f("0.01")),
    "mm": _Unit("length", _f("0.001")),
    "in": _Unit("length", _f("0.0254")),
    "ft": _Unit("length", _f("0.3048")),
    "kg": _Unit("mass", _f("1")),
    "g": _Unit("mass", _f("0.001")),
    "lb": _Unit("mass", _f("0.45359237")),
    "L": _Unit("volume", _LITRE),
    "mL": _Unit("volume", _LITRE / 1000),
    "s": _Unit("time", _f("1")),
    "ms": _Unit("time", _f("0.001")),
    "min": _Unit("time", _f("60")),
    "h": _Unit("time", _f("3600")),
    "years": _Unit("age", _f("1")),
    "/min": _Unit("rate", Fraction(1, 60)),
    "/s": _Unit("rate", _f("1")),
    "L/s": _Unit("flow", _LITRE),
    "L/min": _Unit("flow", _LITRE / 60),
    "mL/s": _Unit("flow", _LITRE / 1000),
    "mL/min": _Unit("flow", _LITRE / 60000),
    "": _Unit("number", _f("1")),
    "%": _Unit("number", _f("0.01")),
    "mL/kg": _Unit("volume per mass", _LITRE / 1000),
    "mL/cmH2O": _Unit("compliance", _LITRE / 1000 / _CMH2O),
    "L/cmH2O": _Unit("compliance", _LITRE / _CMH2O),
    "mL/hPa": _Unit("compliance", _LITRE / 1000 / 100),
    "mL/mbar": _Unit("compliance", _LITRE / 1000 / 100),
    "mL/kPa": _Unit("compliance", _LITRE / 1000 / 1000),
    "L/kPa": _Unit("compliance", _LITRE / 1000),
    "cmH2O·s/L": _Unit("resistance", _CMH2O / _LITRE),
    "hPa·s/L": _Unit("resistance", 100 / _LITRE),
    "mbar·s/L": _Unit("resistance", 100 / _LITRE),
    "kPa·s/L": _Unit("resistance", 1000 / _LITRE),
    "cmH2O·s²/L²": _Unit("quadratic resistance", _CMH2O / _LITRE**2),
    "hPa·s²/L²": _Unit("quadratic resistance", 100 / _LITRE**2),
    "mbar·s²/L²": _Unit("quadratic resistance", 100 / _LITRE**2),
    "kPa·s²/L²": _Unit("quadratic resistance", 1000 / _LITRE**2),
    "mmol/L": _Unit("amount concentration", _f("1")),
    # Monovalent ions only, which is all that is measured here in it (bicarbonate).
    "mEq/L": _Unit("amount concentration", _f("1")),
    "g/L": _Unit("haemoglobin", _f("1")),
    "g/dL": _Unit("haemoglobin", _f("10")),
    "mmol/L Hb": _Unit("haemoglobin", _HAEMOGLOBIN_G_PER_MMOL),
    "mL/dL": _Unit("gas content", _f("1")),
    "J": _Unit("energy", _f("1")),
    "L·cmH2O": _Unit("energy", _LITRE * _CMH2O),
    "J/min": _Unit("power", Fraction(1, 60)),
    "W": _Unit("power", _f("1")),
    "°C": _Unit("temperature", _f("1"), _f("273.15")),
    "°F": _Unit("temperature", Fraction(5, 9), _f("459.67") * Fraction(5, 9)),
    "K": _Unit("temperature", _f("1")),
}


def known_units() -> tuple[str, ...]:
    """Every unit that :func:`convert` knows, spelled as it must be given."""
    return tuple(_UNITS)


def kind_of(unit: str) -> str:
    """What the unit measures (``pressure``, ``compliance``, …). Raises ``ValueError`` for an unknown unit."""
    try:
        return _UNITS[unit].kind
    except KeyError:
        raise ValueError(f"unknown unit {unit!r}") from None


def convert(value: float, source: str, target: str) -> float:
    """``value`` in ``source`` expressed in ``target``.

    Raises ``ValueError`` for an unknown unit and for units of different kinds; nothing is ever assumed.
    Sources: conventional units as in the SI brochure; haemoglobin counted per iron atom, 1 mmol = 16.114 g.
    """
    if kind_of(source) != kind_of(target):
        raise ValueError(f"{source!r} measures {kind_of(source)}, {target!r} measures {kind_of(target)}")
    if source == target:
        return value
    a, b = _UNITS[source], _UNITS[target]
    return value * float(a.factor / b.factor) + float((a.offset - b.offset) / b.factor)


ZERO_CELSIUS_K: Final = 273.15
STANDARD_PRESSURE_MMHG: Final = 760.0
BODY_TEMPERATURE_C: Final = 37.0
BODY_WATER_VAPOUR_MMHG: Final = 47.0


@dataclass(frozen=True, slots=True)
class GasCondition:
    """The condition in which a gas volume is stated: what a volume means depends on it by up to 21 %."""

    name: str
    temperature_c: float
    pressure_mmhg: float
    water_vapour_mmhg: float


STPD: Final = GasCondition("STPD", 0.0, STANDARD_PRESSURE_MMHG, 0.0)


def btps(barometric_pressure_mmhg: float = STANDARD_PRESSURE_MMHG) -> GasCondition:
    """Body temperature (37 °C), ambient pressure, saturated (47 mmHg)."""
    return GasCondition("BTPS", BODY_TEMPERATURE_C, barometric_pressure_mmhg, BODY_WATER_VAPOUR_MMHG)


def atpd(temperature_c: float, barometric_pressure_mmhg: float = STANDARD_PRESSURE_MMHG) -> GasCondition:
    """Ambient temperature and pressure, dry: gas as it leaves the wall or a dry sensor."""
    return GasCondition("ATPD", temperature_c, barometric_pressure_mmhg, 0.0)


def atps(temperature_c: float, barometric_pressure_mmhg: float = STANDARD_PRESSURE_MMHG) -> GasCondition:
    """Ambient temperature and pressure, saturated."""
    vapour = saturated_vapour_pressure_mmhg(temperature_c)
    return GasCondition("ATPS", temperature_c, barometric_pressure_mmhg, vapour)


def saturated_vapour_pressure_mmhg(temperature_c: float) -> float:
    """Pressure of saturated water vapour, mmHg, for 0 to 50 °C.

    Source: Tetens' form as given by Murray, J Appl Meteorol 1967;6:203:
    e = 6.1078 exp(17.2693882 T / (T + 237.3)) hPa; within 0.2 % of tables in this
    range. At 37 °C respiratory physiology uses 47 mmHg, and so do we.
    Raises ``ValueError`` outside the range.
    """
    if not 0.0 <= temperature_c <= 50.0:
        raise ValueError(f"saturated vapour pressure holds for 0 to 50 °C, not {temperature_c} °C")
    hectopascal = 6.1078 * math.exp(17.2693882 * temperature_c / (temperature_c + 237.3))
    return convert(hectopascal, "hPa", "mmHg")


def gas_volume_factor(source: GasCondition, target: GasCondition) -> float:
    """Factor by which a volume stated in ``source`` is multiplied to state it in ``target``.

    The amount of dry gas is the same in both: V (P - P_H2O) / T is constant (ideal gas).
    """
    dry_pressure_ratio = (source.pressure_mmhg - source.water_vapour_mmhg) / (
        target.pressure_mmhg - target.water_vapour_mmhg
    )
    temperature_ratio = (target.temperature_c + ZERO_CELSIUS_K) / (source.temperature_c + ZERO_CELSIUS_K)
    return dry_pressure_ratio * temperature_ratio
