"""Alarm limits on the predicted baseline; re-added by hand from the stated rule."""

from __future__ import annotations

import pytest

from airyoke.breath import Settings, Ventilator
from airyoke.plan.alarm_system import CONDITIONS, AlarmSystem, alarm_system_of
from airyoke.plan.alarms import alarm_limits, limits_of
from airyoke.quantities import Refused

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
    assert (found["airway_pressure"].low, found["airway_pressure"].high) == (24.0, 32.0)
    assert found["peep"].low == 9.0
    assert found["rate"].high == 22.0
    assert found["apnoea"].high == 20.0
    assert (found["fio2"].low, found["fio2"].high) == (0.55, 0.65)


def test_in_volume_control_the_pressure_alarm_stands_about_the_predicted_peak():
    settings = Settings("vc", 20, 1.0, 10, fio2=0.6, tidal_volume_ml=900)
    found = {a.name: a for a in alarm_limits(settings, [400.0, 400.0], 800.0, peak_cmh2o=33.4)}
    assert (found["airway_pressure"].low, found["airway_pressure"].high) == (30.0, 38.0)  # 29.4 up, 38.4 down


def test_a_limit_that_the_dial_does_not_reach_is_left_open_and_said():
    # Four patients of 450 mL with 150 mL compressed show 1950 mL: 2175 mL is beyond a dial that ends at 2000 mL.
    small = alarm_system_of(Ventilator("V1", max_tidal_volume_ml=1333.0))
    volume = {a.name: a for a in alarm_limits(SETTINGS, [450.0] * 4, 1950.0, system=small)}["exhaled_tidal_volume"]
    assert volume.high is None
    assert volume.low is None
    assert "high limit 2170 is beyond this dial" in volume.why
    whole = {a.name: a for a in alarm_limits(SETTINGS, [450.0] * 4, 1950.0)}["exhaled_tidal_volume"]
    assert (whole.low, whole.high) == (1730.0, 2170.0)


def test_limits_as_planned_can_be_set_on_the_machine_they_were_planned_for():
    system = alarm_system_of(Ventilator("V1"))
    planned = limits_of(alarm_limits(SETTINGS, [400.0, 500.0], 960.0, system=system))
    assert planned["airway_pressure", "high"] == 32.0
    assert ("peep", "high") not in planned
    assert {**system.fixed_limits(), **planned} == dict(system.checked(planned))


def test_every_dial_takes_its_own_ends_and_nothing_beyond_them():
    system = AlarmSystem()
    for one in CONDITIONS:
        if one.fixed is None:
            system.checked({one.key: one.lowest})
            system.checked({one.key: one.highest})
            for value in (one.lowest - one.step, one.highest + one.step, one.lowest + 0.5 * one.step):
                with pytest.raises(Refused, match="cannot be set"):
                    system.checked({one.key: value})
