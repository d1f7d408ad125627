"""What the resistance of a patient is taken to be where it was not measured. Low confidence, and said so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from airyoke.lungs.readings import Readings
from airyoke.lungs.severity import berlin_class, global_class

LungClass = Literal["near-normal", "ards", "obstructive", "status-asthmaticus"]

# Condition ids that mean obstruction; the table of conditions has them.
OBSTRUCTIVE_CONDITIONS: Final = frozenset({"obstructive-lung-disease", "status-asthmaticus"})

# Middle of the usual range with an 8.0 mm tube, cmH2O·s/L (5-12, 8-18, 15-35, 25-60). From memory.
_BY_CLASS: Final[dict[LungClass, float]] = {
    "near-normal": 9.0,
    "ards": 12.0,
    "obstructive": 22.0,
    "status-asthmaticus": 35.0,
}
_REFERENCE_TUBE_MM: Final = 8.0
# Part of it that is the 8.0 mm tube at 0.5 L/s. From memory; a smooth straight tube alone would be 1.6.
_TUBE_PART_CMH2O_S_PER_L: Final = 4.8
# Turbulent flow in a smooth tube: pressure ~ diameter^-4.75 (Blasius; for tracheal tubes Lofaso, Am Rev
# Respir Dis 1992;146:974).
_DIAMETER_EXPONENT: Final = -4.75

# A tracheal tube alone has about this much; what is measured below it is an error of reading. Judgement.
LOWEST_RESISTANCE_CMH2O_S_PER_L: Final = 2.0
HIGHEST_RESISTANCE_CMH2O_S_PER_L: Final = 150.0


@dataclass(frozen=True, slots=True)
class DefaultResistance:
    """Inspiratory resistance with the tube, cmH2O·s/L, and the words that go with it."""

    value_cmh2o_s_per_l: float
    lung_class: LungClass
    basis: str


def lung_class(readings: Readings, conditions: tuple[str, ...]) -> LungClass:
    """Class of the lungs by conditions first, then by oxygenation; unknown oxygenation counts as ARDS."""
    if "status-asthmaticus" in conditions:
        return "status-asthmaticus"
    if OBSTRUCTIVE_CONDITIONS.intersection(conditions):
        return "obstructive"
    severity = None
    if readings.pao2_mmhg is not None:
        severity = berlin_class(readings.pao2_mmhg, readings.fio2)
    elif readings.spo2_pct is not None:
        severity = global_class(readings.spo2_pct, readings.fio2)
    return "near-normal" if severity == "none" else "ards"


def default_resistance(readings: Readings, conditions: tuple[str, ...]) -> DefaultResistance:
    """Resistance by class of lungs, moved by the size of the tube where it is known.

    A tube's size is a lower bound only: tubes in use often behave like a smaller size (Wilson, Chest
    2009;136:1006), so a narrower tube raises the value and a wider one hardly lowers it.
    """
    kind = lung_class(readings, conditions)
    value = _BY_CLASS[kind]
    basis = f"typical of {kind} lungs with a {_REFERENCE_TUBE_MM:g} mm tube, from memory"
    if readings.tube_mm is not None:
        relative = (readings.tube_mm / _REFERENCE_TUBE_MM) ** _DIAMETER_EXPONENT
        value += _TUBE_PART_CMH2O_S_PER_L * (relative - 1.0)
        basis += f"; tube part scaled to {readings.tube_mm:g} mm by diameter^-4.75"
    return DefaultResistance(max(value, LOWEST_RESISTANCE_CMH2O_S_PER_L), kind, basis)
