"""The whole-number solver against counting every choice."""

from __future__ import annotations

import random
from itertools import product

import numpy as np
import pytest

from airyoke.solver import IntegerModel


def _random(seed):
    dice = random.Random(seed)
    highest = [dice.randint(1, 3) for _ in range(dice.randint(2, 6))]
    n = len(highest)
    rows = []
    for _ in range(dice.randint(1, 4)):
        coefficients = {i: float(dice.randint(-3, 4)) for i in dice.sample(range(n), dice.randint(1, n))}
        low, high = dice.choice(
            [(-np.inf, dice.randint(-2, 8)), (dice.randint(-4, 6), np.inf), (dice.randint(0, 3),) * 2]
        )
        rows.append((coefficients, float(low), float(high)))
    objective = {i: float(dice.randint(-5, 9)) for i in range(n)}
    return highest, rows, objective


@pytest.mark.parametrize("seed", range(80))
def test_the_smallest_value_is_that_of_counting_every_choice(seed):
    highest, rows, objective = _random(seed)
    model = IntegerModel()
    for most in highest:
        model.variable(most)
    for row in rows:
        model.row(*row)
    values = [
        sum(objective[i] * x for i, x in enumerate(choice))
        for choice in product(*(range(most + 1) for most in highest))
        if all(low <= sum(c * choice[i] for i, c in row.items()) <= high for row, low, high in rows)
    ]
    found = model.minimise(objective)
    if not values:
        assert found.status == "infeasible"
        assert not found.usable
        return
    assert found.status == "optimal"
    assert found.value == found.bound == min(values)
    assert sum(objective[i] * x for i, x in enumerate(found.values)) == found.value
    assert all(0 <= x <= most for x, most in zip(found.values, highest, strict=True))
    assert all(low <= sum(c * found.values[i] for i, c in row.items()) <= high for row, low, high in rows)


def test_it_prints_nothing(capfd):
    model = IntegerModel()
    one = model.variable(3)
    model.row({one: 1.0}, low=2.0)
    assert model.minimise({one: 1.0}).values == (2,)
    assert capfd.readouterr().out == ""


def test_without_rows_and_without_an_objective_it_still_answers():
    model = IntegerModel()
    model.variable(1)
    assert model.minimise({}).usable
