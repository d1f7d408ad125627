"""Courses: laws, closed forms, what efforts and limits do. Other means solve whole courses in ``tests/referees``."""

from __future__ import annotations

from dataclasses import replace
from math import exp

import numpy as np
import pytest
from scipy.linalg import expm

from airyoke.breath import Settings
from airyoke.breath.course import Change, Effort, Machine, curves_of_breath, run_course
from airyoke.breath.engine import LungMechanics, Sigmoid, SlowCompartment, settle
from airyoke.circuit import BLOCKED, Element, Opening, ideal_build, standard_build
from breath.cases import mechanics

NETWORK = standard_build(2).network
PRESSURE = Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=14)
VOLUME = Settings("vc", 20, 1.0, 8, tidal_volume_ml=900, pause_s=0.2)
LUNGS = mechanics([40, 30], [12, 14])
SIGMOID = replace(LUNGS, sigmoid=Sigmoid(*(np.array([[v, np.nan]]) for v in (2000.0, 18.0, 6.0))))
SLOW = replace(LUNGS, slow=SlowCompartment(np.array([[10.0, np.nan]]), np.array([[150.0, np.nan]])))
KINKED = replace(NETWORK, limbs=(replace(NETWORK.limbs[0], inspiratory=BLOCKED), NETWORK.limbs[1]))
LEAKY = replace(NETWORK, openings=(Opening("wye", Element(0.0, 300.0), limb=0),))


@pytest.mark.parametrize("dialled", [
    PRESSURE, VOLUME, replace(PRESSURE, bias_flow_l_per_min=8.0, rise_time_s=0.1), replace(VOLUME, expiratory_pause_s=0.3),
    replace(VOLUME, circuit_compensation="on", flow_shape="decelerating"),
])  # fmt: skip
@pytest.mark.parametrize("network", [NETWORK, LEAKY], ids=["tight", "leaky"])
@pytest.mark.parametrize("lungs", [LUNGS, SIGMOID, SLOW], ids=["linear", "sigmoid", "slow"])
def test_a_minute_without_events_ends_at_the_settled_breath(dialled, network, lungs):
    away = settle(NETWORK, replace(PRESSURE, peep_cmh2o=11.0), lungs)  # some other place to start from
    course = run_course(network, dialled, lungs, 60.0, start=away.end)
    breath = settle(network, dialled, lungs)
    assert course.failed == ("",)
    assert breath.settled[0]
    last = course.breaths[0] - 1
    np.testing.assert_allclose(course.tidal_volume_ml[0, last], breath.tidal_volume_ml[0], rtol=1e-3)
    np.testing.assert_allclose(course.plateau_cmh2o[0, last], breath.plateau_cmh2o[0], atol=0.02)
    np.testing.assert_allclose(course.total_peep_cmh2o[0, last], breath.total_peep_cmh2o[0], atol=0.02)
    assert course.machine.exhaled_ml[0, last] == pytest.approx(breath.exhaled_ml[0], rel=1e-3, abs=0.5)
    assert course.leaked_ml[0, last] == pytest.approx(breath.leaked_ml[0], rel=2e-3, abs=0.1)


def test_every_breath_of_a_settled_start_is_the_settled_one_and_twenty_a_minute_are_counted():
    course = run_course(NETWORK, PRESSURE, LUNGS, 60.0)
    breath = settle(NETWORK, PRESSURE, LUNGS)
    assert course.breaths[0] == 20
    np.testing.assert_allclose(course.starts_s[0], 3.0 * np.arange(20), atol=1e-6)
    np.testing.assert_allclose(course.tidal_volume_ml[0], np.repeat(breath.tidal_volume_ml, 20, axis=0), rtol=1e-3)


def stored_ml(state: np.ndarray, network, lungs: LungMechanics) -> float:
    """Gas in circuit and lungs, from the pressures and volumes of a state (splitters, then wye and lung of each)."""
    inside, outside = network.splitter_compliances
    total = inside * state[0] + outside * state[1]
    for i, limb in enumerate(network.limbs):
        total += limb.wye_compliance_ml_per_cmh2o * state[2 + 2 * i] + 1000.0 * state[3 + 2 * i]
    return float(total)


@pytest.mark.parametrize("network", [NETWORK, LEAKY, KINKED], ids=["tight", "leaky", "kinked"])
def test_what_the_machine_gave_is_what_it_took_back_what_leaked_and_what_is_stored(network):
    start = settle(NETWORK, PRESSURE, LUNGS).end
    course = run_course(network, PRESSURE, LUNGS, 30.0, start=start)
    gained = stored_ml(course.end[0], network, LUNGS) - stored_ml(start[0], network, LUNGS)
    balance = course.machine.inspired_ml[0] - course.machine.exhaled_ml[0] - course.leaked_ml[0]
    assert balance.sum() == pytest.approx(gained, abs=1e-6)


def test_a_lung_cut_off_empties_through_a_leak_as_one_exponential():
    # The tube is shut, the cuff leaks: dP/dt = -P / (C Rl).
    network = ideal_build(1).network
    shut = replace(
        network,
        limbs=(replace(network.limbs[0], patient=BLOCKED),),
        openings=(Opening("lung", Element(50.0), limb=0),),
    )
    lungs = mechanics([40], [12])
    start = settle(network, Settings("pc", 20, 1.0, 10, pressure_above_peep_cmh2o=14), lungs).end
    course = run_course(shut, Settings("pc", 20, 1.0, 10, pressure_above_peep_cmh2o=14), lungs, 4.0, start=start, curves=True)
    assert course.curves is not None
    for second in (1.0, 2.0, 4.0):
        expected = start[0, 3] / 0.040 * exp(-second / (0.040 * 50.0))
        assert course.curves.alveolar_cmh2o[0, round(100 * second) - 1, 0] == pytest.approx(expected, rel=1e-3)


def test_two_compartments_under_a_stopped_machine_empty_as_the_matrix_exponential():
    # C1 P1' = -P1/R - (P1 - P2)/R2, C2 P2' = (P1 - P2)/R2, to the room.
    c1, c2, r, r2 = 0.040, 0.020, 12.0, 100.0
    lungs = replace(mechanics([1000 * c1], [r]), slow=SlowCompartment(np.array([[1000 * c2]]), np.array([[r2]])))
    network = ideal_build(1).network
    dialled = Settings("pc", 20, 1.0, 10, pressure_above_peep_cmh2o=14)
    start = settle(network, dialled, lungs).end
    course = run_course(network, dialled, lungs, 3.0, [Change(0.0, stop=True)], start=start, curves=True)
    assert course.curves is not None
    matrix = np.array([[-(1 / r + 1 / r2) / c1, 1 / (r2 * c1)], [1 / (r2 * c2), -1 / (r2 * c2)]])
    slow_volume = course.end[0]
    first = np.array([start[0, 3] / c1, start[0, 14] / c2])
    for second in (0.5, 1.0, 3.0):
        p1, p2 = expm(matrix * second) @ first
        number = round(100 * second) - 1
        assert course.curves.alveolar_cmh2o[0, number, 0] == pytest.approx(p1, abs=0.02)
        assert course.curves.volume_ml[0, number, 0] == pytest.approx(1000 * (c1 * p1 + c2 * p2), abs=0.5)
    assert slow_volume[14] == pytest.approx(c2 * p2, abs=1e-3)


def test_a_slowly_filled_lung_follows_the_sigmoid_curve():
    # Venegas 1998: V = b / (1 + exp(-(P - c)/d)); for b 2000 mL, c 18, d 6: V(10) 417.217, V(25) 1525.084.
    lungs = replace(mechanics([60], [1]), sigmoid=Sigmoid(*(np.array([[v]]) for v in (2000.0, 18.0, 6.0))))
    low = Settings("pc", 4, 7.0, 10, pressure_above_peep_cmh2o=15)
    curves = curves_of_breath(ideal_build(1).network, low, lungs)
    assert curves.volume_ml[0, 690, 0] == pytest.approx(1525.084, abs=1.0)
    assert curves.volume_ml[0, -1, 0] == pytest.approx(417.217, abs=1.0)
    assert settle(ideal_build(1).network, low, lungs).tidal_volume_ml[0, 0] == pytest.approx(1525.084 - 417.217, rel=1e-3)


def test_swapping_patients_swaps_their_courses_and_threads_change_nothing():
    order = np.array([1, 0])
    rng = np.random.default_rng(3)
    lungs = mechanics(rng.uniform(20, 60, (40, 2)), rng.uniform(8, 20, (40, 2)))
    swapped = LungMechanics(
        lungs.compliance_ml_per_cmh2o[:, order], lungs.inspiratory_resistance_cmh2o_s_per_l[:, order],
        lungs.expiratory_resistance_cmh2o_s_per_l[:, order], lungs.quadratic_resistance_cmh2o_s2_per_l2[:, order],
    )  # fmt: skip
    kink = [Change(7.3, network=1, runs=np.arange(20)), Change(4.0, effort=Effort(0, 6.0, 0.7))]
    other_kink = [kink[0], Change(4.0, effort=Effort(1, 6.0, 0.7))]
    other = replace(KINKED, limbs=KINKED.limbs[::-1])
    machine = Machine(pressure_trigger_cmh2o=1.5)
    one = run_course([NETWORK, KINKED], PRESSURE, lungs, 20.0, kink, machines=machine)
    single = run_course([NETWORK, KINKED], PRESSURE, lungs, 20.0, kink, machines=machine, threads=1)
    np.testing.assert_array_equal(one.tidal_volume_ml, single.tidal_volume_ml)
    mirrored = run_course([NETWORK, other], PRESSURE, swapped, 20.0, other_kink, machines=machine)
    np.testing.assert_array_equal(mirrored.breaths, one.breaths)
    np.testing.assert_allclose(mirrored.tidal_volume_ml[:, :, order], one.tidal_volume_ml, rtol=2e-3, atol=0.5)
    # What one run gets does not depend on its company.
    alone = run_course([NETWORK, KINKED], PRESSURE, lungs.rows(slice(5, 6)), 20.0, [replace(c, runs=None) for c in kink], machines=machine)
    np.testing.assert_array_equal(alone.tidal_volume_ml[0], one.tidal_volume_ml[5, : alone.tidal_volume_ml.shape[1]])


EFFORTS = [Change(5.2 + 4.0 * i, effort=Effort(0, 6.0, 0.8)) for i in range(6)]  # in late expiration of a rate of 12


@pytest.mark.parametrize("flow", [False, True])
def test_every_effort_is_a_breath_for_everybody_unless_the_trigger_is_insensitive(flow):
    # Common practice, no source: triggers off or least sensitive, or one patient's efforts set the rate for all.
    dialled = Settings("pc", 10, 1.0, 8, pressure_above_peep_cmh2o=14, bias_flow_l_per_min=10.0 if flow else 0.0)
    deaf = Machine() if flow else Machine(pressure_trigger_cmh2o=20.0)
    keen = Machine(flow_trigger_l_per_min=2.0) if flow else Machine(pressure_trigger_cmh2o=1.0)
    quiet = run_course(NETWORK, dialled, LUNGS, 33.0, EFFORTS, machines=deaf)
    roused = run_course(NETWORK, dialled, LUNGS, 33.0, EFFORTS, machines=keen)
    assert not quiet.triggered.any()
    assert quiet.breaths[0] == 5
    assert roused.triggered[0].sum() == 6
    at = roused.starts_s[0][roused.triggered[0]]
    np.testing.assert_allclose(at, [c.at_s for c in EFFORTS], atol=0.4)
    # Everybody breathes with it, and the next mandatory breath is a period later.
    assert np.nanmin(roused.tidal_volume_ml[0, :, 1]) > 200.0


def test_without_efforts_no_trigger_fires():
    dialled = replace(PRESSURE, bias_flow_l_per_min=10.0)
    keen = Machine(pressure_trigger_cmh2o=0.5, flow_trigger_l_per_min=1.0)
    for lungs in (LUNGS, SIGMOID, SLOW):
        assert not run_course(NETWORK, dialled, lungs, 30.0, machines=keen).triggered.any()


def test_a_cough_beyond_the_high_pressure_limit_cuts_everybodys_breath_short():
    cough = [Change(6.3, effort=Effort(0, -50.0, 0.4))]
    course = run_course(NETWORK, PRESSURE, LUNGS, 15.0, cough, machines=Machine(high_pressure_limit_cmh2o=28.0))
    free = run_course(NETWORK, PRESSURE, LUNGS, 15.0, cough)
    assert list(course.cut_short[0]) == [False, False, True, False, False]
    assert course.inspiratory_time_s[0, 2] < 0.6
    assert course.tidal_volume_ml[0, 2, 1] < 0.9 * free.tidal_volume_ml[0, 2, 1]
    assert course.machine.peak_cmh2o[0, 2] == pytest.approx(28.0, abs=1.0)
    np.testing.assert_allclose(np.diff(course.starts_s[0]), 3.0, atol=1e-6)  # the clock goes on


def test_a_limit_below_the_set_pressure_cuts_every_breath():
    course = run_course(NETWORK, VOLUME, LUNGS, 15.0, machines=Machine(high_pressure_limit_cmh2o=20.0))
    assert course.cut_short.all()
    assert course.machine.inspired_ml.max() < 800.0


def test_a_clamp_a_leak_and_suction_show_in_the_breaths_after_them():
    sucked = replace(NETWORK, openings=(Opening("wye", Element(150.0), limb=0, outside_cmh2o=-150.0),))
    changes = [Change(10.0, network=1), Change(20.0, network=0), Change(30.0, network=2)]
    course = run_course([NETWORK, KINKED, sucked], PRESSURE, LUNGS, 45.0, changes)
    volume = course.tidal_volume_ml[0]
    assert volume[5, 0] < 10.0
    assert volume[9, 0] == pytest.approx(volume[0, 0], rel=0.01)
    assert course.total_peep_cmh2o[0, 12, 0] < course.total_peep_cmh2o[0, 0, 0] - 3.0
    assert course.total_peep_cmh2o[0, 12, 1] == pytest.approx(course.total_peep_cmh2o[0, 0, 1], abs=0.5)
    assert course.machine.exhaled_ml[0, 12] < course.machine.exhaled_ml[0, 0] - 200.0


def test_lungs_that_lose_compliance_keep_their_pressure_and_get_less():
    both = mechanics([[40, 30], [20, 30]], [[12, 14], [12, 14]])
    course = run_course(NETWORK, PRESSURE, both, 24.0, [Change(8.99, lungs=1)], lungs_of=np.array([0]))
    assert course.tidal_volume_ml[0, -1, 0] == pytest.approx(settle(NETWORK, PRESSURE, both).tidal_volume_ml[1, 0], rel=1e-3)
    assert course.total_peep_cmh2o[0, 2, 0] == pytest.approx(course.total_peep_cmh2o[0, 1, 0], abs=0.05)


def test_holds_stops_and_new_settings_take_their_time():
    softer = replace(PRESSURE, pressure_above_peep_cmh2o=10.0)
    course = run_course(NETWORK, [PRESSURE, softer], LUNGS, 40.0, [
        Change(3.5, hold="inspiratory", hold_s=2.0), Change(13.0, settings=1), Change(32.0, stop=True),
    ])  # fmt: skip
    starts = course.starts_s[0]
    assert starts[2] - starts[1] == pytest.approx(5.0, abs=1e-6)
    hold = settle(NETWORK, PRESSURE, LUNGS, holds=True).inspiratory_hold
    assert hold is not None
    assert course.machine.plateau_cmh2o[0, 1] == pytest.approx(hold.inspiratory_side[0], abs=0.3)
    assert course.machine.peak_cmh2o[0, 3] == pytest.approx(22.0, abs=0.1)
    assert course.machine.peak_cmh2o[0, 5] == pytest.approx(18.0, abs=0.1)
    assert starts[course.breaths[0] - 1] < 32.0
    assert course.end[0, 1] == pytest.approx(0.0, abs=0.1)


def test_curves_of_the_settled_breath_hold_its_volumes():
    curves, breath = curves_of_breath(NETWORK, PRESSURE, LUNGS), settle(NETWORK, PRESSURE, LUNGS)
    assert curves.times_s[-1] == pytest.approx(3.0)
    span = curves.volume_ml[0, 99] - curves.volume_ml[0, 299]
    np.testing.assert_allclose(span, breath.tidal_volume_ml[0], rtol=1e-3)
    np.testing.assert_allclose(curves.alveolar_cmh2o[0, 99], breath.plateau_cmh2o[0], atol=0.01)
    moved = np.trapezoid(curves.flow_l_per_min[0, 100:, 0], dx=0.01) / 0.06
    assert moved == pytest.approx(curves.volume_ml[0, -1, 0] - curves.volume_ml[0, 100, 0], rel=0.02)


@pytest.mark.parametrize(("changes", "word"), [
    ([Change(-1.0, network=0)], "not within"),
    ([Change(10.0, network=0)], "not within"),
    ([Change(1.0, network=1)], "row 1 of 1"),
    ([Change(1.0, network=0), Change(1.0, network=0)], "one part"),
    ([Change(1.0, effort=Effort(0, 101.0, 1.0))], "larger"),
    ([Change(1.0, effort=Effort(2, 10.0, 1.0))], "one of the patients"),
    ([Change(1.0, effort=Effort(0, 9.0, 1.0)), Change(1.5, effort=Effort(0, 9.0, 1.0))], "another lasts"),
    ([Change(1.0, runs=[3], stop=True)], "one of 1"),
])  # fmt: skip
def test_events_that_cannot_be_are_refused_with_the_reason(changes, word):
    with pytest.raises(ValueError, match=word):
        run_course(NETWORK, PRESSURE, LUNGS, 10.0, changes)


def test_a_flow_trigger_beyond_the_bias_flow_is_refused():
    with pytest.raises(ValueError, match="bias flow"):
        run_course(NETWORK, PRESSURE, LUNGS, 10.0, machines=Machine(flow_trigger_l_per_min=2.0))


def test_a_run_that_breaks_is_named_and_its_neighbours_are_whole():
    lungs = mechanics([[40, 30], [np.nan, 30]], [[12, 14], [12, 14]])
    course = run_course(NETWORK, PRESSURE, lungs, 10.0)
    assert course.failed[0] == ""
    assert "settled" in course.failed[1]
    assert np.isnan(course.tidal_volume_ml[1]).all()
