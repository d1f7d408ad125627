"""The plan of a ward: pairs first, larger groups where pairs do not place everybody, then the runner-up."""

from __future__ import annotations

from dataclasses import dataclass, replace

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import MAX_PATIENTS
from airyoke.circuit.choice import CannotBuild
from airyoke.limits.policy import Policy
from airyoke.plan.assignment import Assignment
from airyoke.plan.candidate import Permitted, permitted_pairs
from airyoke.plan.chooser import Chooser
from airyoke.plan.judging import Judge
from airyoke.plan.options import Machines, Offers, Option
from airyoke.plan.pool import Pool
from airyoke.plan.request import Progress, Request, Stop, usable_count
from airyoke.plan.store_room import StoreRoom


@dataclass(frozen=True, slots=True)
class Planned:
    """What the planner decided, before it is put into words: positions of beds and ventilators, verdicts, reasons."""

    assignment: Assignment
    runner_up: Assignment | None
    ventilators: tuple[Ventilator, ...]  # those that may be given away, in the order of the numbers used
    kept: tuple[tuple[int, str], ...]  # beds that are not judged, and the ventilator each keeps
    reserve: tuple[str, ...]
    permitted: Permitted
    pool: Pool
    chooser: Chooser
    rounds: int
    missing: CannotBuild | None = None  # where somebody is left: what one more shared circuit would take
    with_parts: Chooser | None = None  # who could be placed if that were there

    @property
    def judge(self) -> Judge:
        """Where verdicts come from, and are kept."""
        return self.pool.judge

    @property
    def options(self) -> tuple[Option, ...]:
        """Every option with what is known of its margin now."""
        return tuple(self.pool.options())


def plan_groups(request: Request, progress: Progress | None = None, stop: Stop | None = None) -> Planned:
    """The best plan of a ward for judged margins.

    ``progress`` is told what is being done; ``stop`` is asked between judgements: once true, the best plan of what is
    judged by then is returned, its goals ``open`` with the bound that is known.
    """
    tell = progress or (lambda _what, _done, _of: None)
    policy, candidates = request.policy, request.candidates
    kept = tuple((i, c.ventilator) for i, c in enumerate(candidates) if c.keeps_ventilator and c.ventilator)
    kept_labels = {label for _, label in kept}
    free = tuple(v for v in request.ventilators if v.usable and v.label not in kept_labels)
    kept_usable = sum(v.usable and v.label in kept_labels for v in request.ventilators)
    free_for_use = max(usable_count(request) - kept_usable, 0)

    offers = Offers(candidates, Machines.of(free), kept_labels)
    judge = Judge(candidates, policy, request.draws, request.seed)
    permitted = permitted_pairs(candidates, policy)
    store = StoreRoom(request.stock, _most_groups(permitted, free_for_use, policy), request.catalogue)
    pool = Pool(request, offers, judge, permitted, store, stop or (lambda: False))
    chooser = Chooser(pool, free_for_use)
    if policy.sharing != "no":
        pool.add_pairs(tell)
    assignment, rounds = chooser.best(tell)
    larger = list(range(3, min(policy.max_group_size, MAX_PATIENTS) + 1)) if policy.sharing != "no" else []
    while larger and not _pairs_suffice(assignment, len(candidates) - len(kept), free_for_use):
        pool.add_larger(larger.pop(0))
        assignment, more = chooser.best(tell)
        rounds += more
    missing, with_parts = None, None
    if assignment.left:
        assignment = chooser.with_alternatives(assignment)
        missing = store.lacks((o.parts for o in assignment.chosen), 2) if pool.groups else None
        if missing is not None:
            with_parts = Chooser(pool.with_store(store.with_more(missing.missing)), free_for_use)
    tell("looking for the runner-up", 0, 1)
    runner_up = chooser.second(assignment) if policy.sharing != "no" else None
    while larger and (runner_up is None or len(runner_up.left) > len(assignment.left)):
        # The plan itself cannot be better for larger groups, but the next best may place more people with one.
        pool.add_larger(larger.pop(0))
        runner_up = chooser.second(assignment)
    tell("looking for the runner-up", 1, 1)
    on_machines = pool.machines.on_machines(assignment.chosen)
    in_use = {free[o.ventilator].label for o in on_machines if o.ventilator >= 0} | kept_labels
    not_kept = {i for i, _ in kept}
    return Planned(
        assignment=replace(assignment, chosen=tuple(o for o in on_machines if not not_kept & set(o.beds))),
        runner_up=None if runner_up is None else replace(runner_up, chosen=pool.machines.on_machines(runner_up.chosen)),
        ventilators=free,
        kept=kept,
        reserve=tuple(v.label for v in request.ventilators if v.usable and v.label not in in_use),
        permitted=permitted,
        pool=pool,
        chooser=chooser,
        rounds=rounds,
        missing=missing,
        with_parts=with_parts,
    )


def _most_groups(permitted: Permitted, usable: int, policy: Policy) -> int:
    """How many groups could ever share at once, the reserve given up."""
    return min(len({bed for pair in permitted.pairs for bed in pair}) // 2, usable + policy.reserve_ventilators)


def _pairs_suffice(assignment: Assignment, beds: int, usable: int) -> bool:
    """Whether no larger group could improve on the first two goals: everybody is placed, by as few couplings as there
    are machines short (a group of s saves s - 1 of them and costs s (s - 1) / 2 couplings)."""
    couplings = sum(o.couplings for o in assignment.chosen)
    return not assignment.left and couplings <= max(beds - usable, 0)
