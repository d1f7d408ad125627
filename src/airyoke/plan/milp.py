"""A thin, quiet way to a mixed-integer solver: binary variables, rows, one objective after another."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np

Row = tuple[dict[int, float], float, float]  # coefficients by variable, lower bound, upper bound


@dataclass(slots=True)
class BinaryModel:
    """Binary variables with linear rows, solved for one objective at a time; earlier goals are fixed as rows."""

    variables: int = 0
    rows: list[Row] = field(default_factory=list)

    def variable(self) -> int:
        """A new binary variable; returns its number."""
        self.variables += 1
        return self.variables - 1

    def row(self, coefficients: Mapping[int, float], low: float = -np.inf, high: float = np.inf) -> None:
        """A constraint low <= sum(coefficient x variable) <= high."""
        self.rows.append((dict(coefficients), low, high))

    def minimise(
        self, objective: Mapping[int, float], *, closed: frozenset[int] = frozenset(), seconds: float = 30.0
    ) -> Solution:
        """The smallest value of the objective with the variables in ``closed`` at 0."""
        return _solve(self, objective, closed, seconds)


@dataclass(frozen=True, slots=True)
class Solution:
    """What the solver says: ``status`` optimal (proved), feasible (with a bound), infeasible, or unsolved.

    ``chosen`` is meaningful for the first two only.
    """

    status: str
    value: float
    bound: float
    chosen: frozenset[int]

    @property
    def usable(self) -> bool:
        """Whether there is a choice to work with."""
        return self.status in ("optimal", "feasible")


def _solve(model: BinaryModel, objective: Mapping[int, float], closed: frozenset[int], seconds: float) -> Solution:
    import highspy

    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = model.variables, len(model.rows)
    cost = np.zeros(model.variables)
    for variable, coefficient in objective.items():
        cost[variable] = coefficient
    lp.col_cost_ = cost
    lp.col_lower_ = np.zeros(model.variables)
    lp.col_upper_ = np.array([0.0 if i in closed else 1.0 for i in range(model.variables)])
    lp.row_lower_ = np.array([low for _, low, _ in model.rows])
    lp.row_upper_ = np.array([high for _, _, high in model.rows])
    starts, indices, values = [0], [], []
    for coefficients, _, _ in model.rows:
        for variable, value in coefficients.items():
            indices.append(variable)
            values.append(value)
        starts.append(len(indices))
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.array(starts)
    lp.a_matrix_.index_ = np.array(indices, dtype=np.int32)
    lp.a_matrix_.value_ = np.array(values, dtype=float)
    lp.integrality_ = [highspy.HighsVarType.kInteger] * model.variables
    # Presolve of HiGHS 1.16 called feasible models of this kind infeasible (2 of 6,000 random ones); they are small.
    with _silent_stdout():
        solver = highspy.Highs()  # type: ignore[no-untyped-call]
        for option, setting in (
            ("output_flag", False), ("mip_rel_gap", 0.0), ("mip_abs_gap", 1e-7), ("time_limit", seconds),
            ("random_seed", 0), ("threads", 1), ("presolve", "off"),
        ):  # fmt: skip
            solver.setOptionValue(option, setting)
        solver.passModel(lp)
        solver.run()
    status, info = solver.getModelStatus(), solver.getInfo()
    if status == highspy.HighsModelStatus.kInfeasible:
        return Solution("infeasible", np.inf, np.inf, frozenset())
    if not np.isfinite(info.objective_function_value) or info.primal_solution_status != 2:
        return Solution("unsolved", np.inf, float(info.mip_dual_bound), frozenset())
    columns = solver.getSolution().col_value
    chosen = frozenset(i for i, value in enumerate(columns) if value > 0.5)
    value = float(sum(objective.get(i, 0.0) for i in chosen))
    if status == highspy.HighsModelStatus.kOptimal:
        return Solution("optimal", value, value, chosen)
    return Solution("feasible", value, float(info.mip_dual_bound), chosen)


@contextmanager
def _silent_stdout() -> Iterator[None]:
    """The solver prints a banner to file descriptor 1 whatever its options say; an answer on stdout must stay alone."""
    sys.stdout.flush()
    saved, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(saved, 1)
        os.close(saved)
        os.close(nowhere)
