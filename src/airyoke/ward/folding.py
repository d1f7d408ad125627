"""What one entry does to the state of a ward. An entry that contradicts what is known is refused, with the way out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final, NoReturn

from airyoke.quantities import Finding, Refused, did_you_mean
from airyoke.ward.entries import Entry
from airyoke.ward.kinds import LARGEST_GROUP
from airyoke.ward.state import BuildStanding, Group, Place, PlanStanding, ReadValue, Stay, WardState


def after(state: WardState, entry: Entry, content: Mapping[str, Any]) -> WardState:
    """The state after ``entry``, whose content counts as ``content`` (a correction may have replaced it).

    Raises :class:`airyoke.quantities.Refused` where it contradicts the state: a reading of an empty bed, a patient in
    two beds, a bed in two groups, a ventilator that is not there.
    """
    step = _STEPS.get(entry.kind)
    changed = state if step is None else step(state, content, entry)
    return changed if changed.sequence == entry.sequence else replace(changed, sequence=entry.sequence)


def _refuse(finding_id: str, reason: str, remedy: str, bed: str | None = None) -> NoReturn:
    raise Refused((Finding(finding_id, "refused", reason, remedy, bed=bed),))


def _with(mapping: Mapping[Any, Any], key: Any, value: Any) -> dict[Any, Any]:
    return {**mapping, key: value}


def _without(mapping: Mapping[Any, Any], key: Any) -> dict[Any, Any]:
    return {name: value for name, value in mapping.items() if name != key}


def _merged(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """The old values with the new ones over them; a new value of ``None`` takes the old one away."""
    both = {**old, **new}
    return {name: value for name, value in both.items() if value is not None}


def _place(state: WardState, bed: str) -> Place:
    if bed not in state.beds:
        near = did_you_mean(bed, state.beds)
        _refuse(
            "bed-unknown", f"the ward has no bed {bed}", f"did you mean {near}?" if near else "add the bed first", bed
        )
    return state.beds[bed]


def _patient(state: WardState, content: Mapping[str, Any]) -> Stay:
    bed = content["bed"]
    patient = _place(state, bed).patient
    if patient is None:
        _refuse("bed-empty", f"nobody is in bed {bed}", "write down first who came", bed)
    if patient.code != content.get("code"):
        reason = (
            f"bed {bed} holds {patient.code or 'a patient without a code'}, not {content.get('code') or 'one without'}"
        )
        _refuse("patient-other", reason, "see who is in the bed now: readings belong to a patient, not to a place", bed)
    return patient


def _check_machine(state: WardState, ventilator: str | None, bed: str) -> None:
    if ventilator is None:
        return
    if ventilator not in state.ventilators:
        near = did_you_mean(ventilator, state.ventilators)
        remedy = f"did you mean {near}?" if near else "add the ventilator first"
        _refuse("ventilator-unknown", f"the ward has no ventilator {ventilator}", remedy, bed)
    group = state.group_on(ventilator)
    if group is not None and bed not in state.groups[group].beds:
        reason = f"group {group} breathes from {ventilator}"
        _refuse("ventilator-shared", reason, "change the group: nobody is added to it in passing", bed)


def _seat(state: WardState, bed: str, patient: Stay | None) -> WardState:
    return replace(state, beds=_with(state.beds, bed, Place(state.beds[bed].room, patient)))


def _on(state: WardState, bed: str, ventilator: str | None) -> WardState:
    patient = state.beds[bed].patient
    if patient is None:  # pragma: no cover - callers have checked
        return state
    return _seat(state, bed, replace(patient, values=_merged(patient.values, {"ventilator": ventilator})))


def _not_in_group(state: WardState, bed: str) -> None:
    group = state.group_of(bed)
    if group is not None:
        _refuse("bed-in-group", f"bed {bed} is in the running group {group}", "take it out of the group first", bed)


def _bed(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    bed = content["bed"]
    old = state.beds.get(bed, Place())
    if not content.get("removed"):
        room = content.get("room", old.room)
        return replace(state, beds=_with(state.beds, bed, replace(old, room=room)))
    _place(state, bed)
    if old.patient is not None:
        _refuse("bed-occupied", f"somebody is in bed {bed}", "write down where the patient went first", bed)
    return replace(state, beds=_without(state.beds, bed))


def _patient_in(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    bed, code = content["bed"], content.get("code")
    if _place(state, bed).patient is not None:
        _refuse("bed-occupied", f"somebody is in bed {bed}", "write down where that patient went first", bed)
    if code is not None and (other := state.bed_of(code)) is not None:
        _refuse("patient-twice", f"{code} is in bed {other}", "move the patient, or correct the code", bed)
    values = _merged({}, content.get("values") or {})
    _check_machine(state, values.get("ventilator"), bed)
    return _seat(state, bed, Stay(code, entry.sequence, values))


def _patient_changed(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    bed, values = content["bed"], content["values"]
    patient = _patient(state, content)
    if "ventilator" in values and values["ventilator"] != patient.ventilator:
        _not_in_group(state, bed)
        _check_machine(state, values["ventilator"], bed)
    return _seat(state, bed, replace(patient, values=_merged(patient.values, values)))


def _patient_moved(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    bed, to = content["bed"], content["to"]
    patient = _patient(state, content)
    _not_in_group(state, bed)
    if _place(state, to).patient is not None:
        _refuse("bed-occupied", f"somebody is in bed {to}", "write down where that patient went first", to)
    return _seat(_seat(state, bed, None), to, patient)


def _patient_out(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    _patient(state, content)
    _not_in_group(state, content["bed"])
    return _seat(state, content["bed"], None)


def _reading(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    patient = _patient(state, content)
    readings = dict(patient.readings)
    for name, value in content["values"].items():
        new = ReadValue(value, content.get("read_at"), content.get("read_by"), entry.sequence)
        old = readings.get(name)
        # A reading that is written down late never hides one that was taken after it.
        if old is None or old.is_before(new):
            readings[name] = new
    read = Place(state.beds[content["bed"]].room, Stay(patient.code, patient.since, patient.values, readings))
    # In one step with the sequence: nearly all of a record is readings, and opening it folds every one of them.
    return replace(state, beds=_with(state.beds, content["bed"], read), sequence=entry.sequence)


def _ventilator(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name = content["ventilator"]
    if content.get("removed"):
        if name not in state.ventilators:
            _refuse("ventilator-unknown", f"the ward has no ventilator {name}", "nothing to remove")
        on = [bed for bed, place in state.beds.items() if place.patient and place.patient.ventilator == name]
        if on:
            _refuse("ventilator-in-use", f"{name} is in use at {', '.join(on)}", "write down what they are on now")
        return replace(state, ventilators=_without(state.ventilators, name), settings=_without(state.settings, name))
    values = _merged(state.ventilators.get(name, {}), content.get("values") or {})
    return replace(state, ventilators=_with(state.ventilators, name, values))


def _stock(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    return replace(state, stock=_merged(state.stock or {}, content["counts"]))


def _policy(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    return replace(state, policy=_merged(state.policy, content["values"]))


def _plan_made(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    plan = content["plan"]
    if plan in state.plans:
        _refuse("plan-twice", f"there is a plan {plan} already", "give this one another name")
    if content["based_on"] >= entry.sequence:
        _refuse("plan-basis", "a plan cannot stand on entries that come after it", "plan again")
    return replace(state, plans=_with(state.plans, plan, PlanStanding(entry.sequence, content["based_on"])))


def _plan(state: WardState, plan: str) -> PlanStanding:
    if plan not in state.plans:
        near = did_you_mean(plan, state.plans)
        _refuse("plan-unknown", f"there is no plan {plan}", f"did you mean {near}?" if near else "make it first")
    if state.plans[plan].standing == "superseded":
        _refuse("plan-superseded", f"plan {plan} no longer holds", "make a new plan")
    return state.plans[plan]


def _plan_accepted(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    accepted = replace(
        _plan(state, content["plan"]), standing="accepted", accepted_by=tuple(content["accepted_by"])
    )  # fmt: skip
    return replace(state, plans=_with(state.plans, content["plan"], accepted))


def _plan_superseded(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    gone = replace(_plan(state, content["plan"]), standing="superseded")
    return replace(state, plans=_with(state.plans, content["plan"], gone))


def _build_made(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    build = content["build"]
    if build in state.builds:
        _refuse("build-twice", f"there is a build {build} already", "give this one another label")
    return replace(state, builds=_with(state.builds, build, BuildStanding(entry.sequence, content["patients"])))


def _build_tested(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    build = content["build"]
    if build not in state.builds:
        _refuse("build-unknown", f"there is no build {build}", "write down first that it was made")
    tested = replace(state.builds[build], passed=content["passed"], expires_at=content.get("expires_at"))
    return replace(state, builds=_with(state.builds, build, tested))


def _group_started(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name, ventilator, beds = content["group"], content["ventilator"], tuple(content["beds"])
    if name in state.groups or name in state.ended_groups:
        _refuse("group-twice", f"there was a group {name} already", "give this one another name")
    if ventilator not in state.ventilators:
        _refuse("ventilator-unknown", f"the ward has no ventilator {ventilator}", "add the ventilator first")
    if (other := state.group_on(ventilator)) is not None:
        _refuse("ventilator-shared", f"group {other} breathes from {ventilator}", "end that group first")
    if (build := content.get("build")) is not None and build not in state.builds:
        _refuse("build-unknown", f"there is no build {build}", "write down first that it was made")
    if (plan := content.get("plan")) is not None:
        _plan(state, plan)
    _check_members(state, None, ventilator, beds)
    group = Group(ventilator, beds, entry.sequence, build, plan)
    state = replace(state, groups=_with(state.groups, name, group))
    for bed in beds:
        state = _on(state, bed, ventilator)
    return _dialled(state, ventilator, content)


def _check_members(state: WardState, group: str | None, ventilator: str, beds: tuple[str, ...]) -> None:
    if not 1 <= len(beds) <= LARGEST_GROUP:
        _refuse("group-size", f"a group of {len(beds)}", f"a group has 1 to {LARGEST_GROUP} patients")
    for bed in beds:
        if _place(state, bed).patient is None:
            _refuse("bed-empty", f"nobody is in bed {bed}", "write down first who came", bed)
        if (other := state.group_of(bed)) not in (None, group):
            _refuse(
                "bed-in-group", f"bed {bed} is in the running group {other}", "take it out of that group first", bed
            )
    for bed, place in state.beds.items():
        on_it = place.patient is not None and place.patient.ventilator == ventilator
        if on_it and bed not in beds and (group is None or state.group_of(bed) != group):
            _refuse("ventilator-in-use", f"{ventilator} is in use at {bed}", "write down what that bed is on now", bed)


def _group(state: WardState, name: str) -> Group:
    if name not in state.groups:
        ended = "it has ended" if name in state.ended_groups else "start it first"
        _refuse("group-unknown", f"no group {name} is running", ended)
    return state.groups[name]


def _taken_off(state: WardState, beds: tuple[str, ...], to: Mapping[str, Any]) -> WardState:
    for bed in to:
        if bed not in beds:
            _refuse("group-to", f"`to` names bed {bed}, which is not taken off", "name those taken off only", bed)
    for bed in beds:
        ventilator = to.get(bed)
        if ventilator is not None and not isinstance(ventilator, str):
            _refuse("group-to", f"`to` of bed {bed} is no label", "give the label of a ventilator, or null", bed)
        _check_machine(state, ventilator, bed)
        state = _on(state, bed, ventilator)
    return state


def _group_changed(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name, beds = content["group"], tuple(content["beds"])
    group = _group(state, name)
    _check_members(state, name, group.ventilator, beds)
    state = replace(state, groups=_with(state.groups, name, replace(group, beds=beds)))
    state = _taken_off(state, tuple(bed for bed in group.beds if bed not in beds), content.get("to") or {})
    for bed in beds:
        state = _on(state, bed, group.ventilator)
    return state


def _group_ended(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name = content["group"]
    group = _group(state, name)
    state = replace(state, groups=_without(state.groups, name), ended_groups=state.ended_groups | {name})
    return _taken_off(state, group.beds, content.get("to") or {})


def _dialled(state: WardState, ventilator: str, content: Mapping[str, Any]) -> WardState:
    if content.get("settings") is None:
        return state
    return replace(state, settings=_with(state.settings, ventilator, content["settings"]))


def _settings_changed(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    if content["ventilator"] not in state.ventilators:
        _refuse("ventilator-unknown", f"the ward has no ventilator {content['ventilator']}", "add it first")
    return _dialled(state, content["ventilator"], content)


def _check_done(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    where = content.get("bed") or content.get("group") or ""
    if content.get("bed") is not None:
        _place(state, content["bed"])
    elif content.get("group") is not None:
        _group(state, content["group"])
    done = (entry.sequence, content.get("passed"))
    return replace(state, checks=_with(state.checks, (content["check"], where), done))


def _person(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name, roles = content["name"], tuple(content["roles"])
    people = _with(state.people, name, roles) if roles else _without(state.people, name)
    if any("keeper" in held for held in state.people.values()) and not any("keeper" in r for r in people.values()):
        _refuse("keeper-last", f"{name} is the last keeper", "make somebody else a keeper first")
    return replace(state, people=people)


def _site(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    return replace(state, site=_merged(state.site, content))


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
    "group_started": _group_started,
    "group_changed": _group_changed,
    "group_ended": _group_ended,
    "settings_changed": _settings_changed,
    "check_done": _check_done,
    "person": _person,
    "site": _site,
}
