"""Undo and re-plan: something happened to a ward that runs; what to dial at once, who comes off, and the new plan.

In two steps, so that a face can show the first while the second is worked out: :func:`situation` takes the event in,
:func:`at_once` is the engine's answer for the groups that it touches, :func:`new_plan` the plan with the fewest
circuits opened.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.parts import PARTS
from airyoke.plan.at_once import AtOnce, AtOnceDesk
from airyoke.plan.candidate import Candidate, Note
from airyoke.plan.chooser import Chooser
from airyoke.plan.compose import planned_group
from airyoke.plan.options import Option
from airyoke.plan.plan import Goal, PlannedGroup
from airyoke.plan.planner import Planned
from airyoke.plan.replan import Known, Lanes, Replanned, judge_for, replan
from airyoke.plan.request import Progress, Request
from airyoke.plan.running import RunningGroup
from airyoke.quantities import cautions as said
from airyoke.quantities.finding import Finding
from airyoke.ward.candidates import BedAssessment, assess_ward, candidate
from airyoke.ward.events import GONE, LUNGS, Event, Runs, check_events
from airyoke.ward.ward import Ward
from airyoke.watch import Leaving, OffFirst, Sharer, Staying, TimedStep, exit_sequence, off_first

DRAWS = 256
Stays = Literal["runs_on", "lanes_change", "new", "alone", "not_judged"]


@dataclass(frozen=True, slots=True)
class Situation:
    """A ward that runs, after the events. ``request``: its beds on the ventilators they are on now.

    ``groups`` are the running ones without those who have left; ``touched`` those of them that lose somebody (whoever
    must come off is off), hold somebody whose lungs have changed, or are on a ventilator that failed. ``known``: what
    an earlier plan judged.
    """

    ward: Ward
    before: Runs
    events: tuple[Event, ...]
    request: Request
    assessed: tuple[BedAssessment, ...]
    groups: tuple[RunningGroup, ...]
    touched: tuple[RunningGroup, ...]
    desk: AtOnceDesk
    known: Known | None

    def machine(self, label: str) -> Ventilator:
        """The ventilator of that label."""
        return next(v for v in self.request.ventilators if v.label == label)

    def has_failed(self, label: str) -> bool:
        """Whether one of the events is that this ventilator failed."""
        return any(event.kind == "fails" and event.whose == label for event in self.events)


def situation(
    ward: Ward, runs: Runs, events: Sequence[Event], *, seed: int = 0, draws: int = DRAWS, known: Known | None = None
) -> Situation:
    """The ward after the events. Raises ``Refused`` for what cannot be: see :func:`check_events`."""
    check_events(ward, runs, events)
    gone = {event.whose for event in events if event.kind in GONE}
    stays = replace(ward, beds=tuple(bed for bed in ward.beds if bed.label not in gone))
    assessed = assess_ward(stays)
    candidates = tuple(_now(candidate(a, ward.policy), ward, runs, events) for a in assessed)
    request = Request(
        candidates=_with_their_group(candidates, runs),
        ventilators=tuple(_usable(v, events) for v in ward.ventilators),
        policy=ward.policy,
        stock=ward.stock,
        draws=draws,
        seed=seed,
        catalogue={**PARTS, **{part.name: part for part in ward.own_parts}},
    )
    groups = tuple(left for group in runs.groups if (left := group.without(gone)).beds)
    changed = {event.whose for event in events if event.kind in LUNGS}
    failed = {event.whose for event in events if event.kind == "fails"}
    off = {event.whose for event in events if event.kind == "off"}
    ended = {event.whose for event in events if event.kind == "ends"}
    touched = tuple(
        left for group in groups
        if (left := group.without(off)).beds and group.ventilator not in ended
        and (left not in runs.groups or changed & set(left.beds) or left.ventilator in failed)
    )  # fmt: skip
    judge = judge_for(request, known)
    known = None if known is None else Known(judge, known.store)
    return Situation(ward, runs, tuple(events), request, assessed, groups, touched,
                     AtOnceDesk(request.candidates, request.policy, judge), known)  # fmt: skip


def _now(one: Candidate, ward: Ward, runs: Runs, events: Sequence[Event]) -> Candidate:
    """A bed as it is after the events, on the ventilator that it is on now."""
    on = runs.ventilator_of(one.bed, ward)
    must_off = []
    for event in events:
        if event.kind == "fails" and event.whose == on:
            on = None
        mine = event.whose == (on if event.kind == "ends" else one.bed)
        if mine and event.kind in LUNGS and event.amount is not None and one.patient is not None:
            factor = 1.0 + event.amount if event.kind == "improves" else 1.0 - event.amount
            since = one.patient.since
            since = replace(since, compliance=since.compliance * factor)
            one = replace(one, patient=replace(one.patient, since=since))
        if mine and event.kind in ("off", "ends"):
            must_off.append(Note("must-come-off", f"bed {one.bed} must come off: somebody has decided so"))
    if must_off and any(one.bed in group.beds for group in runs.groups):
        change = Note("must-come-off", "the decision that it has to come off")
        one = replace(one, never=(*one.never, *must_off), never_change=(*one.never_change, change))
    return replace(one, ventilator=on)


def _with_their_group(candidates: tuple[Candidate, ...], runs: Runs) -> tuple[Candidate, ...]:
    """A running group in which somebody's readings cannot be judged stays as it is, all of it."""
    unknown = {c.bed for c in candidates if c.keeps_ventilator}
    tied = {bed for group in runs.groups if unknown & set(group.beds) for bed in group.beds}
    return tuple(
        replace(c, keeps_ventilator=True, patient=None) if c.bed in tied and c.ventilator else c for c in candidates
    )


def _usable(one: Ventilator, events: Sequence[Event]) -> Ventilator:
    for event in events:
        if event.whose == one.label and event.kind in ("frees", "fails"):
            one = replace(one, usable=event.kind == "frees")
    return one


@dataclass(frozen=True, slots=True)
class Touched:
    """A running group that the events touch: who came off it, what to dial for those who stay, and step by step how."""

    before: RunningGroup
    off: tuple[str, ...]
    failed: bool
    at_once: AtOnce
    steps: tuple[TimedStep, ...]


def at_once(now: Situation) -> tuple[Touched, ...]:
    """For every group that the events touch: the settings that run and the best ones, alarm limits, the exit."""
    found = []
    for group in now.touched:
        before = next(one for one in now.before.groups if one.ventilator == group.ventilator)
        off = tuple(bed for bed in before.beds if bed not in group.beds)
        answer = now.desk.at_once(group, now.machine(group.ventilator))
        died = {event.whose for event in now.events if event.kind == "dies"}
        leaving = [Leaving(before.lane_of(bed), bed, None, alive=bed not in died) for bed in off]
        steps = exit_sequence(leaving, _staying(group, answer)) if off else ()
        found.append(Touched(before, off, now.has_failed(group.ventilator), answer, steps))
    return tuple(found)


def _staying(group: RunningGroup, answer: AtOnce | None) -> Staying:
    shown = None
    if answer is not None and answer.answer is not None:
        shown = answer.answer.ventilator["displayed_tidal_volume_ml"].value
    words = ""
    if answer is not None and answer.settings is not None:
        words = "settings stay" if answer.dial == "as_it_runs" else _dial_words(answer.settings)
    return Staying(group.ventilator, tuple((group.lane_of(bed), bed) for bed in group.beds), words, shown)


def _dial_words(s: Settings) -> str:
    drive = "" if s.pressure_above_peep_cmh2o is None else f"{s.pressure_above_peep_cmh2o:g} above PEEP, "
    return (
        f"{drive}PEEP {s.peep_cmh2o:g} cmH2O, {s.rate_per_min:g}/min, {s.inspiratory_time_s:g} s in, FiO2 {s.fio2:.2f}"
    )


@dataclass(frozen=True, slots=True)
class ReplannedGroup:
    """One ventilator of the new plan.

    how
        ``runs_on`` nobody is opened and nobody comes off · ``lanes_change`` the running circuit, with somebody off or
        on · ``new`` a new circuit · ``alone`` · ``not_judged`` as it is.
    lanes
        Bed on each lane of a running circuit; empty for others.
    joins, comes_off
        Beds that come to the circuit, and beds that leave it (not those who left the ward).
    steps
        The exit of those who come off, for those who stay.
    """

    group: PlannedGroup
    how: Stays
    lanes: tuple[str | None, ...] = ()
    joins: tuple[str, ...] = ()
    comes_off: tuple[str, ...] = ()
    at_once: AtOnce | None = None
    steps: tuple[TimedStep, ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOver:
    """A bed without a ventilator under the new plan, and why. A running group goes on as at once until there is one."""

    bed: str
    why: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class NewPlan:
    """The plan from what runs. ``breaks`` are the beds whose circuit is opened, as the goal counts them; ``comes_off``
    those who share now and leave the circuit that they are on.

    ``reserve_used``: what failed took the reserve. ``parts``: what new circuits take from the store room; ``used``:
    what comes off, to be reprocessed. ``known`` is for the next event.
    """

    outcome: Literal["all_placed", "some_left", "no_sharing"]
    order: tuple[OffFirst, ...]
    groups: tuple[ReplannedGroup, ...]
    left: tuple[LeftOver, ...]
    breaks: tuple[str, ...]
    comes_off: tuple[str, ...]
    reserve: tuple[str, ...]
    reserve_used: bool
    proof: tuple[Goal, ...]
    rounds: int
    parts: tuple[tuple[str, int], ...]
    used: tuple[tuple[str, int], ...]
    cautions: tuple[said.Caution, ...]
    known: Known


@dataclass(frozen=True, slots=True)
class Replan:
    """Everything that is answered to an event. ``findings``: what had to be supposed of what runs."""

    situation: Situation
    touched: tuple[Touched, ...]
    plan: NewPlan
    findings: tuple[Finding, ...]
    oldest_reading: datetime | None
    newest_reading: datetime | None


def replan_ward(
    ward: Ward,
    runs: Runs,
    events: Sequence[Event],
    *,
    seed: int = 0,
    draws: int = DRAWS,
    known: Known | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Replan:
    """All of it. Raises ``Refused`` for events that cannot be."""
    now = situation(ward, runs, events, seed=seed, draws=draws, known=known)
    touched = at_once(now)
    plan = new_plan(now, progress)
    read_at = [bed.readings.read_at for bed in ward.beds if bed.readings is not None and bed.readings.read_at]
    return Replan(now, touched, plan, runs.supposed, min(read_at, default=None), max(read_at, default=None))


def order_of_coming_off(now: Situation) -> tuple[OffFirst, ...]:
    """Everybody who shares, who fits the group least in front."""
    beds = {bed.label: bed for bed in now.ward.beds}
    must_off = {event.whose for event in now.events if event.kind in ("off", "ends")}
    sharers = []
    for group in now.groups:
        answer = now.desk.as_it_runs(group, now.machine(group.ventilator)) if len(group.beds) > 1 else None
        for bed in group.beds if len(group.beds) > 1 else ():
            decided = bed in must_off or group.ventilator in must_off
            sharers.append(Sharer(bed, group.ventilator, beds[bed].readings, beds[bed].conditions, answer, decided))
    return off_first(sharers, now.request.policy)


def decide(now: Situation, order: Sequence[OffFirst], progress: Progress | None = None) -> tuple[Replanned, bool]:
    """The options of the new plan, and whether the reserve had to be given up for a ventilator that failed."""
    ranked = [one.bed for one in order]
    found = replan(now.request, now.groups, off_first=ranked, known=now.known, progress=progress)
    reserve = now.request.policy.reserve_ventilators
    if not found.assignment.left or not reserve or not any(event.kind == "fails" for event in now.events):
        return found, False
    policy = replace(now.request.policy, reserve_ventilators=0)
    request = replace(now.request, policy=policy)
    other = replan(request, now.groups, off_first=ranked, known=found.known, progress=progress)
    better = len(other.assignment.left) < len(found.assignment.left)
    return (other, True) if better else (found, False)


def new_plan(now: Situation, progress: Progress | None = None) -> NewPlan:
    """The new plan in full."""
    order = order_of_coming_off(now)
    decided, reserve_used = decide(now, order, progress)
    policy = now.request.policy
    pairs = sorted(zip(decided.assignment.chosen, decided.lanes, strict=True),
                   key=lambda pair: (len(pair[0].beds) == 1, pair[0].beds))  # fmt: skip
    to = {
        now.request.candidates[i].bed: decided.ventilators[option.ventilator].label
        for option, _ in pairs for i in option.beds
    }  # fmt: skip
    groups = [
        _group(number, option, lanes, decided, now, to) for number, (option, lanes) in enumerate(pairs, start=1)
    ]
    for label in dict.fromkeys(label for _, label in decided.kept):
        groups.append(_as_it_is(len(groups) + 1, label, [i for i, on in decided.kept if on == label], now))
    left = tuple(LeftOver(now.request.candidates[i].bed, _why_left(decided, now, i)) for i in decided.assignment.left)
    breaks = [bed for one in groups for bed in one.group.breaks]
    breaks += [one.bed for one in left if now.request.candidates[_number(now, one.bed)].ventilator is not None]
    taken: Counter[str] = Counter()
    for one in groups:
        taken.update(dict(one.group.parts) if one.how == "new" else {})
    shared = [one for one in groups if len(one.group.beds) > 1]
    return NewPlan(
        outcome="no_sharing" if policy.sharing == "no" else "some_left" if left else "all_placed",
        order=order,
        groups=tuple(groups),
        left=left,
        breaks=tuple(breaks),
        comes_off=_come_off(now, groups),
        reserve=decided.reserve,
        reserve_used=reserve_used,
        proof=decided.assignment.goals,
        rounds=decided.rounds,
        parts=tuple(taken.items()),
        used=_used(groups, now),
        cautions=_cautions(shared, now, reserve_used=reserve_used),
        known=decided.known,
    )


def _number(now: Situation, bed: str) -> int:
    return next(i for i, c in enumerate(now.request.candidates) if c.bed == bed)


def _group(
    number: int, option: Option, lanes: Lanes | None, decided: Replanned, now: Situation, to: dict[str, str]
) -> ReplannedGroup:
    ventilator = decided.ventilators[option.ventilator]
    if lanes is not None:
        return _on_running_circuit(number, lanes, ventilator, option, decided, now, to)
    candidates = [now.request.candidates[i] for i in option.beds]
    planned = planned_group(number, option, _as_planned(decided, now), now.request)
    opened = tuple(c.bed for c in candidates) if len(option.beds) > 1 else planned.breaks
    return ReplannedGroup(replace(planned, breaks=opened), "new" if len(option.beds) > 1 else "alone",
                          joins=opened)  # fmt: skip


def _on_running_circuit(
    number: int, lanes: Lanes, ventilator: Ventilator, option: Option, decided: Replanned, now: Situation,
    to: dict[str, str],
) -> ReplannedGroup:  # fmt: skip
    was = next(group for group in now.groups if lanes.group.ventilator == group.ventilator)
    answer = decided.desk.at_once(lanes.group, ventilator)
    beds = lanes.group.beds
    off = tuple(bed for bed in was.beds if bed not in beds)
    moved = ventilator.label != was.ventilator
    members = [now.request.candidates[_number(now, bed)] for bed in beds]
    joined = [c for c in members if c.bed in lanes.joins]
    planned = PlannedGroup(
        id=f"G{number}",
        ventilator=ventilator.label,
        beds=beds,
        needs=tuple(need for c in joined for need in c.needs),
        build=lanes.group.build.name,
        parts=lanes.group.build.parts,
        settings=answer.settings,
        present_settings={c.bed: c.present_settings if c.bed in lanes.joins else was.settings for c in members},
        alarms=answer.alarms,
        answer=answer.answer,
        rehearsal=None,
        status="judged" if answer.answer is not None else "not_judged",
        breaks=beds if moved else lanes.joins,
    )
    leaving = [Leaving(was.lane_of(bed), bed, to.get(bed)) for bed in off]
    steps = exit_sequence(leaving, _staying(lanes.group, answer)) if off else ()
    how: Stays = "runs_on" if not off and not lanes.joins else "lanes_change"
    return ReplannedGroup(planned, how, lanes.group.lanes, lanes.joins, off, answer, steps)


def _as_it_is(number: int, label: str, beds: Sequence[int], now: Situation) -> ReplannedGroup:
    members = [now.request.candidates[i] for i in beds]
    present = {c.bed: c.present_settings for c in members}
    planned = PlannedGroup(
        f"G{number}", label, tuple(present), (), "as it runs now", (), None, present, (), None, None, "not_judged"
    )
    return ReplannedGroup(planned, "not_judged")


def _as_planned(decided: Replanned, now: Situation) -> Planned:
    return Planned(
        decided.assignment, None, decided.ventilators, decided.kept, decided.reserve, decided.permitted, decided.pool,
        Chooser(decided.pool, decided.usable), decided.rounds,
    )  # fmt: skip


def _why_left(decided: Replanned, now: Situation, bed: int) -> tuple[Note, ...]:
    one = now.request.candidates[bed]
    found = list(one.never)
    if one.patient is None and not one.never:
        found.append(Note("not-judged", "its readings cannot be judged, so it may only be alone"))
    usable = sum(v.usable for v in now.request.ventilators)
    words = f"{usable} ventilators can be used, {len(decided.reserve)} of them in reserve"
    if not found:
        pairs = [pair for pair in decided.permitted.pairs if bed in pair]
        if not pairs:
            found.append(Note("nobody-to-share-with", "rooms, labels or positions let it share with nobody"))
        else:
            found.append(Note("no-place", f"no group with it is inside the limits beside the others; {words}"))
    return (*found, Note("ventilators", words)) if one.never else tuple(found)


def _come_off(now: Situation, groups: Sequence[ReplannedGroup]) -> tuple[str, ...]:
    """Who is on a running circuit now, with others, and leaves it."""
    stay = {bed for one in groups for bed in one.group.beds if one.at_once is not None and bed not in one.joins}
    stay |= {bed for one in groups if one.how == "not_judged" for bed in one.group.beds}
    return tuple(bed for group in now.groups if len(group.beds) > 1 for bed in group.beds if bed not in stay)


def _used(groups: Sequence[ReplannedGroup], now: Situation) -> tuple[tuple[str, int], ...]:
    """Parts of running circuits that nobody breathes through any more."""
    kept = {one.at_once.group.ventilator for one in groups if one.at_once is not None}
    kept |= {one.group.ventilator for one in groups if one.how == "not_judged"}
    used: Counter[str] = Counter()
    for group in now.before.groups:
        if group.ventilator not in kept:
            used.update(dict(group.build.parts))
    return tuple(used.items())


def _cautions(shared: Sequence[ReplannedGroup], now: Situation, *, reserve_used: bool) -> tuple[said.Caution, ...]:
    policy = now.request.policy
    found = list(said.STANDING)
    if any(len(one.group.beds) > 2 for one in shared):
        found.append(said.MORE_THAN_TWO)
    if policy.reserve_ventilators == 0 or reserve_used:
        found.append(said.NO_RESERVE)
    if policy.sharing == "not-stated" and shared:
        found.append(said.SHARING_NOT_STATED)
    if shared:
        found.append(said.PART_DATA)
    if now.request.stock is None and any(one.how == "new" for one in shared):
        found.append(said.NO_STOCK)
    return tuple(found)
