"""Laws that any circuit and any lungs must keep, whatever the numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from airyoke.breath import Settings
from airyoke.breath.engine import FINE, Accuracy, LungMechanics, settle
from airyoke.circuit import Element, FlowNetwork, Limb, Valve, ideal_build, standard_build
from breath.cases import mechanics

QUICK_CHECK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

compliances = st.floats(12.0, 75.0)
resistances = st.floats(5.0, 30.0)


@st.composite
def breaths(draw, modes=("pc", "vc")):
    rate = draw(st.integers(10, 34))
    time = draw(st.floats(0.5, min(1.5, 30.0 / rate)))
    peep = draw(st.integers(3, 16))
    if draw(st.sampled_from(modes)) == "pc":
        return Settings("pc", rate, time, peep, pressure_above_peep_cmh2o=draw(st.floats(6.0, 22.0)))
    return Settings(
        "vc",
        rate,
        time,
        peep,
        tidal_volume_ml=draw(st.floats(500.0, 1400.0)),
        flow_shape=draw(st.sampled_from(["constant", "decelerating"])),
        pause_s=draw(st.sampled_from([0.0, 0.15])),
    )


@st.composite
def lungs(draw, patients):
    return mechanics(
        [draw(compliances) for _ in range(patients)],
        [draw(resistances) for _ in range(patients)],
        [draw(resistances) for _ in range(patients)],
    )


def settled(network, breath_settings, lung):
    breath = settle(network, breath_settings, lung)
    assume(bool(breath.settled[0]))
    return breath


@QUICK_CHECK
@given(st.data(), st.integers(1, 4), breaths())
def test_what_goes_in_comes_out(data, patients, breath_settings):
    breath = settled(standard_build(patients).network, breath_settings, data.draw(lungs(patients)))
    assert breath.exhaled_ml[0] == pytest.approx(breath.delivered_ml[0], rel=2e-3, abs=0.5)


@QUICK_CHECK
@given(st.data(), breaths())
def test_swapping_two_patients_swaps_their_answers(data, breath_settings):
    lung = data.draw(lungs(3))
    order = np.array([2, 0, 1])
    swapped = LungMechanics(
        lung.compliance_ml_per_cmh2o[:, order],
        lung.inspiratory_resistance_cmh2o_s_per_l[:, order],
        lung.expiratory_resistance_cmh2o_s_per_l[:, order],
        lung.quadratic_resistance_cmh2o_s2_per_l2[:, order],
    )
    network = standard_build(3).network
    one, other = settled(network, breath_settings, lung), settled(network, breath_settings, swapped)
    np.testing.assert_allclose(
        other.tidal_volume_ml[0], one.tidal_volume_ml[0][order], rtol=1e-3, atol=0.2
    )
    np.testing.assert_allclose(other.plateau_cmh2o[0], one.plateau_cmh2o[0][order], atol=0.02)


@QUICK_CHECK
@given(st.data(), breaths(modes=("pc",)), compliances)
def test_behind_an_ideal_source_a_partners_change_moves_nothing(data, breath_settings, new_compliance):
    lung = data.draw(lungs(2))
    changed = replace_compliance(lung, 1, new_compliance)
    network = ideal_build(2).network
    before, after = settled(network, breath_settings, lung), settled(network, breath_settings, changed)
    assert after.tidal_volume_ml[0, 0] == pytest.approx(before.tidal_volume_ml[0, 0], rel=1e-3)


def test_with_shared_resistance_a_partners_change_does_move():
    breath_settings = Settings("pc", 24, 0.9, 10, pressure_above_peep_cmh2o=15)
    network = standard_build(2).network
    before = settle(network, breath_settings, mechanics([40, 60], [10, 8]))
    after = settle(network, breath_settings, mechanics([40, 15], [10, 8]))
    assert after.tidal_volume_ml[0, 0] > before.tidal_volume_ml[0, 0] + 1.0


@QUICK_CHECK
@given(st.data(), breaths(modes=("pc",)), st.floats(0.5, 0.95))
def test_stiffening_never_raises_ones_own_volume_in_pressure_control(data, breath_settings, factor):
    lung = data.draw(lungs(2))
    stiff = replace_compliance(lung, 0, factor * lung.compliance_ml_per_cmh2o[0, 0])
    network = standard_build(2).network
    before, after = settled(network, breath_settings, lung), settled(network, breath_settings, stiff)
    assert after.tidal_volume_ml[0, 0] <= before.tidal_volume_ml[0, 0] * (1 + 1e-3) + 0.2


@QUICK_CHECK
@given(st.data(), breaths(modes=("vc",)), st.floats(0.4, 0.8))
def test_in_volume_control_ones_loss_is_the_others_gain(data, breath_settings, factor):
    lung = data.draw(lungs(2))
    stiff = replace_compliance(lung, 0, factor * lung.compliance_ml_per_cmh2o[0, 0])
    network = standard_build(2).network
    before, after = settled(network, breath_settings, lung), settled(network, breath_settings, stiff)
    loss = before.tidal_volume_ml[0, 0] - after.tidal_volume_ml[0, 0]
    gain = after.tidal_volume_ml[0, 1] - before.tidal_volume_ml[0, 1]
    # What is lost is not all gained: higher pressure stores more gas in the circuit.
    rise = max(
        after.ventilator_peak_cmh2o[0] - before.ventilator_peak_cmh2o[0],
        (after.plateau_cmh2o - before.plateau_cmh2o).max(),
        0.0,
    )
    swallowed = network.compliance_ml_per_cmh2o * rise
    assert loss > -1.0
    assert gain > -1.0 - 0.1 * swallowed
    assert loss - gain == pytest.approx(0.0, abs=swallowed + 0.01 * breath_settings.tidal_volume_ml)


@QUICK_CHECK
@given(st.data(), st.integers(2, 4), breaths())
def test_ideal_valves_let_nothing_back(data, patients, breath_settings):
    network = standard_build(patients).network
    tight = replace(
        network,
        limbs=tuple(
            replace(limb, inspiratory_valve=Valve(0.3, 1.2), expiratory_valve=Valve(0.3, 1.2))
            for limb in network.limbs
        ),
    )
    breath = settled(tight, breath_settings, data.draw(lungs(patients)))
    assert breath.backflow_ml.max() <= 1e-6


def test_without_valves_gas_flows_back_from_lung_to_lung():
    network = standard_build(2).network
    open_limbs = replace(
        network,
        limbs=tuple(replace(limb, inspiratory_valve=None, expiratory_valve=None) for limb in network.limbs),
    )
    breath = settle(
        open_limbs, Settings("pc", 20, 1.0, 10, pressure_above_peep_cmh2o=15), mechanics([20, 60], [8, 25])
    )
    assert breath.backflow_ml.max() > 5.0


def test_a_bias_flow_raises_peep_and_is_not_counted_as_exhaled():
    network = standard_build(2).network
    lung = mechanics([40, 40], [12, 12])
    still = Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=14)
    without, with_flow = settle(network, still, lung), settle(network, replace(still, bias_flow_l_per_min=20.0), lung)
    assert with_flow.total_peep_cmh2o[0, 0] > without.total_peep_cmh2o[0, 0] + 0.3
    assert with_flow.exhaled_ml[0] == pytest.approx(with_flow.delivered_ml[0], rel=2e-3)


def test_a_hold_on_the_valved_circuit_shows_nobodys_plateau():
    network = standard_build(2).network
    breath = settle(
        network, Settings("vc", 15, 0.8, 8, tidal_volume_ml=900), mechanics([20, 60], [25, 8]), holds=True
    )
    hold = breath.inspiratory_hold
    assert hold is not None
    plateaus = breath.plateau_cmh2o[0]
    assert hold.expiratory_side[0] > hold.inspiratory_side[0] - 1.0
    assert hold.expiratory_side[0] > plateaus.min() + 0.5


def test_results_do_not_depend_on_how_the_runs_are_split_between_threads():
    rng = np.random.default_rng(4)
    lung = mechanics(rng.uniform(15, 70, (67, 2)), rng.uniform(6, 25, (67, 2)))
    network, breath_settings = standard_build(2).network, Settings("pc", 22, 0.9, 10, pressure_above_peep_cmh2o=14)
    together = settle(network, breath_settings, lung)
    one_by_one = [settle(network, breath_settings, lung.rows(slice(i, i + 1))) for i in range(67)]
    assert all(
        np.array_equal(together.tidal_volume_ml[i], one.tidal_volume_ml[0]) for i, one in enumerate(one_by_one)
    )


def test_smaller_tolerances_come_nearer_to_the_truth_at_the_order_of_the_method():
    # RODAS3 is of order 3 with an error estimate of order 2: the error falls at least like tolerance^(2/3).
    network = FlowNetwork(
        Element(1.5, 0.5),
        Element(1.5, 0.8),
        0.5,
        (Limb(Element(1.5, 1.5), Element(0.5, 1.5), Valve(0.5, 2.0), Valve(0.5, 2.0), 1.5),) * 2,
    )
    lung = mechanics([25, 45], [12, 15], [14, 20])
    breath_settings = Settings("pc", 22, 0.9, 10, pressure_above_peep_cmh2o=14)

    def volume(tolerance: float) -> np.ndarray:
        return settle(
            network, breath_settings, lung, accuracy=Accuracy(tolerance, tolerance, 1e-9)
        ).tidal_volume_ml[0]

    truth = volume(1e-7)
    tolerances = np.array([1e-1, 1e-2, 1e-3, 1e-4])
    errors = np.array([np.abs(volume(t) - truth).max() for t in tolerances])
    slope = np.polyfit(np.log10(tolerances), np.log10(errors), 1)[0]
    assert slope >= 0.6, (slope, errors)
    assert FINE.final <= 0.02


def test_a_run_that_cannot_settle_is_flagged_and_never_returned_as_an_answer():
    network = standard_build(2).network
    breath = settle(
        network,
        Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=14),
        mechanics([40, np.nan], [12, 12]),
    )
    assert not breath.settled[0]


def test_a_flow_limit_just_at_the_first_flow_of_a_decelerating_breath_settles():
    mean = 0.28 / 1.6  # L/s; the flow starts at twice that
    for limit in (120.0 * mean, 120.0 * mean - 1e-9, 119.9 * mean, 120.1 * mean):
        breath_settings = Settings(
            "vc", 11, 1.6, 6, tidal_volume_ml=280, flow_shape="decelerating", max_peak_flow_l_per_min=limit
        )
        breath = settle(standard_build(1).network, breath_settings, mechanics([76], [12]))
        assert breath.settled[0]
        assert breath.delivered_ml[0] == pytest.approx(280, rel=2e-3)


@pytest.mark.parametrize(
    ("bad", "word"),
    [
        (Settings("pc", 30, 2.0, 8, pressure_above_peep_cmh2o=14), "no time to breathe out"),
        (Settings("pc", 20, 1.0, 8), "pressure_above_peep"),
        (Settings("vc", 20, 1.0, 8), "tidal_volume_ml"),
        (Settings("vc", 20, 1.0, 8, tidal_volume_ml=400, pause_s=1.0), "pause"),
    ],
)
def test_settings_that_cannot_be_breathed_are_refused_with_the_reason(bad, word):
    with pytest.raises(ValueError, match=word):
        settle(standard_build(1).network, bad, mechanics([40], [12]))


def replace_compliance(lung: LungMechanics, patient: int, value: float) -> LungMechanics:
    changed = lung.compliance_ml_per_cmh2o.copy()
    changed[0, patient] = value
    return replace(lung, compliance_ml_per_cmh2o=changed)
