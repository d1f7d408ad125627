"""Faults breathed through: against closed forms where there are any, and what must hold anyway."""

from __future__ import annotations

import math

import numpy as np
import pytest

from airyoke.breath.engine import settle
from airyoke.faults import changes
from airyoke.faults.fault import Effect
from airyoke.faults.runs import machine_of_faults
from faults.group_cases import LUNGS, PRESSURE, case, run, runs, volume


def _closed_form_ml(compliance: float, r_in: float, r_out: float) -> float:
    """Settled breath of one resistance and compliance behind a square source (textbook)."""
    drive, ti, te = PRESSURE["pressure_above_peep_cmh2o"], 0.9, 60.0 / 22.0 - 0.9
    a, b = math.exp(-1000.0 * ti / (r_in * compliance)), math.exp(-1000.0 * te / (r_out * compliance))
    return compliance * drive * (1.0 - a) * (1.0 - b) / (1.0 - a * b)


def _own_ml(lane: int, stiffer: float = 1.0, narrower: float = 1.0) -> float:
    compliance, resistance, _, _ = LUNGS[lane]
    return _closed_form_ml(stiffer * compliance, narrower * resistance, narrower * (resistance + 2.0))


@pytest.mark.parametrize(
    ("fault", "left_ml"),
    [
        ("kink-100.inspiratory.A", 0.0),
        ("tube-blocked.A", 0.0),
        ("kink-100.expiratory.A", 0.0),
        ("stiffer-30.A", _own_ml(0, stiffer=0.7)),
        ("stiffer-50.A", _own_ml(0, stiffer=0.5)),
        ("softer-50.A", _own_ml(0, stiffer=1.5)),
        ("airway-x2.A", _own_ml(0, narrower=2.0)),
        ("airway-x4.A", _own_ml(0, narrower=4.0)),
    ],
)
def test_behind_an_ideal_pressure_source_the_machine_misses_what_the_closed_form_says(fault: str, left_ml: float) -> None:
    base, found = runs(2, "pc", "ideal").baseline.breath, run(2, "pc", fault, "ideal").outcome
    assert found is not None
    lost = base.exhaled_ml[0] - found.breath.exhaled_ml[0]
    expected = _own_ml(0) - left_ml
    assert lost == pytest.approx(expected, rel=0.01, abs=1.0)
    # The partner of an ideal pressure source does not notice.
    assert found.breath.tidal_volume_ml[0, 1] == pytest.approx(_own_ml(1), rel=0.002)


@pytest.mark.parametrize("circuit", ["ideal", "standard"])
@pytest.mark.parametrize("fault", ["stiffer-30.A", "airway-x2.A", "tube-narrow-50.A", "kink-80.inspiratory.B", "filter-clogged-x5.A"])
def test_in_volume_control_the_partner_gains_what_is_lost(circuit: str, fault: str) -> None:
    if circuit == "ideal" and fault.startswith("filter"):
        pytest.skip("the ideal circuit has no filter")
    base, found = runs(2, "vc", circuit).baseline.breath, run(2, "vc", fault, circuit).outcome
    assert found is not None
    hurt = "AB".index(fault[-1])
    change = found.breath.tidal_volume_ml[0] - base.tidal_volume_ml[0]
    assert change[hurt] < -10.0
    if circuit == "ideal":
        assert change[1 - hurt] == pytest.approx(-change[hurt], rel=0.01)
    else:
        # What the circuit takes up at the higher pressure is missing.
        assert 0.0 < -change[hurt] - change[1 - hurt] < 0.3 * -change[hurt]


@pytest.mark.parametrize("mode", ["pc", "vc"])
def test_every_fault_that_can_be_breathed_settles(mode: str) -> None:
    every = runs(4, mode)
    missing = [one.fault.id for one in every.runs if one.fault.effect is not None and not one.fault.effect.stops and one.outcome is None]
    assert missing == []


def test_a_batch_gives_what_each_fault_gives_by_itself() -> None:
    one = case(2, volume(2))
    for fault in ("kink-80.expiratory.B", "tube-narrow-80.A"):
        found = run(2, "vc", fault)
        assert found.fault.effect is not None
        assert found.fault.effect.network is not None
        lungs = runs(2, "vc").group.lungs
        alone = settle(found.fault.effect.network(one.build.network), machine_of_faults(one.settings, Effect()), lungs)
        assert found.outcome is not None
        np.testing.assert_allclose(found.outcome.breath.tidal_volume_ml, alone.tidal_volume_ml, rtol=1e-3, atol=0.2)


def test_what_names_no_part_changes_nothing() -> None:
    network = case(2, PRESSURE).build.network
    assert changes.restrictor_open(network, 0, 0.0) == network
    assert changes.filter_clogged(network, 0, 1.0) == network
    assert changes.peep_valve_open(network, 1) == network


def test_lanes_swapped_swap_what_a_fault_does() -> None:
    text_a, text_b = run(2, "pc", "airway-x4.A"), run(2, "pc", "airway-x4.B")
    assert text_a.outcome is not None
    assert text_b.outcome is not None
    own = [text_a.outcome.breath.tidal_volume_ml[0, 0], text_b.outcome.breath.tidal_volume_ml[0, 1]]
    base = runs(2, "pc").baseline.breath.tidal_volume_ml[0]
    assert all(0.2 * b < v < 0.8 * b for v, b in zip(own, base, strict=True))
