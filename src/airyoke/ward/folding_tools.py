"""What the steps of the fold share: to refuse, to change a mapping, to find a bed, a patient, a plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NoReturn

from airyoke.quantities import Finding, Refused, did_you_mean
from airyoke.ward.state import Place, PlanStanding, Stay, WardState


def refuse(finding_id: str, reason: str, remedy: str, bed: str | None = None) -> NoReturn:
    """Raise :class:`airyoke.quantities.Refused` with one finding."""
    raise Refused((Finding(finding_id, "refused", reason, remedy, bed=bed),))


def with_key(mapping: Mapping[Any, Any], key: Any, value: Any) -> dict[Any, Any]:
    """The mapping with this key set."""
    return {**mapping, key: value}


def without_key(mapping: Mapping[Any, Any], key: Any) -> dict[Any, Any]:
    """The mapping without this key."""
    return {name: value for name, value in mapping.items() if name != key}


def merged(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """The old values with the new ones over them; a new value of ``None`` takes the old one away."""
    both = {**old, **new}
    return {name: value for name, value in both.items() if value is not None}


def place_of(state: WardState, bed: str) -> Place:
    """That bed. Refused where the ward has none."""
    if bed not in state.beds:
        near = did_you_mean(bed, state.beds)
        refuse(
            "bed-unknown", f"the ward has no bed {bed}", f"did you mean {near}?" if near else "add the bed first", bed
        )
    return state.beds[bed]


def patient_of(state: WardState, content: Mapping[str, Any]) -> Stay:
    """Who lies there, where it is the patient that the entry means."""
    bed = content["bed"]
    patient = place_of(state, bed).patient
    if patient is None:
        refuse("bed-empty", f"nobody is in bed {bed}", "write down first who came", bed)
    if patient.code != content.get("code"):
        reason = (
            f"bed {bed} holds {patient.code or 'a patient without a code'}, not {content.get('code') or 'one without'}"
        )
        refuse("patient-other", reason, "see who is in the bed now: readings belong to a patient, not to a place", bed)
    return patient


def check_machine(state: WardState, ventilator: str | None, bed: str) -> None:
    """Refuse a ventilator that is not there, or that a group of others breathes from."""
    if ventilator is None:
        return
    if ventilator not in state.ventilators:
        near = did_you_mean(ventilator, state.ventilators)
        remedy = f"did you mean {near}?" if near else "add the ventilator first"
        refuse("ventilator-unknown", f"the ward has no ventilator {ventilator}", remedy, bed)
    group = state.group_on(ventilator)
    if group is not None and bed not in state.groups[group].beds:
        reason = f"group {group} breathes from {ventilator}"
        refuse("ventilator-shared", reason, "change the group: nobody is added to it in passing", bed)


def seat(state: WardState, bed: str, patient: Stay | None) -> WardState:
    """This patient in that bed."""
    return replace(state, beds=with_key(state.beds, bed, Place(state.beds[bed].room, patient)))


def put_on(state: WardState, bed: str, ventilator: str | None) -> WardState:
    """The patient of that bed on this ventilator."""
    patient = state.beds[bed].patient
    if patient is None:  # pragma: no cover - callers have checked
        return state
    return seat(state, bed, replace(patient, values=merged(patient.values, {"ventilator": ventilator})))


def check_not_in_group(state: WardState, bed: str) -> None:
    """Refuse a bed of a running group."""
    group = state.group_of(bed)
    if group is not None:
        refuse("bed-in-group", f"bed {bed} is in the running group {group}", "take it out of the group first", bed)


def plan_of(state: WardState, plan: str) -> PlanStanding:
    """That plan, where it still holds."""
    if plan not in state.plans:
        near = did_you_mean(plan, state.plans)
        refuse("plan-unknown", f"there is no plan {plan}", f"did you mean {near}?" if near else "make it first")
    if state.plans[plan].standing == "superseded":
        refuse("plan-superseded", f"plan {plan} no longer holds", "make a new plan")
    return state.plans[plan]


def with_dialled(state: WardState, ventilator: str, content: Mapping[str, Any]) -> WardState:
    """What the entry says is dialled."""
    if content.get("settings") is None:
        return state
    return replace(state, settings=with_key(state.settings, ventilator, content["settings"]))
