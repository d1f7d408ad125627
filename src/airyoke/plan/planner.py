"""The plan of a ward: judge the groups that may be, choose among them, say who is left and what would change it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import MAX_PATIENTS, standard_build
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.plan.assignment import Assignment, Option, assign
from airyoke.plan.candidate import Candidate, Note, Permitted, permitted_pairs
from airyoke.plan.judging import Judge, Verdict, ventilator_class
from airyoke.quantities.estimate import Spread

Progress = Callable[[str, int, int], None]
MOST_LARGER_GROUPS = 12  # judged for a hint only


@dataclass(frozen=True, slots=True)
class Request:
    """Everything a plan depends on. ``candidates`` in the order of the beds; ``stock`` ``None`` = nothing is scarce."""

    candidates: tuple[Candidate, ...]
    ventilators: tuple[Ventilator, ...]
    policy: Policy
    stock: dict[str, int] | None
    draws: int = 256
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Planned:
    """What the planner decided, before it is put into words: positions of beds and ventilators, verdicts, reasons."""

    assignment: Assignment
    ventilators: tuple[Ventilator, ...]  # those that may be given away, in the order of the numbers used
    kept: tuple[tuple[int, str], ...]  # beds that are not judged, and the ventilator each keeps
    reserve: tuple[str, ...]
    permitted: Permitted
    pair_verdicts: tuple[Verdict, ...]
    judge: Judge
    options: tuple[Option, ...]
    rounds: int


def usable_count(request: Request) -> int:
    """How many ventilators may be used: the usable ones less the reserve, never below 0."""
    usable = sum(v.usable for v in request.ventilators)
    return max(usable - request.policy.reserve_ventilators, 0)


def plan_groups(request: Request, progress: Progress | None = None) -> Planned:
    """Judge every permitted group with the engine and choose the best plan among the allowed ones.

    Every group is judged before anything is chosen, so that one round is the fixed point. Triples and larger groups
    are judged only where every smaller group inside them is allowed: another member never raises a margin.
    """
    tell = progress or (lambda _what, _done, _of: None)
    policy, candidates = request.policy, request.candidates
    judge = Judge(candidates, policy, request.draws, request.seed)
    permitted = permitted_pairs(candidates, policy)
    kept = tuple((i, c.ventilator) for i, c in enumerate(candidates) if c.keeps_ventilator and c.ventilator)
    kept_labels = {label for _, label in kept}
    free = tuple(v for v in request.ventilators if v.usable and v.label not in kept_labels)
    free_for_use = max(usable_count(request) - len(kept_labels), 0)

    sharing = policy.sharing != "no"
    verdicts: dict[tuple[int, ...], dict[Ventilator, Verdict]] = {}
    if sharing:
        classes = _classes(free)
        allowed: set[tuple[int, ...]] = set()
        for size in range(2, min(policy.max_group_size, MAX_PATIENTS) + 1):
            groups = permitted.groups(size)
            if size > 2:
                groups = [g for g in groups if all(g[:k] + g[k + 1 :] in allowed for k in range(size))]
            for number, members in enumerate(groups):
                tell(f"judging groups of {size}", number, len(groups))
                verdicts[members] = {
                    kind: judge.verdict(members, kind)
                    for kind in classes
                    if "pc" in kind.modes and _may_stand_near(members, candidates, free, kind)
                }
                if any(v.allowed for v in verdicts[members].values()):
                    allowed.add(members)
            tell(f"judging groups of {size}", len(groups), len(groups))
    options = tuple(_options(candidates, free, verdicts, kept_labels))
    tell("choosing", 0, 1)
    assignment = assign(
        len(candidates), options, len(free), free_for_use, request.stock,
        [0 if c.keeps_ventilator else int(c.ventilator is not None) for c in candidates],
    )  # fmt: skip
    assignment = _without_kept(assignment, {i for i, _ in kept})
    tell("choosing", 1, 1)
    in_use = {free[o.ventilator].label for o in assignment.chosen if o.ventilator >= 0} | kept_labels
    reserve = tuple(v.label for v in request.ventilators if v.usable and v.label not in in_use)
    best_of_pair = tuple(
        max(by_kind.values(), key=lambda v: (v.allowed, v.margin))
        for members, by_kind in sorted(verdicts.items())
        if len(members) == 2 and by_kind
    )
    return Planned(assignment, free, kept, reserve, permitted, best_of_pair, judge, options, rounds=1)


def _classes(ventilators: Sequence[Ventilator]) -> tuple[Ventilator, ...]:
    return tuple(dict.fromkeys(ventilator_class(v) for v in ventilators))


def _may_stand_near(
    members: Sequence[int], candidates: Sequence[Candidate], ventilators: Sequence[Ventilator], kind: Ventilator
) -> bool:
    return any(ventilator_class(v) == kind and _in_reach(v, members, candidates) for v in ventilators)


def _in_reach(ventilator: Ventilator, members: Sequence[int], candidates: Sequence[Candidate]) -> bool:
    return ventilator.room is None or all(candidates[i].room == ventilator.room for i in members)


def _options(
    candidates: Sequence[Candidate],
    ventilators: Sequence[Ventilator],
    verdicts: dict[tuple[int, ...], dict[Ventilator, Verdict]],
    kept_labels: set[str],
) -> list[Option]:
    options: list[Option] = []
    for i, c in enumerate(candidates):
        if c.keeps_ventilator:
            if c.ventilator in kept_labels:
                options.append(Option((i,), -1, None, 0, 0))
            continue
        for number, v in enumerate(ventilators):
            now = c.present_settings
            if now is not None and now.mode in v.modes and _in_reach(v, (i,), candidates):
                options.append(Option((i,), number, None, 0, int(c.ventilator != v.label)))
    for members, by_kind in sorted(verdicts.items()):
        parts = standard_build(len(members)).parts
        needs = sum(len(candidates[i].needs) for i in members)
        for number, v in enumerate(ventilators):
            verdict = by_kind.get(ventilator_class(v))
            if verdict is None or not verdict.allowed or not _in_reach(v, members, candidates):
                continue
            if _volume_shown(verdict) > v.max_tidal_volume_ml:
                continue  # the machine could neither show nor alarm on what all of them exhale
            breaks = sum(candidates[i].ventilator != v.label for i in members)
            options.append(Option(members, number, verdict.margin, needs, breaks, parts))
    return options


def _volume_shown(verdict: Verdict) -> float:
    shown = None if verdict.answer is None else verdict.answer.ventilator["displayed_tidal_volume_ml"].value
    return 0.0 if shown is None else shown


def _without_kept(assignment: Assignment, kept: set[int]) -> Assignment:
    """Beds that keep their ventilator unjudged were given a place of their own; they are no choice of the plan."""
    return replace(assignment, chosen=tuple(o for o in assignment.chosen if not kept & set(o.beds)))


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
    mine = [v for v in planned.pair_verdicts if bed in v.members]
    allowed = [v for v in mine if v.allowed]
    rules = [(i, j) for i, j, _ in planned.permitted.refused if bed in (i, j)]
    if c.may_share:
        if allowed:
            others = ", ".join(_other(v, bed, request) for v in allowed)
            why.append(Note("partners-taken", f"may share with {others}; each serves more patients elsewhere"))
        elif mine:
            why.append(Note("no-partner", _no_partner(mine, bed, request)))
        if rules and not allowed:
            why.append(Note("rules", f"{len(rules)} further beds are kept apart by rooms, labels or position"))
    ventilators = usable_count(request)
    why.append(Note("ventilators", f"{ventilators} ventilators may be used and {request.policy.reserve_ventilators} "
                    "held in reserve"))  # fmt: skip
    change.extend(_what_would_change(planned, request, bed))
    return tuple(why), tuple(change)


def _other(verdict: Verdict, bed: int, request: Request) -> str:
    return " and ".join(request.candidates[i].bed for i in verdict.members if i != bed)


def _no_partner(verdicts: Sequence[Verdict], bed: int, request: Request) -> str:
    nearest = max(verdicts, key=lambda v: v.margin)
    other = _other(nearest, bed, request)
    if nearest.answer is not None and nearest.answer.margin is not None:
        margin = nearest.answer.margin
        chance = f"inside every target in {100 * margin.inside_probability:.0f} % of the draws"
        return f"no judged partner is allowed; nearest is {other}: {chance}, limit {margin.limit.name}"
    if nearest.found is None:
        return "no partner could be judged"
    limit = nearest.found.search_margin.limit
    return f"no partner is inside the limits at any settings tried; nearest is {other}, limit {limit.name}"


def _what_would_change(planned: Planned, request: Request, bed: int) -> list[Note]:
    """Each hint is tried: the plan is chosen again under it, and only what gives this bed a place is said."""
    policy, c = request.policy, request.candidates[bed]
    usable, kept = usable_count(request), len(planned.kept)
    hints: list[Note] = []

    def places(more: int, options: Sequence[Option], at_most_left: int | None = None) -> bool:
        again = assign(
            len(request.candidates), options, len(planned.ventilators) + 1, max(usable - kept, 0) + more, request.stock,
            [0] * len(request.candidates),
        )  # fmt: skip
        return len(again.left) < (len(planned.assignment.left) if at_most_left is None else at_most_left)

    if c.patient is not None:
        spare = Option((bed,), len(planned.ventilators), None, 0, 1)
        if places(1, [*planned.options, spare]):
            hints.append(Note("one-more-ventilator", "one more ventilator gives it a place"))
    if policy.reserve_ventilators > 0 and planned.reserve and places(1, planned.options):
        hints.append(Note("reserve", "giving up one ventilator of the reserve gives it a place, against the policy"))
    if c.may_share and policy.sharing != "no":
        larger = policy.max_group_size + 1
        if larger <= MAX_PATIENTS:
            more = _larger_options(planned, request, bed, larger)
            if more and places(0, [*planned.options, *more]):
                text = f"groups of {larger} (policy max_group_size {larger}) give a place to one more bed"
                hints.append(Note("max-group-size", text))
        hints.extend(_remeasure(planned, request, bed))
    return hints


def _larger_options(planned: Planned, request: Request, bed: int, size: int) -> list[Option]:
    """Groups of one more than the policy allows, made of allowed smaller ones; the bed itself may or may not be in."""
    smaller = {o.beds for o in planned.options if len(o.beds) == size - 1}
    groups = [
        g for g in planned.permitted.groups(size) if all(g[:k] + g[k + 1 :] in smaller for k in range(size))
    ][:MOST_LARGER_GROUPS]
    options: list[Option] = []
    parts = standard_build(size).parts
    for members in groups:
        for number, v in enumerate(planned.ventilators):
            if "pc" not in v.modes or not _in_reach(v, members, request.candidates):
                continue
            verdict = planned.judge.verdict(members, v)
            if verdict.allowed:
                needs = sum(len(request.candidates[i].needs) for i in members)
                options.append(Option(members, number, verdict.margin, needs, 0, parts))
    return options


def _remeasure(planned: Planned, request: Request, bed: int) -> list[Note]:
    """Would a rehearsed patient (measured again, small error) be allowed with a partner that fits at best estimate?"""
    c, sd = request.candidates[bed], request.policy.assumptions.rehearsed_relative_sd
    if c.patient is None:
        return []
    hints: list[Note] = []
    now = c.patient.present
    unsure = [v for v in planned.pair_verdicts if bed in v.members and v.answer is not None and not v.allowed]
    for verdict in sorted(unsure, key=lambda v: -v.margin)[:2]:
        if verdict.found is None:
            continue
        known = tuple(
            replace(one, patient=measured_again(one.patient, sd)) if i in verdict.members and one.patient else one
            for i, one in enumerate(request.candidates)
        )
        again = Judge(known, request.policy, request.draws, request.seed)
        answer = again.answer(verdict.members, verdict.found.settings)
        if answer.margin is not None and answer.margin.allowed:
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
