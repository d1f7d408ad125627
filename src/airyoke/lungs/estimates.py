"""From the readings of one bed to a patient as the engine sees it, or to the reasons why not."""

from __future__ import annotations

from typing import Literal

from airyoke.lungs.apparatus import present_apparatus
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.estimate_gas import estimate_gas
from airyoke.lungs.estimate_mechanics import Mechanics, estimate_mechanics
from airyoke.lungs.patient import Lungs, Patient, Present
from airyoke.lungs.readings import Readings
from airyoke.lungs.reasons import CannotEstimate, Reason
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.quantities.finding import Finding


def estimate_lungs(
    readings: Readings,
    label: str,
    assumptions: Assumptions,
    *,
    circuit_compensation: Literal["on", "off"],
    conditions: tuple[str, ...] = (),
) -> Patient | CannotEstimate:
    """Lungs of one patient with their spreads, anchored in the present state; or why the readings do not give
    them.

    ``label`` is the bed's; every finding carries it. ``circuit_compensation`` is that of the ventilator on
    which the readings were taken: ``off`` takes the volume compressed in a single adult circuit off what was
    displayed. ``conditions`` are ids of :mod:`airyoke.lungs.eligibility`; obstruction changes the defaults
    for resistance. Without blood gas, or without oxygenation, what depends on it is ``None`` and a finding
    says so.
    """
    try:
        weight = predicted_body_weight_kg(readings.sex, readings.height_cm)
    except ValueError as error:
        reason = Reason("height-impossible", f"{str(error).capitalize()}.", "Measure the height, in cm.")
        return CannotEstimate(label, (reason,))
    apparatus = present_apparatus(readings.humidification)
    mechanics = estimate_mechanics(readings, label, assumptions, apparatus, conditions, circuit_compensation)
    if not isinstance(mechanics, Mechanics):
        return CannotEstimate(label, mechanics)
    gas = estimate_gas(readings, label, assumptions, apparatus, weight, mechanics.tidal_volume_ml)
    findings = (*mechanics.findings, *gas.findings)
    if apparatus.assumed:
        missing = Finding(
            "humidification-missing",
            "note",
            f"How the gas is humidified is not known; a heat and moisture exchanging filter is assumed "
            f"({apparatus.dead_space_ml:g} mL of apparatus dead space).",
            "Write hme or heated.",
            bed=label,
        )
        findings = (*findings, missing)
    return Patient(
        label=label,
        lungs=Lungs(
            compliance=mechanics.compliance,
            inspiratory_resistance=mechanics.inspiratory_resistance,
            expiratory_resistance=mechanics.expiratory_resistance,
            quadratic_resistance=mechanics.quadratic_resistance,
            airway_dead_space=gas.airway_dead_space,
            alveolar_dead_space_fraction=gas.alveolar_dead_space_fraction,
            vco2=gas.vco2,
            bicarbonate=gas.bicarbonate,
            shunt=gas.shunt,
            haemoglobin=gas.haemoglobin,
        ),
        sex=readings.sex,
        height_cm=readings.height_cm,
        present=Present(
            tidal_volume_ml=mechanics.tidal_volume_ml,
            rate_per_min=readings.rate_per_min,
            inspiratory_time_s=readings.inspiratory_time_s,
            set_peep_cmh2o=readings.peep_cmh2o,
            total_peep=mechanics.total_peep,
            fio2=readings.fio2,
            apparatus_dead_space_ml=apparatus.dead_space_ml,
            pressure_above_peep_cmh2o=_drive(readings),
            humidification=readings.humidification,
            plateau_cmh2o=mechanics.plateau_cmh2o,
            paco2_mmhg=readings.paco2_mmhg,
            ph=readings.ph,
            pao2_mmhg=readings.pao2_mmhg,
            spo2_pct=readings.spo2_pct,
        ),
        findings=findings,
    )


def _drive(readings: Readings) -> float | None:
    """The drive that gave the volume, where nothing else did: an effort adds to it, by nobody knows how much."""
    if readings.mode == "vc" or readings.passive == "no":
        return None
    return readings.pressure_above_peep_cmh2o
