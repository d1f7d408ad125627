"""What the record says of what is printed: which of its plans, and of the groups that run now when they were coupled,
what is dialled, checked, due."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from airyoke.contract.bedside_words import bedside_words
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.paper.material import Happened, Running
from airyoke.quantities import Finding, Refused
from airyoke.record.record import Record
from airyoke.ward.due import DueLine, due_of
from airyoke.ward.entries import Entry
from airyoke.ward.state import Group, PlanStanding, WardState
from airyoke.watch.hand_over import Due, due_of_a_build

SHIFT: Final = timedelta(hours=12)
_TOLD: Final = frozenset({"group_started", "group_changed", "settings_changed", "build_made", "build_tested",
                          "check_done", "note", "patient_in", "patient_out", "patient_moved", "build_opened",
                          "rehearsed", "coupling_begun", "step_undone", "coupling_abandoned", "exit_begun",
                          "baseline_read", "acted"})  # fmt: skip
_LOOKED_UP: Final = _TOLD | {"step_done"}  # a group begins with the step that joined its first patient


def running_groups(record: Record, state: WardState, as_of: datetime) -> tuple[Running, ...]:
    """Every group that runs, in the order in which they were started."""
    if not state.groups:
        return ()
    entries = [one for one in record.entries(1, state.sequence) if one.kind in _TOLD or one.kind == "plan_made"]
    by_sequence = {one.sequence: one for one in record.entries(1, state.sequence) if one.kind in _LOOKED_UP}
    ordered = sorted(state.groups.items(), key=lambda item: item[1].since)
    return tuple(_running(name, group, state, entries, by_sequence, as_of) for name, group in ordered)


def _running(name: str, group: Group, state: WardState, entries: Sequence[Entry],
             by_sequence: Mapping[int, Entry], as_of: datetime) -> Running:  # fmt: skip
    standing = state.standings[name]
    since = _local(by_sequence[group.since])
    started_at = since if standing.coupled_at is None else datetime.fromisoformat(standing.coupled_at)
    build = state.builds.get(group.build or "")
    made = None if build is None else by_sequence.get(build.made)
    expires = None if build is None or build.expires_at is None else datetime.fromisoformat(build.expires_at)
    due = [_due(line, as_of) for line in due_of(state, name, standing)]
    if made is not None:
        due += due_of_a_build(_local(made), None)  # when its bench check ends stands among the rest
    return Running(
        name=name,
        ventilator=group.ventilator,
        beds=group.beds,
        started_at=started_at,
        plan=group.plan,
        planned=_planned(group, entries),
        dialled=state.settings.get(group.ventilator, {}),
        build=group.build,
        build_made_at=None if made is None else _local(made),
        build_passed=None if build is None else build.passed,
        build_expires_at=expires,
        checks=tuple(_checks(name, group, state, by_sequence)),
        happened=tuple(_happened(name, group, entries, as_of)),
        due=tuple(sorted(due, key=lambda one: one.at)),
        read={
            bed: {item: (value.value, None if value.read_at is None else datetime.fromisoformat(value.read_at))
                  for item, value in standing.read.get(bed, {}).items()}
            for bed in group.beds
        },
    )


def _due(line: DueLine, as_of: datetime) -> Due:
    late = line.overdue(as_of)
    words = f"{f'bed {line.bed}: ' if line.bed else ''}{line.words}"
    return Due(f"{words}, OVERDUE" if late else words, line.at or as_of)


def _local(entry: Entry) -> datetime:
    return datetime.fromisoformat(entry.local)


def _planned(group: Group, entries: Sequence[Entry]) -> Mapping[str, Any]:
    """The settings of the plan that the group was started from."""
    for entry in reversed(entries):
        if entry.kind == "plan_made" and entry.content["plan"] == group.plan:
            for one in entry.content["groups"]:
                if one.get("ventilator") == group.ventilator and set(one.get("beds", ())) >= set(group.beds):
                    settings: Mapping[str, Any] = one.get("settings") or {}
                    return settings
    return {}


def _checks(
    name: str, group: Group, state: WardState, by_sequence: Mapping[int, Entry]
) -> Iterator[tuple[str, str, datetime, bool | None]]:
    for (check, where), (sequence, passed) in sorted(state.checks.items(), key=lambda item: item[1][0]):
        if where == name or where in group.beds:
            yield check, where, _local(by_sequence[sequence]), passed


def _happened(name: str, group: Group, entries: Sequence[Entry], as_of: datetime) -> Iterator[Happened]:
    """The entries about this group within a shift, the newest first."""
    for entry in reversed(entries):
        content = entry.content
        about = content.get("group") == name or content.get("ventilator") == group.ventilator
        about = about or content.get("bed") in group.beds or content.get("build", "") == group.build
        if entry.kind in _TOLD and about and as_of - entry.time <= SHIFT:
            plain = " ".join(word for word in (entry.kind.replace("_", " "), *_words(content)) if word)
            what = bedside_words(entry.kind, content) or plain
            yield Happened(_local(entry), entry.person, what)


def _words(content: Mapping[str, Any]) -> Iterator[str]:
    for key in ("check", "build", "bed"):
        if content.get(key):
            yield str(content[key])
    if "passed" in content:
        yield "passed" if content["passed"] else "NOT passed"
    for key in ("reason", "text"):
        if content.get(key):
            yield f"({content[key]})"


def kept_plan(record: Record, state: WardState, plan: PlanAnswer) -> tuple[str, PlanStanding] | None:
    """Which plan of the record this is, found by the SHA-256 of the whole answer; ``None`` where it was not kept.

    Raises ``Refused`` where a bed of it has another patient by now: nobody gets the card of the one before.
    """
    sha256 = _sha256(plan)
    for name, standing in state.plans.items():
        (entry,) = record.entries(standing.made, standing.made)
        if entry.content.get("answer_sha256") == sha256:
            _check_patients(record, state, standing, plan)
            return name, standing
    return None


def plan_words(plan: PlanAnswer, kept: tuple[str, PlanStanding] | None, not_kept: str) -> str:
    """How a sheet names the plan that it was printed from."""
    if kept is None:
        return f"plan {short_sha256(plan)}, {not_kept}"
    name, standing = kept
    by = f"accepted by {' and '.join(standing.accepted_by)}" if standing.accepted_by else "not accepted"
    return f"plan {name} of entry {standing.made}, {by if standing.standing != 'superseded' else 'SUPERSEDED'}"


def short_sha256(plan: PlanAnswer) -> str:
    """Eight digits that tell one plan from another on paper."""
    return _sha256(plan)[:8]


def _sha256(plan: PlanAnswer) -> str:
    return hashlib.sha256(plan.json_text().encode()).hexdigest()


def _check_patients(record: Record, state: WardState, standing: PlanStanding, plan: PlanAnswer) -> None:
    then = record.state_at(standing.based_on)
    found = []
    for bed in (bed for group in plan.groups if group.status == "judged" for bed in group.beds):
        was, now = (one.beds[bed].patient if bed in one.beds else None for one in (then, state))
        if was is None or now is None or (was.code, was.since) != (now.code, now.since):
            reason = f"bed {bed} has another patient than when this plan was made, or none"
            found.append(Finding("print-patient-other", "refused", reason, "plan again, then print", bed=bed))
    if found:
        raise Refused(tuple(found))
