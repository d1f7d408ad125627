"""From what the planner decided to a plan that can be read: groups with everything to dial, people left, proof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build, single_build
from airyoke.circuit.from_stock import stands_for
from airyoke.limits.answer import GroupAnswer
from airyoke.limits.answering import SOURCES, answer_group
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import as_breathed, predict, sample_group
from airyoke.plan.alarm_system import alarm_system_of
from airyoke.plan.alarms import alarms_of
from airyoke.plan.assignment import Assignment
from airyoke.plan.candidate import Candidate
from airyoke.plan.hints import why_left
from airyoke.plan.judging import refused_pair, ventilator_class
from airyoke.plan.options import Option
from airyoke.plan.plan import (
    Expectation,
    PickLine,
    Plan,
    PlannedGroup,
    RefusedPair,
    Rehearsal,
    RunnerUp,
    RunnerUpGroup,
    Unplaced,
)
from airyoke.plan.planner import Planned
from airyoke.plan.request import Progress, Request
from airyoke.plan.room_left import room_left
from airyoke.quantities import cautions as said
from airyoke.quantities.finding import Finding

REHEARSAL_MINUTES = "20 to 30"
REHEARSAL_READS = (
    "plateau_cmh2o by an inspiratory hold", "total_peep_cmh2o by an expiratory hold",
    "tidal_volume_ml", "paco2_mmhg, ph and pao2_mmhg from an arterial gas", "spo2_pct",
)  # fmt: skip
EXPECTED = (
    "tidal_volume_ml", "plateau_cmh2o", "driving_pressure_cmh2o", "total_peep_cmh2o", "paco2_mmhg", "ph", "spo2_pct",
)  # fmt: skip


def compose_plan(
    planned: Planned,
    request: Request,
    *,
    read_at: Sequence[datetime],
    findings: tuple[Finding, ...],
    progress: Progress | None = None,
) -> Plan:
    """The plan in full. ``read_at`` are the times of the readings it rests on; ``findings`` those of the ward."""
    tell = progress or (lambda _what, _done, _of: None)
    chosen = sorted(planned.assignment.chosen, key=lambda o: (len(o.beds) == 1, o.beds))
    groups = [planned_group(number, o, planned, request) for number, o in enumerate(chosen, start=1)]
    for label in dict.fromkeys(label for _, label in planned.kept):
        together = [request.candidates[i] for i, on in planned.kept if on == label]
        groups.append(_unjudged(len(groups) + 1, together, label))
    alternatives = tuple(
        tuple(request.candidates[i].bed for i in beds)
        for beds in planned.assignment.alternatives
        if beds != planned.assignment.left
    )
    unplaced: list[Unplaced] = []
    for number, i in enumerate(planned.assignment.left):
        tell("trying what would change it", number, len(planned.assignment.left))
        unplaced.append(Unplaced(request.candidates[i].bed, *why_left(planned, request, i), alternatives))
    shared = [g for g in groups if g.status == "judged"]
    outcome_reason = None
    if request.policy.sharing == "no":
        outcome_reason = "the policy says that ventilators are not shared here"
    elif unplaced:
        outcome_reason = f"{len(unplaced)} without a ventilator; the rule that chose is the number of patients placed"
    return Plan(
        outcome="no_sharing" if request.policy.sharing == "no" else "some_left" if unplaced else "all_placed",
        outcome_reason=outcome_reason,
        oldest_reading=min(read_at, default=None),
        newest_reading=max(read_at, default=None),
        rounds=planned.rounds,
        groups=tuple(groups),
        unplaced=tuple(unplaced),
        reserve=planned.reserve,
        proof=planned.assignment.goals,
        runner_up=None if planned.runner_up is None else _runner_up(planned, planned.runner_up, request),
        refused_pairs=_refused(planned, request),
        findings=(*findings, *_limits_broken_alone(groups)),
        pick_list=_pick_list(shared, request.stock),
        assumed=tuple(dict.fromkeys(a for g in groups if g.answer is not None for a in g.answer.assumed)),
        sources=SOURCES,
        cautions=_cautions(shared, request),
        draws=request.draws,
        seed=request.seed,
    )


def planned_group(number: int, option: Option, planned: Planned, request: Request) -> PlannedGroup:
    """One ventilator of a plan with everything to dial; ``number`` makes its name."""
    members = [request.candidates[i] for i in option.beds]
    ventilator = planned.ventilators[option.ventilator]
    breaks = tuple(c.bed for c in members if c.ventilator != ventilator.label)
    present = {c.bed: c.present_settings for c in members}
    if len(members) == 1:
        answer = answer_alone(members[0], members[0].present_settings, request.policy, request.draws, request.seed)
        return PlannedGroup(
            f"G{number}", ventilator.label, (members[0].bed,), (), "single", (), None, present, (), answer, None,
            "as_read" if answer is not None else "not_judged", breaks,
        )  # fmt: skip
    build = option.build
    assert build is not None, "a shared option has a build"
    verdict = planned.judge.verdict(option.beds, ventilator_class(ventilator), build).answer
    assert verdict is not None, "only judged groups are options"
    settings = replace(verdict.settings, circuit_compensation=ventilator.circuit_compensation)
    answer = planned.judge.answer(option.beds, build, settings, draws=verdict.draws, shown_by=ventilator)
    return PlannedGroup(
        id=f"G{number}",
        ventilator=ventilator.label,
        beds=tuple(c.bed for c in members),
        needs=tuple(need for c in members for need in c.needs),
        build=answer.build,
        parts=build.parts,
        built=planned.pool.store.made(build.parts),
        settings=settings,
        present_settings=present,
        alarms=alarms_of(answer, alarm_system_of(ventilator)),
        answer=answer,
        rehearsal=_rehearsal(members, settings, request) if request.policy.rehearse else None,
        status="judged",
        breaks=breaks,
        switches=_switches(members, ventilator, heated=_has_chamber(build, request)),
        room_left=room_left(
            [c.bed for c in members], [c.patient for c in members if c.patient is not None],
            build, settings, request.policy,
        ),
    )  # fmt: skip


SWITCHES = (
    "trigger as insensitive as it goes; mandatory breaths only",
    "apnoea backup off, or set equal to these settings",
    "leak compensation off",
    "automatic weaning off",
    "proximal flow sensor off: it would see one patient",
    "the 100 % oxygen key reaches everybody",
    "no gas-driven nebuliser",
    "most ventilators end the breath at the high-pressure alarm: one cough cuts it short for all",
)  # common practice, no source


def _has_chamber(build: Build, request: Request) -> bool:
    return any(request.catalogue[part].kind == "humidifier" for part, _ in build.parts)


def _switches(members: Sequence[Candidate], ventilator: Ventilator, *, heated: bool) -> tuple[str, ...]:
    compensation = f"circuit compensation {ventilator.circuit_compensation}, as this plan assumes"
    if heated:
        one = "one heated humidifier, in the shared inspiratory limb; no HME anywhere in this circuit"
        return (*SWITCHES, compensation, one)
    on_heated = [c.bed for c in members if c.humidification == "heated"]
    out = f"bed {', '.join(on_heated)}: heated humidifier off and out, the build carries a filter"
    filters = (out,) if on_heated else ()
    return (*SWITCHES, compensation, *filters)


def _unjudged(number: int, members: Sequence[Candidate], ventilator: str) -> PlannedGroup:
    """Beds whose readings were refused, on the machine they are on: as they are, and not judged."""
    present = {c.bed: c.present_settings for c in members}
    beds = tuple(c.bed for c in members)
    build = "single" if len(beds) == 1 else "as it runs now"
    return PlannedGroup(f"G{number}", ventilator, beds, (), build, (), None, present, (), None, None, "not_judged", ())


def answer_alone(
    candidate: Candidate, settings: Settings | None, policy: Policy, draws: int, seed: int
) -> GroupAnswer | None:
    """One patient alone on its own circuit at given settings, by the engine; ``None`` without lungs or settings."""
    if candidate.patient is None or settings is None:
        return None
    build = single_build(candidate.humidification)
    sampled = sample_group([candidate.patient], build, policy.assumptions, draws, seed)
    breathed = as_breathed(settings, candidate.patient, build)
    answer = answer_group(sampled, predict(sampled, [breathed], holds=True), policy, seed)
    return replace(answer, settings=settings)


def _rehearsal(members: Sequence[Candidate], settings: Settings, request: Request) -> Rehearsal:
    policy = request.policy
    expected: list[Expectation] = []
    outside: list[str] = []
    for c in members:
        answer = answer_alone(c, settings, policy, request.draws, request.seed)
        if answer is None:
            continue
        for name in EXPECTED:
            f = answer.patients[0].figures[name]
            if f.value is not None and f.limit is not None and f.limit.margin < 0.0:
                limit = policy.limit(f.limit.name, f.limit.side)
                outside.append(f"bed {c.bed}, {limit.meaning} ({f.limit.side} bound {f.limit.bound:g})")
            if f.value is not None and f.low is not None and f.high is not None:
                expected.append(Expectation(c.bed, name, f.value, f.low, f.high))
    return Rehearsal(
        settings=settings,
        minutes=REHEARSAL_MINUTES,
        read=REHEARSAL_READS,
        expected=tuple(expected),
        confidence=policy.confirm_confidence,
        hard_confidence=policy.hard_confidence,
        passes=(
            f"Predicted again from the values measured here, everybody is inside every target in at least "
            f"{100 * policy.confirm_confidence:.0f} % of the draws and inside every hard bound in at least "
            f"{100 * policy.hard_confidence:.0f} %. Pressure above PEEP and PEEP may then be moved by 2 cmH2O; a new "
            "rate or inspiratory time needs another rehearsal." + _outside_alone(outside)
        ),
    )


def _outside_alone(outside: Sequence[str]) -> str:
    """Its own circuit costs a patient less pressure than a shared one: alone, the same dials may be too much."""
    if not outside:
        return ""
    return (
        f" Expected outside a target while alone, because its own circuit takes less pressure: {'; '.join(outside)}. "
        "Stop the rehearsal of that bed when it gets there; the shared circuit gives less."
    )


# A goal whose larger value is the better one.
_MORE_IS_BETTER = frozenset({"placed", "smallest_margin", "margin_sum"})


def _runner_up(planned: Planned, other: Assignment, request: Request) -> RunnerUp:
    best, beds = planned.assignment, [c.bed for c in request.candidates]
    same = {o.beds for o in best.chosen if len(o.beds) > 1} == {o.beds for o in other.chosen if len(o.beds) > 1}
    worse: list[tuple[str, float]] = []
    for reached, instead in zip(best.goals, other.goals, strict=True):
        by = (reached.value or 0.0) - (instead.value or 0.0)
        if reached.goal not in _MORE_IS_BETTER:
            by = -by
        if abs(by) > 1e-9:
            worse.append((reached.goal, by))
    kept = {i for i, _ in planned.kept}
    return RunnerUp(
        differs="left" if same else "group",
        groups=tuple(
            RunnerUpGroup(planned.ventilators[o.ventilator].label, tuple(beds[i] for i in o.beds), o.margin)
            for o in sorted(other.chosen, key=lambda o: (len(o.beds) == 1, o.beds))
            if not kept & set(o.beds)
        ),
        unplaced=tuple(beds[i] for i in other.left),
        worse_by=tuple(worse),
    )


def _refused(planned: Planned, request: Request) -> tuple[RefusedPair, ...]:
    judged = [refused_pair(v, kind, planned.judge) for v, kind in planned.pool.pair_verdicts() if not v.allowed]
    by_rule = [
        RefusedPair((request.candidates[i].bed, request.candidates[j].bed), (), notes, None, None, "rules")
        for i, j, notes in planned.permitted.refused
    ]
    return (*sorted(judged, key=lambda p: p.beds), *sorted(by_rule, key=lambda p: p.beds))


def _limits_broken_alone(groups: Sequence[PlannedGroup]) -> list[Finding]:
    """A patient who stays as it is and is outside a limit now: a finding, not a refusal."""
    findings: list[Finding] = []
    for group in groups:
        if group.status != "as_read" or group.answer is None:
            continue
        seen: set[tuple[str, str]] = set()
        for name, f in group.answer.patients[0].figures.items():
            limit = f.limit
            if limit is None or limit.margin >= 0.0 or f.value is None or (limit.name, limit.side) in seen:
                continue
            seen.add((limit.name, limit.side))
            findings.append(
                Finding(
                    "limit-broken-alone", "note",
                    f"stays as it is, and {name} {f.value:.3g} is outside {limit.name} ({limit.side} {limit.bound:g}) "
                    "at its present settings",
                    "look at its own settings; the plan does not change them", bed=group.beds[0], column=name,
                    value=round(f.value, 3),
                )
            )  # fmt: skip
    return findings


def _pick_list(groups: Sequence[PlannedGroup], stock: dict[str, int] | None) -> tuple[PickLine, ...]:
    need: dict[str, int] = {}
    instead: dict[str, dict[str, None]] = {}
    for group in groups:
        for part, count in group.parts:
            need[part] = need.get(part, 0) + count
        for part, usual, note in stands_for(group.built) if group.built is not None else ():
            instead.setdefault(part, {})[f"for {usual}" + (f": {note}" if note else "")] = None
    return tuple(
        PickLine(part, n, None if stock is None else stock.get(part, 0), "; ".join(instead.get(part, ())) or None)
        for part, n in need.items()
    )


def _cautions(shared: Sequence[PlannedGroup], request: Request) -> tuple[said.Caution, ...]:
    policy = request.policy
    found = list(said.STANDING)
    if any(len(g.beds) > 2 for g in shared):
        found.append(said.MORE_THAN_TWO)
    if policy.reserve_ventilators == 0:
        found.append(said.NO_RESERVE)
    if policy.sharing == "not-stated" and shared:
        found.append(said.SHARING_NOT_STATED)
    if shared:
        found.append(said.PART_DATA)
    if request.stock is None and shared:
        found.append(said.NO_STOCK)
    return tuple(found)
