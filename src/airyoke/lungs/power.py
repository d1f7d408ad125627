"""Mechanical power by formulas with names; they differ, so a number always says which it is.

Result J/min. Units: tidal volume mL, compliance mL/cmH2O, pressure cmH2O, resistance cmH2O·s/L, flow L/min,
time s. In pressure control the pressure above PEEP is peak - set PEEP, not the driving pressure of the lung.
Terms may be numbers or arrays. The factor is the rounded 0.098 J per L·cmH2O of the papers (0.07 % below the
exact one).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from airyoke.lungs.values import Values

JOULE_PER_LITRE_CMH2O: Final = 0.098


def power_gattinoni_extended_j_per_min(
    rate_per_min: Values,
    tidal_volume_ml: Values,
    compliance_ml_per_cmh2o: Values,
    resistance_cmh2o_s_per_l: Values,
    peep_cmh2o: Values,
    inspiratory_to_expiratory_ratio: Values,
) -> Values:
    """Volume control: 0.098 RR (VT² (E / 2 + RR (1 + IE) / (60 IE) R) + VT PEEP), IE = Ti / Te.

    Source: Gattinoni, Intensive Care Med 2016;42:1567.
    """
    volume_l = tidal_volume_ml / 1000.0
    elastance = 1000.0 / compliance_ml_per_cmh2o
    ratio = inspiratory_to_expiratory_ratio
    flow_per_volume = rate_per_min * (1.0 + ratio) / (60.0 * ratio)
    inside = (
        volume_l**2 * (elastance / 2.0 + flow_per_volume * resistance_cmh2o_s_per_l) + volume_l * peep_cmh2o
    )
    return JOULE_PER_LITRE_CMH2O * rate_per_min * inside


def power_gattinoni_simple_j_per_min(
    rate_per_min: Values,
    tidal_volume_ml: Values,
    peak_cmh2o: Values,
    plateau_cmh2o: Values,
    peep_cmh2o: Values,
) -> Values:
    """Volume control: 0.098 RR VT (peak - (plateau - PEEP) / 2). Source: Gattinoni, as above."""
    pressure = peak_cmh2o - (plateau_cmh2o - peep_cmh2o) / 2.0
    return JOULE_PER_LITRE_CMH2O * rate_per_min * tidal_volume_ml / 1000.0 * pressure


def power_giosa_j_per_min(
    minute_volume_l_per_min: Values, peak_cmh2o: Values, peep_cmh2o: Values, flow_l_per_min: Values
) -> Values:
    """Volume control without a hold: VE (peak + PEEP + flow / 6) / 20.

    Source: Giosa, Intensive Care Med Exp 2019;7:61.
    """
    return minute_volume_l_per_min * (peak_cmh2o + peep_cmh2o + flow_l_per_min / 6.0) / 20.0


def power_becher_simple_j_per_min(
    rate_per_min: Values, tidal_volume_ml: Values, pressure_above_peep_cmh2o: Values, peep_cmh2o: Values
) -> Values:
    """Pressure control, square pressure: 0.098 RR VT (pressure above PEEP + PEEP).

    Source: Becher, Intensive Care Med 2019;45:1321. Measured error against the loop 19 % with a rise time
    (Trinkle, Intensive Care Med Exp 2022, doi 10.1186/s40635-022-00448-5).
    """
    pressure = pressure_above_peep_cmh2o + peep_cmh2o
    return JOULE_PER_LITRE_CMH2O * rate_per_min * tidal_volume_ml / 1000.0 * pressure


def power_becher_rise_j_per_min(
    rate_per_min: Values,
    tidal_volume_ml: Values,
    pressure_above_peep_cmh2o: Values,
    peep_cmh2o: Values,
    compliance_ml_per_cmh2o: Values,
    resistance_cmh2o_s_per_l: Values,
    rise_time_s: Values,
) -> Values:
    """Pressure control with a linear rise (rise time > 0), the simple form less what the ramp saves:

    0.098 RR ((dP + PEEP) VT - dP² C (0.5 - x + x² (1 - exp(-1/x)))), x = R C / rise time.
    Source: Becher, as above; exact for one compartment that starts at PEEP.
    """
    compliance_l = compliance_ml_per_cmh2o / 1000.0
    x = resistance_cmh2o_s_per_l * compliance_l / rise_time_s
    saved = pressure_above_peep_cmh2o**2 * compliance_l * (0.5 - x - x**2 * np.expm1(-1.0 / x))
    simple = (pressure_above_peep_cmh2o + peep_cmh2o) * tidal_volume_ml / 1000.0
    return JOULE_PER_LITRE_CMH2O * rate_per_min * (simple - saved)


def power_van_der_meijden_j_per_min(
    rate_per_min: Values,
    tidal_volume_ml: Values,
    pressure_above_peep_cmh2o: Values,
    peep_cmh2o: Values,
    compliance_ml_per_cmh2o: Values,
    resistance_cmh2o_s_per_l: Values,
    inspiratory_time_s: Values,
) -> Values:
    """Pressure control: 0.098 RR VT (PEEP + dP (1 - exp(-Ti / (R C)))).

    Source: van der Meijden, Intensive Care Med 2019;45:1495 (from memory).
    """
    time_constant = resistance_cmh2o_s_per_l * compliance_ml_per_cmh2o / 1000.0
    reached = -np.expm1(-inspiratory_time_s / time_constant)
    pressure = peep_cmh2o + pressure_above_peep_cmh2o * reached
    return JOULE_PER_LITRE_CMH2O * rate_per_min * tidal_volume_ml / 1000.0 * pressure
