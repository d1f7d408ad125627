"""Spreads and defaults used where a reading is missing or uncertain. A site changes each of them in its
policy.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Standard deviations are of ln(value) where the name says ``relative``. All are judgements (J).

    The first six are the spreads with which the planning thresholds were chosen; the rest are defaults for
    what bedside teams often do not have.
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
    shunt_sd: float = 0.03
    arteriovenous_difference_ml_per_dl: float = 5.0
    arteriovenous_difference_sd_ml_per_dl: float = 0.5
    barometric_pressure_mmhg: float = 760.0
    unknown_total_peep_rise_cmh2o: float = 4.0
    rehearsed_relative_sd: float = 0.03
