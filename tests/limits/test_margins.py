"""Margins by the definition: order statistics, so that 'at least 7 in 10' and 'margin not below zero' say the same."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airyoke.limits.margins import group_margin, judge, lower_quantile, margin_to
from airyoke.limits.policy import Policy, limit_policy_names
from airyoke.limits.table import LIMITS

POLICY = Policy()
DRIVING = POLICY.limit("driving_pressure_cmh2o", "high")
VOLUME_LOW = POLICY.limit("tidal_volume_ml_per_kg", "low")


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=300), st.sampled_from([0.05, 0.1, 0.3, 0.5]))
def test_the_quantile_is_the_floor_qn_plus_first_smallest(sample, q):
    ordered = sorted(sample)
    rank = min(math.floor(q * len(sample) + 1e-9), len(sample) - 1)
    assert lower_quantile(np.array(sample), q) == ordered[rank]


@given(st.lists(st.floats(5.0, 20.0), min_size=20, max_size=200), st.floats(6.0, 14.9))
def test_a_margin_of_at_least_zero_means_the_stated_chances_and_nothing_else(draws, best):
    values = np.array([best, *draws])
    margin = group_margin([judge(DRIVING, 0, values)], POLICY)
    inside = np.mean(np.array(draws) <= 15.0 + 2.5e-6)
    hard = np.mean(np.array(draws) <= 18.0 + 2.5e-6)
    n = len(draws)
    enough = inside * n >= n - math.floor(0.3 * n + 1e-9)
    hard_enough = hard * n >= n - math.floor(0.05 * n + 1e-9)
    assert margin.allowed == (enough and hard_enough)
    assert margin.inside_probability == pytest.approx(inside)
    assert margin.hard_inside_probability == pytest.approx(hard)


def test_a_bound_touched_exactly_is_kept_in_spite_of_binary_fractions():
    spread = POLICY.limit("fio2_spread", "high")
    assert margin_to(spread.target, "high", spread.scale, np.array([0.45 - 0.25]))[0] == 0.0
    assert margin_to(spread.target, "high", spread.scale, np.array([0.7 - 0.5]))[0] == 0.0


def test_the_best_estimate_outside_refuses_even_where_most_draws_are_inside():
    values = np.array([15.5, *np.full(100, 10.0)])
    margin = group_margin([judge(DRIVING, 0, values)], POLICY)
    assert not margin.allowed
    assert margin.came_from == "best"
    assert margin.bound == 15.0


def test_the_binding_limit_is_named_with_its_patient_and_bound():
    comfortable = judge(DRIVING, 0, np.full(65, 8.0))
    tight = judge(VOLUME_LOW, 1, np.concatenate([[4.2], np.linspace(3.0, 5.0, 64)]))
    margin = group_margin([comfortable, tight], POLICY)
    assert margin.limit.name == "tidal_volume_ml_per_kg"
    assert margin.patient == 1
    assert margin.predicted == 4.2


def test_without_rehearsal_the_plan_asks_for_the_confidence_of_coupling():
    from dataclasses import replace

    assert replace(POLICY, rehearse=False).planning_confidence == 0.90


def test_every_limit_has_a_source_a_positive_scale_and_a_hard_bound_no_tighter_than_its_target():
    for limit in LIMITS:
        assert limit.source
        assert limit.scale > 0
        if limit.hard is not None:
            outward = limit.hard - limit.target if limit.side == "high" else limit.target - limit.hard
            assert outward >= 0, limit.key


def test_a_policy_changes_one_bound_and_leaves_the_rest():
    changed = POLICY.with_limit("driving_pressure_cmh2o", 14.0).with_limit("tidal_volume_ml_per_kg_low_hard", 3.8)
    assert changed.limit("driving_pressure_cmh2o", "high").target == 14.0
    assert changed.limit("driving_pressure_cmh2o", "high").hard == 18.0
    assert changed.limit("tidal_volume_ml_per_kg", "low").hard == 3.8
    assert changed.limit("driving_pressure_cmh2o", "high").source == "policy of this site"
    with pytest.raises(KeyError):
        POLICY.with_limit("driving", 3.0)
    with pytest.raises(ValueError):
        POLICY.with_limit("fio2_spread_hard", 0.3)
    assert "ph_low_hard" in limit_policy_names()
