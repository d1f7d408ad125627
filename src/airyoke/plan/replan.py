"""A plan for a ward that runs: the goals of a plan with the fewest circuits opened, proved as those of a plan are.

A **break** is a patient whose circuit is opened: put on a ventilator, taken off one, or moved to another machine or
another build. Whoever stays on the same machine and the same build is not opened, whatever happens to the others: a
lane is closed at the splitters and capped, or a capped lane is taken by somebody new, and that one alone counts. A
whole group that goes to another machine with its circuit counts as everybody in it.

Parts of a running circuit are in use. What comes off is used, to be reprocessed: it is not in the store room, and no
other group is offered it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy
from airyoke.plan.assignment import Assignment, assign
from airyoke.plan.at_once import AtOnceDesk, margin_of
from airyoke.plan.candidate import Permitted, permitted_pairs
from airyoke.plan.chooser import opened
from airyoke.plan.judging import Judge, Verdict, ventilator_class
from airyoke.plan.options import Choices, Machines, Offers, Option, pool_number
from airyoke.plan.pool import Pool
from airyoke.plan.request import Progress, Request, Stop, usable_count
from airyoke.plan.running import RunningGroup, stock_without
from airyoke.plan.store_room import StoreRoom


@dataclass(frozen=True, slots=True)
class Known:
    """What one plan leaves to the next, so that only what has changed is judged: verdicts, and builds of the stock."""

    judge: Judge
    store: StoreRoom


@dataclass(frozen=True, slots=True)
class Lanes:
    """An option on a running circuit: the group with these beds on its lanes, and who of them is new."""

    group: RunningGroup
    joins: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Replanned:
    """What was decided: options on the machines by number, and which of them are running circuits."""

    assignment: Assignment
    ventilators: tuple[Ventilator, ...]
    kept: tuple[tuple[int, str], ...]
    reserve: tuple[str, ...]
    permitted: Permitted
    pool: Pool
    desk: AtOnceDesk
    usable: int
    rounds: int
    lanes: tuple[Lanes | None, ...]  # for every chosen option
    known: Known


def replan(
    request: Request,
    running: Sequence[RunningGroup],
    *,
    off_first: Sequence[str] = (),
    known: Known | None = None,
    progress: Progress | None = None,
    stop: Stop | None = None,
) -> Replanned:
    """The best plan from what runs, for judged margins.

    ``request``: the ward as it is now, its candidates on the ventilators they are on now, its stock as the sheet has
    it. ``running``: the groups without those who have left. ``off_first``: beds that share now, in the order in which
    they should come off. ``known``: from a plan of the same policy, draws and seed.
    """
    return _Replanner(request, running, off_first, known, stop or (lambda: False)).best(
        progress or (lambda _what, _done, _of: None)
    )


class _Replanner:
    def __init__(
        self, request: Request, running: Sequence[RunningGroup], off_first: Sequence[str], known: Known | None,
        stop: Stop,
    ) -> None:  # fmt: skip
        self.request, self.running = request, tuple(running)
        candidates, policy = request.candidates, request.policy
        self.number = {c.bed: i for i, c in enumerate(candidates)}
        self.off_first = [self.number[bed] for bed in off_first]
        self.kept = tuple((i, c.ventilator) for i, c in enumerate(candidates) if c.keeps_ventilator and c.ventilator)
        labels = {label for _, label in self.kept}
        free = tuple(v for v in request.ventilators if v.usable and v.label not in labels)
        self.usable = max(usable_count(request) - sum(v.usable and v.label in labels for v in request.ventilators), 0)
        self.judge = judge_for(request, known)
        self.permitted = permitted_pairs(candidates, policy)
        most = min(len({bed for pair in self.permitted.pairs for bed in pair}) // 2,
                   self.usable + policy.reserve_ventilators)  # fmt: skip
        self.store = _store(stock_without(request.stock, running), most, request, known)
        offers = Offers(candidates, Machines.of(free), labels)
        self.pool = Pool(request, offers, self.judge, self.permitted, self.store, stop)
        self.desk = AtOnceDesk(candidates, policy, self.judge)
        self.machine = {v.label: n for n, v in enumerate(free)}
        self.left_breaks = tuple(int(c.ventilator is not None and not c.keeps_ventilator) for c in candidates)
        self.on_lanes: dict[tuple[tuple[int, ...], int, str], Lanes] = {}
        self.offered: dict[int, list[tuple[Option, Lanes]]] = {}

    def best(self, tell: Progress) -> Replanned:
        policy = self.request.policy
        if policy.sharing != "no":
            self.pool.add_pairs(tell)
        largest = policy.max_group_size if policy.sharing != "no" else 1
        size = 2
        assignment, rounds, settled = self.pool.to_fixed_point(lambda options: self._choose(options, size), tell)
        while size < largest and not self._suffices(assignment):
            size += 1
            self.pool.add_larger(size)
            assignment, more, settled = self.pool.to_fixed_point(
                lambda options, size=size: self._choose(options, size), tell  # type: ignore[misc]
            )
            rounds += more
        if not settled:
            judged, _ = self._choose(self.pool.options(judged_only=True), size, judged_only=True)
            assignment = replace(judged, goals=opened(judged.goals, () if self.pool.cut_short else assignment.goals))
        elif self.pool.cut_short or self.store.sizes_compete:
            assignment = replace(assignment, goals=opened(assignment.goals, ()))
        return self._result(assignment, rounds)

    def _choose(
        self, options: list[Option], size: int, *, judged_only: bool = False
    ) -> tuple[Assignment, Sequence[Option]]:
        new = [replace(o, breaks=len(o.beds)) if o.build is not None else o for o in options]
        on_lanes = self._on_running_circuits(size, judged_only=judged_only)
        machines = self.pool.machines
        choices = Choices(
            len(self.left_breaks), (*new, *on_lanes), len(machines.ventilators), self.usable, self.store.stock,
            self.left_breaks, machines.pools,
        )  # fmt: skip
        found = assign(choices, margin_loss=self.request.policy.break_margin_loss, off_first=self.off_first)
        return found, found.rests_on

    def _on_running_circuits(self, size: int, *, judged_only: bool) -> Iterator[Option]:
        """Every group up to that size that keeps somebody on a running circuit, with what is known of its margin."""
        for members in range(2, size + 1):
            if members not in self.offered:
                self.offered[members] = [one for group in self.running for one in self._lanes_for(group, members)]
            for option, lanes in self.offered[members]:
                margin = self._margin(option, lanes, judged_only=judged_only)
                if margin is not None and margin >= 0.0:
                    yield replace(option, margin=margin)

    def _lanes_for(self, group: RunningGroup, size: int) -> Iterator[tuple[Option, Lanes]]:
        number = self.machine.get(group.ventilator)
        here = [self.number[bed] for bed in group.beds if bed in self.number]
        others = [i for i in range(len(self.request.candidates)) if i not in here]
        if size > len(group.lanes) or self.request.policy.sharing == "no":
            return
        for staying in range(size, 0, -1):
            for stay in combinations(here, staying):
                for join in combinations(others, size - staying):
                    if not self._could_be((*stay, *join), joins=bool(join)):
                        continue
                    if number is not None:
                        yield self._on_lanes(group, stay, join, number, len(join))
                    elif not join and len(stay) == len(here):
                        yield from self._elsewhere(group, stay)

    def _elsewhere(self, group: RunningGroup, stay: tuple[int, ...]) -> Iterator[tuple[Option, Lanes]]:
        """The machine has failed: the group with its circuit on another one, all of it, as there is one circuit."""
        for pool, _ in self.pool.kinds():
            if self.pool.near(pool, stay):
                yield self._on_lanes(group, stay, (), pool_number(pool), len(stay))

    def _could_be(self, members: tuple[int, ...], *, joins: bool) -> bool:
        """Every two permitted; where somebody new makes more than two, none of the pairs hopeless on every build (one
        more member never raises a margin)."""
        pairs = [(min(pair), max(pair)) for pair in combinations(members, 2)]
        if not all(pair in self.permitted.pairs for pair in pairs):
            return False
        kinds = [kind for _, kind in self.pool.kinds()]
        return len(members) == 2 or not joins or all(
            any(self.pool.bound(pair, kind, build) >= 0.0 for kind in kinds for build in self.pool.builds(pair))
            or not self.pool.builds(pair)
            for pair in pairs
        )

    def _on_lanes(
        self, group: RunningGroup, stay: tuple[int, ...], join: tuple[int, ...], machine: int, breaks: int
    ) -> tuple[Option, Lanes]:
        beds = [c.bed for c in self.request.candidates]
        on: list[str | None] = [bed if bed in {beds[i] for i in stay} else None for bed in group.lanes]
        for i in join:
            on[on.index(None)] = beds[i]
        lanes = Lanes(replace(group, lanes=tuple(on)), tuple(beds[i] for i in join))
        build, order = self.desk.build_of(lanes.group), self.desk.members(lanes.group)
        needs = sum(len(self.request.candidates[i].needs) for i in join)  # of those who share already: decided before
        option = Option(order, machine, 0.0, needs, breaks, (), build)
        self.on_lanes[order, machine, build.name] = lanes
        return option, lanes

    def _margin(self, option: Option, lanes: Lanes, *, judged_only: bool) -> float | None:
        """The judged margin, or a bound on it; ``None`` where the group is not allowed."""
        assert option.build is not None
        ventilator = self.pool.machines.one_of(option.ventilator)
        kind = ventilator_class(ventilator)
        if self.judge.known(option.beds, kind, option.build) is None and not judged_only:
            self.judge.screen(option.beds, kind, option.build)  # where that leaves it outside, it is a verdict
        verdict = self.judge.known(option.beds, kind, option.build)
        if verdict is None:
            margin = None if judged_only else self.judge.bound(option.beds, kind, option.build)
        else:
            margin = verdict.margin if self.pool.usable(verdict, self._pool_of(option)) else None
        if lanes.joins:
            return margin
        runs = self._runs(verdict, lanes.group, ventilator)
        return runs if margin is None or (runs is not None and runs > margin) else margin

    def _runs(self, verdict: Verdict | None, group: RunningGroup, ventilator: Ventilator) -> float | None:
        """The margin at the settings that are dialled, where it is allowed; not asked again where they are those of
        the verdict."""
        if verdict is not None and verdict.found is not None and _same_dials(verdict.found.settings, group.settings):
            return None
        answer = self.desk.as_it_runs(group, ventilator)
        allowed = answer is not None and answer.margin is not None and answer.margin.allowed
        return margin_of(answer) if answer is not None and allowed else None

    def _pool_of(self, option: Option) -> int:
        pools = self.pool.machines.pools
        return next(p for p, machines in enumerate(pools) if option.ventilator in (pool_number(p), *machines))

    def _suffices(self, assignment: Assignment) -> bool:
        couplings = sum(o.couplings for o in assignment.chosen)
        alone = len(self.request.candidates) - len(self.kept)
        return not assignment.left and couplings <= max(alone - self.usable, 0)

    def _result(self, assignment: Assignment, rounds: int) -> Replanned:
        free = self.pool.machines.ventilators
        not_kept = {i for i, _ in self.kept}
        pairs = [
            (placed, self._lanes_of(chosen))
            for chosen, placed in zip(
                assignment.chosen, self.pool.machines.on_machines(assignment.chosen), strict=True
            )
            if not not_kept & set(placed.beds)
        ]
        used = {free[o.ventilator].label for o, _ in pairs} | {label for _, label in self.kept}
        return Replanned(
            assignment=replace(assignment, chosen=tuple(o for o, _ in pairs)),
            ventilators=free,
            kept=self.kept,
            reserve=tuple(v.label for v in self.request.ventilators if v.usable and v.label not in used),
            permitted=self.permitted,
            pool=self.pool,
            desk=self.desk,
            usable=self.usable,
            rounds=rounds,
            lanes=tuple(lanes for _, lanes in pairs),
            known=Known(self.judge, self.store),
        )

    def _lanes_of(self, option: Option) -> Lanes | None:
        if option.build is None or option.parts:
            return self._left_alone(option)
        return self.on_lanes[option.beds, option.ventilator, option.build.name]

    def _left_alone(self, option: Option) -> Lanes | None:
        """One who is alone on the machine of its running group keeps its lane, the others capped."""
        if len(option.beds) > 1 or option.ventilator < 0:
            return None
        bed, label = (
            self.request.candidates[option.beds[0]].bed, self.pool.machines.ventilators[option.ventilator].label,
        )  # fmt: skip
        for group in self.running:
            if group.ventilator == label and bed in group.beds:
                return Lanes(group.without(set(group.beds) - {bed}), ())
        return None


def _same_dials(one: Settings, other: Settings | None) -> bool:
    """Equal but for the oxygen, which is chosen again at every judgement, and for what the machine displays."""
    if other is None:
        return False
    return replace(one, fio2=other.fio2, circuit_compensation=other.circuit_compensation,
                   max_peak_flow_l_per_min=other.max_peak_flow_l_per_min) == other  # fmt: skip


def judge_for(request: Request, known: Known | None) -> Judge:
    """A judge of these beds that knows what an earlier plan of the same limits, draws and seed has judged."""
    if known is not None:
        old = known.judge
        if (_limits_of(old.policy), old.draws, old.seed) == (_limits_of(request.policy), request.draws, request.seed):
            return old.carried_to(request.candidates)
    return Judge(request.candidates, request.policy, request.draws, request.seed)


def _limits_of(policy: Policy) -> Policy:
    """What of a policy bears on a verdict: not how many machines are held back, nor how plans are compared."""
    usual = Policy()
    return replace(
        policy, reserve_ventilators=usual.reserve_ventilators, break_margin_loss=usual.break_margin_loss,
        max_group_size=usual.max_group_size, sharing=usual.sharing, rooms_may_mix=usual.rooms_may_mix,
    )  # fmt: skip


def _store(stock: dict[str, int] | None, most: int, request: Request, known: Known | None) -> StoreRoom:
    if known is not None and known.store.serves(stock, most, request.catalogue):
        return known.store
    return StoreRoom(stock, most, request.catalogue)
