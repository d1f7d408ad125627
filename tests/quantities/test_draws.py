"""The shared draws against scipy's Sobol' numbers, and the promises that make plans repeatable."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest, qmc

from airyoke.quantities.draws import normal_draws, sobol, uniform_draws


def test_unscrambled_points_are_those_of_scipy():
    ours = np.stack([sobol(np.arange(256, dtype=np.uint32), d) / 2.0**32 for d in range(4)], axis=1)
    theirs = qmc.Sobol(4, scramble=False, bits=32).random(256)
    np.testing.assert_array_equal(np.sort(ours, axis=0), np.sort(theirs, axis=0))
    assert qmc.discrepancy(ours) == pytest.approx(qmc.discrepancy(theirs), rel=1e-12)


@pytest.mark.parametrize("cause", ["patient 4", "patient E1", "build"])
def test_scrambled_columns_of_one_cause_fill_the_cube_far_more_evenly_than_chance(cause):
    ours = np.stack([uniform_draws(cause, d, 256) for d in range(4)], axis=1)
    chance = np.random.default_rng(0).random((256, 4))
    assert qmc.discrepancy(ours) < 0.1 * qmc.discrepancy(chance)


@pytest.mark.parametrize("count", [16, 64, 256, 1024])
def test_each_column_has_one_draw_in_every_equal_slice(count):
    slices = np.floor(uniform_draws("patient 7", 2, count) * count).astype(int)
    assert sorted(slices) == list(range(count))


def test_the_first_draws_of_many_are_the_few():
    np.testing.assert_array_equal(uniform_draws("a", 5, 1024)[:64], uniform_draws("a", 5, 64))


def test_different_causes_columns_and_seeds_are_unrelated():
    columns = [uniform_draws(c, k, 1024, s) for c in ("a", "b") for k in (0, 1, 4, 5) for s in (0, 1)]
    correlation = np.corrcoef(columns) - np.eye(len(columns))
    # Padded nets: about 1.4 times the chance of independent numbers, whose standard deviation is 0.03 here.
    assert np.abs(correlation).max() < 0.2


def test_normal_draws_are_normal():
    assert kstest(normal_draws("patient 9", 0, 1024), "norm").pvalue > 0.2
