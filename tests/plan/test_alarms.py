"""Alarm limits on the predicted baseline; re-added by hand from the stated rule."""

from __future__ import annotations

from airyoke.breath import Settings
from airyoke.plan.alarms import alarm_limits

SETTINGS = Settings("pc", 20, 0.95, 11, fio2=0.6, pressure_above_peep_cmh2o=17)


def limits(shares, displayed):
    return {alarm.name: alarm for alarm in alarm_limits(SETTINGS, shares, displayed)}


def test_the_volume_alarm_stands_half_of_the_smallest_share_below_and_above_the_sum():
    volume = limits([400.0, 500.0], 960.0)["exhaled_tidal_volume"]
    assert (volume.low, volume.high) == (760.0, 1160.0)


def test_two_equal_patients_give_three_quarters_and_four_give_seven_eighths():
    # Derived: sum - 0.5 x smallest share; two equal -> 75 %, four equal -> 87.5 %.
    assert limits([400.0] * 2, 800.0)["exhaled_tidal_volume"].low == 600.0
    assert limits([400.0] * 4, 1600.0)["exhaled_tidal_volume"].low == 1400.0


def test_limits_are_rounded_to_the_tighter_step():
    volume = limits([407.0, 500.0], 961.0)["exhaled_tidal_volume"]
    assert volume.low == 760.0  # 757.5 rounded up
    assert volume.high == 1160.0  # 1164.5 rounded down
    minute = limits([407.0, 500.0], 961.0)["exhaled_minute_volume"]
    assert minute.low == 15.2  # 15.15 rounded up
    assert minute.high == 23.2  # 23.29 rounded down


def test_pressure_peep_and_rate_stand_close_to_what_is_set():
    found = limits([400.0, 500.0], 960.0)
    assert found["airway_pressure"].high == 32.0
    assert found["peep"].low == 9.0
    assert found["rate"].high == 22.0
    assert found["apnoea"].high == 20.0
    assert (found["fio2"].low, found["fio2"].high) == (0.55, 0.65)
