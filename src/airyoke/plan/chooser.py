"""The best plan of what the pool offers: by matching where that certifies, else by the solver."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from airyoke.plan import pool as pools
from airyoke.plan.assignment import (
    BREAK_TOLERANCE,
    Assignment,
    assign,
    assign_other_than,
    fewest_left,
    left_instead,
)
from airyoke.plan.matching import match
from airyoke.plan.options import MARGIN_UNIT, Option
from airyoke.plan.plan import Goal
from airyoke.plan.pool import Pool
from airyoke.plan.request import Progress

MOST_GROUPS_FOR_RUNNER_UP = 600


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
            judged = self._assign(self.pool.options(judged_only=True))
            # The best of the groups that were offered is no bound where not all of them were.
            bounds = () if self.pool.cut_short else assignment.goals
            assignment = replace(judged, goals=_opened(judged.goals, bounds))
        elif self.pool.cut_short:
            assignment = replace(assignment, goals=_opened(assignment.goals, ()))
        return assignment, rounds

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
            found = left_instead(
                best, len(self.left_breaks), options, len(self.pool.machines.ventilators), self.usable,
                self.pool.request.stock, self.pool.machines.pools,
            )  # fmt: skip
            return [left for left, _ in found], [option for _, chosen in found for option in chosen]

        alternatives, _, settled = self.pool.to_fixed_point(choose)
        return replace(best, alternatives=tuple(alternatives) if settled else (best.left,))

    def fewest_left(self, more_machines: int, options: Sequence[Option], stock: dict[str, int] | None) -> int:
        """How few would be left with more machines (numbered after the present ones), more options, another stock."""
        known = len(self.pool.machines.ventilators)

        def choose(known_options: list[Option]) -> tuple[int, Sequence[Option]]:
            return fewest_left(
                len(self.left_breaks), [*known_options, *options], known + more_machines, self.usable + more_machines,
                stock, self.pool.machines.pools,
            )  # fmt: skip

        fewest, _, settled = self.pool.to_fixed_point(choose)
        return fewest if settled else choose(self.pool.options(judged_only=True))[0]

    def _choose(self, options: list[Option]) -> tuple[Assignment, Sequence[Option]]:
        assignment = self._match(options) or self._assign(options)
        return assignment, assignment.rests_on

    def _match(self, options: list[Option]) -> Assignment | None:
        if not self.pool.offers.alike:
            return None
        matched = match(
            len(self.left_breaks), options, self.usable, self.pool.request.stock,
            round(BREAK_TOLERANCE * MARGIN_UNIT), self.highest,
        )  # fmt: skip
        if matched is None:
            return None
        level = next(goal.value for goal in matched.goals if goal.goal == "smallest_margin")
        self.highest = None if level is None else round(level * MARGIN_UNIT)
        return Assignment(matched.chosen, (), matched.goals, matched.witness)

    def _assign(self, options: list[Option]) -> Assignment:
        return assign(
            len(self.left_breaks), options, len(self.pool.machines.ventilators), self.usable, self.pool.request.stock,
            self.left_breaks, self.pool.machines.pools,
        )  # fmt: skip

    def _other_than(self, best: Assignment, options: list[Option]) -> Assignment | None:
        return assign_other_than(
            best, len(self.left_breaks), options, len(self.pool.machines.ventilators), self.usable,
            self.pool.request.stock, self.left_breaks, self.pool.machines.pools,
        )  # fmt: skip


def _opened(goals: tuple[Goal, ...], bounds: tuple[Goal, ...]) -> tuple[Goal, ...]:
    """Goals of a plan that rests on what was judged in time: proved as far as the bound from everything agrees.

    ``bounds`` are the goals reached with every group at its bound. After the first difference no bound is known.
    """
    opened: list[Goal] = []
    agree = True
    for number, goal in enumerate(goals):
        bound = bounds[number].value if agree and number < len(bounds) and bounds[number].status == "proved" else None
        if goal.value is None:
            opened.append(goal)
            agree = agree and bound is None
        elif bound is None:
            opened.append(replace(goal, bound=None, gap=None, status="open"))
            agree = False
        else:
            gap = abs(goal.value - bound)
            agree = gap < 0.5 / MARGIN_UNIT
            opened.append(replace(goal, bound=bound, gap=gap, status=goal.status if agree else "open"))
    return tuple(opened)
