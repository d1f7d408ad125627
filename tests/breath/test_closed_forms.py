"""The engine on the ideal circuit against closed forms of one compartment (worked examples computed from the textbook
equations: periodic steady state of a linear resistance and compliance behind a square source)."""

from __future__ import annotations

import numpy as np
import pytest

from airyoke.breath import Settings
from airyoke.breath.engine import settle
from airyoke.circuit import ideal_build
from breath.cases import mechanics

# C, R in, R out, PEEP, drive, rate, Ti -> VT, intrinsic PEEP, plateau, end-inspiratory flow
PRESSURE_CONTROL = {
    "ards-like": ((30, 12, 12, 12, 15, 25, 0.8), (397.0277, 0.1573, 25.3915, 8.0424)),
    "copd-like": ((60, 20, 30, 5, 15, 20, 1.0), (398.3366, 3.2580, 14.8970, 15.3091)),
    "near normal": ((55, 10, 10, 5, 12, 14, 1.4), (605.2792, 0.0582, 16.0633, 5.6201)),
    "predict example": ((32, 12, 14, 10, 14, 22, 0.9), (398.8, 0.21, 22.68, 6.61)),
}


@pytest.mark.parametrize("name", PRESSURE_CONTROL)
def test_pressure_control_on_the_ideal_circuit_is_the_closed_form(name):
    (c, r_in, r_out, peep, drive, rate, time), (volume, intrinsic, plateau, flow) = PRESSURE_CONTROL[name]
    settings = Settings("pc", rate, time, peep, pressure_above_peep_cmh2o=drive)
    breath = settle(ideal_build(1).network, settings, mechanics([c], [r_in], [r_out]))
    assert breath.tidal_volume_ml[0, 0] == pytest.approx(volume, rel=1e-3)
    assert breath.total_peep_cmh2o[0, 0] - peep == pytest.approx(intrinsic, abs=0.02)
    assert breath.plateau_cmh2o[0, 0] == pytest.approx(plateau, abs=0.02)
    assert breath.end_inspiratory_flow_l_per_min[0, 0] == pytest.approx(flow, abs=0.05)


def test_volume_control_with_a_pause_is_the_closed_form():
    settings = Settings("vc", 25, 0.8, 12, tidal_volume_ml=400, pause_s=0.2)
    breath = settle(ideal_build(1).network, settings, mechanics([30], [12]))
    assert breath.tidal_volume_ml[0, 0] == pytest.approx(400, rel=1e-3)
    assert breath.plateau_cmh2o[0, 0] == pytest.approx(25.4918, abs=0.02)
    assert breath.ventilator_peak_cmh2o[0] == pytest.approx(33.4918, abs=0.02)


def test_volume_control_without_a_pause_is_the_closed_form():
    settings = Settings("vc", 16, 0.9, 5, tidal_volume_ml=450)
    breath = settle(ideal_build(1).network, settings, mechanics([60], [20], [30]))
    assert breath.plateau_cmh2o[0, 0] == pytest.approx(14.4374, abs=0.02)
    assert breath.ventilator_peak_cmh2o[0] == pytest.approx(24.4374, abs=0.03)


def test_three_lungs_behind_an_ideal_source_each_get_what_they_get_alone():
    settings = Settings("pc", 20, 1.0, 10, pressure_above_peep_cmh2o=15)
    breath = settle(ideal_build(3).network, settings, mechanics([20, 40, 60], [12, 12, 12]))
    np.testing.assert_allclose(breath.tidal_volume_ml[0], [295.279, 518.148, 643.555], rtol=1e-3)
    np.testing.assert_allclose(breath.plateau_cmh2o[0], [24.7675, 23.1577, 21.4370], atol=0.02)


def test_a_slow_ramp_of_pressure_gives_the_volume_of_the_ramp_formula():
    # R 12, C 30, ramp 0.2 s, Ti 1.0, rate 20, from rest 412.587 mL; the settled breath adds what stays trapped.
    tau, rise, drive = 12 * 0.030, 0.2, 15.0
    a_hold, b = np.exp(-(1.0 - rise) / tau), np.exp(-2.0 / tau)
    at_rise = 0.030 * drive / rise * (rise - tau * (1 - np.exp(-rise / tau)))
    end_from_rest = 0.030 * drive + (at_rise - 0.030 * drive) * a_hold
    end = end_from_rest / (1 - b * np.exp(-1.0 / tau))
    settings = Settings("pc", 20, 1.0, 10, pressure_above_peep_cmh2o=15, rise_time_s=rise)
    breath = settle(ideal_build(1).network, settings, mechanics([30], [12]))
    assert 1000 * end_from_rest == pytest.approx(412.587, abs=0.01)
    assert breath.tidal_volume_ml[0, 0] == pytest.approx(1000 * end * (1 - b), rel=1e-3)


def test_a_pressure_limit_in_volume_control_is_not_passed():
    settings = Settings("vc", 20, 1.0, 5, tidal_volume_ml=900, pressure_limit_cmh2o=25.0)
    breath = settle(ideal_build(1).network, settings, mechanics([30], [10]))
    assert breath.ventilator_peak_cmh2o[0] <= 25.05
    assert breath.delivered_ml[0] < 700


def test_compensation_delivers_what_the_circuit_swallows():
    from airyoke.circuit import standard_build

    network = standard_build(2).network
    lungs = mechanics([40, 40], [12, 12])
    off = settle(network, Settings("vc", 15, 1.2, 8, tidal_volume_ml=900, pause_s=0.3), lungs)
    on = settle(
        network, Settings("vc", 15, 1.2, 8, tidal_volume_ml=900, pause_s=0.3, circuit_compensation="on"), lungs
    )
    swallowed = network.compliance_ml_per_cmh2o * (on.ventilator_peak_cmh2o[0] - 8)
    assert on.delivered_ml[0] == pytest.approx(900 + swallowed, rel=2e-3)
    assert off.delivered_ml[0] == pytest.approx(900, rel=1e-3)
    assert on.tidal_volume_ml.sum() > off.tidal_volume_ml.sum() + 30
