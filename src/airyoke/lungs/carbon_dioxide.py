"""Carbon dioxide and acid-base: ventilation to PaCO2 to pH, and back.

Units: tidal volumes and dead spaces mL (BTPS), ventilation L/min (BTPS), CO2 output mL/min (STPD), pressures
mmHg, bicarbonate mmol/L. Terms may be numbers or arrays.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from airyoke.lungs.values import Values

# 760 mmHg x 310.15 K / 273.15 K / 1000: from mL/min STPD and L/min BTPS to mmHg.
VENTILATION_CONSTANT_MMHG: Final = 0.863
# Solubility of CO2 in plasma at 37 °C, mmol/L/mmHg (0.230 mmol/L/kPa); texts print 0.03 to 0.0307.
CO2_SOLUBILITY: Final = 0.0307
CARBONIC_ACID_PK: Final = 6.1

# Bicarbonate rises 1 mmol/L for each 10 mmHg within minutes (textbook, from 24 mmol/L at 40 mmHg; the same
# slope is used downwards: judgement). The acute rise ends near 30 from 24, so the change is held within 6
# either way.
ACUTE_BICARBONATE_PER_MMHG: Final = 0.1
ACUTE_BICARBONATE_MOST: Final = 6.0
LOWEST_BICARBONATE_MMOL_PER_L: Final = 2.0


def alveolar_ventilation_l_per_min(
    tidal_volume_ml: Values,
    rate_per_min: Values,
    airway_dead_space_ml: Values,
    apparatus_dead_space_ml: Values,
    alveolar_dead_space_fraction: Values,
) -> Values:
    """Alveolar ventilation, L/min: rate x (VT - airway - apparatus dead space) x (1 - alveolar fraction).

    The alveolar dead space is a fraction of what gets past the airway and the apparatus. Holding dead-space
    *volumes* of airway and apparatus and the *fraction* of the rest is the middle of the three usual
    assumptions (VD/VT fixed, VD volume fixed, this one); which is used decides the answer. Not above zero
    where the breath does not get past the dead space.
    """
    beyond_airway_ml = tidal_volume_ml - airway_dead_space_ml - apparatus_dead_space_ml
    return rate_per_min * beyond_airway_ml * (1.0 - alveolar_dead_space_fraction) / 1000.0


def paco2_mmhg(vco2_ml_per_min: Values, alveolar_ventilation_l_per_min: Values) -> Values:
    """PaCO2, mmHg: 0.863 x CO2 output / alveolar ventilation (> 0), no CO2 inspired.

    Source: alveolar ventilation equation (textbook); the constant computed from its units.
    """
    return VENTILATION_CONSTANT_MMHG * vco2_ml_per_min / alveolar_ventilation_l_per_min


def vco2_ml_per_min(paco2_mmhg: Values, alveolar_ventilation_l_per_min: Values) -> Values:
    """CO2 output, mL/min STPD, that this PaCO2 means at this alveolar ventilation (the inverse)."""
    return paco2_mmhg * alveolar_ventilation_l_per_min / VENTILATION_CONSTANT_MMHG


def ph_from(bicarbonate_mmol_per_l: Values, paco2_mmhg: Values) -> Values:
    """pH by Henderson-Hasselbalch: 6.1 + log10(HCO3 / (0.0307 PaCO2)). Both must be positive."""
    return CARBONIC_ACID_PK + np.log10(bicarbonate_mmol_per_l / (CO2_SOLUBILITY * paco2_mmhg))


def bicarbonate_from_mmol_per_l(ph: Values, paco2_mmhg: Values) -> Values:
    """Bicarbonate, mmol/L, by Henderson-Hasselbalch from pH and PaCO2 (the inverse of :func:`ph_from`)."""
    return CO2_SOLUBILITY * paco2_mmhg * 10.0 ** (ph - CARBONIC_ACID_PK)


def acute_bicarbonate_mmol_per_l(
    bicarbonate_mmol_per_l: Values, present_paco2_mmhg: Values, new_paco2_mmhg: Values
) -> Values:
    """Bicarbonate minutes to hours after PaCO2 has changed, from the patient's own value before.

    0.1 mmol/L per mmHg, the change held within ±6 and the result at 2 mmol/L or above (see the constants
    here).
    """
    change = ACUTE_BICARBONATE_PER_MMHG * (new_paco2_mmhg - present_paco2_mmhg)
    held = np.clip(change, -ACUTE_BICARBONATE_MOST, ACUTE_BICARBONATE_MOST)
    return np.maximum(bicarbonate_mmol_per_l + held, LOWEST_BICARBONATE_MMOL_PER_L)


def physiological_dead_space_fraction(paco2_mmhg: Values, mixed_expired_co2_mmhg: Values) -> Values:
    """VD/VT by Bohr-Enghoff: (PaCO2 - mixed expired PCO2) / PaCO2. It counts shunt as dead space as well."""
    return (paco2_mmhg - mixed_expired_co2_mmhg) / paco2_mmhg


def alveolar_dead_space_index(paco2_mmhg: Values, end_tidal_co2_mmhg: Values) -> Values:
    """1 - end-tidal CO2 / PaCO2: the alveolar dead space as a fraction of the alveolar tidal volume.

    Source: Bonifazi, Intensive Care Med Exp 2021;9:21.
    """
    return 1.0 - end_tidal_co2_mmhg / paco2_mmhg


def ventilatory_ratio(
    minute_volume_ml_per_min: Values, paco2_mmhg: Values, predicted_body_weight_kg: Values
) -> Values:
    """Ventilatory ratio: minute volume x PaCO2 / (predicted body weight x 100 x 37.5). About 1 is normal.

    Source: Sinha, Am J Respir Crit Care Med 2019;199:333.
    """
    return minute_volume_ml_per_min * paco2_mmhg / (predicted_body_weight_kg * 100.0 * 37.5)
