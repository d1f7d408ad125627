"""False alarms from scatter alone: closed form against plain counting, and against another library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from airyoke.faults.alarms import Before
from airyoke.faults.false_alarms import episodes_per_breath, false_alarms, scatter_of
from airyoke.faults.watching import Scatter, Watch, watched
from airyoke.plan.alarm_system import AlarmSystem
from faults.alarm_courses import PRESSURE, VOLUME, course
from faults.naive_alarms import episodes, volumes

EXACT = AlarmSystem(
    volume_error_ml=0.0, volume_error_fraction=0.0, pressure_error_cmh2o=0.0, pressure_error_fraction=0.0
)


@pytest.mark.parametrize("averages", [1, 2, 5, 10])
@pytest.mark.parametrize("z_of_mean", [0.5, 2.0, 3.5])
def test_passings_of_a_running_mean_are_what_the_bivariate_normal_says(averages, z_of_mean):
    # Second opinion: scipy's bivariate normal; neighbouring means share all breaths but one.
    rho = (averages - 1) / averages
    both = multivariate_normal([0, 0], [[1, rho], [rho, 1]]).cdf([-z_of_mean, -z_of_mean]) if averages > 1 else norm.cdf(-z_of_mean) ** 2
    expected = norm.cdf(-z_of_mean) - both
    got = float(episodes_per_breath(np.array(z_of_mean / np.sqrt(averages)), averages, 1))
    assert got == pytest.approx(expected, rel=2e-3, abs=1e-9)


@pytest.mark.parametrize(("averages", "in_a_row"), [(1, 1), (1, 3), (4, 1)])
def test_ten_thousand_plain_breaths_sound_as_often_as_the_closed_form_says(averages, in_a_row):
    random = np.random.default_rng(3)
    z, times = 0.8, 4
    counted = sum(
        episodes(random.standard_normal(10_000), lambda v: v > z, averages, in_a_row) for _ in range(times)
    )
    expected = float(episodes_per_breath(np.array(z), averages, in_a_row)) * 10_000 * times
    assert counted == pytest.approx(expected, abs=4.5 * np.sqrt(expected))


def test_what_both_averages_and_waits_has_no_closed_form_and_says_so():
    with pytest.raises(ValueError, match="closed form"):
        episodes_per_breath(np.array(1.0), 4, 2)


def test_twelve_hours_of_two_patients_sound_as_often_as_plain_simulation():
    watch = Watch(PRESSURE, 4.0, EXACT, Scatter(volume_sensor=0.02), paths=1)
    before = Before.of(course([450.0, 350.0], draws=1), watch)
    random = np.random.default_rng(11)
    hours = 5  # 6000 breaths, each of two patients and a sensor
    shown = volumes(random, [450.0, 350.0], 0.056, 0.02, hours * 1200)
    for key, limit, averages, in_a_row, scale in (
        (("exhaled_tidal_volume", "low"), 775.0, 1, 3, 1.0),
        (("exhaled_minute_volume", "high"), 16.3, 10, 1, 0.02),
    ):
        condition = watch.system.condition(*key)
        expected = float(false_alarms(before, condition, np.array([limit]))[0]) * hours / 12.0
        low = key[1] == "low"
        counted = episodes(shown * scale, lambda v, low=low, limit=limit: v < limit if low else v > limit, averages, in_a_row)
        assert expected > 50.0
        assert counted == pytest.approx(expected, abs=4.5 * np.sqrt(expected))


def test_a_tighter_limit_has_more_false_alarms_on_every_condition():
    before = Before.of(course([400.0, 400.0]), Watch(PRESSURE, 4.0))
    for condition in before.watch.system.conditions:
        if condition.name == "apnoea" or condition.fixed is not None:
            continue
        centre, sign = before.centre[condition.key], 1.0 if condition.side == "high" else -1.0
        limits = centre + sign * condition.step * np.arange(8, 0, -1)
        rates = false_alarms(before, condition, limits)
        assert (np.diff(rates) >= 0.0).all(), condition.key


@pytest.mark.parametrize("settings", [PRESSURE, VOLUME], ids=["pc", "vc"])
def test_the_scatter_that_rates_rest_on_is_that_of_the_displayed_breaths(settings):
    watch = Watch(settings, 4.0, EXACT, paths=4000)
    baseline = course([450.0, 350.0], draws=1, lasts_s=9.0)
    before = Before.of(baseline, watch)
    shown = before.after(baseline).display
    for condition in watch.system.conditions:
        if condition.name != "apnoea":
            each = watched(shown, replace(condition, averages_breaths=1, averages_s=0.0), watch)
            assert each.std() == pytest.approx(float(scatter_of(before, condition)[0]), rel=0.03), condition.key
