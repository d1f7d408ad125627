"""Who is left without a ventilator: why, and what would change it. Every hint is tried before it is said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from airyoke.circuit.builds import MAX_PATIENTS, standard_build
from airyoke.circuit.choice import CannotBuild
from airyoke.lungs.patient import Patient
from airyoke.plan.candidate import Candidate, Note, why_not_together
from airyoke.plan.chooser import Chooser
from airyoke.plan.judging import Judge, Verdict, ventilator_class
from airyoke.plan.options import Option
from airyoke.plan.planner import Planned
from airyoke.plan.request import Request, usable_count
from airyoke.plan.trim_hint import trim_hint
from airyoke.quantities.estimate import Spread

MOST_LARGER_GROUPS = 4  # judged for a hint only
MOST_TRIED = 3  # partners judged for one hint
MOST_MEASURED_AGAIN = 2


def why_left(planned: Planned, request: Request, bed: int) -> tuple[tuple[Note, ...], tuple[Note, ...]]:
    """Why a bed has no place, and what would change it."""
    c = request.candidates[bed]
    why: list[Note] = []
    change: list[Note] = []
    if c.keeps_ventilator:
        why.append(Note("readings-refused", f"the readings of bed {c.bed} were refused and it is on no ventilator"))
        change.append(Note("correct-readings", "correct the readings named in the findings"))
        return tuple(why), tuple(change)
    why.extend(c.never)
    change.extend(c.never_change)
    mine = _verdicts_of(planned, bed)
    allowed = [v for v in mine if v.allowed]
    rules = [(i, j) for i, j, _ in planned.permitted.refused if bed in (i, j)]
    if c.may_share:
        if allowed and planned.missing is not None:
            lacking = missing_parts(planned.missing)
            why.append(Note("parts", f"the store room lacks parts for another shared circuit: {lacking}"))
        elif allowed:
            others = ", ".join(_other(v, bed, request) for v in allowed)
            why.append(Note("partners-taken", f"may share with {others}; each serves more patients elsewhere"))
        elif mine:
            why.append(Note("no-partner", _no_partner(mine, bed, request)))
        if rules and not allowed:
            why.append(Note("rules", f"{len(rules)} further beds are kept apart by rooms, labels or position"))
    ventilators = max(usable_count(request), 0)
    reserve = request.policy.reserve_ventilators
    why.append(Note("ventilators", f"ventilators that may be used: {ventilators}; held in reserve: {reserve}"))
    change.extend(_what_would_change(planned, request, bed))
    return tuple(why), tuple(change)


def missing_parts(missing: CannotBuild) -> str:
    """The smallest set of parts that is missing for one more circuit, in words."""
    return " and ".join(f"{count} {part}" for part, count in missing.missing)


def _verdicts_of(planned: Planned, bed: int) -> list[Verdict]:
    """What the engine says of every pair of this bed, on the circuits that there would be with the parts that miss."""
    pool = planned.pool if planned.with_parts is None else planned.with_parts.pool
    pool.judge_pairs_of(bed)
    return [verdict for verdict, _ in pool.pair_verdicts() if bed in verdict.members]


def _other(verdict: Verdict, bed: int, request: Request) -> str:
    return " and ".join(request.candidates[i].bed for i in verdict.members if i != bed)


def _no_partner(verdicts: Sequence[Verdict], bed: int, request: Request) -> str:
    nearest = max(verdicts, key=lambda v: v.margin)
    other = _other(nearest, bed, request)
    if nearest.answer is not None and nearest.answer.margin is not None:
        margin = nearest.answer.margin
        chance = f"inside every target in {100 * margin.inside_probability:.0f} % of the draws"
        return f"no judged partner is allowed; nearest is {other}: {chance}; {margin.limit.meaning} binds"
    if nearest.found is None:
        return "no partner could be judged"
    limit = nearest.found.search_margin.limit
    return f"no partner is inside the limits at any settings tried; nearest is {other}; {limit.meaning} binds"


def _what_would_change(planned: Planned, request: Request, bed: int) -> list[Note]:
    """Each hint is tried: the plan is chosen again under it, and only what gives this bed a place is said."""
    policy, c = request.policy, request.candidates[bed]
    hints: list[Note] = []

    def places(more: int, options: Sequence[Option] = (), chooser: Chooser = planned.chooser) -> bool:
        return chooser.fewest_left(more, options) < len(planned.assignment.left)

    if c.patient is not None:
        spare = Option((bed,), len(planned.ventilators), None, 0, 1)
        if places(1, [spare]):
            hints.append(Note("one-more-ventilator", "one more ventilator gives a place to one more bed"))
    if policy.reserve_ventilators > 0 and planned.reserve and places(1):
        text = "giving up one ventilator of the reserve gives a place to one more bed, against the policy"
        hints.append(Note("reserve", text))
    if planned.missing is not None and planned.with_parts is not None and places(0, chooser=planned.with_parts):
        lacking = missing_parts(planned.missing)
        hints.append(Note("parts", f"{lacking} more in the store room give a place to one more bed"))
    if c.may_share and policy.sharing != "no":
        larger = policy.max_group_size + 1
        if larger <= MAX_PATIENTS:
            more = _larger_options(planned, request, bed, larger)
            if more and places(0, more):
                text = f"groups of {larger} (policy max_group_size {larger}) give a place to one more bed"
                hints.append(Note("max-group-size", text))
        hints.extend(_remeasure(planned, request, bed))
        hints.extend(_other_room(planned, request, bed))
        hints.extend(_wider_fio2(planned, request, bed))
        hints.extend(trim_hint(planned, request, bed))
    return hints


def _other_room(planned: Planned, request: Request, bed: int) -> list[Note]:
    """Would somebody of another room do? The nearest in PEEP and FiO2 are judged as if rooms mixed."""
    policy, c = request.policy, request.candidates[bed]
    if policy.rooms_may_mix:
        return []
    mixed = replace(policy, rooms_may_mix=True)
    others = [
        (i, other)
        for i, other in enumerate(request.candidates)
        if i != bed and other.may_share and other.room != c.room and not why_not_together(c, other, mixed)
    ]
    # Rooms change nothing in a verdict, only whether it is asked for.
    judge = planned.judge
    condition = "if beds of different rooms may share (policy rooms_may_mix)"
    return _first_that_fits(planned, request, bed, others, judge, "rooms-may-mix", condition)


def _wider_fio2(planned: Planned, request: Request, bed: int) -> list[Note]:
    """Would a wider window of FiO2 do? Partners refused for it alone are judged without it."""
    policy, c = request.policy, request.candidates[bed]
    limit = policy.limit("fio2_spread", "high")
    if c.patient is None or c.patient.present is None:
        return []
    mine = c.patient.present.fio2
    others: list[tuple[int, Candidate]] = []
    widest = 0.0
    for verdict, _ in planned.pool.pair_verdicts():
        if bed not in verdict.members or verdict.allowed:
            continue
        i = next(member for member in verdict.members if member != bed)
        other = request.candidates[i]
        if other.patient is None or other.patient.present is None:
            continue
        apart = round(abs(other.patient.present.fio2 - mine), 6)
        if apart > limit.target:
            others.append((i, other))
            widest = max(widest, apart)
    if not others:
        return []
    wider = policy.with_limit("fio2_spread", widest)
    judge = Judge(request.candidates, wider, request.draws, request.seed)
    condition = f"with FiO2 up to {widest:.2f} apart (policy fio2_spread, now {limit.target:.2f})"
    return _first_that_fits(planned, request, bed, others, judge, "fio2-spread", condition)


def _first_that_fits(
    planned: Planned, request: Request, bed: int, others: Sequence[tuple[int, Candidate]], judge: Judge, id_: str,
    condition: str,
) -> list[Note]:  # fmt: skip
    c = request.candidates[bed]
    machines = [v for v in planned.ventilators if "pc" in v.modes]
    if c.patient is None or not machines:
        return []

    def apart(item: tuple[int, Candidate]) -> float:
        one = c.patient.present if c.patient is not None else None
        other = item[1].patient.present if item[1].patient is not None else None
        if one is None or other is None:
            return 99.0
        return abs(one.set_peep_cmh2o - other.set_peep_cmh2o) + 20.0 * abs(one.fio2 - other.fio2)

    for i, other in sorted(others, key=apart)[:MOST_TRIED]:
        first, second = sorted((bed, i))
        builds = planned.pool.builds((first, second)) or (standard_build(2),)
        if any(judge.verdict((first, second), ventilator_class(machines[0]), build).allowed for build in builds):
            return [Note(id_, f"{c.bed} and {other.bed} may share {condition}")]
    return []


def _larger_options(planned: Planned, request: Request, bed: int, size: int) -> list[Option]:
    """Groups of one more than the policy allows, made of allowed smaller ones; the bed itself may or may not be in."""
    smaller = {o.beds for o in planned.options if len(o.beds) == size - 1}
    groups = [
        g
        for g in planned.permitted.groups_from(smaller, size)
        if all(g[:k] + g[k + 1 :] in smaller for k in range(size))
    ]
    options: list[Option] = []
    for members in groups[:MOST_LARGER_GROUPS]:
        for pool, kind in planned.pool.kinds():
            if planned.pool.near(pool, members):
                for build in planned.pool.builds(members):
                    verdict = planned.judge.verdict(members, kind, build)
                    if verdict.allowed:
                        offered = planned.pool.offers.shared(members, pool, build)
                        options.extend(replace(one, margin=verdict.margin) for one in offered)
    return options


def _remeasure(planned: Planned, request: Request, bed: int) -> list[Note]:
    """Would a rehearsed patient (measured again, small error) be allowed with a partner that fits at best estimate?"""
    c, sd = request.candidates[bed], request.policy.assumptions.rehearsed_relative_sd
    if c.patient is None:
        return []
    hints: list[Note] = []
    now = c.patient.present
    unsure = [
        (v, kind)
        for v, kind in planned.pool.pair_verdicts()
        if bed in v.members and not v.allowed and v.screened is not None and v.screened.at_best_estimate >= 0.0
    ]
    for verdict, kind in sorted(unsure, key=lambda one: -one[0].margin)[:MOST_MEASURED_AGAIN]:
        known = tuple(
            replace(one, patient=measured_again(one.patient, sd)) if i in verdict.members and one.patient else one
            for i, one in enumerate(request.candidates)
        )
        again = Judge(known, request.policy, request.draws, request.seed)
        if again.verdict(verdict.members, kind, verdict.build).allowed:
            other = _other(verdict, bed, request)
            hints.append(
                Note("measure-again", f"plateau and total PEEP of {c.bed} and {other} measured again with care "
                     f"({100 * sd:.0f} % error): if they come out as now, the two may share")
            )  # fmt: skip
            break
    if now is not None and now.total_peep.assumed:
        hints.append(Note("total-peep", "measure its total PEEP by an expiratory hold: it is a range now"))
    return hints


def measured_again(patient: Patient, relative_sd: float) -> Patient:
    """The same patient as after a careful measurement: mechanics with a small error, total PEEP a reading."""
    lungs = patient.lungs
    small = Spread.relative(relative_sd)
    present = patient.present
    if present is not None:
        present = replace(present, total_peep=replace(present.total_peep, assumed=False))
    return replace(
        patient,
        lungs=replace(
            lungs,
            compliance=replace(lungs.compliance, spread=small),
            inspiratory_resistance=replace(lungs.inspiratory_resistance, spread=small),
            expiratory_resistance=replace(lungs.expiratory_resistance, spread=small),
        ),
        present=present,
    )
