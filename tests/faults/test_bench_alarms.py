"""The alarm column of the bench check: by hand from the volumes of the same check."""

from __future__ import annotations

from dataclasses import replace

import pytest

from airyoke.bench_check import bench_settings, report_of
from airyoke.circuit.from_stock import build_for
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.faults.bench_alarms import with_alarms
from airyoke.plan.alarm_system import AlarmSystem


def checks(report):
    return {one.id: one for one in report.checks}


@pytest.fixture(scope="module")
def assembly():
    return build_for(CircuitNeeds((PatientNeeds(),) * 2), None).assembly


@pytest.fixture(scope="module")
def pressure(assembly):
    return with_alarms(report_of(assembly))


def test_a_blocked_tube_sounds_the_volume_alarm_with_the_third_breath(pressure):
    # By hand: the low limit stands half the smaller lung's volume below the sum, 20/min is 3 s a breath.
    got = checks(pressure)
    limit = got["vte"].expected - 0.5 * min(got["vt.A"].expected, got["vt.B"].expected)
    assert got["block.A.vte"].expected < limit
    alarm = got["block.A.alarm"]
    assert alarm.read.startswith("alarm: low exhaled tidal volume (")
    assert abs(float(alarm.read.split("(")[1].split()[0]) - limit) <= 10.0
    assert alarm.expected == pytest.approx(9.0)
    assert alarm.accepts(9.0)
    assert not alarm.accepts(40.0)


def test_in_volume_control_the_other_lung_is_driven_up_and_the_pressure_alarm_sounds_at_once(assembly):
    settings = replace(bench_settings(), mode="vc", tidal_volume_ml=900.0, pressure_above_peep_cmh2o=None)
    got = checks(with_alarms(report_of(assembly, settings=settings)))
    assert got["block.B.vt.A"].expected > 1.5 * got["vt.A"].expected
    assert got["block.B.alarm"].read.startswith("alarm: high airway pressure")
    assert got["block.B.alarm"].expected == pytest.approx(settings.inspiratory_time_s)
    # Nearly all of the volume is lost through an open tube: no settled breath is found, the course has its breaths.
    assert got["disconnect.A.alarm"].expected <= 6.0
    assert "alarm: none" not in got["disconnect.A.alarm"].read


def test_the_seconds_are_those_of_the_breaths_as_they_come(assembly):
    # Behind a shut way out each breath adds its share: the first is as before, the limit of 5 above the peak is passed in
    # the second or third inspiration, where the settled breath would pass it in the first.
    settings = replace(bench_settings(), mode="vc", tidal_volume_ml=900.0, pressure_above_peep_cmh2o=None)
    got = checks(with_alarms(report_of(assembly, settings=settings)))["shut.A.alarm"]
    assert got.read.startswith("alarm: high airway pressure")
    period, inspiration = settings.period_s, settings.inspiratory_time_s
    assert got.expected in (pytest.approx(period + inspiration), pytest.approx(2 * period + inspiration))


def test_where_no_alarm_sounds_the_check_says_so_instead_of_a_figure(assembly):
    slow = AlarmSystem()
    for name, side in (("exhaled_tidal_volume", "low"), ("exhaled_minute_volume", "low")):
        slow = slow.with_condition(name, side, beyond_s=300.0, averages_s=0.0)
    got = checks(with_alarms(report_of(assembly), slow))["block.A.alarm"]
    assert got.expected is None
    assert "none to expect" in got.read
    assert "do not share" in got.why


def test_a_reading_that_is_typed_back_is_judged_by_what_was_to_be_expected(assembly):
    late = with_alarms(report_of(assembly, readings={"block.A.alarm": 50.0, "vt.A": 265.0}))
    assert {check.id: accepted for check, _, accepted in late.judged} == {"block.A.alarm": False, "vt.A": True}


def test_with_one_tube_off_in_pressure_control_the_leak_sounds_and_the_other_gets_less(pressure):
    # By hand: the open port (15 mm sharp-edged, K2 0.51) passes 60 x sqrt(P / K2) L/min: more than the machine's
    # 120 L/min above 2 cmH2O, so that the pressure is not held, and what comes back is far below what went in.
    got = checks(pressure)
    for off, other in (("A", "B"), ("B", "A")):
        assert got[f"disconnect.{off}.vt.{other}"].expected < 0.75 * got[f"vt.{other}"].expected
        assert got[f"disconnect.{off}.vte"].expected < 0.5 * got["vte"].expected
        assert got[f"disconnect.{off}.alarm"].read.startswith("alarm: high leak")
        assert got[f"disconnect.{off}.alarm"].expected <= 6.0
