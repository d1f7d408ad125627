"""Oxygen: alveolar gas, saturation, content, shunt. A new FiO2 goes through shunt, never by scaling
PaO2/FiO2.

Units: pressures mmHg, saturation as a fraction 0 to 1, content mL/dL, haemoglobin g/dL, FiO2 a fraction.
Terms may be numbers or arrays. At 37 °C.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.lungs.values import Values

WATER_VAPOUR_MMHG: Final = 47.0
RESPIRATORY_QUOTIENT: Final = 0.8
STANDARD_BAROMETRIC_MMHG: Final = 760.0
NORMAL_PH: Final = 7.40
# mL of oxygen per g of haemoglobin; 1.31 to 1.39 are in use (textbooks).
HUEFNER_ML_PER_G: Final = 1.34
# mL/dL/mmHg dissolved at 37 °C (textbooks print 0.003 or 0.0031).
OXYGEN_SOLUBILITY: Final = 0.0031

# Between these every inverse is sought: below no patient lives, above no bedside pressure reaches.
LOWEST_PO2_MMHG: Final = 1.0
HIGHEST_PO2_MMHG: Final = 800.0
HIGHEST_SHUNT: Final = 0.95


def alveolar_po2_mmhg(
    fio2: Values,
    paco2_mmhg: Values,
    barometric_pressure_mmhg: Values = STANDARD_BAROMETRIC_MMHG,
    respiratory_quotient: Values = RESPIRATORY_QUOTIENT,
) -> Values:
    """Alveolar PO2, mmHg, full form: FiO2 (PB - 47) - PaCO2 / R + PaCO2 FiO2 (1 - R) / R.

    Source: alveolar gas equation (textbook).
    """
    short = alveolar_po2_short_mmhg(fio2, paco2_mmhg, barometric_pressure_mmhg, respiratory_quotient)
    return short + paco2_mmhg * fio2 * (1.0 - respiratory_quotient) / respiratory_quotient


def alveolar_po2_short_mmhg(
    fio2: Values,
    paco2_mmhg: Values,
    barometric_pressure_mmhg: Values = STANDARD_BAROMETRIC_MMHG,
    respiratory_quotient: Values = RESPIRATORY_QUOTIENT,
) -> Values:
    """Alveolar PO2, mmHg, without the last term, as many books print it; reads low by a few mmHg."""
    return fio2 * (barometric_pressure_mmhg - WATER_VAPOUR_MMHG) - paco2_mmhg / respiratory_quotient


def saturation(po2_mmhg: Values, ph: Values = NORMAL_PH) -> Values:
    """Saturation of haemoglobin, 0 to 1, with the shift by pH (Bohr). PO2 > 0.

    Source: Severinghaus, J Appl Physiol 1979;46:599 (error of the curve at pH 7.40 at most 0.0055).
    """
    virtual = po2_mmhg * np.exp(_shift_per_ph(np.log(po2_mmhg)) * (NORMAL_PH - ph))
    return 1.0 / (23400.0 / (virtual**3 + 150.0 * virtual) + 1.0)


def po2_from_saturation_mmhg(saturation: Values, ph: Values = NORMAL_PH) -> Values:
    """PO2, mmHg, at which haemoglobin has this saturation (0 < S < 1): the exact inverse of
    :func:`saturation`.

    Source: Ellis, J Appl Physiol 1989;67:902 for the curve; the shift by pH is inverted by Newton's method.
    """
    a = 11700.0 * saturation / (1.0 - saturation)
    # cbrt(a + b) + cbrt(a - b) with b = sqrt(50^3 + a^2); the second is taken as -50 / first, their product
    # being cbrt(a^2 - b^2) = -50, because a - b loses its digits where a is large.
    first = np.cbrt(a + np.sqrt(125000.0 + a * a))
    log_virtual = np.log(first - 50.0 / first)
    log_po2 = log_virtual
    delta = NORMAL_PH - ph
    # The shift is a weak function of PO2 (slope below 0.3 per pH unit): six steps reach rounding for pH 6.5
    # to 7.9.
    for _ in range(6):
        shift = _shift_per_ph(log_po2)
        slope = 1.0 + _BOHR_EXPONENT * (shift + _BOHR_OFFSET) * delta
        log_po2 = log_po2 - (log_po2 + shift * delta - log_virtual) / slope
    return np.exp(log_po2)


_BOHR_EXPONENT: Final = 0.184
_BOHR_OFFSET: Final = 2.2
_LOG_P50: Final = float(np.log(26.6))


def _shift_per_ph(log_po2: Values) -> Values:
    """d ln P / d pH = (P / 26.6)^0.184 - 2.2 (Severinghaus 1979, as above)."""
    return np.exp(_BOHR_EXPONENT * (log_po2 - _LOG_P50)) - _BOHR_OFFSET


def oxygen_content_ml_per_dl(
    po2_mmhg: Values, haemoglobin_g_per_dl: Values, ph: Values = NORMAL_PH
) -> Values:
    """Oxygen content of blood, mL/dL: 1.34 Hb S + 0.0031 PO2 (textbook)."""
    return HUEFNER_ML_PER_G * haemoglobin_g_per_dl * saturation(po2_mmhg, ph) + OXYGEN_SOLUBILITY * po2_mmhg


def po2_from_content_mmhg(
    content_ml_per_dl: Values, haemoglobin_g_per_dl: Values, ph: Values = NORMAL_PH
) -> Values:
    """PO2, mmHg, at which blood has this oxygen content; held within 1 to 800 mmHg.

    A fixed number of steps in ln PO2, halving first and Newton's after, so that a thousand draws cost little
    more than one and each gets what it would get alone. Within those bounds PO2 comes back within 1e-9 of
    itself.
    """
    content, haemoglobin, ph_ = np.broadcast_arrays(
        np.asarray(content_ml_per_dl, dtype=np.float64),
        np.asarray(haemoglobin_g_per_dl, dtype=np.float64),
        np.asarray(ph, dtype=np.float64),
    )
    capacity = HUEFNER_ML_PER_G * haemoglobin
    delta = NORMAL_PH - ph_
    # Content rises steadily with PO2 but bends twice: Newton's steps alone may stall, so the bracket (6.7
    # wide in ln PO2) is halved ten times, to 0.7 % of PO2, from where four steps reach rounding.
    log_po2 = np.full(content.shape, 0.5 * (_LOG_LOWEST + _LOG_HIGHEST))
    width = 0.25 * (_LOG_HIGHEST - _LOG_LOWEST)
    for _ in range(10):
        po2 = np.exp(log_po2)
        cubic = _virtual_cubic(log_po2, po2, delta)[0]
        excess = capacity * (cubic / (cubic + 23400.0)) + OXYGEN_SOLUBILITY * po2 - content
        log_po2 = log_po2 - np.copysign(width, excess)
        width *= 0.5
    for _ in range(4):
        po2 = np.exp(log_po2)
        cubic, steepness = _virtual_cubic(log_po2, po2, delta)
        filled = cubic / (cubic + 23400.0)
        excess = capacity * filled + OXYGEN_SOLUBILITY * po2 - content
        slope = capacity * filled * (1.0 - filled) * steepness + OXYGEN_SOLUBILITY * po2
        log_po2 = np.clip(log_po2 - excess / slope, _LOG_LOWEST, _LOG_HIGHEST)
    found = np.exp(log_po2)
    return found if found.ndim else float(found)


_LOG_LOWEST: Final = float(np.log(LOWEST_PO2_MMHG))
_LOG_HIGHEST: Final = float(np.log(HIGHEST_PO2_MMHG))
_Array = NDArray[np.float64]


def _virtual_cubic(log_po2: _Array, po2: _Array, delta: _Array) -> tuple[_Array, _Array]:
    """P^3 + 150 P at the PO2 that pH has shifted, and its logarithmic slope against the PO2 that is there."""
    power = np.exp(_BOHR_EXPONENT * (log_po2 - _LOG_P50))
    virtual = po2 * np.exp((power - _BOHR_OFFSET) * delta)
    square = virtual * virtual
    slope = (3.0 - 300.0 / (square + 150.0)) * (1.0 + _BOHR_EXPONENT * power * delta)
    return virtual * (square + 150.0), slope


def shunt_equation(
    end_capillary_ml_per_dl: Values, arterial_ml_per_dl: Values, venous_ml_per_dl: Values
) -> Values:
    """Shunt fraction: (Cc' - Ca) / (Cc' - Cv), contents in mL/dL, Cc' that at alveolar PO2 (textbook)."""
    return (end_capillary_ml_per_dl - arterial_ml_per_dl) / (end_capillary_ml_per_dl - venous_ml_per_dl)


def shunt_from_po2(
    pao2_mmhg: Values,
    fio2: Values,
    paco2_mmhg: Values,
    ph: Values,
    haemoglobin_g_per_dl: Values,
    arteriovenous_difference_ml_per_dl: Values,
    barometric_pressure_mmhg: Values = STANDARD_BAROMETRIC_MMHG,
) -> Values:
    """Virtual shunt, 0 to 0.95, that gives this PaO2 with an assumed arteriovenous content difference.

    s = (Cc' - Ca) / ((Cc' - Ca) + d). It lumps true shunt and low ventilation-perfusion together and is poor
    below FiO2 0.35. A PaO2 above the alveolar PO2 gives 0.
    Source: Benatar, Br J Anaesth 1973;45:711 (iso-shunt lines, from memory).
    """
    capillary = _end_capillary(fio2, paco2_mmhg, ph, haemoglobin_g_per_dl, barometric_pressure_mmhg)
    gap = np.maximum(capillary - oxygen_content_ml_per_dl(pao2_mmhg, haemoglobin_g_per_dl, ph), 0.0)
    return np.minimum(gap / (gap + arteriovenous_difference_ml_per_dl), HIGHEST_SHUNT)


def po2_from_shunt_mmhg(
    shunt_fraction: Values,
    fio2: Values,
    paco2_mmhg: Values,
    ph: Values,
    haemoglobin_g_per_dl: Values,
    arteriovenous_difference_ml_per_dl: Values,
    barometric_pressure_mmhg: Values = STANDARD_BAROMETRIC_MMHG,
) -> Values:
    """PaO2, mmHg (1 at the least), at this virtual shunt: Ca = Cc' - d s / (1 - s), then content inverted.

    The inverse of :func:`shunt_from_po2`. A change of PEEP, posture or absorption changes the shunt itself;
    that is not predicted here.
    """
    capillary = _end_capillary(fio2, paco2_mmhg, ph, haemoglobin_g_per_dl, barometric_pressure_mmhg)
    shunt = np.clip(shunt_fraction, 0.0, HIGHEST_SHUNT)
    arterial = capillary - arteriovenous_difference_ml_per_dl * shunt / (1.0 - shunt)
    return po2_from_content_mmhg(arterial, haemoglobin_g_per_dl, ph)


def _end_capillary(
    fio2: Values,
    paco2_mmhg: Values,
    ph: Values,
    haemoglobin_g_per_dl: Values,
    barometric_pressure_mmhg: Values,
) -> Values:
    # A very high PaCO2 leaves no alveolar oxygen; the content is then next to nothing, never that of a
    # negative PO2.
    alveolar = np.maximum(alveolar_po2_mmhg(fio2, paco2_mmhg, barometric_pressure_mmhg), LOWEST_PO2_MMHG)
    return oxygen_content_ml_per_dl(alveolar, haemoglobin_g_per_dl, ph)


def pao2_to_fio2_rice_mmhg(spo2_to_fio2: Values) -> Values:
    """P/F in mmHg from S/F (SpO2 in %): (S/F - 64) / 0.84. Source: Rice, Chest 2007;132:410."""
    return (spo2_to_fio2 - 64.0) / 0.84


def pao2_to_fio2_log_mmhg(spo2_to_fio2: Values) -> Values:
    """P/F in mmHg from S/F (SpO2 in %), log form: 10^(0.78 log10(S/F) + 0.48).

    Source: Pandharipande (citation not checked, formula from a public calculator).
    """
    return 10.0 ** (0.78 * np.log10(spo2_to_fio2) + 0.48)


def pao2_to_fio2_nonlinear_mmhg(spo2_pct: Values, fio2: Values) -> Values:
    """P/F, mmHg, by the dissociation curve at pH 7.40; SpO2 <= 96 %. Source: Brown, Chest 2016;150:307."""
    return po2_from_saturation_mmhg(spo2_pct / 100.0) / fio2
