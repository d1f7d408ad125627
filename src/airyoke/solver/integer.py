"""Whole-number variables with bounds, linear rows, one linear objective at a time."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Lock
from typing import Any, Literal

import numpy as np

_STDOUT = Lock()

Row = tuple[dict[int, float], float, float]  # coefficients by variable, lower bound, upper bound


@dataclass(frozen=True, slots=True)
class Solution:
    """What the solver says. ``values`` (one a variable) are meaningful for ``optimal`` and ``feasible`` only.

    ``optimal`` is proved; ``feasible`` has a ``bound``; ``infeasible`` is proved too; ``unsolved`` ran out of time.
    """

    status: Literal["optimal", "feasible", "infeasible", "unsolved"]
    value: float
    bound: float
    values: tuple[int, ...]

    @property
    def usable(self) -> bool:
        """Whether there is a choice to work with."""
        return self.status in ("optimal", "feasible")

    @property
    def chosen(self) -> frozenset[int]:
        """The variables that are not zero."""
        return frozenset(i for i, value in enumerate(self.values) if value)


@dataclass(slots=True)
class IntegerModel:
    """A model under construction. Keep coefficients of objectives whole numbers: then ties are ties."""

    highest: list[float] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)

    def variable(self, highest: int = 1) -> int:
        """A new variable 0, 1, … ``highest``; returns its number."""
        self.highest.append(float(highest))
        return len(self.highest) - 1

    def row(self, coefficients: Mapping[int, float], low: float = -np.inf, high: float = np.inf) -> None:
        """A constraint low <= sum(coefficient x variable) <= high."""
        self.rows.append((dict(coefficients), low, high))

    def minimise(
        self, objective: Mapping[int, float], *, closed: frozenset[int] = frozenset(), seconds: float = 30.0
    ) -> Solution:
        """The smallest value of the objective with the variables in ``closed`` at 0, proved where there is time.

        May be called from several threads: they take turns.
        """
        import highspy

        # Presolve of HiGHS 1.16 called feasible models of this kind infeasible (2 of 6,000 random ones).
        with _silent_stdout():
            solver = highspy.Highs()  # type: ignore[no-untyped-call]
            for option, setting in (
                ("output_flag", False), ("mip_rel_gap", 0.0), ("mip_abs_gap", 1e-7), ("time_limit", seconds),
                ("random_seed", 0), ("threads", 1), ("presolve", "off"),
            ):  # fmt: skip
                solver.setOptionValue(option, setting)
            solver.passModel(self._as_highs(objective, closed))
            solver.run()
        status, info = solver.getModelStatus(), solver.getInfo()
        if status == highspy.HighsModelStatus.kInfeasible:
            return Solution("infeasible", np.inf, np.inf, ())
        if not np.isfinite(info.objective_function_value) or info.primal_solution_status != 2:
            return Solution("unsolved", np.inf, float(info.mip_dual_bound), ())
        values = tuple(round(value) for value in solver.getSolution().col_value)
        value = float(sum(coefficient * values[i] for i, coefficient in objective.items()))
        if status == highspy.HighsModelStatus.kOptimal:
            return Solution("optimal", value, value, values)
        return Solution("feasible", value, float(info.mip_dual_bound), values)

    def _as_highs(self, objective: Mapping[int, float], closed: frozenset[int]) -> Any:
        import highspy

        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.highest), len(self.rows)
        cost = np.zeros(len(self.highest))
        for variable, coefficient in objective.items():
            cost[variable] = coefficient
        lp.col_cost_ = cost
        lp.col_lower_ = np.zeros(len(self.highest))
        lp.col_upper_ = np.array([0.0 if i in closed else high for i, high in enumerate(self.highest)])
        lp.row_lower_ = np.array([low for _, low, _ in self.rows])
        lp.row_upper_ = np.array([high for _, _, high in self.rows])
        starts: list[int] = [0]
        indices: list[int] = []
        values: list[float] = []
        for coefficients, _, _ in self.rows:
            indices += coefficients.keys()
            values += coefficients.values()
            starts.append(len(indices))
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.array(starts)
        lp.a_matrix_.index_ = np.array(indices, dtype=np.int32)
        lp.a_matrix_.value_ = np.array(values, dtype=np.float64)
        lp.integrality_ = [highspy.HighsVarType.kInteger] * len(self.highest)
        return lp


@contextmanager
def _silent_stdout() -> Iterator[None]:
    """The solver prints a banner to file descriptor 1 whatever its options say; an answer on stdout must stay alone.

    The descriptor belongs to the whole process: two threads that saved and restored it at once would leave it at
    nowhere, so only one at a time may.
    """
    with _STDOUT:
        sys.stdout.flush()
        saved, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 1)
            yield
        finally:
            os.dup2(saved, 1)
            os.close(saved)
            os.close(nowhere)
