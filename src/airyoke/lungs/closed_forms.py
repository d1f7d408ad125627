"""The settled breath of linear lungs in closed form: exact for one compartment behind an ideal source.

Units: volume mL, compliance mL/cmH2O, pressure cmH2O, resistance cmH2O·s/L, time s, rate /min. Terms may be
numbers or arrays that broadcast. Resistances and compliances must be positive, the inspiratory time shorter
than the breath.

With a = exp(-Ti / (R_I C)), b = exp(-Te / (R_E C)) and volumes above the volume at set PEEP, the settled
breath is the one that starts where it ends: end-expiratory volume = b x end-inspiratory volume. Own
derivation from the equation of motion; checked against step-by-step integration in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from airyoke.lungs.mechanics import time_constant_s
from airyoke.lungs.values import Values


@dataclass(frozen=True, slots=True)
class SettledBreath:
    """What one compartment gets in a settled breath; plateau and total PEEP are alveolar pressures."""

    tidal_volume_ml: Values
    plateau_cmh2o: Values
    total_peep_cmh2o: Values
    intrinsic_peep_cmh2o: Values
    driving_pressure_cmh2o: Values


@dataclass(frozen=True, slots=True)
class DriveFractions:
    """Pressure control is linear in the pressure above PEEP; these are its three factors, each from 0 to 1.

    tidal
        tidal volume / (compliance x pressure above PEEP) = driving pressure / pressure above PEEP
    trapped
        intrinsic PEEP / pressure above PEEP
    filled
        (plateau - set PEEP) / pressure above PEEP = tidal + trapped
    """

    tidal: Values
    trapped: Values
    filled: Values


@dataclass(frozen=True, slots=True)
class PressureControlFlows:
    """Flows (L/min) and mean pressures (cmH2O) of a settled pressure-controlled breath."""

    end_inspiratory_flow_l_per_min: Values
    peak_inspiratory_flow_l_per_min: Values
    peak_expiratory_flow_l_per_min: Values
    mean_airway_pressure_cmh2o: Values
    mean_alveolar_pressure_cmh2o: Values


@dataclass(frozen=True, slots=True)
class ParallelVolumes:
    """Volumes of two units that share one flow, and the pressures at the end of it above the common start."""

    first_ml: Values
    second_ml: Values
    first_alveolar_cmh2o: Values
    second_alveolar_cmh2o: Values
    airway_cmh2o: Values


def drive_fractions(
    compliance_ml_per_cmh2o: Values,
    inspiratory_resistance_cmh2o_s_per_l: Values,
    expiratory_resistance_cmh2o_s_per_l: Values,
    rate_per_min: Values,
    inspiratory_time_s: Values,
) -> DriveFractions:
    """The three factors of pressure control: (1-a)(1-b)/(1-ab), (1-a)b/(1-ab) and (1-a)/(1-ab).

    A search over pressures computes them once for each rate and inspiratory time.
    """
    inspired = inspiratory_time_s / time_constant_s(
        inspiratory_resistance_cmh2o_s_per_l, compliance_ml_per_cmh2o
    )
    expired = (60.0 / rate_per_min - inspiratory_time_s) / time_constant_s(
        expiratory_resistance_cmh2o_s_per_l, compliance_ml_per_cmh2o
    )
    # 1 - exp(-x) by expm1: both times may be short against a long time constant.
    filled = np.expm1(-inspired) / np.expm1(-(inspired + expired))
    trapped = filled * np.exp(-expired)
    return DriveFractions(tidal=filled - trapped, trapped=trapped, filled=filled)


def pressure_control(
    compliance_ml_per_cmh2o: Values,
    inspiratory_resistance_cmh2o_s_per_l: Values,
    expiratory_resistance_cmh2o_s_per_l: Values,
    peep_cmh2o: Values,
    pressure_above_peep_cmh2o: Values,
    rate_per_min: Values,
    inspiratory_time_s: Values,
) -> SettledBreath:
    """The settled breath behind an ideal square pressure source.

    The peak pressure is not the plateau where the inspiratory time is short against the time constant.
    """
    drive = drive_fractions(
        compliance_ml_per_cmh2o,
        inspiratory_resistance_cmh2o_s_per_l,
        expiratory_resistance_cmh2o_s_per_l,
        rate_per_min,
        inspiratory_time_s,
    )
    driving_pressure = pressure_above_peep_cmh2o * drive.tidal
    intrinsic_peep = pressure_above_peep_cmh2o * drive.trapped
    total_peep = peep_cmh2o + intrinsic_peep
    return SettledBreath(
        tidal_volume_ml=compliance_ml_per_cmh2o * driving_pressure,
        plateau_cmh2o=total_peep + driving_pressure,
        total_peep_cmh2o=total_peep,
        intrinsic_peep_cmh2o=intrinsic_peep,
        driving_pressure_cmh2o=driving_pressure,
    )


def pressure_control_flows(
    breath: SettledBreath,
    inspiratory_resistance_cmh2o_s_per_l: Values,
    expiratory_resistance_cmh2o_s_per_l: Values,
    pressure_above_peep_cmh2o: Values,
    rate_per_min: Values,
    inspiratory_time_s: Values,
) -> PressureControlFlows:
    """Flows and mean pressures of a breath from :func:`pressure_control`, with the same terms.

    Mean alveolar pressure = mean airway pressure + minute volume x (R_E - R_I): equal only if the resistances
    are.
    """
    peep = breath.total_peep_cmh2o - breath.intrinsic_peep_cmh2o
    minute_volume_l_per_s = breath.tidal_volume_ml * rate_per_min / 60000.0
    mean_airway = peep + pressure_above_peep_cmh2o * inspiratory_time_s * rate_per_min / 60.0
    resistance_difference = expiratory_resistance_cmh2o_s_per_l - inspiratory_resistance_cmh2o_s_per_l
    return PressureControlFlows(
        end_inspiratory_flow_l_per_min=60.0
        * (pressure_above_peep_cmh2o - (breath.plateau_cmh2o - peep))
        / inspiratory_resistance_cmh2o_s_per_l,
        peak_inspiratory_flow_l_per_min=60.0
        * (pressure_above_peep_cmh2o - breath.intrinsic_peep_cmh2o)
        / inspiratory_resistance_cmh2o_s_per_l,
        peak_expiratory_flow_l_per_min=60.0
        * (breath.plateau_cmh2o - peep)
        / expiratory_resistance_cmh2o_s_per_l,
        mean_airway_pressure_cmh2o=mean_airway,
        mean_alveolar_pressure_cmh2o=mean_airway + minute_volume_l_per_s * resistance_difference,
    )


@dataclass(frozen=True, slots=True)
class VolumeControlBreath:
    """A settled volume-controlled breath and the pressure at the airway opening when flow ends."""

    breath: SettledBreath
    peak_cmh2o: Values
    flow_l_per_min: Values


def volume_control(
    compliance_ml_per_cmh2o: Values,
    inspiratory_resistance_cmh2o_s_per_l: Values,
    expiratory_resistance_cmh2o_s_per_l: Values,
    peep_cmh2o: Values,
    tidal_volume_ml: Values,
    rate_per_min: Values,
    flow_time_s: Values,
    pause_s: Values = 0.0,
) -> VolumeControlBreath:
    """The settled breath at constant flow into one compartment; the inspiratory time is flow time + pause."""
    expired = (60.0 / rate_per_min - flow_time_s - pause_s) / time_constant_s(
        expiratory_resistance_cmh2o_s_per_l, compliance_ml_per_cmh2o
    )
    # b / (1 - b) = 1 / (exp(x) - 1)
    intrinsic_peep = tidal_volume_ml / compliance_ml_per_cmh2o / np.expm1(expired)
    driving_pressure = tidal_volume_ml / compliance_ml_per_cmh2o
    plateau = peep_cmh2o + intrinsic_peep + driving_pressure
    flow_l_per_s = tidal_volume_ml / flow_time_s / 1000.0
    return VolumeControlBreath(
        breath=SettledBreath(
            tidal_volume_ml=tidal_volume_ml,
            plateau_cmh2o=plateau,
            total_peep_cmh2o=peep_cmh2o + intrinsic_peep,
            intrinsic_peep_cmh2o=intrinsic_peep,
            driving_pressure_cmh2o=driving_pressure,
        ),
        peak_cmh2o=plateau + inspiratory_resistance_cmh2o_s_per_l * flow_l_per_s,
        flow_l_per_min=60.0 * flow_l_per_s,
    )


def parallel_constant_flow(
    flow_l_per_s: Values,
    time_s: Values,
    first_resistance_cmh2o_s_per_l: Values,
    first_compliance_ml_per_cmh2o: Values,
    second_resistance_cmh2o_s_per_l: Values,
    second_compliance_ml_per_cmh2o: Values,
) -> ParallelVolumes:
    """How a constant flow splits between two units that start at one pressure, mL after ``time_s``.

    Flow splits first by conductance, later by compliance, with the time constant (R1 + R2) C1 C2 / (C1 + C2).
    What one unit loses the other gains. Own derivation; the idea is that of Otis, J Appl Physiol 1956;8:427.
    """
    r1, r2 = first_resistance_cmh2o_s_per_l, second_resistance_cmh2o_s_per_l
    c1, c2 = first_compliance_ml_per_cmh2o, second_compliance_ml_per_cmh2o
    tau = (r1 + r2) * c1 * c2 / (c1 + c2) / 1000.0
    by_compliance = c1 / (c1 + c2)
    by_conductance = r2 / (r1 + r2)
    approach = np.exp(-time_s / tau)
    flow_ml_per_s = 1000.0 * flow_l_per_s
    first = flow_ml_per_s * (
        by_compliance * time_s + (by_conductance - by_compliance) * tau * (1.0 - approach)
    )
    second = flow_ml_per_s * time_s - first
    first_flow_l_per_s = flow_l_per_s * (by_compliance + (by_conductance - by_compliance) * approach)
    return ParallelVolumes(
        first_ml=first,
        second_ml=second,
        first_alveolar_cmh2o=first / c1,
        second_alveolar_cmh2o=second / c2,
        airway_cmh2o=first / c1 + r1 * first_flow_l_per_s,
    )
