"""Compliance, total PEEP and resistances from the readings of one patient on its own ventilator."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from airyoke.lungs.apparatus import Apparatus
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.estimate_findings import unusual_mechanics, weak_readings
from airyoke.lungs.estimate_resistance import (
    Resistance,
    assumed_expiratory_resistance,
    expiratory_resistance_estimate,
    expiratory_resistance_from_trapping,
    inputs_of,
    inspiratory_resistance,
    inspiratory_resistance_estimate,
    intrinsic_peep_cmh2o,
    widened,
)
from airyoke.lungs.mechanics import patient_volume_ml, static_compliance_ml_per_cmh2o, time_constant_s
from airyoke.lungs.readings import Readings
from airyoke.lungs.reasons import Reason
from airyoke.lungs.resistance_defaults import default_resistance
from airyoke.quantities.estimate import Estimate, Spread
from airyoke.quantities.finding import Finding

# Outside these no adult's respiratory system lies: a wrong unit or a wrong reading. Judgement.
COMPLIANCE_RANGE_ML_PER_CMH2O: Final = (3.0, 200.0)
_LEAST_TIDAL_VOLUME_ML: Final = 50.0

# Without a hold the set pressure stands for the plateau only if inspiration lasts this many time constants.
_TIME_CONSTANTS_TO_FILL: Final = 3.0
# No breath of a passive patient is driven by less; it keeps the range of an unread total PEEP off the
# plateau.
_LEAST_DRIVING_PRESSURE_CMH2O: Final = 2.0
# Total PEEP and the lungs that it follows from are settled by repetition; the map is a contraction unless
# trapping is gross, and then the range ends it.
_REPETITIONS: Final = 40


@dataclass(frozen=True, slots=True)
class Mechanics:
    """Estimates of the mechanics, the tidal volume that the patient gets, and the plateau that goes with it.
    """

    compliance: Estimate
    inspiratory_resistance: Estimate
    expiratory_resistance: Estimate
    quadratic_resistance: Estimate
    total_peep: Estimate
    tidal_volume_ml: float
    plateau_cmh2o: float
    findings: tuple[Finding, ...]


def estimate_mechanics(
    readings: Readings,
    label: str,
    assumptions: Assumptions,
    apparatus: Apparatus,
    conditions: tuple[str, ...],
    circuit_compensation: Literal["on", "off"],
) -> Mechanics | tuple[Reason, ...]:
    """Mechanics, or the reasons why these readings do not give them."""
    problem = _missing_or_impossible(readings)
    if problem is not None:
        return (problem,)
    tidal_volume = _tidal_volume(readings, assumptions, circuit_compensation)
    if isinstance(tidal_volume, Reason):
        return (tidal_volume,)

    highest = _highest_total_peep(readings, assumptions)
    settled = _settle(readings, label, tidal_volume, highest, apparatus, conditions)
    if isinstance(settled, Reason):
        return (settled,)
    compliance, total_peep, inspiratory = settled.compliance, settled.total_peep, settled.inspiratory
    driving_pressure = tidal_volume / compliance
    expiratory = expiratory_resistance_from_trapping(
        readings,
        label,
        settled.expiratory,
        compliance,
        driving_pressure,
        apparatus,
        assumptions.total_peep_half_range_cmh2o,
    )
    plateau = total_peep + driving_pressure if readings.plateau_cmh2o is None else readings.plateau_cmh2o
    return Mechanics(
        compliance=_compliance_estimate(readings, assumptions, compliance),
        inspiratory_resistance=inspiratory_resistance_estimate(readings, inspiratory, assumptions),
        expiratory_resistance=expiratory_resistance_estimate(readings, expiratory, inspiratory, assumptions),
        quadratic_resistance=Estimate(
            "quadratic_resistance_cmh2o_s2_per_l2",
            0.0,
            basis="contained in the resistance, which holds near the flow of its measurement",
            assumed=True,
        ),
        total_peep=_total_peep_estimate(readings, assumptions, total_peep, highest),
        tidal_volume_ml=tidal_volume,
        plateau_cmh2o=plateau,
        findings=(
            *inspiratory.findings,
            *expiratory.findings,
            *unusual_mechanics(label, compliance, inspiratory),
            *weak_readings(readings, label, plateau, highest),
        ),
    )


@dataclass(frozen=True, slots=True)
class _Settled:
    """Lungs that fit the readings at one total PEEP."""

    total_peep: float
    compliance: float
    inspiratory: Resistance
    expiratory: Resistance


def _settle(
    readings: Readings,
    label: str,
    tidal_volume: float,
    highest_total_peep: float,
    apparatus: Apparatus,
    conditions: tuple[str, ...],
) -> _Settled | Reason:
    """Lungs at the total PEEP that was read, or at the one which the lungs themselves would leave."""

    def lungs_at(total_peep: float) -> _Settled | Reason:
        compliance = _compliance(readings, tidal_volume, total_peep, apparatus, conditions)
        if isinstance(compliance, Reason):
            return compliance
        inspiratory = inspiratory_resistance(
            readings, label, tidal_volume, total_peep, compliance, apparatus, conditions
        )
        expiratory = assumed_expiratory_resistance(inspiratory, conditions)
        return _Settled(total_peep, compliance, inspiratory, expiratory)

    if readings.total_peep_cmh2o is not None:
        return lungs_at(readings.total_peep_cmh2o)
    settled = lungs_at(readings.peep_cmh2o)
    for _ in range(_REPETITIONS):
        if isinstance(settled, Reason):
            return settled
        trapped = intrinsic_peep_cmh2o(
            readings,
            settled.expiratory.value,
            settled.compliance,
            tidal_volume / settled.compliance,
            apparatus,
        )
        settled = lungs_at(min(readings.peep_cmh2o + trapped, highest_total_peep))
    return settled


def _missing_or_impossible(readings: Readings) -> Reason | None:
    if readings.inspiratory_time_s >= 60.0 / readings.rate_per_min:
        return Reason(
            "inspiration-longer-than-breath",
            f"Inspiration ({readings.inspiratory_time_s:g} s) leaves no time to breathe out at "
            f"{readings.rate_per_min:g} /min.",
            "Check rate and inspiratory time.",
        )
    plateau = readings.plateau_cmh2o
    if plateau is None:
        if readings.mode == "vc" or readings.pressure_above_peep_cmh2o is None:
            return _no_plateau("There is no plateau, and nothing else here that compliance could come from.")
        return None
    total_peep = readings.peep_cmh2o if readings.total_peep_cmh2o is None else readings.total_peep_cmh2o
    if plateau <= total_peep:
        return Reason(
            "plateau-not-above-peep",
            f"The plateau ({plateau:g} cmH2O) is not above the end-expiratory "
            f"pressure ({total_peep:g} cmH2O).",
            "Repeat both holds in a passive patient.",
        )
    return None


def _no_plateau(text: str) -> Reason:
    return Reason("plateau-missing", text, "Measure the plateau with an inspiratory hold.")


def _tidal_volume(
    readings: Readings, assumptions: Assumptions, circuit_compensation: Literal["on", "off"]
) -> float | Reason:
    """What reaches the patient, mL; a machine without compensation shows the compressed volume as well."""
    pressure = _pressure_in_circuit(readings)
    if circuit_compensation == "on" or pressure is None:
        return readings.tidal_volume_ml
    volume = float(
        patient_volume_ml(
            readings.tidal_volume_ml,
            assumptions.single_circuit_compliance_ml_per_cmh2o,
            pressure,
            readings.peep_cmh2o,
        )
    )
    if volume < _LEAST_TIDAL_VOLUME_ML:
        return Reason(
            "tidal-volume-lost-in-circuit",
            f"Of {readings.tidal_volume_ml:g} mL displayed only {volume:.0f} mL "
            "would reach the patient after "
            "what the circuit compresses.",
            "Check tidal volume and pressures, or say that the ventilator compensates for its circuit.",
        )
    return volume


def _pressure_in_circuit(readings: Readings) -> float | None:
    """Pressure in the circuit when inspiration ends, cmH2O."""
    if readings.mode != "vc" and readings.pressure_above_peep_cmh2o is not None:
        return readings.peep_cmh2o + readings.pressure_above_peep_cmh2o
    # Without a pause of its own a breath of constant flow ends at the peak; the hold was for the reading
    # only.
    ends_at_peak = readings.mode == "vc" and readings.flow_shape != "decelerating" and not readings.pause_s
    if ends_at_peak and readings.peak_cmh2o is not None:
        return readings.peak_cmh2o
    return readings.plateau_cmh2o


def _highest_total_peep(readings: Readings, assumptions: Assumptions) -> float:
    highest = readings.peep_cmh2o + assumptions.unknown_total_peep_rise_cmh2o
    if readings.plateau_cmh2o is not None:
        highest = min(highest, readings.plateau_cmh2o - _LEAST_DRIVING_PRESSURE_CMH2O)
    return max(highest, readings.peep_cmh2o)


def _compliance(
    readings: Readings,
    tidal_volume: float,
    total_peep: float,
    apparatus: Apparatus,
    conditions: tuple[str, ...],
) -> float | Reason:
    found: float | Reason
    if readings.plateau_cmh2o is not None:
        found = float(static_compliance_ml_per_cmh2o(tidal_volume, readings.plateau_cmh2o, total_peep))
    else:
        found = _compliance_without_hold(readings, tidal_volume, total_peep, apparatus, conditions)
    low, high = COMPLIANCE_RANGE_ML_PER_CMH2O
    if isinstance(found, Reason) or low <= found <= high:
        return found
    return Reason(
        "compliance-impossible",
        f"The readings give a compliance of {found:.0f} mL/cmH2O; no adult has "
        f"less than {low:g} or more than "
        f"{high:g}.",
        "Check tidal volume, plateau and PEEP, and their units.",
    )


def _compliance_without_hold(
    readings: Readings,
    tidal_volume: float,
    total_peep: float,
    apparatus: Apparatus,
    conditions: tuple[str, ...],
) -> float | Reason:
    """Compliance with which pressure control gives back the tidal volume, if inspiration lasts long enough.

    VT = C (set pressure - total PEEP) (1 - exp(-Ti / (R C))), which rises with C.
    """
    drive = readings.peep_cmh2o + (readings.pressure_above_peep_cmh2o or 0.0) - total_peep
    resistance = readings.resistance_cmh2o_s_per_l
    if resistance is None:
        resistance = default_resistance(readings, conditions).value_cmh2o_s_per_l
    flow_l_per_s = tidal_volume / readings.inspiratory_time_s / 1000.0
    resistance += float(apparatus.inspiratory_resistance_cmh2o_s_per_l(flow_l_per_s))

    def volume(compliance: float) -> float:
        tau = float(time_constant_s(resistance, compliance))
        return -compliance * drive * math.expm1(-readings.inspiratory_time_s / tau)

    # The longest inspiration that the rule allows means C = Ti / (3 R); a volume beyond it needs a longer
    # one.
    high = 1000.0 * readings.inspiratory_time_s / (_TIME_CONSTANTS_TO_FILL * resistance)
    if volume(high) <= tidal_volume:
        return _no_plateau(
            "Pressure control without an inspiratory hold, and inspiration does not last "
            f"{_TIME_CONSTANTS_TO_FILL:g} time constants (resistance "
            f"{resistance:.0f} cmH2O·s/L with the apparatus): "
            "the set pressure does not stand for the plateau."
        )
    low = 1e-3
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if volume(middle) > tidal_volume else (middle, high)
    return 0.5 * (low + high)


def _compliance_estimate(readings: Readings, assumptions: Assumptions, value: float) -> Estimate:
    if readings.plateau_cmh2o is not None:
        basis = "tidal volume / (plateau - total PEEP), from the inspiratory hold"
        spread = assumptions.compliance_relative_sd
    else:
        basis = (
            "from tidal volume and set pressure in pressure control, one "
            "compartment, inspiration > 3 time constants"
        )
        spread = max(assumptions.compliance_relative_sd, assumptions.indirect_mechanics_relative_sd)
    names = (
        "tidal_volume_ml",
        "plateau_cmh2o",
        "pressure_above_peep_cmh2o",
        "total_peep_cmh2o",
        "peep_cmh2o",
        "inspiratory_time_s",
    )
    return Estimate(
        "compliance_ml_per_cmh2o",
        value,
        Spread.relative(widened(readings, spread, assumptions)),
        basis,
        inputs_of(readings, names),
    )


def _total_peep_estimate(
    readings: Readings, assumptions: Assumptions, value: float, highest: float
) -> Estimate:
    if readings.total_peep_cmh2o is not None:
        error = assumptions.total_peep_half_range_cmh2o
        return Estimate(
            "total_peep_cmh2o",
            value,
            Spread.between(value - error, value + error),
            "as read by an expiratory hold",
            inputs_of(readings, ("total_peep_cmh2o",)),
        )
    return Estimate(
        "total_peep_cmh2o",
        value,
        Spread.between(readings.peep_cmh2o, highest),
        "not read: set PEEP and what the estimated lungs would trap; the range is one-sided",
        inputs_of(readings, ("peep_cmh2o", "rate_per_min", "inspiratory_time_s")),
        assumed=True,
    )
