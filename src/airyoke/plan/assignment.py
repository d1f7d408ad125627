"""Which groups on which ventilators: the goals of a plan one after another, each proved before the next is asked.

Everybody placed > fewest couplings, sum of s(s-1)/2 > fewest decisions > largest smallest margin > fewest breaks
(the smallest margin may fall by a stated tolerance) > largest sum of margins. A plan for a ward that runs asks, after
the breaks, that those come off first who fit their groups least. Margins are integers (millionths)
before anything is compared. Equal plans: the one whose groups come first in the order of the beds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from airyoke.circuit.choice import buildable
from airyoke.circuit.needs import Catalogue, CircuitNeeds
from airyoke.limits.policy import Policy
from airyoke.plan.options import KEPT, MARGIN_UNIT, Choices, Option, pool_number
from airyoke.plan.plan import Goal
from airyoke.solver.integer import IntegerModel, Solution

BREAK_TOLERANCE = Policy().break_margin_loss
MOST_ALTERNATIVES = 12
SOLVER = "HiGHS (branch and bound, gap 0)"
BISECTION = f"{SOLVER}, by bisection"


@dataclass(frozen=True, slots=True)
class Assignment:
    """The chosen options, who is left, the goals with their proof, and equal choices of who is left.

    ``witness`` is a choice whose smallest margin is the largest; the chosen one may give some of it up for fewer
    breaks.
    """

    chosen: tuple[Option, ...]
    left: tuple[int, ...]
    goals: tuple[Goal, ...]
    witness: tuple[Option, ...] = ()
    alternatives: tuple[tuple[int, ...], ...] = ()

    @property
    def rests_on(self) -> tuple[Option, ...]:
        """Every option that a goal was reached with."""
        return (*self.chosen, *self.witness)


def assign(
    choices: Choices, *, margin_loss: float = BREAK_TOLERANCE, off_first: Sequence[int] | None = None
) -> Assignment:
    """The best disjoint options; ``alternatives`` are left to :func:`left_instead`.

    ``margin_loss`` of the smallest margin may be given up for fewer breaks. ``off_first``: beds that share now, who
    should come off first in front; where given that is a goal after the breaks, see :func:`_off_first`.
    """
    return _reach_goals(*_model(choices), choices, margin_loss, off_first)


def assign_other_than(
    best: Assignment, choices: Choices, *, margin_loss: float = BREAK_TOLERANCE
) -> Assignment | None:
    """The best plan that differs from ``best`` in a shared group or in who is left; ``None`` where there is none."""
    model, x, left = _model(choices)
    options = choices.options
    same = {o.beds for o in best.chosen if len(o.beds) > 1}
    # What the best plan has less what it has not is greatest, and only then, for the same groups and the same left.
    cut = {x[k]: 1.0 if o.beds in same else -1.0 for k, o in enumerate(options) if len(o.beds) > 1}
    cut |= {variable: 1.0 if i in best.left else -1.0 for i, variable in enumerate(left)}
    model.row(cut, high=len(same) + len(best.left) - 1.0)
    if not model.minimise({}).usable:
        return None
    return _reach_goals(model, x, left, choices, margin_loss, None)


def _reach_goals(
    model: IntegerModel, x: list[int], left: list[int], choices: Choices, margin_loss: float,
    off_first: Sequence[int] | None,
) -> Assignment:  # fmt: skip
    beds, options, left_breaks = choices.beds, choices.options, choices.left_breaks
    goals: list[Goal] = []
    nobody = Solution("feasible", float(beds), 0.0, (0,) * len(x) + (1,) * len(left))  # the plan that always exists

    def reach(goal: str, objective: dict[int, float], last: Solution, closed: frozenset[int] = frozenset()) -> Solution:
        """The next goal with the earlier ones fixed. A solver that gives up leaves the last plan, and an open goal."""
        if not objective:  # nothing that could be chosen costs anything here
            solution = Solution("optimal", 0.0, 0.0, last.values)
        else:
            solution = model.minimise(objective, closed=closed)
        if not solution.usable:
            kept = _value(objective, last.chosen)
            solution = Solution("feasible", kept, solution.bound, last.values)
        model.row(objective, high=solution.value + 0.5)
        goals.append(_goal(goal, solution))
        return solution

    solution = reach("placed", dict.fromkeys(left, 1.0), nobody)
    goals[0] = replace(goals[0], value=beds - solution.value, bound=beds - solution.bound)
    couplings = {x[k]: float(o.couplings) for k, o in enumerate(options) if o.couplings}
    solution = reach("couplings", couplings, solution)
    needs = {x[k]: float(o.needs) for k, o in enumerate(options) if o.needs}
    solution = reach("needs", needs, solution)

    shared = [k for k, o in enumerate(options) if o.margin is not None and len(o.beds) > 1]
    has_groups = any(x[k] in solution.chosen for k in shared)
    closed: frozenset[int] = frozenset()
    witness: tuple[Option, ...] = ()
    if has_groups:
        solution, threshold, proved = _largest_smallest_margin(model, options, x, shared, solution)
        level = threshold / MARGIN_UNIT
        witness = tuple(options[k] for k in shared if x[k] in solution.chosen)
        goals.append(
            Goal("smallest_margin", level, level, 0.0, "proved", BISECTION)
            if proved
            else Goal("smallest_margin", level, None, None, "open", BISECTION)
        )
        allowed = max(threshold - round(margin_loss * MARGIN_UNIT), 0)
        closed = frozenset(x[k] for k in shared if options[k].units < allowed)
    else:
        goals.append(Goal("smallest_margin", None, None, None, "skipped", "no shared group"))
    breaks = {x[k]: float(o.breaks) for k, o in enumerate(options) if o.breaks}
    breaks |= {left[i]: float(left_breaks[i]) for i in range(beds) if left_breaks[i]}
    solution = reach("breaks", breaks, solution, closed)
    if off_first is not None:
        alone = _off_first(options, x, off_first)
        solution = reach("off_first", alone, solution, closed)
        goals[-1] = _as_rank(goals[-1], alone, solution, off_first)
    if has_groups:
        total = {x[k]: -float(options[k].units * len(options[k].beds)) for k in shared}
        solution = reach("margin_sum", total, solution, closed)
        value, bound = -solution.value / MARGIN_UNIT, -solution.bound / MARGIN_UNIT
        goals[-1] = replace(goals[-1], value=value, bound=bound, gap=abs(value - bound))
    else:
        goals.append(Goal("margin_sum", None, None, None, "skipped", "no shared group"))
    # Equal in every goal: the first in the order of beds and ventilators, so that the same ward gives the same plan.
    first = sorted(range(len(options)), key=lambda k: (options[k].beds, options[k].ventilator))
    tidy = model.minimise({x[k]: float(rank) for rank, k in enumerate(first)}, closed=closed)
    solution = tidy if tidy.usable else solution
    chosen = tuple(o for k, o in enumerate(options) if x[k] in solution.chosen)
    remaining = tuple(i for i in range(beds) if left[i] in solution.chosen)
    return Assignment(chosen, remaining, tuple(goals), witness)


def fewest_left(choices: Choices) -> tuple[int, tuple[Option, ...]]:
    """How few beds can be without a place, and a choice that leaves so few: the first goal alone, for trying what would
    change it."""
    model, x, left = _model(choices)
    solution = model.minimise(dict.fromkeys(left, 1.0))
    if not solution.usable:
        return choices.beds, ()
    return round(solution.value), tuple(o for k, o in enumerate(choices.options) if x[k] in solution.chosen)


def with_any_builds(
    choices: Choices, kinds: Mapping[CircuitNeeds, int], kind_of: Sequence[CircuitNeeds | None], catalogue: Catalogue
) -> tuple[int, int, tuple[Option, ...]] | None:
    """The first two goals if every shared group could have any build of its kind that the stock gives.

    ``kinds``: the most of each that could be wanted; ``kind_of``: of each option. Returns how many are left, the
    couplings, and a choice that reaches them; ``None`` where it could not be proved in time.
    """
    assert choices.stock is not None, "without a stock nothing is scarce"
    model, x, left = _model(replace(choices, stock=None))
    for needs, built in zip(kinds, buildable(model, kinds, choices.stock, catalogue), strict=True):
        of_kind = {variable: 1.0 for variable, kind in zip(x, kind_of, strict=True) if kind == needs}
        model.row({**of_kind, built: -1.0}, 0.0, 0.0)
    fewest = model.minimise(dict.fromkeys(left, 1.0))
    if fewest.status != "optimal":
        return None
    model.row(dict.fromkeys(left, 1.0), high=fewest.value + 0.5)
    couplings = {x[k]: float(o.couplings) for k, o in enumerate(choices.options) if o.couplings}
    solution = model.minimise(couplings)
    if solution.status != "optimal":
        return None
    chosen = tuple(o for k, o in enumerate(choices.options) if x[k] in solution.chosen)
    return round(fewest.value), round(solution.value), chosen


def left_instead(best: Assignment, choices: Choices) -> list[tuple[tuple[int, ...], tuple[Option, ...]]]:
    """Every set of beds that could be left with the first two goals of ``best`` unchanged (at most a dozen), each with
    a choice that leaves it: found by excluding the sets already seen."""
    found: list[tuple[tuple[int, ...], tuple[Option, ...]]] = []
    model, x, left = _model(choices)
    options = choices.options
    model.row(dict.fromkeys(left, 1.0), high=len(best.left) + 0.5)
    couplings = {x[k]: float(o.couplings) for k, o in enumerate(options) if o.couplings}
    model.row(couplings, high=sum(o.couplings for o in best.chosen) + 0.5)
    while best.left and len(found) < MOST_ALTERNATIVES:
        solution = model.minimise({})
        if not solution.usable:
            break
        those = tuple(i for i, variable in enumerate(left) if variable in solution.chosen)
        found.append((those, tuple(o for k, o in enumerate(options) if x[k] in solution.chosen)))
        model.row({left[i]: 1.0 for i in those}, high=len(those) - 1.0)
    return sorted(found, key=lambda one: one[0])


def _model(choices: Choices) -> tuple[IntegerModel, list[int], list[int]]:
    model = IntegerModel()
    options = choices.options
    x = [model.variable() for _ in options]
    left = [model.variable() for _ in range(choices.beds)]
    of_bed: list[dict[int, float]] = [{left[i]: 1.0} for i in range(choices.beds)]
    on_machine: dict[int, dict[int, float]] = {}
    for variable, option in zip(x, options, strict=True):
        for i in option.beds:
            of_bed[i][variable] = 1.0
        on_machine.setdefault(option.ventilator, {})[variable] = 1.0
    for row in of_bed:
        model.row(row, 1.0, 1.0)
    for v in range(choices.ventilators):
        if len(on_machine.get(v, ())) > 1:
            model.row(on_machine[v], high=1.0)
    for pool, machines in enumerate(choices.pools):
        # Whoever is given a machine by name takes it from the pool; the rest of the pool is dealt out afterwards.
        from_pool = on_machine.get(pool_number(pool), {})
        if from_pool:
            by_name = {variable: 1.0 for v in machines for variable in on_machine.get(v, ())}
            model.row(from_pool | by_name, high=float(len(machines)))
    model.row({x[k]: 1.0 for k, o in enumerate(options) if o.ventilator != KEPT}, high=float(choices.usable))
    if choices.stock is not None:
        taken: dict[str, dict[int, float]] = {}
        for variable, option in zip(x, options, strict=True):
            for part, count in option.parts:
                taken.setdefault(part, {})[variable] = float(count)
        for part in sorted(taken):
            model.row(taken[part], high=float(choices.stock.get(part, 0)))
    return model, x, left


def _largest_smallest_margin(
    model: IntegerModel, options: Sequence[Option], x: list[int], shared: list[int], start: Solution
) -> tuple[Solution, int, bool]:
    """Bisection on the distinct margins: with the groups below a level closed, is there still a plan?

    Returns the plan at the largest level, that level, and whether every answer on the way was definite.
    """
    units = [options[k].units for k in shared if x[k] in start.chosen]
    levels = sorted({options[k].units for k in shared if options[k].units >= min(units)})
    best, proved = start, True
    low, high = 0, len(levels) - 1
    while low < high:
        middle = (low + high + 1) // 2
        closed = frozenset(x[k] for k in shared if options[k].units < levels[middle])
        solution = model.minimise({}, closed=closed)
        proved = proved and solution.status in ("optimal", "infeasible")
        if solution.usable:
            best, low = solution, middle
        else:
            high = middle - 1
    return best, levels[low], proved


MOST_RANKED = 20  # of an order: weights are powers of two, and stay exact


def _off_first(options: Sequence[Option], x: list[int], order: Sequence[int]) -> dict[int, float]:
    """Who leaves a running circuit to be alone: the first of the order above all, then the second, and so on. Whoever
    is left alone on it is not opened, and does not come off."""
    weight = {bed: float(1 << (MOST_RANKED - rank)) for rank, bed in enumerate(order[:MOST_RANKED], start=1)}
    alone = [(k, o.beds[0]) for k, o in enumerate(options) if o.breaks and len(o.beds) == 1]
    return {x[k]: -weight[bed] for k, bed in alone if bed in weight}


def _as_rank(goal: Goal, alone: Mapping[int, float], solution: Solution, order: Sequence[int]) -> Goal:
    """The goal told as the place in the order of the first who comes off; skipped where nobody does."""
    reached = min((alone[v] for v in solution.chosen if v in alone), default=None)
    if reached is None or not order:
        return replace(goal, value=None, bound=None, gap=None, status="skipped", by="nobody who shares comes off")
    rank = float(MOST_RANKED - round(math.log2(-reached)))
    proved = goal.status == "proved"
    return replace(goal, value=rank, bound=rank if proved else None, gap=0.0 if proved else None)


def _value(objective: dict[int, float], chosen: frozenset[int]) -> float:
    return sum(coefficient for variable, coefficient in objective.items() if variable in chosen)


def _goal(name: str, solution: Solution) -> Goal:
    proved = solution.status == "optimal"
    bound = solution.bound if math.isfinite(solution.bound) else None
    gap = None if bound is None else abs(solution.value - bound)
    return Goal(name, solution.value, bound, gap, "proved" if proved else "open", SOLVER)  # type: ignore[arg-type]
