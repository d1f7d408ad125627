"""Mechanics of the respiratory system from what is read at the bedside. Passive patients only.

Units throughout: volume mL, compliance mL/cmH2O, pressure cmH2O, flow L/s, resistance cmH2O·s/L, time s.
Terms may be numbers or arrays. Where no other source is named, a formula follows from the equation of motion
of one linear compartment, pressure = resistance x flow + volume / compliance + total PEEP (textbook).
"""

from __future__ import annotations

import numpy as np

from airyoke.lungs.values import Values


def driving_pressure_cmh2o(plateau_cmh2o: Values, total_peep_cmh2o: Values) -> Values:
    """Driving pressure, cmH2O: plateau minus **total** PEEP. With set PEEP instead it reads too high.

    Source: Amato, N Engl J Med 2015;372:747.
    """
    return plateau_cmh2o - total_peep_cmh2o


def static_compliance_ml_per_cmh2o(
    tidal_volume_ml: Values, plateau_cmh2o: Values, total_peep_cmh2o: Values
) -> Values:
    """Static compliance, mL/cmH2O: tidal volume / (plateau - total PEEP), from holds without flow.

    The plateau must lie above total PEEP; the pause should last at least 0.5 s (shorter ones read too high).
    """
    return tidal_volume_ml / driving_pressure_cmh2o(plateau_cmh2o, total_peep_cmh2o)


def compliance_systematic_bound_ml_per_cmh2o(
    tidal_volume_ml: Values, plateau_cmh2o: Values, total_peep_cmh2o: Values
) -> tuple[Values, Values]:
    """Lowest and highest static compliance that a machine's usual accuracy allows, mL/cmH2O.

    Accuracy: volume ±(4 mL + 15 %), pressure ±(2 cmH2O + 4 %) (typical statement of makers, from memory).
    Plateau and total PEEP are read by one sensor within seconds, so their difference is given the error of
    one reading, not of two (judgement). It is shared by all settings on that machine: shown beside an
    estimate, not drawn. The upper bound is infinite where the driving pressure is within its error.
    """
    swing = driving_pressure_cmh2o(plateau_cmh2o, total_peep_cmh2o)
    volume_error = 4.0 + 0.15 * tidal_volume_ml
    pressure_error = 2.0 + 0.04 * swing
    low = (tidal_volume_ml - volume_error) / (swing + pressure_error)
    least = np.asarray(swing - pressure_error)
    high = np.where(least > 0.0, (tidal_volume_ml + volume_error) / np.where(least > 0.0, least, 1.0), np.inf)
    return low, high if np.ndim(high) else float(high)


def resistance_from_hold_cmh2o_s_per_l(
    peak_cmh2o: Values, plateau_cmh2o: Values, flow_l_per_s: Values
) -> Values:
    """Inspiratory resistance, cmH2O·s/L: (peak - plateau) / flow just before the occlusion.

    For constant flow only. It contains everything between the point where pressure is read and the alveoli.
    """
    return (peak_cmh2o - plateau_cmh2o) / flow_l_per_s


def patient_volume_ml(
    volume_ml: Values, circuit_compliance_ml_per_cmh2o: Values, pressure_cmh2o: Values, peep_cmh2o: Values
) -> Values:
    """Volume that reaches the patient, mL: what the machine shows less what only compressed the circuit.

    ``pressure_cmh2o`` is that in the circuit at the end of inspiration: the plateau with a pause, else the
    peak. For machines that do not compensate for their circuit.
    """
    return volume_ml - circuit_compliance_ml_per_cmh2o * (pressure_cmh2o - peep_cmh2o)


def time_constant_s(resistance_cmh2o_s_per_l: Values, compliance_ml_per_cmh2o: Values) -> Values:
    """Time constant, s: resistance x compliance."""
    return resistance_cmh2o_s_per_l * compliance_ml_per_cmh2o / 1000.0


def emptied_fraction(time_s: Values, time_constant_s: Values) -> Values:
    """Part of the volume that has left (or entered) after ``time_s``: 1 - exp(-time / time constant)."""
    return -np.expm1(-time_s / time_constant_s)


def highest_rate_per_min(
    inspiratory_time_s: Values, time_constant_s: Values, time_constants: Values
) -> Values:
    """Highest rate, /min, that leaves ``time_constants`` expiratory time constants to empty."""
    return 60.0 / (inspiratory_time_s + time_constants * time_constant_s)


def expiratory_time_constant_from_trapping_s(
    intrinsic_peep_cmh2o: Values, driving_pressure_cmh2o: Values, expiratory_time_s: Values
) -> Values:
    """Expiratory time constant, s, that leaves this intrinsic PEEP: -Te / ln(PEEPi / (PEEPi + driving
    pressure)).

    From the settled breath of one compartment: alveolar pressure above set PEEP falls from PEEPi + driving
    pressure to PEEPi in the expiratory time. Needs PEEPi > 0. It contains the circuit's expiratory path.
    """
    remaining = intrinsic_peep_cmh2o / (intrinsic_peep_cmh2o + driving_pressure_cmh2o)
    return -expiratory_time_s / np.log(remaining)


def sigmoid_volume_ml(
    pressure_cmh2o: Values, lower_ml: Values, span_ml: Values, centre_cmh2o: Values, width_cmh2o: Values
) -> Values:
    """Volume, mL, on a sigmoid pressure-volume curve: lower + span / (1 + exp(-(P - centre) / width)).

    Source: Venegas, J Appl Physiol 1998;84:389.
    """
    return lower_ml + span_ml / (1.0 + np.exp(-(pressure_cmh2o - centre_cmh2o) / width_cmh2o))


def sigmoid_compliance_ml_per_cmh2o(
    pressure_cmh2o: Values, span_ml: Values, centre_cmh2o: Values, width_cmh2o: Values
) -> Values:
    """Slope of :func:`sigmoid_volume_ml`, mL/cmH2O; largest at the centre, span / (4 width)."""
    filled = 1.0 / (1.0 + np.exp(-(pressure_cmh2o - centre_cmh2o) / width_cmh2o))
    return span_ml / width_cmh2o * filled * (1.0 - filled)


def recruitment_to_inflation_ratio(
    exhaled_on_release_ml: Values,
    tidal_volume_ml: Values,
    compliance_at_low_peep_ml_per_cmh2o: Values,
    high_peep_cmh2o: Values,
    low_peep_cmh2o: Values,
) -> Values:
    """Recruitment-to-inflation ratio: compliance of the recruited lung / compliance at the low PEEP.

    ``exhaled_on_release_ml`` is exhaled when PEEP drops from high to low; ``low_peep_cmh2o`` is the airway
    opening pressure where that is higher. The breath must be long enough to empty. 0.5 and above is called
    recruitable.
    Source: Chen, Am J Respir Crit Care Med 2020;201:178.
    """
    step = high_peep_cmh2o - low_peep_cmh2o
    recruited_ml = exhaled_on_release_ml - tidal_volume_ml - compliance_at_low_peep_ml_per_cmh2o * step
    return recruited_ml / step / compliance_at_low_peep_ml_per_cmh2o
