"""Mistakes among pressures, and between pressures, volume and flow."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from airyoke.exchange.bed_values import BedValues, Check, ask, refused
from airyoke.quantities import Finding, convert, quantity

# Judgements: what the rounding of a display explains.
_PEAK_SLACK_CMH2O: Final = 0.5
_SET_PRESSURE_SLACK_CMH2O: Final = 1.0
_HIGHEST_KPA_LIKE: Final = 4.5

# Blasius friction in a smooth straight tube: a floor, because bends, connector and secretions come on top.
_GAS_DENSITY_KG_PER_M3: Final = 1.14
_GAS_VISCOSITY_PA_S: Final = 1.86e-5
_TUBE_LENGTH_M: Final = 0.30
_TUBE_FLOW_L_PER_S: Final = 0.5


def pressures_in_kilopascal(bed: BedValues) -> Iterator[Finding]:
    """A small PEEP is legal by itself; together with another pressure of 0.4 to 4.5 it looks like kPa."""
    peep = bed.get("peep_cmh2o")
    others = [bed.typed.get(key) for key in ("plateau_cmh2o", "peak_cmh2o", "pressure_above_peep_cmh2o")]
    small = [value for value in others if value is not None and 0.4 <= value <= _HIGHEST_KPA_LIKE]
    if peep is not None and 0.1 <= peep <= 3.0 and small:
        meant = convert(peep, "kPa", "cmH2O")
        yield ask(
            "peep-unit",
            "peep_cmh2o",
            f"PEEP {peep:g} and another pressure of {small[0]:g} cmH2O are both very small",
            f"were they typed in kPa? PEEP would be {meant:.1f} cmH2O: name the column peep_kpa",
        )


def plateau_above_peep(bed: BedValues) -> Iterator[Finding]:
    """Pplat > PEEP."""
    both = bed.all_of("plateau_cmh2o", "peep_cmh2o")
    if both is not None and both[0] <= both[1]:
        reason = f"Pplat {both[0]:g} is not above PEEP {both[1]:g} cmH2O"
        yield refused(
            "plateau-not-above-peep", "plateau_cmh2o", reason, "read both in an inspiratory hold again"
        )


def plateau_below_peak(bed: BedValues) -> Iterator[Finding]:
    """Pplat <= Ppeak."""
    both = bed.all_of("plateau_cmh2o", "peak_cmh2o")
    if both is not None and both[0] > both[1] + _PEAK_SLACK_CMH2O:
        reason = f"Pplat {both[0]:g} is above Ppeak {both[1]:g} cmH2O"
        yield refused("plateau-above-peak", "plateau_cmh2o", reason, "read both again; they may be swapped")


def peak_above_peep(bed: BedValues) -> Iterator[Finding]:
    """Ppeak > PEEP."""
    both = bed.all_of("peak_cmh2o", "peep_cmh2o")
    if both is not None and both[0] <= both[1]:
        reason = f"Ppeak {both[0]:g} is not above PEEP {both[1]:g} cmH2O"
        yield refused("peak-not-above-peep", "peak_cmh2o", reason, "read both again")


def total_peep_between(bed: BedValues) -> Iterator[Finding]:
    """PEEP <= total PEEP < Pplat; intrinsic PEEP above 5 is asked."""
    both = bed.all_of("total_peep_cmh2o", "peep_cmh2o")
    if both is None:
        return
    total, peep = both
    plateau = bed.get("plateau_cmh2o")
    if total < peep:
        reason = f"total PEEP {total:g} is below the set PEEP {peep:g} cmH2O"
        remedy = "read it in an expiratory hold of a passive patient again"
        yield refused("total-peep-below-peep", "total_peep_cmh2o", reason, remedy)
    elif plateau is not None and total >= plateau:
        reason = f"total PEEP {total:g} is not below Pplat {plateau:g} cmH2O"
        yield refused("total-peep-above-plateau", "total_peep_cmh2o", reason, "read both holds again")
    elif not quantity("intrinsic_peep_cmh2o").ask.holds(total - peep):
        reason = f"intrinsic PEEP is {total - peep:.1f} cmH2O (total {total:g}, set {peep:g})"
        yield ask("intrinsic-peep-high", "total_peep_cmh2o", reason, "repeat the expiratory hold")


def _end_inspiratory(bed: BedValues) -> tuple[str, float] | None:
    """Column and value of the alveolar pressure at Ti: the plateau, or at most what pressure control is set
    to.
    """
    plateau = bed.get("plateau_cmh2o")
    if plateau is not None:
        return "plateau_cmh2o", plateau
    both = bed.all_of("pressure_above_peep_cmh2o", "peep_cmh2o")
    if both is not None and bed.words.get("mode") == "pc":
        return "pressure_above_peep_cmh2o", sum(both)
    return None


def driving_pressure(bed: BedValues) -> Iterator[Finding]:
    """Plateau minus total PEEP (set PEEP where no total was read): refused above 50, asked outside 5 to
    22.
    """
    plateau, peep = bed.get("plateau_cmh2o"), bed.get("peep_cmh2o")
    if plateau is None or peep is None:
        return
    low = bed.numbers.get("total_peep_cmh2o", peep)
    entry = quantity("driving_pressure_cmh2o")
    level = entry.level(plateau - low)
    reason = f"driving pressure is {plateau - low:.1f} cmH2O (Pplat {plateau:g}, PEEP {low:g})"
    if level == "refused":
        yield refused("driving-pressure-out-of-range", "plateau_cmh2o", reason, "read both holds again")
    elif level == "ask":
        yield ask("driving-pressure-unusual", "plateau_cmh2o", reason, "read both holds again")


def compliance(bed: BedValues) -> Iterator[Finding]:
    """VT / (end-inspiratory pressure - total PEEP): refused outside 3 to 200 mL/cmH2O, asked outside 12 to
    100.
    """
    top, both = _end_inspiratory(bed), bed.all_of("tidal_volume_ml", "peep_cmh2o")
    if top is None or both is None:
        return
    column, pressure = top
    tidal_volume, peep = both
    low = bed.numbers.get("total_peep_cmh2o", peep)
    if pressure <= low:
        return
    entry = quantity("compliance_ml_per_cmh2o")
    value = tidal_volume / (pressure - low)
    level = entry.level(value)
    bounds = entry.refuse if level == "refused" else entry.ask
    reason = (
        f"VT {tidal_volume:g} mL over {pressure - low:.1f} cmH2O is a compliance of {value:.0f} mL/cmH2O "
        f"({'possible' if level == 'refused' else 'usual'}: {bounds.words(entry.unit)})"
    )
    remedy = "read tidal volume and pressures again; are all pressures in the unit of their column?"
    if level == "refused":
        yield refused("compliance-out-of-range", column, reason, remedy)
    elif level == "ask":
        yield ask("compliance-unusual", column, reason, remedy)


def pressure_control_pressures(bed: BedValues) -> Iterator[Finding]:
    """What pressure control is set to: its sum with PEEP, the plateau below it, above PEEP or absolute."""
    both = bed.all_of("pressure_above_peep_cmh2o", "peep_cmh2o")
    if both is None or bed.words.get("mode") != "pc":
        return
    above, peep = both
    column = "pressure_above_peep_cmh2o"
    peak = quantity("peak_cmh2o")
    level = peak.level(above + peep)
    sum_words = f"PEEP {peep:g} and {above:g} above it make {above + peep:g} cmH2O"
    if level == "refused":
        yield refused("inspiratory-pressure-out-of-range", column, sum_words, "read both again")
        return
    if level == "ask":
        yield ask("inspiratory-pressure-unusual", column, sum_words, "read both again")
    plateau = bed.get("plateau_cmh2o")
    if plateau is not None and plateau > above + peep + _SET_PRESSURE_SLACK_CMH2O:
        reason = f"Pplat {plateau:g} is above what is set ({sum_words})"
        yield ask(
            "plateau-above-set-pressure", "plateau_cmh2o", reason, "is the patient passive? Read both again"
        )
    shown = bed.numbers.get("peak_cmh2o", plateau)
    if shown is not None and peep >= 3.0 and abs(above - shown) <= _SET_PRESSURE_SLACK_CMH2O:
        reason = f"{above:g} cmH2O above PEEP equals the pressure that is displayed ({shown:g})"
        remedy = f"was it read as an absolute pressure? Above PEEP it would be {above - peep:g}"
        yield ask("pressure-above-peep-absolute", column, reason, remedy)


def pressure_control_value_in_volume_control(bed: BedValues) -> Iterator[Finding]:
    """A pressure above PEEP typed for a patient in volume control."""
    if bed.words.get("mode") == "vc" and bed.get("pressure_above_peep_cmh2o") is not None:
        yield ask(
            "pressure-above-peep-in-vc",
            "pressure_above_peep_cmh2o",
            "a pressure above PEEP is set in pressure control, but the mode is vc",
            "check the mode, or clear the cell",
        )


def resistance_from_peak(bed: BedValues) -> Iterator[Finding]:
    """(Ppeak - Pplat) / flow where the flow is constant: asked outside 4 to 40 cmH2O·s/L."""
    values = bed.all_of("peak_cmh2o", "plateau_cmh2o", "flow_l_per_min")
    if values is None or bed.words.get("mode") != "vc" or bed.words.get("flow_shape") != "constant":
        return
    peak, plateau, flow = values
    entry = quantity("resistance_cmh2o_s_per_l")
    value = (peak - plateau) / convert(flow, "L/min", "L/s")
    if not entry.ask.holds(value):
        yield ask(
            "resistance-implied-unusual",
            "peak_cmh2o",
            f"Ppeak {peak:g}, Pplat {plateau:g} cmH2O and flow {flow:g} L/min make a resistance of "
            f"{value:.0f} cmH2O·s/L (usual: {entry.ask.words(entry.unit)})",
            "read peak, plateau and flow again",
        )


def resistance_below_tube(bed: BedValues) -> Iterator[Finding]:
    """A resistance below that of a smooth straight tube of this diameter at 0.5 L/s cannot contain the tube.

    Source: Blasius friction, dP = 0.2414 mu^0.25 rho^0.75 L D^-4.75 F^1.75 (SI; textbook).
    """
    both = bed.all_of("resistance_cmh2o_s_per_l", "tube_mm")
    if both is None:
        return
    resistance, diameter_mm = both
    pascal = (
        0.2414
        * _GAS_VISCOSITY_PA_S**0.25
        * _GAS_DENSITY_KG_PER_M3**0.75
        * _TUBE_LENGTH_M
        * convert(diameter_mm, "mm", "m") ** -4.75
        * (_TUBE_FLOW_L_PER_S / 1000.0) ** 1.75
    )
    floor = convert(pascal, "Pa", "cmH2O") / _TUBE_FLOW_L_PER_S
    if resistance < floor:
        yield ask(
            "resistance-below-tube",
            "resistance_cmh2o_s_per_l",
            f"R {resistance:g} is below that of a {diameter_mm:g} mm tube alone ({floor:.1f} cmH2O·s/L)",
            "the resistance includes the tube: measure it again",
        )


CHECKS: Final[tuple[Check, ...]] = (
    pressures_in_kilopascal,
    peak_above_peep,
    plateau_above_peep,
    plateau_below_peak,
    total_peep_between,
    driving_pressure,
    compliance,
    pressure_control_pressures,
    pressure_control_value_in_volume_control,
    resistance_from_peak,
    resistance_below_tube,
)
