"""Resistances of one patient, tracheal tube included, from the readings; measured where possible, else
assumed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from airyoke.lungs.apparatus import Apparatus
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.mechanics import (
    expiratory_time_constant_from_trapping_s,
    resistance_from_hold_cmh2o_s_per_l,
)
from airyoke.lungs.readings import Readings
from airyoke.lungs.resistance_defaults import (
    HIGHEST_RESISTANCE_CMH2O_S_PER_L,
    LOWEST_RESISTANCE_CMH2O_S_PER_L,
    OBSTRUCTIVE_CONDITIONS,
    default_resistance,
)
from airyoke.quantities.estimate import Estimate, Spread
from airyoke.quantities.finding import Finding

# Set pressure less plateau by which a hold tells something about resistance in pressure control. Judgement.
_INFORMATIVE_GAP_CMH2O: Final = 2.0
# Intrinsic PEEP below this cannot be told from none by a hold. Judgement.
_LEAST_READABLE_TRAPPING_CMH2O: Final = 0.5
_SHORTEST_FLOW_TIME_S: Final = 0.1
# In obstruction the airways narrow in expiration. Judgement.
_OBSTRUCTIVE_RESISTANCE_CMH2O_S_PER_L: Final = 20.0
_OBSTRUCTIVE_EXPIRATORY_RATIO: Final = 1.5

_MEASURE_RESISTANCE: Final = "Measure peak and plateau at constant flow; write flow and flow shape."


@dataclass(frozen=True, slots=True)
class Resistance:
    """A resistance of the patient, tube included, and how it is known."""

    value: float
    how: Literal["given", "hold", "pressure-curve", "trapping", "default"]
    basis: str
    findings: tuple[Finding, ...] = ()


def inspiratory_resistance(
    readings: Readings,
    label: str,
    tidal_volume: float,
    total_peep: float,
    compliance: float,
    apparatus: Apparatus,
    conditions: tuple[str, ...],
) -> Resistance:
    """Inspiratory resistance: as read, else from a hold at constant flow, else from the pressure curve, else
    assumed.
    """
    if readings.resistance_cmh2o_s_per_l is not None:
        return Resistance(readings.resistance_cmh2o_s_per_l, "given", "as read, tube included")
    if readings.mode == "vc" and readings.flow_shape == "constant" and readings.peak_cmh2o is not None:
        return _resistance_at_constant_flow(readings, label, tidal_volume, apparatus)
    if readings.mode != "vc" and readings.plateau_cmh2o is not None:
        found = _resistance_from_pressure_curve(readings, tidal_volume, total_peep, compliance, apparatus)
        if found is not None:
            return found
    default = default_resistance(readings, conditions)
    value = default.value_cmh2o_s_per_l
    basis = default.basis
    most = _resistance_the_plateau_allows(readings, tidal_volume, total_peep, compliance, apparatus)
    if most is not None and most < value:
        value = max(most, LOWEST_RESISTANCE_CMH2O_S_PER_L)
        basis += ", lowered to what the plateau that was reached allows"
    finding = Finding(
        "resistance-assumed",
        "note",
        f"The resistance was not measured; {value:.0f} cmH2O·s/L is assumed ({basis}).",
        _MEASURE_RESISTANCE,
        bed=label,
    )
    return Resistance(value, "default", basis, (finding,))


def _resistance_at_constant_flow(
    readings: Readings, label: str, tidal_volume: float, apparatus: Apparatus
) -> Resistance:
    """(peak - plateau) / flow, less the apparatus at that flow."""
    peak, plateau = readings.peak_cmh2o, readings.plateau_cmh2o
    assert peak is not None
    assert plateau is not None
    findings: list[Finding] = []
    if readings.flow_l_per_min is not None:
        flow_l_per_s = readings.flow_l_per_min / 60.0
    else:
        flow_time = max(readings.inspiratory_time_s - (readings.pause_s or 0.0), _SHORTEST_FLOW_TIME_S)
        flow_l_per_s = tidal_volume / 1000.0 / flow_time
        if readings.pause_s is None:
            findings.append(
                Finding(
                    "pause-assumed-none",
                    "note",
                    "Neither flow nor pause is known: flow was taken over the whole inspiratory time.",
                    "Write the set flow or the pause.",
                    bed=label,
                )
            )
    total = float(resistance_from_hold_cmh2o_s_per_l(peak, plateau, flow_l_per_s))
    value = total - float(apparatus.inspiratory_resistance_cmh2o_s_per_l(flow_l_per_s))
    if value < LOWEST_RESISTANCE_CMH2O_S_PER_L:
        findings.append(
            Finding(
                "resistance-below-tube",
                "note",
                f"Peak less plateau leaves {value:.1f} cmH2O·s/L for patient and tube, "
                "less than a tube alone; "
                f"{LOWEST_RESISTANCE_CMH2O_S_PER_L:g} is used.",
                "Repeat the hold; check that flow is constant.",
                bed=label,
            )
        )
        value = LOWEST_RESISTANCE_CMH2O_S_PER_L
    basis = (
        f"(peak - plateau) / flow at {60.0 * flow_l_per_s:.0f} L/min, less the apparatus ({apparatus.basis})"
    )
    return Resistance(min(value, HIGHEST_RESISTANCE_CMH2O_S_PER_L), "hold", basis, tuple(findings))


def _resistance_from_pressure_curve(
    readings: Readings, tidal_volume: float, total_peep: float, compliance: float, apparatus: Apparatus
) -> Resistance | None:
    """From how far the lungs stay behind the set pressure: exp(-Ti / tau) = gap at the end / gap at the
    start.
    """
    gaps = _pressure_gaps(readings, total_peep)
    if gaps is None or gaps[1] < _INFORMATIVE_GAP_CMH2O or gaps[1] >= gaps[0]:
        return None
    value = _patient_resistance(readings, tidal_volume, gaps[1] / gaps[0], compliance, apparatus)
    return Resistance(
        min(max(value, LOWEST_RESISTANCE_CMH2O_S_PER_L), HIGHEST_RESISTANCE_CMH2O_S_PER_L),
        "pressure-curve",
        "time constant from set pressure less plateau, square pressure without rise time, less the apparatus "
        f"({apparatus.basis})",
    )


def _resistance_the_plateau_allows(
    readings: Readings, tidal_volume: float, total_peep: float, compliance: float, apparatus: Apparatus
) -> float | None:
    """Largest resistance with which the plateau comes as close to the set pressure as it was read to come."""
    gaps = _pressure_gaps(readings, total_peep)
    if readings.plateau_cmh2o is None or gaps is None or gaps[0] <= _INFORMATIVE_GAP_CMH2O:
        return None
    return _patient_resistance(
        readings, tidal_volume, _INFORMATIVE_GAP_CMH2O / gaps[0], compliance, apparatus
    )


def _pressure_gaps(readings: Readings, total_peep: float) -> tuple[float, float] | None:
    """Set pressure less alveolar pressure, at the start and at the end of inspiration, cmH2O."""
    if readings.mode == "vc" or readings.pressure_above_peep_cmh2o is None:
        return None
    set_pressure = readings.peep_cmh2o + readings.pressure_above_peep_cmh2o
    plateau = set_pressure if readings.plateau_cmh2o is None else readings.plateau_cmh2o
    return set_pressure - total_peep, set_pressure - plateau


def _patient_resistance(
    readings: Readings, tidal_volume: float, left: float, compliance: float, apparatus: Apparatus
) -> float:
    total = -1000.0 * readings.inspiratory_time_s / math.log(left) / compliance
    flow_l_per_s = tidal_volume / readings.inspiratory_time_s / 1000.0
    return total - float(apparatus.inspiratory_resistance_cmh2o_s_per_l(flow_l_per_s))


def assumed_expiratory_resistance(inspiratory: Resistance, conditions: tuple[str, ...]) -> Resistance:
    """Expiratory resistance where trapping tells nothing: equal to the inspiratory one, 1.5 times in
    obstruction.
    """
    obstructive = (
        bool(OBSTRUCTIVE_CONDITIONS.intersection(conditions))
        or inspiratory.value > _OBSTRUCTIVE_RESISTANCE_CMH2O_S_PER_L
    )
    if not obstructive:
        return Resistance(
            inspiratory.value, "default", "taken equal to the inspiratory resistance (judgement)"
        )
    return Resistance(
        min(_OBSTRUCTIVE_EXPIRATORY_RATIO * inspiratory.value, HIGHEST_RESISTANCE_CMH2O_S_PER_L),
        "default",
        f"taken as {_OBSTRUCTIVE_EXPIRATORY_RATIO:g} x the inspiratory "
        "resistance, in obstruction (judgement)",
    )


def intrinsic_peep_cmh2o(
    readings: Readings,
    expiratory_resistance: float,
    compliance: float,
    driving_pressure: float,
    apparatus: Apparatus,
) -> float:
    """Intrinsic PEEP that the present breath leaves: DP b / (1 - b), b = exp(-Te / tau) with the present
    circuit.
    """
    path = _expiratory_path(expiratory_resistance, compliance, driving_pressure, apparatus)
    tau = (expiratory_resistance + path) * compliance / 1000.0
    return driving_pressure / math.expm1(_expiratory_time_s(readings) / tau)


def expiratory_resistance_from_trapping(
    readings: Readings,
    label: str,
    assumed: Resistance,
    compliance: float,
    driving_pressure: float,
    apparatus: Apparatus,
    reading_error_cmh2o: float,
) -> Resistance:
    """The assumed value, or the one that a total PEEP reading tells where it disagrees by more than its
    error.
    """
    if readings.total_peep_cmh2o is None:
        return assumed
    read = readings.total_peep_cmh2o - readings.peep_cmh2o
    predicted = intrinsic_peep_cmh2o(readings, assumed.value, compliance, driving_pressure, apparatus)
    if abs(read - predicted) <= reading_error_cmh2o:
        return assumed
    trapped = max(read, _LEAST_READABLE_TRAPPING_CMH2O)
    tau = float(
        expiratory_time_constant_from_trapping_s(trapped, driving_pressure, _expiratory_time_s(readings))
    )
    path = _expiratory_path(assumed.value, compliance, driving_pressure, apparatus)
    value = min(
        max(1000.0 * tau / compliance - path, LOWEST_RESISTANCE_CMH2O_S_PER_L),
        HIGHEST_RESISTANCE_CMH2O_S_PER_L,
    )
    finding = Finding(
        "expiratory-resistance-from-trapping",
        "note",
        f"Total PEEP stands {read:.1f} cmH2O above set PEEP; the resistance in inspiration would leave "
        f"{predicted:.1f}. The expiratory resistance ({value:.0f} cmH2O·s/L) is taken from the reading.",
        "Repeat the expiratory hold; look for effort, flow limitation and a blocked expiratory filter.",
        bed=label,
        value=readings.total_peep_cmh2o,
    )
    basis = (
        "time constant -Te / ln(PEEPi / (PEEPi + driving pressure)) of the total PEEP reading, less the "
        "expiratory path of the present circuit (3 cmH2O·s/L and the apparatus, from memory)"
    )
    return Resistance(value, "trapping", basis, (finding,))


def _expiratory_time_s(readings: Readings) -> float:
    return 60.0 / readings.rate_per_min - readings.inspiratory_time_s


def _expiratory_path(
    resistance: float, compliance: float, driving_pressure: float, apparatus: Apparatus
) -> float:
    # Taken at half the peak flow: flow falls from (driving pressure / resistance) to nothing.
    peak_flow_l_per_s = driving_pressure / (resistance + apparatus.linear_cmh2o_s_per_l)
    return float(apparatus.expiratory_resistance_cmh2o_s_per_l(0.5 * peak_flow_l_per_s))


def inspiratory_resistance_estimate(
    readings: Readings, resistance: Resistance, assumptions: Assumptions
) -> Estimate:
    """With the spread of how it is known; wider where the patient makes efforts."""
    spread = {
        "given": assumptions.resistance_relative_sd,
        "hold": assumptions.resistance_relative_sd,
        "pressure-curve": max(assumptions.indirect_mechanics_relative_sd, assumptions.resistance_relative_sd),
    }.get(resistance.how, assumptions.assumed_resistance_relative_sd)
    return Estimate(
        "inspiratory_resistance_cmh2o_s_per_l",
        resistance.value,
        Spread.relative(widened(readings, spread, assumptions)),
        resistance.basis,
        inputs_of(
            readings,
            ("resistance_cmh2o_s_per_l",)
            if resistance.how == "given"
            else ("peak_cmh2o", "plateau_cmh2o", "flow_l_per_min", "pressure_above_peep_cmh2o", "tube_mm"),
        ),
        assumed=resistance.how == "default",
    )


def expiratory_resistance_estimate(
    readings: Readings, expiratory: Resistance, inspiratory: Resistance, assumptions: Assumptions
) -> Estimate:
    """Never known better than what it was derived from."""
    spread = assumptions.expiratory_resistance_relative_sd
    if expiratory.how == "default" and inspiratory.how == "default":
        spread = max(spread, assumptions.assumed_resistance_relative_sd)
    return Estimate(
        "expiratory_resistance_cmh2o_s_per_l",
        expiratory.value,
        Spread.relative(widened(readings, spread, assumptions)),
        expiratory.basis,
        inputs_of(readings, ("total_peep_cmh2o", "peep_cmh2o") if expiratory.how == "trapping" else ()),
        assumed=expiratory.how != "trapping",
    )


def widened(readings: Readings, spread: float, assumptions: Assumptions) -> float:
    return max(spread, assumptions.not_passive_relative_sd) if readings.passive == "no" else spread


def inputs_of(readings: Readings, names: tuple[str, ...]) -> tuple[tuple[str, float | str], ...]:
    return tuple((name, getattr(readings, name)) for name in names if getattr(readings, name) is not None)
