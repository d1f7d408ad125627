"""From a bed of the ward to what the planner sees of it."""

from __future__ import annotations

from dataclasses import dataclass

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy
from airyoke.lungs.eligibility import Eligibility, eligibility
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.patient import Patient
from airyoke.lungs.readings import Readings
from airyoke.lungs.reasons import CannotEstimate
from airyoke.plan.candidate import Candidate, Note
from airyoke.ward.ward import Bed, Ward


@dataclass(frozen=True, slots=True)
class BedAssessment:
    """One bed assessed: its lungs (or why not), whether it may share, and its present settings.

    ``lungs`` and ``eligibility`` are ``None`` where the readings were refused.
    """

    bed: Bed
    lungs: Patient | CannotEstimate | None
    eligibility: Eligibility | None
    present_settings: Settings | None


def assess_ward(ward: Ward) -> tuple[BedAssessment, ...]:
    """Every bed: lungs from its readings, and whether it may share."""
    machines = {v.label: v for v in ward.ventilators}
    return tuple(assess_bed(bed, machines.get(bed.ventilator or ""), ward.policy) for bed in ward.beds)


def assess_bed(bed: Bed, ventilator: Ventilator | None, policy: Policy) -> BedAssessment:
    """One bed on the ventilator it is on (``None``: on another device; it is taken as not compensating)."""
    if bed.readings is None:
        return BedAssessment(bed, None, None, None)
    lungs = estimate_lungs(
        bed.readings,
        bed.label,
        policy.assumptions,
        circuit_compensation="off" if ventilator is None else ventilator.circuit_compensation,
        conditions=bed.conditions,
    )
    may = eligibility(
        bed.readings,
        lungs,
        conditions=bed.conditions,
        exclude=bed.exclude,
        condition_rules=policy.condition_rules,
        longest_expiratory_time_constant_s=policy.eligible_expiratory_time_constant_s,
        lowest_ph=policy.eligible_ph,
        highest_fio2=policy.eligible_fio2,
    )
    return BedAssessment(bed, lungs, may, present_settings(bed.readings, ventilator))


def present_settings(readings: Readings, ventilator: Ventilator | None) -> Settings | None:
    """What the patient's own ventilator is set to, as far as the readings say; ``None`` where they do not.

    A dual-control mode is taken as pressure control where its pressure was read, else as volume control: for one
    settled breath they are the same.
    """
    r = readings
    pressure = r.pressure_above_peep_cmh2o
    if r.mode == "pc" and pressure is None:
        return None
    in_pressure_control = r.mode == "pc" or (r.mode == "dual" and pressure is not None)
    return Settings(
        mode="pc" if in_pressure_control else "vc",
        rate_per_min=r.rate_per_min,
        inspiratory_time_s=r.inspiratory_time_s,
        peep_cmh2o=r.peep_cmh2o,
        fio2=r.fio2,
        pressure_above_peep_cmh2o=pressure if in_pressure_control else None,
        tidal_volume_ml=None if in_pressure_control else r.tidal_volume_ml,
        flow_shape=r.flow_shape or "constant",
        pause_s=0.0 if in_pressure_control else (r.pause_s or 0.0),
        circuit_compensation="off" if ventilator is None else ventilator.circuit_compensation,
    )


def candidate(assessed: BedAssessment, policy: Policy) -> Candidate:
    """The bed as the planner sees it: reasons, decisions, present settings."""
    bed, lungs, may = assessed.bed, assessed.lungs, assessed.eligibility
    if bed.readings is None or may is None:
        return Candidate(
            bed.label, None, None, room=bed.room, infection=bed.infection, ventilator=bed.ventilator,
            keeps_ventilator=True,
        )  # fmt: skip
    patient = lungs if isinstance(lungs, Patient) else None
    never = [Note(r.id, r.text) for r in may.reasons]
    change = [Note(r.id, r.would_change) for r in may.reasons]
    needs = [Note(n.id, n.text) for n in may.needs]
    if patient is not None:
        if bed.readings.paco2_mmhg is None or patient.lungs.bicarbonate is None or patient.lungs.vco2 is None:
            never.append(Note("no-gas", "no arterial gas that can be used: PaCO2 and pH after a change are not known"))
            change.append(Note("no-gas", "an arterial gas (paco2_mmhg and ph) taken at the present settings"))
        entry = policy.limit("entry_ph", "low")
        ph = bed.readings.ph
        if ph is not None and ph < entry.target - 1e-9:
            text = f"pH {ph:.2f} of bed {bed.label} is below the entry rule of {entry.target:.2f}: accepted by a person"
            needs.append(Note("entry-ph", text))
    return Candidate(
        bed.label,
        patient,
        assessed.present_settings,
        never=tuple(never),
        never_change=tuple(change),
        needs=tuple(needs),
        room=bed.room,
        infection=bed.infection,
        must_match=may.must_match,
        humidification=bed.readings.humidification,
        ventilator=bed.ventilator,
    )
