"""What a step at the bed does to a group: coupling begun, step by step, taken back, given up, taken off.

Steps are checked against the list that was begun, not against that of this program.
"""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import datetime
from typing import Any, Final, Literal

from airyoke.quantities import Finding, Refused
from airyoke.ward.entries import Entry
from airyoke.ward.folding_gate import check_patients, gate_open
from airyoke.ward.folding_groups import check_members, check_nothing_under_way
from airyoke.ward.folding_stage import Content, ask, standing_of, time_of, with_standing
from airyoke.ward.folding_tools import check_machine, place_of, put_on, refuse, with_dialled, with_key, without_key
from airyoke.ward.group_standing import Done, GroupStanding, Stage, Step, Way
from airyoke.ward.state import Group, WardState
from airyoke.watch.start import ROLES


def coupling_begun(state: WardState, content: Content, entry: Entry) -> WardState:
    name, at = content["group"], time_of(content, entry)
    standing = standing_of(state, name)
    if standing.way is not None:
        refuse("start-twice", f"group {name} was begun at {standing.way.at[11:16]} already", "go on with its next step")
    standing_of(state, name, "rehearse", "gate")
    check_patients(state, standing)
    check_nothing_under_way(state, standing.ventilator, standing.beds, but=name)
    if open_lines := gate_open(state, name, at):
        raise Refused(tuple(
            Finding("gate-open", "refused", f"{item.text}: {why}", "see to it, then tick it", column=item.id)
            for item, why in open_lines
        ))  # fmt: skip
    roles = _roles(content["roles"])
    for other, one in state.standings.items():
        busy = set(roles.values()) & set(one.way.roles.values()) if other != name and one.way is not None else ()
        if busy:
            ask(content, "role-busy", f"{' and '.join(sorted(busy))} is at work on group {other}", "name others")
    way = Way("start", entry.sequence, at, roles, _steps("start", content["steps"], standing.beds))
    return with_standing(state, name, replace(standing, stage="coupling", way=way))


def _roles(given: Content) -> dict[str, str]:
    needed = [role.id for role in ROLES]
    if set(given) != set(needed) or not all(isinstance(one, str) and one.strip() for one in given.values()):
        refuse("role-missing", f"a sequence needs somebody for each of {', '.join(needed)}", "name them")
    return dict(given)


_STEP_FIELDS: Final = {one.name for one in fields(Step)} - {"done"}


def _steps(name: Literal["start", "abandon", "exit"], given: Any, beds: tuple[str, ...]) -> tuple[Step, ...]:
    """The steps as this group is to do them, bed by bed."""
    steps = []
    for one in given:
        held = {key: value for key, value in one.items() if key in _STEP_FIELDS}
        if not all(isinstance(held.get(key), str) for key in ("id", "at", "who", "do")):
            refuse("sequence-form", "a step has id, at, who and do", "see the default")
        if held["who"] not in {role.id for role in ROLES}:
            refuse("sequence-form", f"there is no role {held['who']!r}", "see the default")
        steps.append(Step(**held))
    of = {"start": "joins", "abandon": "leaves", "exit": "leaves"}[name]
    if len({one.id for one in steps}) != len(steps):
        refuse("sequence-form", "a step is named twice", "give each its own id")
    if sorted(str(one.bed) for one in steps if getattr(one, of)) != sorted(beds):
        refuse("sequence-form", f"the {name} has one step that {of[:-1]}s for each of {', '.join(beds)}",
               "see the default")  # fmt: skip
    return tuple(steps)


def _under_way(state: WardState, name: str) -> tuple[GroupStanding, Way]:
    standing = standing_of(state, name, "coupling", "abandoning", "leaving")
    assert standing.way is not None, "these stages have a way"
    return standing, standing.way


def roles_changed(state: WardState, content: Content, entry: Entry) -> WardState:
    standing, way = _under_way(state, content["group"])
    return with_standing(state, content["group"], replace(standing, way=replace(way, roles=_roles(content["roles"]))))


def _check_role(way: Way, step: Step, person: str) -> None:
    if person not in (way.roles[step.who], way.roles["reader"]):
        refuse("step-role", f"this step is for {step.who} ({way.roles[step.who]}), {person} is neither that nor the "
               "reader", "let one of them write it, or write down that the roles changed")  # fmt: skip


def step_done(state: WardState, content: Content, entry: Entry) -> WardState:
    name, at = content["group"], time_of(content, entry)
    standing, way = _under_way(state, name)
    step = way.next
    assert step is not None, "a way ends with its last step"
    if content["step"] != step.id:
        done = any(one.id == content["step"] for one in way.steps)
        refuse("step-order", f"{content['step']} is not the step that comes now" if done else
               f"there is no step {content['step']}", f"the next is {step.id}: {step.do}")  # fmt: skip
    _check_role(way, step, entry.person)
    if way.last is not None and way.last.done is not None and _before(at, way.last.done.at):
        refuse("time-order", f"{at} is before the step before it", "give when it was done")
    clamps = content.get("clamps")
    if step.clamps is not None:
        if clamps is None:
            refuse("clamps-missing", f"how many clamps are on after {step.id}?", "count them, at the circuit and tubes")
        if clamps != step.clamps:
            reason = f"{clamps} clamps are on after {step.id}, it should be {step.clamps}"
            ask(content, "clamps-differ", reason, "look where the others are and count again")
    closed = way.closed
    passed = None if closed is None or closed.done is None or not step.opens else _seconds(closed.done.at, at)
    done_ = Done(entry.sequence, at, way.roles[step.who], entry.person, clamps,
                 tuple(content.get("confirmed") or ()), passed)  # fmt: skip
    state = with_standing(state, name, replace(standing, way=_with_step(way, replace(step, done=done_))))
    if step.joins and step.bed is not None:
        state = _joined(state, name, step.bed, entry, at)
    if step.leaves and step.bed is not None:
        state = _left(state, name, step.bed)
    if step.returns and step.bed is not None:
        to = way.to.get(step.bed)
        check_machine(state, to, step.bed)
        state = put_on(state, step.bed, to)
    return _finished(state, name, at)


def _before(one: str, other: str) -> bool:
    return datetime.fromisoformat(one) < datetime.fromisoformat(other)


def _seconds(start: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(start)).total_seconds()


def _with_step(way: Way, step: Step) -> Way:
    return replace(way, steps=tuple(step if one.id == step.id else one for one in way.steps))


def _joined(state: WardState, name: str, bed: str, entry: Entry, at: str) -> WardState:
    standing = state.standings[name]
    joined = tuple(one for one in standing.beds if one in standing.joined or one == bed)
    group = state.groups.get(name)
    check_members(state, None if group is None else name, standing.ventilator, joined)
    patient = place_of(state, bed).patient
    before = with_key(standing.before, bed, None if patient is None else patient.ventilator)
    if group is None:
        group = Group(standing.ventilator, joined, entry.sequence, standing.build, standing.plan)
        state = with_dialled(state, standing.ventilator, {"settings": standing.settings})
    state = replace(state, groups=with_key(state.groups, name, replace(group, beds=joined)))
    everybody = len(joined) == len(standing.beds)
    standing = replace(standing, joined=joined, before=before, coupled_at=at if everybody else standing.coupled_at)
    return put_on(with_standing(state, name, standing), bed, standing.ventilator)


def _left(state: WardState, name: str, bed: str) -> WardState:
    standing = state.standings[name]
    joined = tuple(one for one in standing.joined if one != bed)
    groups = without_key(state.groups, name)
    if joined:
        groups = with_key(state.groups, name, replace(state.groups[name], beds=joined))
    state = with_standing(replace(state, groups=groups), name, replace(standing, joined=joined))
    return put_on(state, bed, None)


def _finished(state: WardState, name: str, at: str) -> WardState:
    """Where the last step was done: what the group is then."""
    standing = state.standings[name]
    way = standing.way
    if way is None or way.next is not None:
        return state
    stage: Stage = "abandoned" if way.name == "abandon" else "running"
    if not standing.joined:
        stage = "dissolved" if way.name == "abandon" else "ended"
        state = replace(state, ended_groups=state.ended_groups | {name})
    changed = standing.changed_at if way.name == "start" else at
    return with_standing(state, name, replace(standing, stage=stage, way=None, changed_at=changed))


def step_undone(state: WardState, content: Content, entry: Entry) -> WardState:
    name = content["group"]
    standing, way = _under_way(state, name)
    step = way.last
    if step is None or step.id != content["step"]:
        last = "none is done" if step is None else f"the last one done is {step.id}"
        refuse("step-order", f"only the step done last is taken back; {last}", "take that one back first")
    _check_role(way, step, entry.person)
    state = with_standing(state, name, replace(standing, way=_with_step(way, replace(step, done=None))))
    if step.joins and step.bed is not None:
        state = _left(state, name, step.bed)
        before = standing.before.get(step.bed)
        state = put_on(state, step.bed, before if before != standing.ventilator else None)
        return with_standing(state, name, replace(state.standings[name], coupled_at=None))
    if step.leaves and step.bed is not None:
        state = _joined(state, name, step.bed, entry, time_of(content, entry))
        return with_standing(state, name, replace(state.standings[name], coupled_at=standing.coupled_at))
    if step.returns and step.bed is not None:
        return put_on(state, step.bed, None)
    return state


def coupling_abandoned(state: WardState, content: Content, entry: Entry) -> WardState:
    name, at = content["group"], time_of(content, entry)
    standing, way = _under_way(state, name)
    if way.name != "start":
        refuse("group-stage", f"the {way.name} of group {name} is under way", "finish its steps")
    last = joined_last(standing)
    off = () if last is None else (last,)
    steps = _steps("abandon", content.get("steps") or (), off)
    if not steps:  # nobody joined yet, and no tube is clamped: nothing is to be done
        return with_standing(state, name, replace(standing, stage="dissolved", way=None))
    to = _to(content, off) or {bed: _own(standing, bed) for bed in off}
    abandon = Way("abandon", entry.sequence, at, way.roles, steps, off, to, content["reason"])
    return with_standing(state, name, replace(standing, stage="abandoning", way=abandon))


def _own(standing: GroupStanding, bed: str) -> str | None:
    """The ventilator that the patient came from, where that was not the shared one."""
    before = standing.before.get(bed)
    return None if before == standing.ventilator else before


def joined_last(standing: GroupStanding) -> str | None:
    """Who joined last in the start that is under way; ``None`` where nobody did."""
    if standing.way is None or standing.way.name != "start":
        return None
    joined = [one.bed for one in standing.way.steps if one.joins and one.done is not None]
    return joined[-1] if joined else None


def _to(content: Content, off: tuple[str, ...]) -> dict[str, str | None]:
    to = content.get("to") or {}
    for bed, ventilator in to.items():
        if bed not in off:
            refuse("group-to", f"`to` names bed {bed}, which is not taken off", "name those taken off only", bed)
        if ventilator is not None and not isinstance(ventilator, str):
            refuse("group-to", f"`to` of bed {bed} is no label", "give the label of a ventilator, or null", bed)
    return dict(to)


def exit_begun(state: WardState, content: Content, entry: Entry) -> WardState:
    name, off = content["group"], tuple(content["off"])
    standing = standing_of(state, name, "running", "abandoned")
    for bed in off:
        if bed not in standing.joined:
            refuse("bed-not-in-group", f"bed {bed} does not breathe from group {name}", "name who comes off", bed)
    to = _to(content, off)
    for bed in off:
        check_machine(state, to.get(bed), bed)
    way = Way("exit", entry.sequence, time_of(content, entry), _roles(content["roles"]),
              _steps("exit", content["steps"], off), off, to, content["reason"])  # fmt: skip
    return with_standing(state, name, replace(standing, stage="leaving", way=way))
