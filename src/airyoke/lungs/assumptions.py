"""Spreads and defaults used where a reading is missing or uncertain. A site changes each of them in its
policy.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Standard deviations are of ln(value) where the name says ``relative``. All are judgements (J).

    The first six are the spreads with which the planning thresholds were chosen; the rest are defaults for
    what bedside teams often do not have. ``indirect_mechanics_relative_sd`` is for what comes from a pressure
    curve without a hold. The airway dead space per kg predicted body weight is from memory; the compliance of
    a single adult circuit lies within what was measured (1.5 to 2.5 mL/cmH2O, Respir Care 1994, abstract).
    """

    compliance_relative_sd: float = 0.08
    resistance_relative_sd: float = 0.12
    airway_dead_space_relative_sd: float = 0.15
    paco2_sd_mmhg: float = 3.0
    paco2_change_sd_fraction: float = 0.09
    total_peep_half_range_cmh2o: float = 1.0
    vco2_relative_sd: float = 0.05
    expiratory_resistance_relative_sd: float = 0.20
    alveolar_dead_space_sd: float = 0.10
    shunt_sd: float = 0.015
    arteriovenous_difference_ml_per_dl: float = 5.0
    arteriovenous_difference_sd_ml_per_dl: float = 0.5
    barometric_pressure_mmhg: float = 760.0
    unknown_total_peep_rise_cmh2o: float = 4.0
    rehearsed_relative_sd: float = 0.03
    rehearsed_paco2_sd_mmhg: float = 1.5
    present_volume_relative_sd: float = 0.03
    airway_dead_space_ml_per_kg: float = 2.2
    alveolar_dead_space_fraction: float = 0.25
    haemoglobin_g_per_dl: float = 10.0
    haemoglobin_relative_sd: float = 0.15
    single_circuit_compliance_ml_per_cmh2o: float = 2.0
    assumed_resistance_relative_sd: float = 0.30
    indirect_mechanics_relative_sd: float = 0.15
    not_passive_relative_sd: float = 0.25
