"""Gas exchange after a change, draw by draw: from the patient's present gas where there is one, else from
typed lungs.

Pure and vectorised: terms are numbers or arrays over draws. Units as in :mod:`airyoke.lungs.carbon_dioxide`
and :mod:`airyoke.lungs.oxygen`. What moves the lung itself (recruitment, posture, a new PEEP) is not
predicted.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from airyoke.lungs.carbon_dioxide import (
    acute_bicarbonate_mmol_per_l,
    alveolar_ventilation_l_per_min,
    paco2_mmhg,
    ph_from,
)
from airyoke.lungs.oxygen import (
    HIGHEST_SHUNT,
    STANDARD_BAROMETRIC_MMHG,
    po2_from_saturation_mmhg,
    po2_from_shunt_mmhg,
    saturation,
    shunt_from_po2,
)
from airyoke.lungs.patient import Present
from airyoke.lungs.values import Values

# A breath that does not get past the dead space gives the highest PaCO2: finite, so that the pH limit fails
# on it instead of a number that is none. Below the lowest nothing is measured.
HIGHEST_PACO2_MMHG: Final = 250.0
LOWEST_PACO2_MMHG: Final = 8.0

# Stand-ins for oxygen only, where no arterial gas exists; their error moves PaO2 little.
ASSUMED_PACO2_MMHG: Final = 40.0
ASSUMED_PH: Final = 7.40

# Above this the curve is so flat that a saturation is no measure of PaO2 (also the bound of the S/F classes).
HIGHEST_INFORMATIVE_SPO2_PCT: Final = 97.0


def paco2_calibrated_mmhg(
    *,
    present_paco2_mmhg: Values,
    present_tidal_volume_ml: Values,
    present_rate_per_min: Values,
    present_apparatus_dead_space_ml: Values,
    tidal_volume_ml: Values,
    rate_per_min: Values,
    apparatus_dead_space_ml: Values,
    airway_dead_space_ml: Values,
    vco2_factor: Values = 1.0,
    paco2_sd_mmhg: Values = 0.0,
    change_sd_fraction: Values = 0.0,
    z: Values = 0.0,
) -> Values:
    """PaCO2 after a change of ventilation, mmHg: present PaCO2 x present / new alveolar ventilation.

    CO2 output is taken as constant (or ``vco2_factor`` times the present one), and so is the alveolar dead space as
    a fraction of what gets past airway and apparatus; both cancel, and unchanged ventilation gives back the present
    PaCO2. ``z`` (standard
    normal, one a draw) adds z x (``paco2_sd_mmhg`` + ``change_sd_fraction`` x |change|). Result within 8 to
    250 mmHg; 250 where the new breath, or the present one, does not get past the dead space.
    Source: constant-output relation (textbook); the spread is a judgement.
    """
    present = present_rate_per_min * (
        present_tidal_volume_ml - airway_dead_space_ml - present_apparatus_dead_space_ml
    )
    new = rate_per_min * (tidal_volume_ml - airway_dead_space_ml - apparatus_dead_space_ml)
    # Written so that an unknown (NaN) stays unknown and is not taken for a breath that moves nothing.
    blocked = (np.asarray(new) <= 0.0) | (np.asarray(present) <= 0.0)
    output = vco2_factor * present_paco2_mmhg * present
    predicted = np.minimum(output / np.where(blocked, 1.0, new), HIGHEST_PACO2_MMHG)
    spread = paco2_sd_mmhg + change_sd_fraction * np.abs(predicted - present_paco2_mmhg)
    return _held(np.where(blocked, HIGHEST_PACO2_MMHG, predicted + z * spread))


def paco2_typed_mmhg(
    *,
    vco2_ml_per_min: Values,
    tidal_volume_ml: Values,
    rate_per_min: Values,
    airway_dead_space_ml: Values,
    apparatus_dead_space_ml: Values,
    alveolar_dead_space_fraction: Values,
    paco2_sd_mmhg: Values = 0.0,
    z: Values = 0.0,
) -> Values:
    """PaCO2, mmHg, from CO2 output and dead spaces that were typed; the same bounds as the calibrated form.
    """
    ventilation = alveolar_ventilation_l_per_min(
        tidal_volume_ml,
        rate_per_min,
        airway_dead_space_ml,
        apparatus_dead_space_ml,
        alveolar_dead_space_fraction,
    )
    blocked = np.asarray(ventilation) <= 0.0
    predicted = paco2_mmhg(vco2_ml_per_min, np.where(blocked, 1.0, ventilation))
    return _held(np.where(blocked, HIGHEST_PACO2_MMHG, predicted + z * paco2_sd_mmhg))


def ph_after_change(
    bicarbonate_mmol_per_l: Values, paco2_mmhg: Values, present_paco2_mmhg: Values | None = None
) -> Values:
    """pH at this PaCO2 from the patient's **own** bicarbonate.

    With a present PaCO2 the bicarbonate first makes its acute response (0.1 mmol/L per mmHg, at most ±6);
    without one it stays as typed.
    """
    if present_paco2_mmhg is None:
        return ph_from(bicarbonate_mmol_per_l, paco2_mmhg)
    acute = acute_bicarbonate_mmol_per_l(bicarbonate_mmol_per_l, present_paco2_mmhg, paco2_mmhg)
    return ph_from(acute, paco2_mmhg)


def present_arterial_po2_mmhg(present: Present) -> float | None:
    """The present PaO2, mmHg: measured, or from an SpO2 of at most 97 % at the present pH; else ``None``."""
    if present.pao2_mmhg is not None:
        return present.pao2_mmhg
    if present.spo2_pct is None or present.spo2_pct > HIGHEST_INFORMATIVE_SPO2_PCT:
        return None
    ph = ASSUMED_PH if present.ph is None else present.ph
    return float(po2_from_saturation_mmhg(present.spo2_pct / 100.0, ph))


def shunt_calibrated(
    *,
    present_pao2_mmhg: Values,
    fio2: Values,
    paco2_mmhg: Values,
    ph: Values,
    haemoglobin_g_per_dl: Values,
    arteriovenous_difference_ml_per_dl: Values,
    offset: Values = 0.0,
    barometric_pressure_mmhg: Values = STANDARD_BAROMETRIC_MMHG,
) -> Values:
    """Shunt of each draw that gives back the present PaO2 with *its* haemoglobin and arteriovenous
    difference.

    ``offset`` (drawn shunt - fitted shunt) then moves it: haemoglobin and difference alone do not make the
    present oxygenation uncertain, the shunt does. Held within 0 to 0.95.
    """
    fitted = shunt_from_po2(
        present_pao2_mmhg,
        fio2,
        paco2_mmhg,
        ph,
        haemoglobin_g_per_dl,
        arteriovenous_difference_ml_per_dl,
        barometric_pressure_mmhg,
    )
    return np.clip(fitted + offset, 0.0, HIGHEST_SHUNT)


def spo2_predicted_pct(
    *,
    shunt_fraction: Values,
    fio2: Values,
    paco2_mmhg: Values,
    ph: Values,
    haemoglobin_g_per_dl: Values,
    arteriovenous_difference_ml_per_dl: Values,
    barometric_pressure_mmhg: Values = STANDARD_BAROMETRIC_MMHG,
) -> Values:
    """Saturation, %, at this shunt, FiO2, PaCO2 and pH, as the blood has it (an oximeter errs by some
    points).
    """
    po2 = po2_from_shunt_mmhg(
        shunt_fraction,
        fio2,
        paco2_mmhg,
        ph,
        haemoglobin_g_per_dl,
        arteriovenous_difference_ml_per_dl,
        barometric_pressure_mmhg,
    )
    return 100.0 * saturation(po2, ph)


def _held(paco2: Values) -> Values:
    held = np.clip(paco2, LOWEST_PACO2_MMHG, HIGHEST_PACO2_MMHG)
    return held if np.ndim(held) else float(held)
