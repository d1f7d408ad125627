"""Which groups on which ventilators: the goals of a plan one after another, each proved before the next is asked.

Everybody placed > fewest couplings, sum of s(s-1)/2 > fewest decisions > largest smallest margin > fewest breaks
(the smallest margin may fall by a stated tolerance) > largest sum of margins. Margins are integers (millionths)
before anything is compared. Equal plans: the one whose groups come first in the order of the beds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from airyoke.plan.milp import BinaryModel, Solution
from airyoke.plan.plan import Goal

MARGIN_UNIT = 1_000_000
BREAK_TOLERANCE = 0.10  # of margin: a plan may give up this much of its smallest margin for fewer breaks
MOST_ALTERNATIVES = 12
SOLVER = "HiGHS (branch and bound, gap 0)"
BISECTION = f"{SOLVER}, by bisection"


@dataclass(frozen=True, slots=True)
class Option:
    """One allowed choice: these beds on this ventilator. ``margin``: of a shared group; ``None`` for one bed.

    ``ventilator`` -1: the bed keeps a machine that is not given away. ``parts`` is what its circuit takes.
    """

    beds: tuple[int, ...]
    ventilator: int
    margin: float | None
    needs: int
    breaks: int
    parts: tuple[tuple[str, int], ...] = ()

    @property
    def couplings(self) -> int:
        """Pairs of patients coupled to each other."""
        return len(self.beds) * (len(self.beds) - 1) // 2

    @property
    def units(self) -> int:
        """The margin in integer units."""
        return 0 if self.margin is None else round(self.margin * MARGIN_UNIT)


@dataclass(frozen=True, slots=True)
class Assignment:
    """The chosen options, who is left, the goals with their proof, and equal choices of who is left."""

    chosen: tuple[Option, ...]
    left: tuple[int, ...]
    goals: tuple[Goal, ...]
    alternatives: tuple[tuple[int, ...], ...]


def assign(
    beds: int,
    options: Sequence[Option],
    ventilators: int,
    usable: int,
    stock: dict[str, int] | None,
    left_breaks: Sequence[int],
) -> Assignment:
    """The best disjoint options.

    ``ventilators`` are numbered 0 to n - 1, of which at most ``usable`` may be used (the reserve is held back);
    ``left_breaks`` counts 1 for a bed that would be taken off a ventilator if it were left.
    """
    model, x, left = _model(beds, options, ventilators, usable, stock)
    goals: list[Goal] = []

    def fix(objective: dict[int, float], solution: Solution, slack: float = 0.0) -> None:
        model.row(objective, high=solution.value + slack + 1e-6)

    placed = dict.fromkeys(left, 1.0)
    solution = model.minimise(placed)
    fix(placed, solution)
    goals.append(_goal("placed", beds - solution.value, beds - solution.bound, solution))
    couplings = {x[k]: float(o.couplings) for k, o in enumerate(options) if o.couplings}
    solution = model.minimise(couplings)
    fix(couplings, solution)
    goals.append(_goal("couplings", solution.value, solution.bound, solution))
    needs = {x[k]: float(o.needs) for k, o in enumerate(options) if o.needs}
    solution = model.minimise(needs)
    alternatives = _alternatives(model, left, solution)
    fix(needs, solution)
    goals.append(_goal("needs", solution.value, solution.bound, solution))

    shared = [k for k, o in enumerate(options) if o.margin is not None and len(o.beds) > 1]
    closed, threshold = _largest_smallest_margin(model, options, x, shared, solution)
    has_groups = any(x[k] in solution.chosen for k in shared)
    goals.append(
        Goal("smallest_margin", threshold / MARGIN_UNIT, threshold / MARGIN_UNIT, 0.0, "proved", BISECTION)
        if has_groups
        else Goal("smallest_margin", None, None, None, "skipped", "no shared group")
    )
    allowance = threshold - round(BREAK_TOLERANCE * MARGIN_UNIT) if has_groups else 0
    closed = frozenset(x[k] for k in shared if options[k].units < max(allowance, 0))
    breaks = {x[k]: float(o.breaks) for k, o in enumerate(options) if o.breaks}
    breaks |= {left[i]: float(left_breaks[i]) for i in range(beds) if left_breaks[i]}
    solution = model.minimise(breaks, closed=closed)
    fix(breaks, solution)
    goals.append(_goal("breaks", solution.value, solution.bound, solution))
    total = {x[k]: -float(options[k].units * len(options[k].beds)) for k in shared}
    solution = model.minimise(total, closed=closed)
    model.row(total, high=solution.value + 0.5)
    if has_groups:
        value, bound = -solution.value / MARGIN_UNIT, -solution.bound / MARGIN_UNIT
        goals.append(_goal("margin_sum", value, bound, solution))
    else:
        goals.append(Goal("margin_sum", None, None, None, "skipped", "no shared group"))
    # Equal in every goal: the first in the order of beds and ventilators, so that the same ward gives the same plan.
    first = sorted(range(len(options)), key=lambda k: (options[k].beds, options[k].ventilator))
    order = {x[k]: float(rank) for rank, k in enumerate(first)}
    solution = model.minimise(order, closed=closed)
    chosen = tuple(o for k, o in enumerate(options) if x[k] in solution.chosen)
    remaining = tuple(i for i in range(beds) if left[i] in solution.chosen)
    return Assignment(chosen, remaining, tuple(goals), alternatives)


def _model(
    beds: int, options: Sequence[Option], ventilators: int, usable: int, stock: dict[str, int] | None
) -> tuple[BinaryModel, list[int], list[int]]:
    model = BinaryModel()
    x = [model.variable() for _ in options]
    left = [model.variable() for _ in range(beds)]
    for i in range(beds):
        model.row({left[i]: 1.0, **{x[k]: 1.0 for k, o in enumerate(options) if i in o.beds}}, 1.0, 1.0)
    for v in range(ventilators):
        on_it = {x[k]: 1.0 for k, o in enumerate(options) if o.ventilator == v}
        if on_it:
            model.row(on_it, high=1.0)
    model.row({x[k]: 1.0 for k, o in enumerate(options) if o.ventilator >= 0}, high=float(usable))
    if stock is not None:
        for part in sorted({name for o in options for name, _ in o.parts}):
            taken = {x[k]: float(dict(o.parts)[part]) for k, o in enumerate(options) if part in dict(o.parts)}
            model.row(taken, high=float(stock.get(part, 0)))
    return model, x, left


def _largest_smallest_margin(
    model: BinaryModel, options: Sequence[Option], x: list[int], shared: list[int], start: Solution
) -> tuple[frozenset[int], int]:
    """Bisection on the distinct margins: groups below the threshold are closed; is there still a plan?"""
    chosen = [options[k].units for k in shared if x[k] in start.chosen]
    if not chosen:
        return frozenset(), 0
    levels = sorted({options[k].units for k in shared if options[k].units >= min(chosen)})

    def closed_below(level: int) -> frozenset[int]:
        return frozenset(x[k] for k in shared if options[k].units < level)

    low, high = 0, len(levels) - 1
    while low < high:
        middle = (low + high + 1) // 2
        solution = model.minimise({}, closed=closed_below(levels[middle]))
        low, high = (middle, high) if solution.status == "optimal" else (low, middle - 1)
    return closed_below(levels[low]), levels[low]


def _alternatives(model: BinaryModel, left: list[int], first: Solution) -> tuple[tuple[int, ...], ...]:
    """Every set of beds that could be left with the first two goals unchanged (at most a dozen), by excluding the
    sets already seen."""
    found: list[tuple[int, ...]] = []
    trial = BinaryModel(model.variables, list(model.rows))
    solution = first
    while solution.status == "optimal" and len(found) < MOST_ALTERNATIVES:
        beds = tuple(i for i, variable in enumerate(left) if variable in solution.chosen)
        if not beds:
            return ()
        found.append(beds)
        trial.row({left[i]: 1.0 for i in beds}, high=len(beds) - 1.0)
        solution = trial.minimise({})
    return tuple(sorted(found))


def _goal(name: str, value: float, bound: float, solution: Solution) -> Goal:
    proved = solution.status == "optimal"
    return Goal(name, value, bound, abs(value - bound), "proved" if proved else "open", SOLVER)  # type: ignore[arg-type]
