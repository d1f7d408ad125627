"""Severity classes of the acute respiratory distress syndrome. For words beside a patient, never for a sum.
"""

from __future__ import annotations

from typing import Final, Literal

Severity = Literal["severe", "moderate", "mild", "none"]

HIGHEST_SPO2_FOR_CLASS_PCT: Final = 97.0
# Above this altitude the ratio is corrected by barometric pressure (Berlin definition): 1000 m of the
# standard atmosphere is 674 mmHg.
_CORRECT_BELOW_MMHG: Final = 674.0


def berlin_class(pao2_mmhg: float, fio2: float, barometric_pressure_mmhg: float = 760.0) -> Severity:
    """Class by PaO2/FiO2 at PEEP >= 5 cmH2O: severe <= 100, moderate <= 200, mild <= 300 mmHg.

    Above 1000 m the ratio is multiplied by barometric pressure / 760.
    Source: Ranieri, JAMA 2012;307:2526 (Berlin definition).
    """
    ratio = pao2_mmhg / fio2
    if barometric_pressure_mmhg < _CORRECT_BELOW_MMHG:
        ratio *= barometric_pressure_mmhg / 760.0
    return _class(ratio, 100.0, 200.0, 300.0)


def global_class(spo2_pct: float, fio2: float) -> Severity | None:
    """Class by SpO2/FiO2 of an intubated patient: severe <= 148, moderate <= 235, mild <= 315.

    ``None`` above SpO2 97 %: the curve is flat there and the ratio says nothing.
    Source: Matthay, Am J Respir Crit Care Med 2024;209:37 (global definition of 2023).
    """
    if spo2_pct > HIGHEST_SPO2_FOR_CLASS_PCT:
        return None
    return _class(spo2_pct / fio2, 148.0, 235.0, 315.0)


def _class(ratio: float, severe: float, moderate: float, mild: float) -> Severity:
    # A ratio of two decimal readings may miss a bound by rounding (60 / 0.6); the bound belongs to the worse
    # class.
    ratio = round(ratio, 9)
    if ratio <= severe:
        return "severe"
    if ratio <= moderate:
        return "moderate"
    return "mild" if ratio <= mild else "none"
