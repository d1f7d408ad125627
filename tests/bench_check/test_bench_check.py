"""What the bench should show of a build, and which mistake would read otherwise."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache
from itertools import combinations

import numpy as np
import pytest

from airyoke.bench_check import (
    TestLung,
    bench_settings,
    effect_of,
    expected_checks,
    judge,
    report_of,
    still_valid,
    suspects,
    usual_test_lungs,
    without_valves,
)
from airyoke.bench_check.mistakes import possible_mistakes
from airyoke.bench_check.squeeze import rising
from airyoke.breath.settings import Settings
from airyoke.circuit import ideal_build
from airyoke.circuit.from_stock import build_for
from airyoke.circuit.gas_path import gas_path
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.quantities import Refused


@lru_cache
def _path(patients=2, layout="tree", **each):
    return gas_path(build_for(CircuitNeeds((PatientNeeds(**each),) * patients, layout), None).assembly)


def _network(patients=2):
    return build_for(CircuitNeeds((PatientNeeds(),) * patients), None).build.network


SETTINGS = bench_settings()

# One lung at a square pressure, periodic: VT = C dP (1-a)(1-b)/(1-ab), trapped = dP b (1-a)/(1-ab), a = exp(-Ti/RC),
# b = exp(-Te/RC). R, C, dP, Ti, Te, VT mL, trapped cmH2O, computed from the formula.
CLOSED_FORMS = [
    (10, 50, 15, 1.0, 2.0, 638.2, 0.238),
    (20, 50, 15, 1.0, 2.0, 431.4, 1.350),
    (15, 40, 12, 1.0, 1.4, 358.1, 0.961),
]


@pytest.mark.parametrize("row", CLOSED_FORMS)
def test_on_an_ideal_circuit_each_test_lung_gets_what_the_closed_form_says(row):
    r, c, drive, ti, te, volume, trapped = row
    settings = Settings("pc", 60 / (ti + te), ti, 5.0, pressure_above_peep_cmh2o=drive)
    for one in effect_of(ideal_build(2).network, settings, (TestLung(c, r, 0.0),) * 2):
        assert one.tidal_volume_ml == pytest.approx(volume, rel=2e-3)
        assert one.trapped_cmh2o == pytest.approx(trapped, abs=5e-3)


@pytest.mark.parametrize("patients", [2, 3, 4])
def test_a_real_build_gives_less_and_traps_more_than_an_ideal_one(patients):
    for one in effect_of(_network(patients), SETTINGS, usual_test_lungs(patients)):
        assert 0.7 * one.ideal_tidal_volume_ml < one.tidal_volume_ml < one.ideal_tidal_volume_ml
        assert one.trapped_cmh2o > one.ideal_trapped_cmh2o
        assert one.backflow_ml < 1.0


def test_without_valves_gas_flows_from_unlike_lung_to_lung_and_hardly_between_alike_ones():
    # Joint statement of six societies, 26 March 2020: without one-way valves gas is shared and lungs empty into each
    # other. How much is from the engine.
    unlike = without_valves(_network(), SETTINGS, usual_test_lungs(2))
    assert max(one.backflow_ml for one in unlike) > 50.0
    # Alike lungs: what goes back is their own compressed gas and the dead end of the inspiratory hose, shared evenly.
    alike = without_valves(_network(), SETTINGS, (TestLung(40.0),) * 2)
    assert alike[0].backflow_ml == pytest.approx(alike[1].backflow_ml, rel=1e-2, abs=0.5)


def test_alike_test_lungs_get_alike_volumes():
    # Bench practice: equal test lungs within 5 %; a symmetrical model has no reason to differ at all.
    one, other = effect_of(_network(), SETTINGS, (TestLung(30.0),) * 2)
    assert one.tidal_volume_ml == pytest.approx(other.tidal_volume_ml, rel=1e-4)


# Derived, low confidence: whole circuit of two patients 3 to 6, of four 6 to 12 mL/cmH2O.
@pytest.mark.parametrize(("patients", "low", "high"), [(2, 3.0, 6.0), (4, 6.0, 12.0)])
def test_the_compliance_to_expect_is_of_the_usual_order(patients, low, high):
    checks = {one.id: one for one in expected_checks(_path(patients), SETTINGS, usual_test_lungs(patients))}
    assert low < checks["compliance"].expected < high
    assert checks["compliance"].low < checks["compliance"].expected < checks["compliance"].high
    assert checks["leak"].high == 200.0  # ISO 80601-2-12, adult breathing system at 50 hPa, from memory


def test_blocking_one_leaves_the_others_within_ten_per_cent_in_pressure_control():
    # Derived from the physics of an ideal pressure source, common bench tolerance: 5 to 10 %.
    checks = {one.id: one for one in expected_checks(_path(3), SETTINGS, usual_test_lungs(3))}
    for lane in "BC":
        assert checks[f"block.A.vt.{lane}"].expected == pytest.approx(checks[f"vt.{lane}"].expected, rel=0.1)
    assert checks["block.A.vte"].expected < checks["vte"].expected - 0.5 * checks["vt.A"].expected
    held = checks["shut.A.held"].expected
    top = SETTINGS.peep_cmh2o + SETTINGS.pressure_above_peep_cmh2o
    assert top - 2.0 < held <= top  # a shut expiratory branch holds the lung near the set peak


def test_alarms_are_written_down_and_not_predicted():
    for one in expected_checks(_path(), SETTINGS, usual_test_lungs(2)):
        assert (one.expected is None) == one.id.endswith(".alarm")
        assert one.expected is None or one.accepts(one.expected)


def _closure(lanes, mistakes, clamped):
    """Who rises for whom, by a matrix: places are the lanes, then the two manifolds."""
    n = len(lanes)
    open_ = np.eye(n + 2, dtype=bool)
    for i, lane in enumerate(lanes):
        for side, manifold in (("in", n), ("out", n + 1)):
            if side == "in" and clamped:
                continue
            start, end = (manifold, i) if side == "in" else (i, manifold)
            state = mistakes.get(f"{lane}.{side}.valve")
            if state != "reversed":
                open_[start, end] = True
            if state is not None:
                open_[end, start] = True
    for _ in range(n + 2):
        open_ = open_ @ open_
    return {
        lane: frozenset(other for j, other in enumerate(lanes) if j != i and open_[i, j])
        for i, lane in enumerate(lanes)
    }


@pytest.mark.parametrize("patients", [2, 3, 4])
def test_who_rises_in_the_squeeze_follows_from_the_open_ways(patients):
    path = _path(patients)
    lanes = "ABCD"[:patients]
    every = [
        (f"{lane}.{side}.valve", state) for lane in lanes for side in ("in", "out") for state in ("missing", "reversed")
    ]
    cases = [{}, *({piece: state} for piece, state in every)]
    cases += [dict(pair) for pair in combinations(every, 2) if pair[0][0] != pair[1][0]]
    for mistakes in cases:
        for clamped in (False, True):
            expected = _closure(lanes, mistakes, clamped)
            for lane in lanes:
                assert rising(path, lane, mistakes, inspiratory_clamped=clamped) == expected[lane], (mistakes, lane)
    assert all(rising(path, lane) == frozenset() for lane in lanes)


@pytest.mark.parametrize("patients", [2, 3])
def test_every_valve_missing_or_turned_round_is_named_from_its_readings(patients):
    path, lungs = _path(patients), usual_test_lungs(patients)
    every = suspects(path, SETTINGS, lungs, {})
    assert len(every) == len(possible_mistakes(path))
    for truth in every:
        if ".valve" not in truth.piece or truth.mistake == "wrong":  # a spring valve reads like a sound one
            continue
        explaining = [one for one in suspects(path, SETTINGS, lungs, truth.readings) if one.explains]
        found = [one for one in explaining if one.mistake != "wrong"]
        assert (found[0].piece, found[0].mistake) == (truth.piece, truth.mistake)
        assert {one.piece.split(".")[0] for one in found} == {truth.piece[0]}  # never the wrong patient
    sound = {
        one.id: one.expected for one in expected_checks(path, SETTINGS, lungs) if one.id.startswith(("vt", "squeeze"))
    }
    doubted = [one for one in suspects(path, SETTINGS, lungs, sound) if ".valve" in one.piece and one.explains]
    assert {one.mistake for one in doubted} <= {"wrong"}


def test_a_wrong_restrictor_is_named_with_the_one_that_was_taken():
    path = gas_path(
        build_for(CircuitNeeds((PatientNeeds(restrictor="restrictor-6.0mm"), PatientNeeds())), None).assembly
    )
    lungs = (TestLung(50.0), TestLung(20.0))
    truth = next(
        one
        for one in suspects(path, SETTINGS, lungs, {})
        if one.slip.instead == "restrictor-3.0mm" and one.piece == "A.in.restrictor"
    )
    found = [one for one in suspects(path, SETTINGS, lungs, truth.readings) if one.explains]
    assert found[0].slip == truth.slip
    assert "restrictor-3.0mm" in found[0].words


def test_a_missing_valve_hides_from_the_volumes_and_shows_in_the_squeeze():
    path, lungs = _path(), usual_test_lungs(2)
    checks = {one.id: one for one in expected_checks(path, SETTINGS, lungs)}
    truth = next(
        one for one in suspects(path, SETTINGS, lungs, {}) if (one.piece, one.mistake) == ("A.in.valve", "missing")
    )
    assert all(checks[name].accepts(truth.readings[name]) for name in ("vt.A", "vt.B", "vte"))
    assert not checks["squeeze.A"].accepts(truth.readings["squeeze.A"])


def test_readings_are_judged_and_a_check_that_does_not_exist_is_refused():
    checks = expected_checks(_path(), SETTINGS, usual_test_lungs(2))
    inside = {
        check.id: ok for check, _, ok in judge(checks, {"vt.A": 250.0, "vt.B": 100.0, "leak": 250.0, "squeeze.A": 0})
    }
    assert inside == {"vt.A": True, "vt.B": False, "leak": False, "squeeze.A": True}
    with pytest.raises(Refused) as refusal:
        judge(checks, {"vt.a": 3.0})
    assert "vt.A" in refusal.value.findings[0].remedy


def test_answers_typed_back_are_named_with_what_they_would_do():
    assembly = _path().assembly
    report = report_of(assembly, answers={"A.in.valve": "reversed", "B.in.valve": "right"})
    (one,) = report.answered
    assert (one.piece, one.mistake) == ("A.in.valve", "reversed")
    assert one.readings["vt.A"] < 30.0 < one.readings["vt.B"]
    for wrong, id_ in (
        ({"A.in.valv": "missing"}, "circuit-valve-unknown"),
        ({"A.in.valve": "maybe"}, "circuit-valve-answer"),
    ):
        with pytest.raises(Refused) as refusal:
            report_of(assembly, answers=wrong)
        assert refusal.value.findings[0].id == id_


def test_a_build_stands_for_a_day_and_not_once_it_was_opened():
    tested = datetime(2026, 1, 31, 14, 0)
    assert still_valid(tested, tested + timedelta(hours=24), opened=False)
    assert not still_valid(tested, tested + timedelta(hours=24, minutes=1), opened=False)
    assert not still_valid(tested, tested + timedelta(hours=1), opened=True)
    assert not still_valid(tested, tested - timedelta(minutes=1), opened=False)


def test_one_patient_alone_has_a_bench_check_too():
    report = report_of(_path(1).assembly)
    assert report.bare == ()
    assert {"vt.A", "leak", "compliance"} <= {one.id for one in report.checks}
    assert not any(one.id.startswith("squeeze") for one in report.checks)
