"""The plan of a ward: judge the groups that may be, choose among them, say who is left and what would change it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import MAX_PATIENTS, standard_build
from airyoke.limits.policy import Policy
from airyoke.plan.assignment import Assignment, Option, assign
from airyoke.plan.candidate import Candidate, Permitted, permitted_pairs
from airyoke.plan.judging import Judge, Verdict, ventilator_class

Progress = Callable[[str, int, int], None]


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
    may_use: int  # how many of ``ventilators`` may be used: the reserve and what is kept are taken off
    rounds: int


def usable_count(request: Request) -> int:
    """How many ventilators may be used: the usable ones less the reserve (below 0 where there are fewer)."""
    return sum(v.usable for v in request.ventilators) - request.policy.reserve_ventilators


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
    kept_usable = sum(v.usable and v.label in kept_labels for v in request.ventilators)
    free_for_use = max(usable_count(request) - kept_usable, 0)

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
    return Planned(assignment, free, kept, reserve, permitted, best_of_pair, judge, options, free_for_use, rounds=1)


def _classes(ventilators: Sequence[Ventilator]) -> tuple[Ventilator, ...]:
    return tuple(dict.fromkeys(ventilator_class(v) for v in ventilators))


def _may_stand_near(
    members: Sequence[int], candidates: Sequence[Candidate], ventilators: Sequence[Ventilator], kind: Ventilator
) -> bool:
    return any(ventilator_class(v) == kind and in_reach(v, members, candidates) for v in ventilators)


def in_reach(ventilator: Ventilator, members: Sequence[int], candidates: Sequence[Candidate]) -> bool:
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
            # Whatever a cell says of rooms or modes, the machine that ventilates a patient now can go on doing so.
            now, own = c.present_settings, c.ventilator == v.label
            if own or (now is not None and now.mode in v.modes and in_reach(v, (i,), candidates)):
                options.append(Option((i,), number, None, 0, int(c.ventilator != v.label)))
    for members, by_kind in sorted(verdicts.items()):
        parts = standard_build(len(members)).parts
        needs = sum(len(candidates[i].needs) for i in members)
        for number, v in enumerate(ventilators):
            verdict = by_kind.get(ventilator_class(v))
            if verdict is None or not verdict.allowed or not in_reach(v, members, candidates):
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
