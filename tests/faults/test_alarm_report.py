"""Three sets of limits side by side: what each catches, what it costs, which planned ones lie inside the scatter."""

from __future__ import annotations

import pytest

from airyoke.faults.alarm_report import alarm_report, danger_weight, in_time_s, usual_limits
from airyoke.faults.alarms import Before
from airyoke.faults.best_limits import Danger
from airyoke.faults.watching import Scatter, Watch
from airyoke.limits.policy import Policy
from airyoke.plan.alarms import alarm_limits, limits_of
from faults.alarm_courses import PRESSURE, course

POLICY = Policy()


def report(patients: int, *, scatter: Scatter | None = None, policy: Policy = POLICY):
    whole = [400.0] * patients
    before = Before.of(course(whole, draws=9), Watch(PRESSURE, 4.0, scatter=scatter or Scatter()))
    dangers = [
        Danger("one-blocked", course([*whole[1:], 0.0], draws=9), danger_weight("high", policy), 60.0),
        Danger("one-stiffer", course([*whole[1:], 250.0], draws=9), danger_weight("medium", policy), 60.0),
        Danger("no-harm", course(whole, draws=9), 0.0, 60.0),
    ]
    planned = limits_of(alarm_limits(PRESSURE, whole, 400.0 * patients))
    return alarm_report(dangers, before, planned, policy)


def test_usual_limits_of_one_patient_miss_the_loss_of_one_of_four():
    # By hand: half of 1600 mL is 800 mL, and three of four still breathe 1200 mL.
    got = report(4)
    assert got.usual.limits["exhaled_tidal_volume", "low"] == 800.0
    assert got.usual.caught == 0.0
    assert got.verdicts["one-blocked"].sure  # 1400 mL, half of a share below the sum
    assert got.verdicts["no-harm"].silent


def test_the_best_limits_catch_at_least_what_the_others_do_within_the_accepted_false_alarms():
    for patients in (2, 3, 4):
        got = report(patients)
        assert got.best is not None
        assert got.planned.caught is not None
        assert got.best.caught is not None
        assert got.best.caught >= max(got.planned.caught, got.usual.caught or 0.0)
        assert got.best.false_alarms_in_all <= 1.02 * POLICY.false_alarms_per_12_h


def test_limits_inside_the_scatter_are_told_with_what_they_cost():
    # By hand: four of 25 % each scatter by 12.5 % in sum; half a share is 12.5 %: one standard deviation away.
    got = report(4, scatter=Scatter(patient_volume=0.25))
    assert any("exhaled tidal volume" in words and "false alarms in 12 h" in words for words in got.noisy)
    assert report(2).noisy == ()


def test_where_no_fault_does_harm_there_are_no_best_limits():
    before = Before.of(course([400.0, 400.0]), Watch(PRESSURE, 4.0))
    got = alarm_report([Danger("none", course([400.0, 400.0]), 0.0, 60.0)], before, {}, POLICY)
    assert got.best is None
    assert got.proof is None
    assert got.planned.caught is None


def test_usual_limits_stay_on_the_dials():
    before = Before.of(course([400.0, 400.0]), Watch(PRESSURE, 4.0))
    before.watch.system.checked(usual_limits(before))


@pytest.mark.parametrize(("harm_after_s", "until"), [(None, 60.0), (5.0, 60.0), (90.0, 90.0)])
def test_an_alarm_is_of_use_before_the_harm_and_in_any_case_within_a_minute(harm_after_s, until):
    assert in_time_s(harm_after_s, POLICY) == until
