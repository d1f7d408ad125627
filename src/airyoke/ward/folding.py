"""What one entry does to the state of a ward. An entry that contradicts what is known is refused, with the way out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from airyoke.ward.entries import Entry
from airyoke.ward.folding_bedside import BEDSIDE_STEPS
from airyoke.ward.folding_groups import group_changed, group_ended, group_started, running_group
from airyoke.ward.folding_rounds import changed_on, reviewed
from airyoke.ward.folding_tools import (
    check_machine,
    check_not_in_group,
    merged,
    patient_of,
    place_of,
    plan_of,
    refuse,
    seat,
    with_dialled,
    with_key,
    without_key,
)
from airyoke.ward.read_value import ReadValue
from airyoke.ward.state import BuildStanding, Place, PlanStanding, Stay, WardState


def after(state: WardState, entry: Entry, content: Mapping[str, Any]) -> WardState:
    """The state after ``entry``, whose content counts as ``content`` (a correction may have replaced it).

    Raises :class:`airyoke.quantities.Refused` where it contradicts the state: a reading of an empty bed, a patient in
    two beds, a bed in two groups, a ventilator that is not there.
    """
    step = _STEPS.get(entry.kind)
    changed = state if step is None else step(state, content, entry)
    return changed if changed.sequence == entry.sequence else replace(changed, sequence=entry.sequence)


def _bed(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    bed = content["bed"]
    old = state.beds.get(bed, Place())
    if not content.get("removed"):
        room = content.get("room", old.room)
        return replace(state, beds=with_key(state.beds, bed, replace(old, room=room)))
    place_of(state, bed)
    if old.patient is not None:
        refuse("bed-occupied", f"somebody is in bed {bed}", "write down where the patient went first", bed)
    return replace(state, beds=without_key(state.beds, bed))


def _patient_in(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    bed, code = content["bed"], content.get("code")
    if place_of(state, bed).patient is not None:
        refuse("bed-occupied", f"somebody is in bed {bed}", "write down where that patient went first", bed)
    if code is not None and (other := state.bed_of(code)) is not None:
        refuse("patient-twice", f"{code} is in bed {other}", "move the patient, or correct the code", bed)
    values = merged({}, content.get("values") or {})
    check_machine(state, values.get("ventilator"), bed)
    return seat(state, bed, Stay(code, entry.sequence, values))


def _patient_changed(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    bed, values = content["bed"], content["values"]
    patient = patient_of(state, content)
    if "ventilator" in values and values["ventilator"] != patient.ventilator:
        check_not_in_group(state, bed)
        check_machine(state, values["ventilator"], bed)
    return seat(state, bed, replace(patient, values=merged(patient.values, values)))


def _patient_moved(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    bed, to = content["bed"], content["to"]
    patient = patient_of(state, content)
    check_not_in_group(state, bed)
    if place_of(state, to).patient is not None:
        refuse("bed-occupied", f"somebody is in bed {to}", "write down where that patient went first", to)
    return seat(seat(state, bed, None), to, patient)


def _patient_out(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    patient_of(state, content)
    check_not_in_group(state, content["bed"])
    return seat(state, content["bed"], None)


def _reading(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    patient = patient_of(state, content)
    readings = dict(patient.readings)
    for name, value in content["values"].items():
        new = ReadValue(value, content.get("read_at"), content.get("read_by"), entry.sequence)
        old = readings.get(name)
        # A reading that is written down late never hides one that was taken after it.
        if old is None or old.is_before(new):
            readings[name] = new
    read = Place(state.beds[content["bed"]].room, Stay(patient.code, patient.since, patient.values, readings))
    # In one step with the sequence: nearly all of a record is readings, and opening it folds every one of them.
    return replace(state, beds=with_key(state.beds, content["bed"], read), sequence=entry.sequence)


def _ventilator(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name = content["ventilator"]
    if content.get("removed"):
        if name not in state.ventilators:
            refuse("ventilator-unknown", f"the ward has no ventilator {name}", "nothing to remove")
        on = [bed for bed, place in state.beds.items() if place.patient and place.patient.ventilator == name]
        if on:
            refuse("ventilator-in-use", f"{name} is in use at {', '.join(on)}", "write down what they are on now")
        kept = without_key(state.settings, name)
        return replace(state, ventilators=without_key(state.ventilators, name), settings=kept)
    values = merged(state.ventilators.get(name, {}), content.get("values") or {})
    return replace(state, ventilators=with_key(state.ventilators, name, values))


def _stock(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    return replace(state, stock=merged(state.stock or {}, content["counts"]))


def _policy(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    return replace(state, policy=merged(state.policy, content["values"]))


def _plan_made(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    plan = content["plan"]
    if plan in state.plans:
        refuse("plan-twice", f"there is a plan {plan} already", "give this one another name")
    if content["based_on"] >= entry.sequence:
        refuse("plan-basis", "a plan cannot stand on entries that come after it", "plan again")
    return replace(state, plans=with_key(state.plans, plan, PlanStanding(entry.sequence, content["based_on"])))


def _plan_accepted(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    accepted = replace(
        plan_of(state, content["plan"]), standing="accepted", accepted_by=tuple(content["accepted_by"])
    )  # fmt: skip
    return replace(state, plans=with_key(state.plans, content["plan"], accepted))


def _plan_superseded(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    gone = replace(plan_of(state, content["plan"]), standing="superseded")
    return replace(state, plans=with_key(state.plans, content["plan"], gone))


def _build_made(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    build = content["build"]
    if build in state.builds:
        refuse("build-twice", f"there is a build {build} already", "give this one another label")
    return replace(state, builds=with_key(state.builds, build, BuildStanding(entry.sequence, content["patients"])))


def _build_tested(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    build = content["build"]
    if build not in state.builds:
        refuse("build-unknown", f"there is no build {build}", "write down first that it was made")
    tested = replace(
        state.builds[build], passed=content["passed"], expires_at=content.get("expires_at"), tested_at=entry.local,
        opened=None,
    )  # fmt: skip
    return replace(state, builds=with_key(state.builds, build, tested))


def _build_opened(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    build = content["build"]
    if build not in state.builds:
        refuse("build-unknown", f"there is no build {build}", "write down first that it was made")
    opened = replace(state.builds[build], passed=None, opened=entry.sequence)
    return replace(state, builds=with_key(state.builds, build, opened))


def _settings_changed(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    if content["ventilator"] not in state.ventilators:
        refuse("ventilator-unknown", f"the ward has no ventilator {content['ventilator']}", "add it first")
    return with_dialled(changed_on(state, content["ventilator"], entry.local), content["ventilator"], content)


def _check_done(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    where = content.get("bed") or content.get("group") or ""
    if content.get("bed") is not None:
        place_of(state, content["bed"])
    elif content.get("group") is not None:
        running_group(state, content["group"])
        if content["check"] == "review":
            state = reviewed(state, content["group"], entry.local)
    done = (entry.sequence, content.get("passed"))
    return replace(state, checks=with_key(state.checks, (content["check"], where), done))


def _person(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name, roles = content["name"], tuple(content["roles"])
    people = with_key(state.people, name, roles) if roles else without_key(state.people, name)
    if any("keeper" in held for held in state.people.values()) and not any("keeper" in r for r in people.values()):
        refuse("keeper-last", f"{name} is the last keeper", "make somebody else a keeper first")
    return replace(state, people=people)


def _site(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    return replace(state, site=merged(state.site, content))


_Step = Callable[[WardState, Mapping[str, Any], Entry], WardState]
_STEPS: Final[dict[str, _Step]] = {
    "bed": _bed,
    "patient_in": _patient_in,
    "patient_changed": _patient_changed,
    "patient_moved": _patient_moved,
    "patient_out": _patient_out,
    "reading": _reading,
    "ventilator": _ventilator,
    "stock": _stock,
    "policy": _policy,
    "plan_made": _plan_made,
    "plan_accepted": _plan_accepted,
    "plan_superseded": _plan_superseded,
    "build_made": _build_made,
    "build_tested": _build_tested,
    "build_opened": _build_opened,
    "group_started": group_started,
    "group_changed": group_changed,
    "group_ended": group_ended,
    **BEDSIDE_STEPS,
    "settings_changed": _settings_changed,
    "check_done": _check_done,
    "person": _person,
    "site": _site,
}
