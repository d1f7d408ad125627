"""The alarm limits that catch the most harm within an accepted number of false alarms, proved to be the best.

Every course (a fault with one draw of lungs, sensors and scatter) that some alarm catches in time counts with the
weight of its fault. False alarms of the conditions add up, so they share one budget. On the grid of the dials this is
a choice of one step for each condition: a tighter step catches more and costs more. A step nearer to what is shown than
that may drift is no choice. Steps whose false alarms are negligible count as free, which leaves a few steps a
condition; branch and bound looks through all of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.faults.alarms import After, Before
from airyoke.faults.false_alarms import false_alarms
from airyoke.faults.shown import Shown
from airyoke.plan.alarm_system import AlarmCondition, Key, Limits

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

NEGLIGIBLE = 1e-3  # part of the budget below which one condition's false alarms count as none


@dataclass(frozen=True, slots=True)
class Danger:
    """A fault that an alarm should tell of: ``weight`` by its harm, an alarm after ``within_s`` is too late."""

    id: str
    shown: Shown
    weight: float
    within_s: float


@dataclass(frozen=True, slots=True)
class Steps:
    """One condition: the steps of its dial that may be chosen, tightest last.

    ``rates`` are false alarms in 12 h; ``caught`` (steps, courses) which courses it catches there in time.
    """

    condition: AlarmCondition
    limits: tuple[float, ...]
    rates: tuple[float, ...]
    caught: Flags


@dataclass(frozen=True, slots=True)
class BestLimits:
    """The chosen limits and what they are worth.

    caught
        Weighted share of the courses in which an alarm sounds in time.
    caught_of
        The same for each danger, unweighted.
    false_alarms
        Expected in 12 h from scatter alone, condition by condition.
    tried
        Choices looked at; every other one is proved to catch no more.
    """

    limits: Mapping[Key, float]
    caught: float
    caught_of: Mapping[str, float]
    false_alarms: Mapping[Key, float]
    budget: float
    tried: int

    @property
    def false_alarms_in_all(self) -> float:
        """Of the whole set in 12 h."""
        return sum(self.false_alarms.values())


@dataclass(frozen=True, slots=True)
class Dangers:
    """The dangers of a group as its machine's alarms meet them: what every set of limits is measured by.

    weights
        Of every course, adding up to 1: danger by danger, a row of ``before`` each.
    critical
        For each condition the limit at which each course just does not sound in time.
    """

    each: tuple[Danger, ...]
    before: Before
    weights: Floats
    critical: Mapping[Key, Floats]

    @classmethod
    def of(cls, dangers: Sequence[Danger], before: Before) -> Dangers:
        """Raises ``ValueError`` where no danger has weight, or the draws are not those of the baseline."""
        return cls.met(dangers, before, [critical_limits(one, before, before.after(one.shown)) for one in dangers])

    @classmethod
    def met(
        cls, dangers: Sequence[Danger], before: Before, critical: Sequence[Mapping[Key, Floats]]
    ) -> Dangers:  # fmt: skip
        """From the critical limits of each danger, in their order."""
        weights = np.repeat([one.weight for one in dangers], len(before.rows)).astype(np.float64)
        if not len(weights) or weights.sum() <= 0.0:
            raise ValueError("nothing to catch: no danger has weight")
        keys = [one.key for one in before.watch.system.conditions]
        return cls(
            tuple(dangers), before, weights / weights.sum(),
            {key: np.concatenate([one[key] for one in critical]) for key in keys},
        )  # fmt: skip

    def catches(self, condition: AlarmCondition, limits: Floats) -> Flags:
        """Which courses sound at each of the limits, (limits, courses)."""
        critical = self.critical[condition.key][None, :]
        return np.asarray(critical > limits[:, None] if condition.side == "high" else critical < limits[:, None])

    def caught_by(self, limits: Limits) -> Flags:
        """Which courses sound at any of these limits, (courses,)."""
        caught = np.zeros(len(self.weights), dtype=bool)
        for condition in self.before.watch.system.conditions:
            if condition.key in limits:
                caught |= self.catches(condition, np.array([limits[condition.key]]))[0]
        return caught

    def share(self, limits: Limits) -> float:
        """Weighted share of the courses that these limits, and those built in, catch in time.

        Raises ``Refused`` for limits that the machine cannot be set to.
        """
        return float(self.weights[self.caught_by(self.before.watch.system.checked(limits))].sum())

    def share_of_each(self, caught: Flags) -> dict[str, float]:
        """Of each danger, unweighted."""
        rows = len(self.before.rows)
        return {one.id: float(caught[i * rows : (i + 1) * rows].mean()) for i, one in enumerate(self.each)}


def critical_limits(danger: Danger, before: Before, after: After) -> dict[Key, Floats]:
    """For each condition the limit at which each row of a danger just does not sound in time."""
    conditions = before.watch.system.conditions
    if not danger.shown.powered:
        # A machine without power has an alarm of its own that needs no limit: any step tells of it.
        rows = len(before.rows)
        return {one.key: np.full(rows, np.inf if one.side == "high" else -np.inf) for one in conditions}
    return {one.key: after.critical(one, danger.within_s) for one in conditions}


def best_limits(dangers: Dangers, budget_per_12_h: float) -> BestLimits:
    """The limits, on the steps of the machine's dials, that catch the largest weighted share of the dangers.

    Of equal shares the one with fewer false alarms. Raises ``ValueError`` for a budget of zero or less.
    """
    if budget_per_12_h <= 0.0:
        raise ValueError("the accepted false alarms must be more than zero")
    system = dangers.before.watch.system
    steps = [s for one in system.conditions if (s := _steps(one, dangers, budget_per_12_h)) is not None]
    caught = dangers.caught_by(system.fixed_limits())
    chosen, tried = _search(steps, dangers.weights, caught, budget_per_12_h)
    for s, i in zip(steps, chosen, strict=True):
        caught |= s.caught[i]
    return BestLimits(
        limits={s.condition.key: s.limits[i] for s, i in zip(steps, chosen, strict=True)},
        caught=float(dangers.weights[caught].sum()),
        caught_of=dangers.share_of_each(caught),
        false_alarms={s.condition.key: s.rates[i] for s, i in zip(steps, chosen, strict=True)},
        budget=budget_per_12_h,
        tried=tried,
    )


def _steps(condition: AlarmCondition, dangers: Dangers, budget: float) -> Steps | None:
    """The steps worth choosing from: the tightest free one and every tighter one within the budget, loosest first."""
    if condition.fixed is not None:
        return None
    on = np.arange(round((condition.highest - condition.lowest) / condition.step) + 1)
    grid = np.round(condition.lowest + on * condition.step, 6)
    before = dangers.before
    centre = before.centre[condition.key]
    # Nearer than what drifts without anything being wrong no limit is wanted, however quiet it would be.
    room = before.watch.drift.room(condition.name, centre, before.shown.patients_ml[0, 0])
    grid = grid[np.abs(grid - centre) >= room - 1e-9]
    rates = false_alarms(before, condition, grid)
    if condition.side == "high":
        grid, rates = grid[::-1], rates[::-1]
    within = np.flatnonzero(rates <= budget)
    if not len(within):
        return None  # no step of the dial is quiet enough: the alarm stays off
    free = within[rates[within] <= NEGLIGIBLE * budget]
    first = int(free[-1]) if len(free) else int(within[0])
    grid, rates = grid[first : within[-1] + 1], rates[first : within[-1] + 1]
    caught = dangers.catches(condition, grid)
    # Of steps that catch the same the loosest is as good.
    keep = [0] + [i for i in range(1, len(grid)) if (caught[i] != caught[i - 1]).any()]
    return Steps(
        condition, tuple(float(v) for v in grid[keep]), tuple(float(r) for r in rates[keep]), caught[keep]
    )  # fmt: skip


def _search(steps: Sequence[Steps], weights: Floats, known: Flags, budget: float) -> tuple[list[int], int]:
    """One step for each condition by branch and bound: (chosen, choices looked at).

    A branch is left when everything that it could still catch, each open condition at its tightest affordable step,
    is no more than what is known to be possible.
    """
    cost = [[0.0 if r <= NEGLIGIBLE * budget else r for r in s.rates] for s in steps]
    order = sorted(range(len(steps)), key=lambda i: -len(steps[i].limits))
    best_value, best_cost, best = -1.0, np.inf, [0] * len(steps)
    tried = 0
    here = [0] * len(steps)

    def bound(caught: Flags, depth: int, left: float) -> float:
        reach = caught.copy()
        for i in order[depth:]:
            affordable = [k for k, c in enumerate(cost[i]) if c <= left]
            if affordable:
                reach |= steps[i].caught[affordable[-1]]
        return float(weights[reach].sum())

    def go(depth: int, caught: Flags, spent: float) -> None:
        nonlocal best_value, best_cost, best, tried
        tried += 1
        if depth == len(order):
            value = float(weights[caught].sum())
            if value > best_value + 1e-12 or (value > best_value - 1e-12 and spent < best_cost):
                best_value, best_cost, best = value, spent, here.copy()
            return
        limit = bound(caught, depth, budget - spent)
        if limit < best_value - 1e-12 or (limit < best_value + 1e-12 and spent >= best_cost):
            return
        i = order[depth]
        for k in reversed(range(len(cost[i]))):
            if spent + cost[i][k] <= budget:
                here[i] = k
                go(depth + 1, caught | steps[i].caught[k], spent + cost[i][k])

    go(0, known, 0.0)
    return best, tried
