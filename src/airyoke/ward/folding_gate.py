"""What comes before a group is coupled: it is prepared, rehearsed, and its gate is ticked line by line."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from airyoke.quantities import did_you_mean
from airyoke.ward.entries import Entry
from airyoke.ward.folding_groups import since_of
from airyoke.ward.folding_stage import Content, standing_of, time_of, with_standing
from airyoke.ward.folding_tools import place_of, plan_of, refuse, with_key
from airyoke.ward.group_standing import GateItem, GroupStanding, RehearsalStanding, Tick
from airyoke.ward.kinds import LARGEST_GROUP
from airyoke.ward.state import WardState
from airyoke.watch.hand_over import BENCH_CHECK_H

_LET_THROUGH: Final = ("confirmed", "retuned", "skipped")
_VERDICTS: Final = (*_LET_THROUGH, "replan", "dissolved")


def group_prepared(state: WardState, content: Content, entry: Entry) -> WardState:
    name, ventilator, beds = content["group"], content["ventilator"], tuple(content["beds"])
    if name in state.groups or name in state.ended_groups or name in state.standings:
        refuse("group-twice", f"there was a group {name} already", "give this one another name")
    if ventilator not in state.ventilators:
        refuse("ventilator-unknown", f"the ward has no ventilator {ventilator}", "add the ventilator first")
    if not 2 <= len(beds) <= LARGEST_GROUP:
        refuse("group-size", f"a group of {len(beds)}", f"2 to {LARGEST_GROUP} patients share")
    for bed in beds:
        if place_of(state, bed).patient is None:
            refuse("bed-empty", f"nobody is in bed {bed}", "write down first who came", bed)
        if (running := state.group_of(bed)) is not None:
            refuse("bed-in-group", f"bed {bed} is in the running group {running}", "take it out of that first", bed)
    for other, one in state.standings.items():
        taken = ventilator if one.ventilator == ventilator else next((bed for bed in beds if bed in one.beds), None)
        if not one.over and taken is not None:
            refuse("group-prepared", f"{taken} is in group {other}", "end that one first, or dissolve it")
    if (plan := content.get("plan")) is not None:
        plan_of(state, plan)
    if (build := content.get("build")) is not None:
        _check_build(state, build, len(beds))
    items = tuple(gate_item(one) for one in content["gate"])
    if len({one.id for one in items}) != len(items) or {one.proof for one in items} < {"rehearsal", "build", "plan"}:
        refuse("gate-form", "a gate names each line once, and has one for the rehearsal, the build and the plan",
               "see the default")  # fmt: skip
    standing = GroupStanding(
        ventilator, beds, "rehearse", entry.sequence, content["settings"], since_of(state, beds), plan, build, items
    )
    return with_standing(state, name, standing)


def gate_item(one: Content) -> GateItem:
    """A line of the gate from what an entry holds. Refused where it is none."""
    people = one.get("people", 1)
    words = all(isinstance(one.get(key), str) and one[key].strip() for key in ("id", "text"))
    if not words or one.get("proof", "") not in ("", "rehearsal", "build", "plan"):
        refuse("gate-form", "a line of the gate has id, text, how many people and what proves it", "see the default")
    if isinstance(people, bool) or not isinstance(people, int) or people < 1:
        refuse("gate-form", "people of a gate line is a count", "give 1 or more")
    return GateItem(one["id"], one["text"], people, one.get("proof", ""))


def _check_build(state: WardState, build: str, patients: int) -> None:
    if build not in state.builds:
        near = did_you_mean(build, state.builds)
        refuse("build-unknown", f"there is no build {build}", f"did you mean {near}?" if near else "write it down")
    if state.builds[build].patients != patients:
        refuse("build-size", f"build {build} serves {state.builds[build].patients}, the group is of {patients}",
               "name the build that was made for it")  # fmt: skip


def rehearsed(state: WardState, content: Content, entry: Entry) -> WardState:
    name, verdict = content["group"], content["verdict"]
    standing = standing_of(state, name, "rehearse", "gate")
    if verdict not in _VERDICTS:
        refuse("verdict-unknown", f"{verdict!r} is no verdict", f"one of {', '.join(_VERDICTS)}")
    check_patients(state, standing)
    settings = content.get("settings") or standing.settings
    rehearsal = RehearsalStanding(entry.sequence, verdict, settings, content["reason"], content.get("values") or {})
    moved = settings != standing.settings
    return with_standing(state, name, replace(
        standing,
        stage="gate" if verdict in _LET_THROUGH else "dissolved",
        rehearsal=rehearsal,
        settings=settings,
        gate={} if moved else standing.gate,  # what was ticked was ticked for other settings
    ))  # fmt: skip


def check_patients(state: WardState, standing: GroupStanding) -> None:
    """A group is of patients: one who left, or another one in that bed, ends it."""
    for bed, since in standing.patients.items():
        patient = state.beds[bed].patient if bed in state.beds else None
        if patient is None or patient.since != since:
            refuse("patient-other", f"bed {bed} has another patient than when the group was prepared, or none",
                   "plan again", bed)  # fmt: skip


def gate_ticked(state: WardState, content: Content, entry: Entry) -> WardState:
    name = content["group"]
    standing = standing_of(state, name, "rehearse", "gate")
    item = next((one for one in standing.gate_items if one.id == content["item"]), None)
    if item is None:
        near = did_you_mean(content["item"], [one.id for one in standing.gate_items])
        remedy = f"did you mean {near}?" if near else f"one of {', '.join(one.id for one in standing.gate_items)}"
        refuse("gate-unknown", f"the gate has no line {content['item']}", remedy)
    by, at = tuple(content.get("by") or (entry.person,)), time_of(content, entry)
    if content["passed"]:
        if len(set(by)) < item.people:
            refuse("gate-people", f"{item.id} needs {item.people} different people, {' and '.join(by)} is named",
                   "name them")  # fmt: skip
        if (build := content.get("build")) is not None:
            _check_build(state, build, len(standing.beds))
            standing = replace(standing, build=build)
        if (why := missing_proof(state, standing, item, at)) is not None:
            refuse("gate-proof", f"{item.id}: {why}", "do that first, then tick it")
    return with_standing(state, name, replace(
        standing, gate=with_key(standing.gate, item.id, Tick(entry.sequence, at, by, content["passed"]))
    ))  # fmt: skip


def missing_proof(state: WardState, standing: GroupStanding, item: GateItem, at: str) -> str | None:
    """What the record lacks for this line of the gate at that time, in words; ``None`` where nothing is missing.

    A build without a stated end of its bench check runs out a day after it.
    """
    match item.proof:
        case "rehearsal":
            through = standing.rehearsal is not None and standing.rehearsal.verdict in _LET_THROUGH
            return None if through else "the group was not rehearsed, nor was that skipped with a reason"
        case "plan":
            if standing.plan is None:
                return None
            accepted = state.plans[standing.plan].standing == "accepted"
            return None if accepted else f"plan {standing.plan} is not accepted"
        case "build":
            return _build_fault(state, standing, at)
        case _:
            return None


def _build_fault(state: WardState, standing: GroupStanding, at: str) -> str | None:
    build = standing.build
    if build is None:
        return "no build is named"
    made = state.builds[build]
    if made.opened is not None:
        return f"build {build} was opened after its bench check"
    if made.passed is not True:
        return f"build {build} {'has no bench check' if made.passed is None else 'did not pass its bench check'}"
    ends = build_ends_at(state, standing)
    if ends is not None and datetime.fromisoformat(at) >= ends:
        return f"the bench check of build {build} ran out at {ends.isoformat(timespec='minutes')}"
    return None


def build_ends_at(state: WardState, standing: GroupStanding) -> datetime | None:
    """When the bench check of the group's build runs out; ``None`` where there is no build, or none was made."""
    made = None if standing.build is None else state.builds.get(standing.build)
    if made is None or made.tested_at is None:
        return None
    if made.expires_at is not None:
        return datetime.fromisoformat(made.expires_at)
    return datetime.fromisoformat(made.tested_at) + timedelta(hours=BENCH_CHECK_H)


def gate_open(state: WardState, name: str, at: str) -> tuple[tuple[GateItem, str], ...]:
    """Every line of the gate that does not hold at that time, and why."""
    standing = standing_of(state, name)
    found = []
    for item in standing.gate_items:
        tick = standing.gate.get(item.id)
        why = missing_proof(state, standing, item, at)
        if why is None and (tick is None or not tick.passed):
            why = "not ticked" if tick is None else f"{' and '.join(tick.by)}: does not hold"
        if why is not None:
            found.append((item, why))
    return tuple(found)
