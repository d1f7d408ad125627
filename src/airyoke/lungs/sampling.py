"""One patient as draws: row 0 the best estimate, then one row a draw, each column a named cause of its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.patient import Patient
from airyoke.lungs.present_volume import DrawnMechanics, tied_to_present_volume
from airyoke.quantities.draws import normal_draws, uniform_draws
from airyoke.quantities.estimate import Estimate

Floats = NDArray[np.float64]

# Which column of a patient's draws serves which cause. Fixed: a new cause gets a new number at the end.
(
    COMPLIANCE,
    INSPIRATORY_RESISTANCE,
    AIRWAY_DEAD_SPACE,
    PACO2_ERROR,
    EXPIRATORY_RESISTANCE,
    ALVEOLAR_DEAD_SPACE,
    SHUNT,
    TOTAL_PEEP,
    QUADRATIC_RESISTANCE,
    VCO2,
    HAEMOGLOBIN,
    ARTERIOVENOUS_DIFFERENCE,
    BICARBONATE,
    LUNG_VOLUME,
    OXYGEN_UPTAKE,
    BLOOD_VOLUME,
    CO2_STORES,
    UNKNOWN_CO2_OUTPUT,
    UNKNOWN_SHUNT,
    PRESENT_VOLUME,
) = range(20)


@dataclass(frozen=True, slots=True)
class PatientDraws:
    """Arrays (draws + 1,); NaN throughout where a quantity of gas exchange is not known.

    ``paco2_error`` is a standard normal number a draw, 0 in row 0. ``present_total_peep_cmh2o`` varies only where no
    reading of it exists: the error of a reading cancels, because PEEP is judged as a change on the same draw.
    """

    compliance_ml_per_cmh2o: Floats
    inspiratory_resistance_cmh2o_s_per_l: Floats
    expiratory_resistance_cmh2o_s_per_l: Floats
    quadratic_resistance_cmh2o_s2_per_l2: Floats
    airway_dead_space_ml: Floats
    alveolar_dead_space_fraction: Floats
    vco2_ml_per_min: Floats
    bicarbonate_mmol_per_l: Floats
    shunt_fraction: Floats
    haemoglobin_g_per_dl: Floats
    arteriovenous_difference_ml_per_dl: Floats
    paco2_error: Floats
    present_total_peep_cmh2o: Floats


def drawn(estimate: Estimate | None, cause: str, column: int, count: int, seed: int) -> Floats:
    """Row 0: the best value; rows 1 to ``count``: its draws. All NaN where there is no estimate."""
    if estimate is None:
        return np.full(count + 1, np.nan)
    spread = estimate.spread
    rows = np.full(count + 1, float(estimate.value))
    if count == 0 or spread.kind == "none":
        return rows
    if spread.kind == "lognormal":
        rows[1:] = estimate.value * np.exp(spread.sd * normal_draws(cause, column, count, seed))
    elif spread.kind == "normal":
        rows[1:] = estimate.value + spread.sd * normal_draws(cause, column, count, seed)
        rows[1:] = np.clip(rows[1:], spread.low, spread.high)
    else:
        low = estimate.value if spread.low is None else spread.low
        high = estimate.value if spread.high is None else spread.high
        rows[1:] = low + (high - low) * uniform_draws(cause, column, count, seed)
    return rows


def sample_patient(
    patient: Patient, assumptions: Assumptions, count: int, seed: int, *, structural: bool = True
) -> PatientDraws:
    """Draws of one patient. The cause is the patient's label: the same patient has the same draws in every group.

    ``structural=False`` leaves out the spread that gas exchange always carries (measurement error of PaCO2,
    arteriovenous difference).
    """
    lungs, present, cause = patient.lungs, patient.present, f"patient {patient.label}"

    def column(estimate: Estimate | None, number: int) -> Floats:
        return drawn(estimate, cause, number, count, seed)

    compliance = column(lungs.compliance, COMPLIANCE)
    total_peep = np.full(count + 1, np.nan)
    if present is not None:
        total_peep = np.full(count + 1, float(present.total_peep.value))
        if present.total_peep.assumed:
            total_peep = column(present.total_peep, TOTAL_PEEP)
            if present.plateau_cmh2o is not None:
                # The same missing reading stands in the denominator of the compliance: VT / (plateau - total PEEP).
                swing = np.maximum(present.plateau_cmh2o - total_peep, 1.0)
                compliance = compliance * swing[0] / swing
    mechanics = DrawnMechanics(
        compliance,
        column(lungs.inspiratory_resistance, INSPIRATORY_RESISTANCE),
        column(lungs.expiratory_resistance, EXPIRATORY_RESISTANCE),
    )
    if count and present is not None and present.pressure_above_peep_cmh2o is not None:
        error = assumptions.present_volume_relative_sd * normal_draws(cause, PRESENT_VOLUME, count, seed)
        mechanics = tied_to_present_volume(mechanics, present, np.append(0.0, error))
    difference = np.full(count + 1, float(assumptions.arteriovenous_difference_ml_per_dl))
    error = np.zeros(count + 1)
    if structural and count:
        error[1:] = normal_draws(cause, PACO2_ERROR, count, seed)
        sd = assumptions.arteriovenous_difference_sd_ml_per_dl
        difference[1:] += sd * normal_draws(cause, ARTERIOVENOUS_DIFFERENCE, count, seed)
        difference = np.maximum(difference, 1.0)
    return PatientDraws(
        compliance_ml_per_cmh2o=mechanics.compliance_ml_per_cmh2o,
        inspiratory_resistance_cmh2o_s_per_l=mechanics.inspiratory_resistance_cmh2o_s_per_l,
        expiratory_resistance_cmh2o_s_per_l=mechanics.expiratory_resistance_cmh2o_s_per_l,
        quadratic_resistance_cmh2o_s2_per_l2=column(lungs.quadratic_resistance, QUADRATIC_RESISTANCE),
        airway_dead_space_ml=column(lungs.airway_dead_space, AIRWAY_DEAD_SPACE),
        alveolar_dead_space_fraction=column(lungs.alveolar_dead_space_fraction, ALVEOLAR_DEAD_SPACE),
        vco2_ml_per_min=column(lungs.vco2, VCO2),
        bicarbonate_mmol_per_l=column(lungs.bicarbonate, BICARBONATE),
        shunt_fraction=column(lungs.shunt, SHUNT),
        haemoglobin_g_per_dl=column(lungs.haemoglobin, HAEMOGLOBIN),
        arteriovenous_difference_ml_per_dl=difference,
        paco2_error=error,
        present_total_peep_cmh2o=total_peep,
    )
