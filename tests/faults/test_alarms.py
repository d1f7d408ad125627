"""Which alarm a fault sets off and when: by hand where nothing scatters, against plain simulation where it does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from airyoke.faults.alarms import Before, verdict, verdicts
from airyoke.faults.watching import Scatter, Watch
from airyoke.plan.alarm_system import AlarmSystem
from airyoke.quantities import Refused
from faults.alarm_courses import PRESSURE, VOLUME, course
from faults.naive_alarms import first_sound, volumes

STILL = Scatter(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
EXACT = AlarmSystem(
    volume_error_ml=0.0, volume_error_fraction=0.0, pressure_error_cmh2o=0.0, pressure_error_fraction=0.0
)
QUIET = Watch(PRESSURE, 4.0, EXACT, STILL, paths=1)
LOW_VOLUME, LOW_MINUTE_VOLUME = ("exhaled_tidal_volume", "low"), ("exhaled_minute_volume", "low")
BASE = course([400.0, 400.0])


def heard(fault, limits, watch=QUIET, base=BASE):
    return verdict(Before.of(base, watch), fault, limits)


def test_the_third_breath_below_the_limit_sounds_the_volume_alarm_at_nine_seconds():
    # By hand: 20/min is 3 s a breath, three breaths in a row.
    got = heard(course([400.0, 0.0]), {LOW_VOLUME: 600.0})
    assert (got.probability, got.seconds, got.first) == (1.0, 9.0, LOW_VOLUME)


def test_a_volume_that_stays_above_the_limit_is_silent():
    got = heard(course([400.0, 250.0]), {LOW_VOLUME: 600.0})
    assert got.silent
    assert (got.probability, got.seconds, got.first, got.firings) == (0.0, None, None, ())


def test_the_minute_volume_falls_with_its_window_of_thirty_seconds():
    # By hand: 10 breaths in 30 s; 16 L/min falls by 0.8 a breath, below 12.1 with the fifth: 15 s.
    got = heard(course([400.0, 0.0]), {LOW_MINUTE_VOLUME: 12.1})
    assert got.seconds == 15.0


def test_high_pressure_sounds_within_the_first_inspiration_and_before_the_volume():
    limits = {LOW_VOLUME: 600.0, ("airway_pressure", "high"): 28.0}
    got = heard(course([400.0, 0.0], peak_cmh2o=35.0), limits)
    assert got.first == ("airway_pressure", "high")
    assert got.seconds == PRESSURE.inspiratory_time_s
    assert {f.name for f in got.firings} == {"airway_pressure", "exhaled_tidal_volume"}


def test_apnoea_sounds_when_the_time_is_up_after_the_last_breath():
    # By hand: the last breath began 3 s before the fault, and 20 s later it is 17 s.
    got = heard(course([0.0, 0.0], exhaled_ml=0.0), {("apnoea", "high"): 20.0})
    assert got.seconds == 17.0


def test_faster_breaths_sound_the_rate_alarm():
    # By hand: ten breaths take 30 s; with n of 2 s among them 60 / mean period passes 22.5 when n is at least 4.
    got = heard(course([400.0, 400.0], period_s=2.0), {("rate", "high"): 22.5 - 0.5})
    assert got.seconds == pytest.approx(2.0 * 3)  # 60 x 10 / (30 - 3) = 22.2 above 22 with three


def test_half_of_the_gas_lost_sounds_leak_and_not_the_disconnection_that_is_built_in():
    half = course([400.0, 400.0], exhaled_ml=400.0, inspired_ml=800.0)
    got = heard(half, {("leak", "high"): 20.0})
    assert got.first == ("leak", "high")
    assert all(f.name != "disconnection" for f in got.firings)
    most = course([400.0, 400.0], exhaled_ml=100.0, inspired_ml=800.0)
    assert heard(most, {}).first == ("disconnection", "high")


def test_pressure_that_is_held_sounds_obstruction_first_and_sustained_pressure_after_fifteen_seconds():
    got = heard(course([400.0, 0.0], peep_cmh2o=30.0), {})
    assert [(f.name, f.seconds) for f in got.firings] == [("obstruction", 6.0), ("sustained_pressure", 15.0)]


def test_less_oxygen_sounds_only_after_it_has_lasted():
    got = heard(course([400.0, 400.0], fio2=0.5), {("fio2", "low"): 0.55})
    assert got.seconds == 30.0


def test_a_machine_without_power_has_its_own_alarm():
    got = heard(replace(course([0.0, 0.0]), powered=False), {})
    assert got.sure
    assert got.first == ("power_failure", "low")


def test_limits_from_the_measured_baseline_do_not_mind_what_a_sensor_is_off_by():
    off = replace(QUIET, system=AlarmSystem(), paths=64)  # +-(4 mL + 15 %)
    sound = course([400.0, 400.0])
    near = {LOW_VOLUME: 760.0}  # 5 % below
    assert heard(sound, near, off).probability == 0.0
    assert heard(sound, near, replace(off, limits_from="predicted")).probability > 0.1


def test_in_volume_control_a_patient_that_scatters_moves_the_pressure_by_its_share():
    # By hand: 5.6 % of (24 - 10) x sqrt(2)/2 for two equal patients is 0.55 cmH2O.
    only = replace(STILL, patient_volume=0.056)
    watch = Watch(VOLUME, 4.0, EXACT, only, paths=2000)
    before = Before.of(course([400.0, 400.0], draws=1), watch)
    after = before.after(course([400.0, 400.0], draws=1))
    assert after.display.peak_cmh2o.std() == pytest.approx(0.56 * 1.4 * np.sqrt(0.5), rel=0.01)
    assert after.display.exhaled_ml.std() == 0.0


def test_the_sum_of_four_scatters_half_as_much_as_one_of_them():
    watch = Watch(PRESSURE, 4.0, EXACT, replace(STILL, patient_volume=0.056), paths=2000)
    before = Before.of(course([400.0] * 4, draws=1), watch)
    got = before.after(course([400.0] * 4, draws=1)).display.exhaled_ml.std() / 1600.0
    assert got == pytest.approx(0.056 / 2.0, rel=0.01)


@pytest.mark.parametrize(
    ("key", "limit", "averages", "in_a_row"),
    [(LOW_VOLUME, 600.0, 1, 3), (LOW_MINUTE_VOLUME, 12.4, 10, 1)],
    ids=["three breaths in a row", "mean of thirty seconds"],
)
def test_chance_and_seconds_agree_with_plain_simulation(key, limit, averages, in_a_row):
    # The sum falls to the limit itself (620 mL, 12.4 L/min): whether and when it sounds is up to the scatter.
    watch = Watch(PRESSURE, 4.0, EXACT, Scatter(volume_sensor=0.02), paths=2000, seed=7)
    got = heard(course([400.0, 220.0], lasts_s=60.0, draws=1), {key: limit}, watch, course([400.0, 400.0], draws=1))
    random = np.random.default_rng(20)
    sounded = []
    for _ in range(2000):
        before = volumes(random, [400.0, 400.0], 0.056, 0.02, 12)
        after = volumes(random, [400.0, 220.0], 0.056, 0.02, 20)
        values = np.concatenate((before, after)) * (1.0 if averages == 1 else 0.02)  # 0.02: mL a breath to L/min
        at = first_sound(values, 12, lambda v: v < limit, averages, in_a_row)
        if at is not None:
            sounded.append(3.0 * at)
    share = len(sounded) / 2000
    assert 0.05 < share < 0.999
    assert got.probability == pytest.approx(share, abs=4 * np.sqrt(2 * share * (1 - share) / 2000) + 1e-9)
    assert got.seconds == pytest.approx(np.median(sounded), abs=3.0)
    assert got.seconds_high == pytest.approx(np.percentile(sounded, 95), abs=4.5)


def test_the_same_seed_gives_the_same_answer_and_another_one_another():
    watch = replace(QUIET, scatter=Scatter(), paths=50)
    fault = course([400.0, 220.0])
    one = heard(fault, {LOW_VOLUME: 600.0}, watch)
    assert one == heard(fault, {LOW_VOLUME: 600.0}, watch)
    assert one != heard(fault, {LOW_VOLUME: 600.0}, replace(watch, seed=1))


def test_a_limit_outside_the_dial_is_refused_with_its_range():
    before = Before.of(BASE, QUIET)
    for limits, word in (
        ({("exhaled_tidal_volume", "low"): 2500.0}, "10 to 2000"),
        ({("exhaled_tidal_volume", "low"): 605.0}, "steps of 10"),
        ({("exhaled_volume", "low"): 600.0}, "no dial"),
        ({("apnoea", "low"): 20.0}, "no dial"),
        ({("obstruction", "high"): 4.0}, "no dial"),
    ):
        with pytest.raises(Refused) as refused:
            verdicts({"a": BASE}, before, limits)
        assert word in refused.value.findings[0].reason
        assert refused.value.findings[0].remedy


def test_draws_that_are_not_those_of_the_baseline_are_turned_away():
    with pytest.raises(ValueError, match="draws"):
        Before.of(BASE, QUIET).after(course([400.0, 0.0], draws=5))
