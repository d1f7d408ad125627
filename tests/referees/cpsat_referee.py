"""Outside check of the choice of a plan by another solver: CP-SAT of OR-tools, goal after goal.

Nothing here comes from the package under test. Options are the plain tuples of `plan_referee`. The solver works with
whole numbers only, so that no tolerance can hide a difference; each goal is fixed before the next is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ortools.sat.python import cp_model

from referees.plan_referee import GIVEN_UP_FOR_BREAKS, Option, millionths

SECONDS = 120.0  # a goal that takes longer is an error here, not an answer


@dataclass(frozen=True)
class Goals:
    """The best of each goal. Margins in millionths; ``None`` where no group is shared."""

    placed: int
    couplings: int
    needs: int
    smallest_margin: int | None
    breaks: int
    margin_sum: int | None


def best_goals(
    beds: int,
    options: Sequence[Option],
    usable: int,
    stock: dict[str, int] | None,
    left_breaks: Sequence[int],
) -> Goals:
    """The goals of the best plan; arguments as of `plan_referee.best_plan`."""
    model = cp_model.CpModel()
    x = [model.new_bool_var(f"x{k}") for k in range(len(options))]
    left = [model.new_bool_var(f"left{i}") for i in range(beds)]
    for i in range(beds):
        model.add_exactly_one([left[i], *(x[k] for k, o in enumerate(options) if i in o[0])])
    for machine in {o[1] for o in options if o[1] >= 0}:
        model.add_at_most_one(x[k] for k, o in enumerate(options) if o[1] == machine)
    model.add(sum(x[k] for k, o in enumerate(options) if o[1] >= 0) <= usable)
    if stock is not None:
        for name in {name for o in options for name, _ in o[5]}:
            taken = sum(dict(o[5]).get(name, 0) * x[k] for k, o in enumerate(options))
            model.add(taken <= stock.get(name, 0))

    def fewest(goal: cp_model.LinearExprT, *, fixed: bool = True) -> int:
        model.minimize(goal)
        solver = cp_model.CpSolver()
        # Counting arguments need the linear relaxation: without it machines alike took minutes, with it 0.3 s.
        solver.parameters.num_workers = 1
        solver.parameters.linearization_level = 2
        solver.parameters.max_time_in_seconds = SECONDS
        status = solver.solve(model)
        if status != cp_model.OPTIMAL:
            raise RuntimeError(f"no proof within {SECONDS:g} s: {solver.status_name(status)}")
        reached = round(solver.objective_value)
        if fixed:
            model.add(goal <= reached)
        return reached

    shared = [k for k, o in enumerate(options) if len(o[0]) > 1]
    margin = {k: millionths(float(options[k][2] or 0.0)) for k in shared}
    unplaced = fewest(sum(left))
    couplings = fewest(sum(len(options[k][0]) * (len(options[k][0]) - 1) // 2 * x[k] for k in shared))
    needs = fewest(sum(o[3] * x[k] for k, o in enumerate(options)))
    smallest = None
    if couplings:
        least = model.new_int_var(0, max(margin.values()), "smallest margin")
        for k in shared:
            model.add(least <= margin[k]).only_enforce_if(x[k])
        smallest = -fewest(-least, fixed=False)
        for k in shared:
            if margin[k] < smallest - GIVEN_UP_FOR_BREAKS:
                model.add(x[k] == 0)
    breaks = fewest(
        sum(o[4] * x[k] for k, o in enumerate(options)) + sum(n * at for n, at in zip(left_breaks, left, strict=True))
    )
    total = None
    if couplings:
        total = -fewest(-sum(margin[k] * len(options[k][0]) * x[k] for k in shared))
    return Goals(beds - unplaced, couplings, needs, smallest, breaks, total)
