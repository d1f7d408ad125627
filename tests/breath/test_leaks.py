"""Openings to the room, blocked ways, valves that fail: closed forms, laws, and that each settles.

Closed forms: one resistance and one compliance, a linear leak from the lung beside them, square pressure or constant
flow (first-order linear equations, solved by hand below).
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, sqrt

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from airyoke.breath import Settings
from airyoke.breath.engine import settle
from airyoke.circuit import BLOCKED, Branch, Element, FlowNetwork, Limb, Opening, Valve, ideal_build, standard_build
from breath.cases import mechanics

STANDARD = standard_build(2).network
PRESSURE = Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=14)
VOLUME = Settings("vc", 20, 1.0, 8, tidal_volume_ml=900, pause_s=0.2)
PLACES = [("inspiratory_splitter", None), ("expiratory_splitter", None), ("wye", 0), ("wye", 1), ("lung", 0), ("lung", 1)]
LUNGS = mechanics([40, 30], [12, 14])


def with_opening(network: FlowNetwork, place: str, limb: int | None, element: Element, **others) -> FlowNetwork:
    return replace(network, openings=(Opening(place, element, limb=limb, **others),))


def with_limb(network: FlowNetwork, number: int, **changes) -> FlowNetwork:
    limbs = list(network.limbs)
    limbs[number] = replace(limbs[number], **changes)
    return replace(network, limbs=tuple(limbs))


def test_pressure_control_with_a_lung_that_leaks_is_the_closed_form():
    # In: C P' = (D - P)/R - P/Rl. Out, to a PEEP of 0: C P' = -P/R - P/Rl. Same time constant, two resting points.
    c, r, leak, drive, inspiration, period = 0.040, 12.0, 60.0, 15.0, 1.0, 3.0
    tau = c / (1 / r + 1 / leak)
    rest = drive * leak / (r + leak)
    a, b = exp(-inspiration / tau), exp(-(period - inspiration) / tau)
    top = rest * (1 - a) / (1 - a * b)
    low = top * b
    # The integral of P over the breath, from the same equations: what leaks.
    area = rest * inspiration + (low - rest) * tau * (1 - a) + top * tau * (1 - b)
    network = with_opening(ideal_build(1).network, "lung", 0, Element(leak))
    breath = settle(network, Settings("pc", 20, inspiration, 0, pressure_above_peep_cmh2o=drive), mechanics([40], [r]))
    assert breath.settled[0]
    assert breath.tidal_volume_ml[0, 0] == pytest.approx(1000 * c * (top - low), rel=1e-3)
    assert breath.plateau_cmh2o[0, 0] == pytest.approx(top, abs=0.02)
    assert breath.total_peep_cmh2o[0, 0] == pytest.approx(low, abs=0.02)
    assert breath.patient_leaked_ml[0, 0] == pytest.approx(1000 * area / leak, rel=1e-3)


def test_volume_control_with_a_lung_that_leaks_is_the_closed_form():
    # In: C P' = Q - P/Rl, towards Q Rl. Out as above.
    c, r, leak, volume, inspiration, period = 0.040, 12.0, 60.0, 0.5, 1.0, 3.0
    slow, fast = c * leak, c / (1 / r + 1 / leak)
    a, b = exp(-inspiration / slow), exp(-(period - inspiration) / fast)
    rest = volume / inspiration * leak
    top = rest * (1 - a) / (1 - a * b)
    network = with_opening(ideal_build(1).network, "lung", 0, Element(leak))
    breath = settle(network, Settings("vc", 20, inspiration, 0, tidal_volume_ml=1000 * volume), mechanics([40], [r]))
    assert breath.delivered_ml[0] == pytest.approx(1000 * volume, rel=1e-3)
    assert breath.plateau_cmh2o[0, 0] == pytest.approx(top, rel=1e-3)
    area = rest * inspiration + (top * b - rest) * slow * (1 - a) + top * fast * (1 - b)
    assert breath.leaked_ml[0] == pytest.approx(1000 * area / leak, rel=1e-3)


@pytest.mark.parametrize("place", ["inspiratory_splitter", "wye"])
def test_what_an_orifice_lets_out_is_the_root_of_the_pressure(place):
    # K = rho / (2 (Cd A)^2); of 4 mm with Cd 0.62 in air 101.2 cmH2O s^2/L^2. Nobody breathes: the tube is blocked.
    network = with_limb(ideal_build(1).network, 0, patient=BLOCKED)
    network = with_opening(network, place, 0 if place == "wye" else None, Element(0.0, 101.2))
    breath = settle(network, Settings("pc", 12, 2.0, 0, pressure_above_peep_cmh2o=16), mechanics([40], [12]))
    assert breath.delivered_ml[0] == pytest.approx(1000 * 2.0 * sqrt(16 / 101.2), rel=1e-3)


def test_a_flow_limit_is_all_that_a_machine_gives_into_a_wide_hole():
    network = with_opening(standard_build(1).network, "wye", 0, Element(0.0, 0.1))
    limited = replace(PRESSURE, max_peak_flow_l_per_min=60.0)
    breath = settle(network, limited, mechanics([40], [12]))
    assert breath.delivered_ml[0] == pytest.approx(1000.0, rel=0.01)
    assert breath.ventilator_peak_cmh2o[0] < 10.0


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(PLACES), st.floats(0.0, 20.0), st.floats(3.0, 5000.0), st.booleans(), st.floats(0.0, 10.0),
    st.floats(15.0, 70.0),
)  # fmt: skip
def test_what_goes_in_comes_out_or_leaks(place, linear, quadratic, is_volume, bias, compliance):
    network = with_opening(STANDARD, *place, Element(linear, quadratic))
    dialled = replace(VOLUME if is_volume else PRESSURE, bias_flow_l_per_min=bias)
    breath = settle(network, dialled, mechanics([compliance, 30], [12, 14]))
    assume(bool(breath.settled[0]))
    assert breath.leaked_ml[0] > 0.0
    assert breath.exhaled_ml[0] + breath.leaked_ml[0] == pytest.approx(breath.delivered_ml[0], rel=2e-3, abs=0.5)


def test_a_leak_too_small_to_count_changes_nothing():
    rng = np.random.default_rng(7)
    lungs = mechanics(rng.uniform(15, 70, (40, 2)), rng.uniform(6, 25, (40, 2)))
    tight = settle(STANDARD, PRESSURE, lungs)
    leaky = settle(with_opening(STANDARD, "wye", 0, BLOCKED), PRESSURE, lungs)
    np.testing.assert_allclose(leaky.tidal_volume_ml, tight.tidal_volume_ml, rtol=4e-4)
    np.testing.assert_allclose(leaky.total_peep_cmh2o, tight.total_peep_cmh2o, atol=5e-3)


def test_a_sampling_line_takes_what_it_draws_whatever_the_pressure():
    network = with_opening(STANDARD, "wye", 0, BLOCKED, draws_l_per_min=0.2)
    breath = settle(network, VOLUME, LUNGS)
    assert breath.patient_leaked_ml[0] == pytest.approx([200 / 20, 0.0], abs=0.1)


def test_pressure_control_makes_up_for_a_leak_and_volume_control_loses_it():
    leak = with_opening(STANDARD, "inspiratory_splitter", None, Element(0.0, 500.0))
    by_pressure, by_volume = (
        [settle(network, dialled, LUNGS).tidal_volume_ml[0].sum() for network in (STANDARD, leak)]
        for dialled in (PRESSURE, VOLUME)
    )
    assert by_pressure[1] > 0.95 * by_pressure[0]
    assert by_volume[1] < 0.85 * by_volume[0]


CHECK = STANDARD.limbs[0].inspiratory_valve
assert CHECK is not None
# Limb 0 as it fails -> its tidal volume against sound, whether its lung ends near the top pressure or near PEEP.
BROKEN = {
    "way in blocked": ({"inspiratory": BLOCKED}, 0.0, "peep"),
    "way out blocked": ({"expiratory": BLOCKED}, 0.0, "top"),
    "tube blocked": ({"patient": BLOCKED}, 0.0, None),
    "both ways blocked": ({"inspiratory": BLOCKED, "expiratory": BLOCKED}, 0.0, None),
    "valve in reversed": ({"inspiratory_valve": replace(CHECK, reversed=True)}, 0.0, "peep"),
    "valve out reversed": ({"expiratory_valve": replace(CHECK, reversed=True)}, 0.0, "top"),
    "valve in missing": ({"inspiratory_valve": None}, 1.0, None),
    "valve out missing": ({"expiratory_valve": None}, 1.0, None),
}


@pytest.mark.parametrize("name", BROKEN)
@pytest.mark.parametrize("dialled", [PRESSURE, VOLUME], ids=["pc", "vc"])
def test_every_broken_limb_settles_as_its_physics_says(name, dialled):
    changes, share, where = BROKEN[name]
    sound = settle(STANDARD, dialled, LUNGS)
    breath = settle(with_limb(STANDARD, 0, **changes), dialled, LUNGS)
    assert breath.settled[0]
    assert breath.tidal_volume_ml[0, 0] == pytest.approx(share * sound.tidal_volume_ml[0, 0], rel=0.35, abs=10.0)
    if share == 0.0 and dialled.mode == "pc":
        assert breath.tidal_volume_ml[0, 1] == pytest.approx(sound.tidal_volume_ml[0, 1], rel=0.06)
    if share == 0.0 and dialled.mode == "vc":
        assert breath.tidal_volume_ml[0, 1] > 1.5 * sound.tidal_volume_ml[0, 1]
    if where == "peep":
        assert breath.plateau_cmh2o[0, 0] == pytest.approx(dialled.peep_cmh2o, abs=1.0)
    if where == "top":
        # The lung follows the highest pressure at its wye: the machine's less what the valve in takes to open.
        assert breath.plateau_cmh2o[0, 0] > breath.plateau_cmh2o[0, 1]


def test_a_reversed_valve_lets_pass_exactly_what_a_sound_one_stops():
    # A single limb between two pressures: the way in reversed is a way out into the inspiratory side.
    valve = Valve(0.3, 1.0)
    network = FlowNetwork(
        Element(0.1), Element(1.0), 0.5,
        (Limb(Element(0.2), Element(0.2), replace(valve, reversed=True), replace(valve, reversed=True), 1.5),
         Limb(Element(0.2), Element(0.2), valve, valve, 1.5)),
    )  # fmt: skip
    breath = settle(network, PRESSURE, LUNGS)
    assert breath.settled[0]
    # Limb 0 breathes all the same: through the other's wye in, and back into the inspiratory side.
    assert breath.tidal_volume_ml[0, 0] > 100.0
    assert breath.backflow_ml[0, 0] == pytest.approx(2.0 * breath.tidal_volume_ml[0, 0], rel=0.15)
    assert breath.backflow_ml[0, 1] == pytest.approx(0.0, abs=0.1)


def test_a_limb_taken_off_beyond_its_valve_leaks_only_while_the_machine_pushes():
    off = with_limb(STANDARD, 0, inspiratory=BLOCKED)
    limb = STANDARD.limbs[0].inspiratory
    off = replace(
        off,
        openings=(
            Opening("inspiratory_splitter", limb, one_way=True, cracking_cmh2o=CHECK.cracking_cmh2o),
            Opening("wye", Element(0.0, 0.2), limb=0),
        ),
    )
    breath = settle(off, PRESSURE, LUNGS)
    assert breath.settled[0]
    assert breath.total_peep_cmh2o[0, 0] == pytest.approx(0.0, abs=0.1)
    assert breath.total_peep_cmh2o[0, 1] > PRESSURE.peep_cmh2o
    assert breath.leaked_ml[0] > 1000.0


def test_an_opening_behind_a_second_splitter_leaks_there():
    three = standard_build(3).network
    tree = replace(
        three,
        inspiratory_branches=(Branch(Element(3.0, 2.0), 0.3, limbs=(1, 2)),),
        expiratory_branches=(Branch(Element(0.5, 1.0), 0.3, limbs=(1, 2)),),
    )
    lungs = mechanics([40, 40, 40], [12, 12, 12])
    hole = Element(0.0, 30.0)
    first, second, out = (
        settle(replace(tree, openings=(Opening(place, hole, branch=branch),)), PRESSURE, lungs)
        for place, branch in (
            ("inspiratory_splitter", None), ("inspiratory_splitter", 0), ("expiratory_splitter", 0),
        )
    )  # fmt: skip
    for breath in (first, second, out):
        assert breath.settled[0]
        assert breath.exhaled_ml[0] + breath.leaked_ml[0] == pytest.approx(breath.delivered_ml[0], rel=2e-3)
    # Behind the stretch the hole pulls down those beyond it most.
    assert second.plateau_cmh2o[0, 1] < second.plateau_cmh2o[0, 0] - 1.0
    assert second.plateau_cmh2o[0, 1] < first.plateau_cmh2o[0, 1] - 1.0
    assert second.plateau_cmh2o[0, 0] > first.plateau_cmh2o[0, 0]
    assert out.total_peep_cmh2o[0, 1] < out.total_peep_cmh2o[0, 0] - 0.1


@pytest.mark.parametrize(
    ("opening", "word"),
    [
        (Opening("wye", BLOCKED), "limb"),
        (Opening("lung", BLOCKED, limb=2), "limb"),
        (Opening("wye", BLOCKED, limb=0, branch=0), "limb"),
        (Opening("inspiratory_splitter", BLOCKED, limb=0), "no limb"),
        (Opening("expiratory_splitter", BLOCKED, branch=0), "branch"),
    ],
)
def test_an_opening_at_no_place_of_the_network_is_refused(opening, word):
    with pytest.raises(ValueError, match=word):
        replace(STANDARD, openings=(opening,))


def test_two_openings_at_one_place_are_refused():
    with pytest.raises(ValueError, match="one place"):
        replace(STANDARD, openings=(Opening("wye", BLOCKED, limb=0), Opening("wye", BLOCKED, limb=0)))
