"""The best plan of what the pool offers: by matching where that certifies, else by the solver."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from airyoke.circuit.needs import CircuitNeeds
from airyoke.plan import pool as pools
from airyoke.plan.assignment import (
    Assignment,
    assign,
    assign_other_than,
    fewest_left,
    left_instead,
    with_any_builds,
)
from airyoke.plan.matching import match
from airyoke.plan.options import MARGIN_UNIT, Choices, Option
from airyoke.plan.plan import Goal
from airyoke.plan.pool import Pool
from airyoke.plan.request import Progress

MOST_GROUPS_FOR_RUNNER_UP = 600
MOST_MIXTURES = 8  # times that builds for another mixture of sizes are added; more: the goals stay open


@dataclass(slots=True)
class Chooser:
    """Chooses among the pool's options, by matching where that certifies, else by the solver."""

    pool: Pool
    usable: int
    left_breaks: list[int] = field(init=False)
    highest: int | None = field(init=False, default=None)  # of the smallest margin, from the round before

    def __post_init__(self) -> None:
        self.left_breaks = [
            0 if c.keeps_ventilator else int(c.ventilator is not None) for c in self.pool.request.candidates
        ]

    def best(self, tell: Progress) -> tuple[Assignment, int]:
        """The best plan and the rounds it took; goals are ``open`` where the judging was stopped."""
        self.highest = None
        assignment, rounds, settled = self.pool.to_fixed_point(self._choose, tell, pools.MOST_JUDGED)
        if not settled:
            judged = self._assign(self._choices(self.pool.options(judged_only=True)))
            # The best of the groups that were offered is no bound where not all of them were.
            bounds = () if self.pool.cut_short else assignment.goals
            assignment = replace(judged, goals=opened(judged.goals, bounds))
        elif self.pool.cut_short:
            assignment = replace(assignment, goals=opened(assignment.goals, ()))
        elif self.pool.store.sizes_compete:
            return self._over_all_builds(assignment, rounds, tell)
        return assignment, rounds

    def _over_all_builds(self, assignment: Assignment, rounds: int, tell: Progress) -> tuple[Assignment, int]:
        """Groups of several sizes compete for parts: could builds that are not on the list place more people, or as
        many with fewer couplings? Those that could are added, until the first two goals are as good as any would be."""
        for _ in range(MOST_MIXTURES):
            could, _, sure = self.pool.to_fixed_point(self._with_any_builds, tell, pools.MORE_JUDGED)
            reached = len(assignment.left), sum(o.couplings for o in assignment.chosen)
            if could is not None and sure and reached <= could[:2]:
                return assignment, rounds
            if could is None or not self.pool.store.build_together(could[2]):
                break
            self.pool.screen_pairs(tell)
            self.highest = None
            assignment, more, settled = self.pool.to_fixed_point(self._choose, tell, pools.MOST_JUDGED)
            rounds += more
            if not settled:
                assignment = self._assign(self._choices(self.pool.options(judged_only=True)))
                break
        return replace(assignment, goals=opened(assignment.goals, ())), rounds

    def _with_any_builds(
        self, options: list[Option]
    ) -> tuple[tuple[int, int, list[CircuitNeeds]] | None, Sequence[Option]]:
        """How few would be left, with how few couplings, and the circuits that takes; ``None`` where not proved."""
        store = self.pool.store
        kinds = [None if o.build is None else store.needs_of(o.parts) for o in options]
        found = with_any_builds(self._choices(options), store.most_of(), kinds, store.catalogue)
        if found is None:
            return None, ()
        left, couplings, chosen = found
        return (left, couplings, [needs for o in chosen if (needs := store.needs_of(o.parts))]), chosen

    def second(self, best: Assignment) -> Assignment | None:
        """The best plan that differs in a shared group or in who is left; ``None`` where there is none.

        In the largest wards only among the groups that were judged on the way to the best plan.
        """

        def choose(options: list[Option]) -> tuple[Assignment | None, Sequence[Option]]:
            other = self._other_than(best, options)
            return other, () if other is None else other.rests_on

        if len(self.pool.groups) <= MOST_GROUPS_FOR_RUNNER_UP:
            found, _, settled = self.pool.to_fixed_point(choose)
            if settled:
                return found
        return self._other_than(best, self.pool.options(judged_only=True))

    def with_alternatives(self, best: Assignment) -> Assignment:
        """The same with every other set of beds that could be left, equal in the first two goals."""

        def choose(options: list[Option]) -> tuple[list[tuple[int, ...]], Sequence[Option]]:
            found = left_instead(best, self._choices(options))
            return [left for left, _ in found], [option for _, chosen in found for option in chosen]

        alternatives, _, settled = self.pool.to_fixed_point(choose)
        return replace(best, alternatives=tuple(alternatives) if settled else (best.left,))

    def fewest_left(self, more_machines: int, options: Sequence[Option]) -> int:
        """How few would be left with more machines (numbered after the present ones) and more options."""

        def choose(known_options: list[Option]) -> tuple[int, Sequence[Option]]:
            choices = self._choices([*known_options, *options])
            more = replace(
                choices, ventilators=choices.ventilators + more_machines, usable=choices.usable + more_machines
            )
            return fewest_left(more)

        fewest, _, settled = self.pool.to_fixed_point(choose)
        return fewest if settled else choose(self.pool.options(judged_only=True))[0]

    def _choices(self, options: Sequence[Option]) -> Choices:
        machines = self.pool.machines
        return Choices(
            len(self.left_breaks), tuple(options), len(machines.ventilators), self.usable, self.pool.store.stock,
            tuple(self.left_breaks), machines.pools,
        )  # fmt: skip

    def _choose(self, options: list[Option]) -> tuple[Assignment, Sequence[Option]]:
        choices = self._choices(options)
        assignment = self._match(choices) or self._assign(choices)
        return assignment, assignment.rests_on

    def _match(self, choices: Choices) -> Assignment | None:
        if not self.pool.offers.alike or self.pool.store.several_builds:
            return None
        matched = match(choices, round(self._margin_loss * MARGIN_UNIT), self.highest)
        if matched is None:
            return None
        level = next(goal.value for goal in matched.goals if goal.goal == "smallest_margin")
        self.highest = None if level is None else round(level * MARGIN_UNIT)
        return Assignment(matched.chosen, (), matched.goals, matched.witness)

    def _other_than(self, best: Assignment, options: list[Option]) -> Assignment | None:
        return assign_other_than(best, self._choices(options), margin_loss=self._margin_loss)

    @property
    def _margin_loss(self) -> float:
        return self.pool.request.policy.break_margin_loss

    def _assign(self, choices: Choices) -> Assignment:
        return assign(choices, margin_loss=self._margin_loss)


def opened(goals: tuple[Goal, ...], bounds: tuple[Goal, ...]) -> tuple[Goal, ...]:
    """Goals of a plan that rests on what was judged in time: proved as far as the bound from everything agrees.

    ``bounds`` are the goals reached with every group at its bound. After the first difference no bound is known.
    """
    found: list[Goal] = []
    agree = True
    for number, goal in enumerate(goals):
        bound = bounds[number].value if agree and number < len(bounds) and bounds[number].status == "proved" else None
        if goal.value is None:
            found.append(goal)
            agree = agree and bound is None
        elif bound is None:
            found.append(replace(goal, bound=None, gap=None, status="open"))
            agree = False
        else:
            gap = abs(goal.value - bound)
            agree = gap < 0.5 / MARGIN_UNIT
            found.append(replace(goal, bound=bound, gap=gap, status=goal.status if agree else "open"))
    return tuple(found)
