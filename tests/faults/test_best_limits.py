"""The best limits are the best: against every choice tried, and by what a better choice would have to break."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from airyoke.faults.alarms import Before
from airyoke.faults.best_limits import NEGLIGIBLE, Danger, Dangers, best_limits
from airyoke.faults.false_alarms import false_alarms
from airyoke.faults.watching import Drift, Scatter, Watch
from airyoke.plan.alarm_system import AlarmSystem
from faults.alarm_courses import PRESSURE, course

# Coarse dials and few of them, so that every choice can be tried.
FEW = AlarmSystem(
    conditions=(
        *(
            AlarmSystem().with_condition(name, side, lowest=low, highest=high, step=step).condition(name, side)
            for name, side, low, high, step in (
                ("exhaled_tidal_volume", "low", 600.0, 800.0, 10.0),
                ("exhaled_minute_volume", "low", 12.0, 16.0, 0.2),
                ("airway_pressure", "high", 25.0, 30.0, 1.0),
                ("peep", "high", 10.5, 13.0, 0.5),
            )
        ),
    )
)
NO_DRIFT = Drift(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def dangers(seed: int, wobbly: float = 0.056) -> Dangers:
    watch = Watch(PRESSURE, 4.0, FEW, drift=NO_DRIFT, scatter=Scatter(patient_volume=wobbly, peep_cmh2o=0.6, peak_pressure=0.05), paths=3, seed=seed)
    random = np.random.default_rng(seed)
    each = []
    for i in range(5):
        less, more, held = random.uniform(0.75, 1.0), random.uniform(0, 3.0), random.uniform(0.0, 1.5)
        fault = course([400.0 * less, 400.0], peak_cmh2o=24.0 + more, peep_cmh2o=10.0 + held, draws=9, lasts_s=45.0)
        each.append(Danger(f"d{i}", fault, float(random.integers(1, 10)), float(random.uniform(12.0, 45.0))))
    return Dangers.of(each, Before.of(course([400.0, 400.0], draws=9), watch))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("budget", [0.5, 300.0])
def test_no_other_choice_on_the_dials_catches_more(seed, budget):
    this = dangers(seed)
    best = best_limits(this, budget)
    options = []
    for condition in FEW.conditions:
        grid = np.round(np.arange(condition.lowest, condition.highest + 1e-9, condition.step), 6)
        rates = false_alarms(this.before, condition, grid)
        rates[rates <= NEGLIGIBLE * budget] = 0.0
        caught = this.catches(condition, grid)
        options.append([(0.0, np.zeros(len(this.weights), bool)), *zip(rates, caught, strict=True)])
    most = max(
        float(this.weights[np.logical_or.reduce([caught for _, caught in choice])].sum())
        for choice in product(*options)
        if sum(rate for rate, _ in choice) <= budget
    )
    assert best.caught == pytest.approx(most, abs=1e-9)
    assert this.share(best.limits) == pytest.approx(best.caught, abs=1e-12)
    assert best.false_alarms_in_all <= budget * (1.0 + NEGLIGIBLE * len(FEW.conditions))


def test_a_larger_budget_never_catches_less():
    this = dangers(2)
    shares = [best_limits(this, budget).caught for budget in (0.1, 1.0, 10.0, 100.0, 1000.0)]
    assert shares == sorted(shares)
    assert shares[-1] > shares[0]


def test_only_what_matters_pulls_a_limit_tight():
    this = dangers(4)
    weighty = Dangers(this.each, this.before, np.where(np.arange(len(this.weights)) < len(this.before.rows), 1.0, 0.0), this.critical)
    assert best_limits(weighty, 1.0).caught_of["d0"] >= best_limits(this, 1.0).caught_of["d0"]


def test_without_budget_or_weight_there_is_no_answer():
    with pytest.raises(ValueError, match="more than zero"):
        best_limits(dangers(1), 0.0)
    with pytest.raises(ValueError, match="weight"):
        Dangers.of([], dangers(1).before)


def test_no_best_limit_stands_nearer_than_what_is_shown_may_drift():
    before = Before.of(course([400.0, 400.0], draws=9), Watch(PRESSURE, 4.0))
    fault = course([360.0, 360.0], peak_cmh2o=23.0, peep_cmh2o=11.0, draws=9)
    best = best_limits(Dangers.of([Danger("d", fault, 1.0, 60.0)], before), 1e6)
    # By hand: 10 % of 400 mL twice, independent, is 57 mL of the sum; 2 cmH2O of the peak, 1 of PEEP, 2 breaths a minute, 3 points of oxygen.
    rooms = {"exhaled_tidal_volume": 56.5, "exhaled_minute_volume": 1.13, "airway_pressure": 2.0, "peep": 1.0, "rate": 2.0, "fio2": 0.03}
    for (name, side), limit in best.limits.items():
        if name in rooms:
            assert abs(limit - before.centre[name, side]) >= rooms[name] - 1e-9, name
