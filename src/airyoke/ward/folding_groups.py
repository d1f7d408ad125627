"""What an entry does to the groups that breathe now: started, changed, ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from airyoke.ward.entries import Entry
from airyoke.ward.folding_tools import (
    check_machine,
    place_of,
    plan_of,
    put_on,
    refuse,
    with_dialled,
    with_key,
    without_key,
)
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.kinds import LARGEST_GROUP
from airyoke.ward.state import Group, WardState


def group_started(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name, ventilator, beds = content["group"], content["ventilator"], tuple(content["beds"])
    if name in state.groups or name in state.ended_groups or name in state.standings:
        refuse("group-twice", f"there was a group {name} already", "give this one another name")
    check_nothing_under_way(state, ventilator, beds)
    if ventilator not in state.ventilators:
        refuse("ventilator-unknown", f"the ward has no ventilator {ventilator}", "add the ventilator first")
    if (other := state.group_on(ventilator)) is not None:
        refuse("ventilator-shared", f"group {other} breathes from {ventilator}", "end that group first")
    if (build := content.get("build")) is not None and build not in state.builds:
        refuse("build-unknown", f"there is no build {build}", "write down first that it was made")
    if (plan := content.get("plan")) is not None:
        plan_of(state, plan)
    check_members(state, None, ventilator, beds)
    group = Group(ventilator, beds, entry.sequence, build, plan)
    state = replace(state, groups=with_key(state.groups, name, group))
    before = {bed: _ventilator_at(state, bed) for bed in beds}
    for bed in beds:
        state = put_on(state, bed, ventilator)
    standing = GroupStanding(
        ventilator, beds, "running", entry.sequence, content.get("settings") or {}, since_of(state, beds), plan, build,
        joined=beds, before=before, coupled_at=entry.local,
    )  # fmt: skip
    state = replace(state, standings=with_key(state.standings, name, standing))
    return with_dialled(state, ventilator, content)


def since_of(state: WardState, beds: tuple[str, ...]) -> dict[str, int]:
    """The entry since which each bed has the patient that it has."""
    return {bed: patient.since for bed in beds if (patient := place_of(state, bed).patient) is not None}


def _ventilator_at(state: WardState, bed: str) -> str | None:
    patient = place_of(state, bed).patient
    return None if patient is None else patient.ventilator


def check_nothing_under_way(state: WardState, ventilator: str, beds: tuple[str, ...], but: str = "") -> None:
    """Refuse where a sequence of another group is under way on this ventilator or at one of these beds."""
    for name, standing in state.standings.items():
        if name == but or standing.way is None:
            continue
        if standing.ventilator == ventilator:
            refuse("start-twice", f"group {name} has its {standing.way.name} under way on {ventilator}",
                   "one at a time: finish or abandon that one first")  # fmt: skip
        for bed in beds:
            if bed in standing.beds:
                refuse("start-twice", f"bed {bed} is part of what is under way in group {name}",
                       "one at a time: finish or abandon that one first", bed)  # fmt: skip


def check_members(state: WardState, group: str | None, ventilator: str, beds: tuple[str, ...]) -> None:
    """Refuse a group of these beds on this ventilator where it contradicts the ward."""
    if not 1 <= len(beds) <= LARGEST_GROUP:
        refuse("group-size", f"a group of {len(beds)}", f"a group has 1 to {LARGEST_GROUP} patients")
    for bed in beds:
        if place_of(state, bed).patient is None:
            refuse("bed-empty", f"nobody is in bed {bed}", "write down first who came", bed)
        if (other := state.group_of(bed)) not in (None, group):
            refuse(
                "bed-in-group", f"bed {bed} is in the running group {other}", "take it out of that group first", bed
            )
    for bed, place in state.beds.items():
        on_it = place.patient is not None and place.patient.ventilator == ventilator
        if on_it and bed not in beds and (group is None or state.group_of(bed) != group):
            refuse("ventilator-in-use", f"{ventilator} is in use at {bed}", "write down what that bed is on now", bed)


def running_group(state: WardState, name: str) -> Group:
    """That group, where it runs."""
    if name not in state.groups:
        ended = "it has ended" if name in state.ended_groups else "start it first"
        refuse("group-unknown", f"no group {name} is running", ended)
    return state.groups[name]


def taken_off(state: WardState, beds: tuple[str, ...], to: Mapping[str, Any]) -> WardState:
    """These beds off the group, each on what ``to`` says."""
    for bed in to:
        if bed not in beds:
            refuse("group-to", f"`to` names bed {bed}, which is not taken off", "name those taken off only", bed)
    for bed in beds:
        ventilator = to.get(bed)
        if ventilator is not None and not isinstance(ventilator, str):
            refuse("group-to", f"`to` of bed {bed} is no label", "give the label of a ventilator, or null", bed)
        check_machine(state, ventilator, bed)
        state = put_on(state, bed, ventilator)
    return state


def group_changed(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name, beds = content["group"], tuple(content["beds"])
    group = running_group(state, name)
    check_members(state, name, group.ventilator, beds)
    state = replace(state, groups=with_key(state.groups, name, replace(group, beds=beds)))
    state = taken_off(state, tuple(bed for bed in group.beds if bed not in beds), content.get("to") or {})
    for bed in beds:
        state = put_on(state, bed, group.ventilator)
    standing = state.standings.get(name)
    if standing is not None:
        standing = replace(
            standing, beds=(*standing.beds, *(bed for bed in beds if bed not in standing.beds)), joined=beds,
            patients={**standing.patients, **since_of(state, beds)}, changed_at=entry.local,
        )  # fmt: skip
        state = replace(state, standings=with_key(state.standings, name, standing))
    return state


def group_ended(state: WardState, content: Mapping[str, Any], entry: Entry) -> WardState:
    name = content["group"]
    group = running_group(state, name)
    standing = state.standings.get(name)
    if standing is not None:
        over = replace(standing, stage="ended", way=None, joined=())
        state = replace(state, standings=with_key(state.standings, name, over))
    state = replace(state, groups=without_key(state.groups, name), ended_groups=state.ended_groups | {name})
    return taken_off(state, group.beds, content.get("to") or {})
