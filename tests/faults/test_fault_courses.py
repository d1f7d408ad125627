"""Faults on the way: each breath against closed forms, what is taken to go on, coughs and efforts that reach everybody."""

from __future__ import annotations

import math

import numpy as np
import pytest

from airyoke.breath import layout as k
from airyoke.breath.course import Change, run_course
from airyoke.breath.engine import settle
from airyoke.breath.packing import pack, pack_drawn
from airyoke.circuit import standard_build
from airyoke.circuit.network import Branch, Element, Opening
from airyoke.faults.alarms import Before, verdict
from airyoke.faults.catalogue import Group, faults_of
from airyoke.faults.gas_reserve import GasReserve
from airyoke.faults.harm import harms_of
from airyoke.faults.watching import Watch
from airyoke.limits.policy import Policy
from faults.group_cases import LUNGS, PRESSURE, case, run, runs


def test_behind_a_shut_way_out_pressure_rises_to_the_set_one_as_one_exponential() -> None:
    # Each inspiration takes the lung the same part of the way from where it was to the set pressure; nothing comes back.
    found, base = run(2, "pc", "kink-100.expiratory.A", "ideal"), runs(2, "pc", "ideal").baseline.breath
    compliance, resistance, _, _ = LUNGS[0]
    top, left = 27.0, math.exp(-1000.0 * 0.9 / (resistance * compliance))
    assert found.way is not None
    for breath, got in enumerate(found.way.plateau_cmh2o[0, :3, 0], 1):
        assert got == pytest.approx(top - (top - base.total_peep_cmh2o[0, 0]) * left**breath, abs=0.05)


def test_trapping_is_told_from_the_breath_that_breaks_the_bound() -> None:
    every, found = runs(2, "vc"), run(2, "vc", "tube-narrow-80.B")
    harm = next(h for h in harms_of(found, every, Policy(), GasReserve(every)) if h.kind == "trapping")
    assert found.way is not None
    assert harm.seconds is not None
    above = found.way.total_peep_cmh2o[0, :, 1] - 10.0 > 5.0
    first = int(np.flatnonzero(above)[0])
    assert first >= 2
    assert harm.seconds.value == pytest.approx((first + 1) * 60.0 / 22.0, abs=0.02)


def test_what_is_taken_to_go_on_is_the_settled_breath_of_the_faulted_circuit() -> None:
    for fault in ("airway-x4.A", "kink-80.expiratory.B", "shared-filter-x10"):
        found = run(2, "pc", fault)
        assert found.shown is not None
        assert found.outcome is not None
        assert found.way is not None
        computed = int(np.isfinite(found.way.ends_s[0]).sum())
        starts = found.shown.starts_s[0]
        assert computed < 12
        assert len(starts) == 44
        np.testing.assert_allclose(np.diff(starts), 60.0 / 22.0, atol=1e-6)
        assert found.shown.exhaled_ml[0, -1] == pytest.approx(found.outcome.breath.exhaled_ml[0])
        if found.fault.effect is not None and found.fault.effect.network is not None:
            network = found.fault.effect.network(case(2, PRESSURE).build.network)
            settled = settle(network, found.settings, runs(2, "pc").group.lungs)
            np.testing.assert_allclose(found.outcome.breath.tidal_volume_ml, settled.tidal_volume_ml, rtol=3e-3)


@pytest.mark.parametrize("mode", ["pc", "vc"])
def test_one_cough_that_passes_the_limit_ends_the_breath_of_everybody(mode: str) -> None:
    found, base = run(2, mode, "cough.A"), runs(2, mode)
    assert found.shown is not None
    cut = found.shown.cut_short[0]
    assert 0 < cut.sum() < len(cut)
    b = found.shown.patients_ml[0, :, 1]
    assert b[cut].min() < 0.5 * base.baseline.breath.tidal_volume_ml[0, 1]
    watch = Watch(base.settings, base.group.build.network.compliance_ml_per_cmh2o)
    got = verdict(Before.of(base.shown, watch), found.shown, base.limits)
    assert got.probability == 1.0
    assert got.first == ("airway_pressure", "high")


def test_thirty_efforts_a_minute_at_a_usual_trigger_are_thirty_breaths_for_everybody() -> None:
    found = run(2, "pc", "effort.A")
    assert found.outcome is not None
    assert found.shown is not None
    assert found.outcome.settings[0].rate_per_min == pytest.approx(30.0, abs=0.3)
    assert np.all(np.diff(found.shown.starts_s[0][np.isfinite(found.shown.starts_s[0])]) > 1.0)
    # Less time to breathe out: the other one traps more than before, and gets no more.
    assert found.outcome.breath.total_peep_cmh2o[0, 1] > runs(2, "pc").baseline.breath.total_peep_cmh2o[0, 1] + 1.0
    assert found.outcome.breath.tidal_volume_ml[0, 1] < runs(2, "pc").baseline.breath.tidal_volume_ml[0, 1]


@pytest.mark.parametrize("mode", ["pc", "vc"])
def test_what_changes_nothing_shows_what_was_shown_before(mode: str) -> None:
    base, found = runs(4, mode).shown, run(4, mode, "oxygen-100").shown
    assert found is not None
    for name in ("inspired_ml", "exhaled_ml", "peak_cmh2o", "peep_cmh2o", "patients_ml"):
        np.testing.assert_allclose(getattr(found, name)[0], getattr(base, name)[0], rtol=2e-3, atol=0.02, err_msg=name)


def test_a_run_ends_once_its_breaths_repeat_and_not_before_its_events() -> None:
    one = case(2, PRESSURE)
    lungs, network = runs(2, "pc").group.lungs, one.build.network
    both = np.zeros(2, np.int64)
    course = run_course(
        network, one.settings, lungs, 60.0, [Change(20.0, runs=[1], hold="expiratory")], lungs_of=both, repeat=1e-3
    )
    assert course.repeats.all()
    assert course.breaths[0] < 4
    assert course.starts_s[1, course.breaths[1] - 1] > 20.0


def test_a_drawn_network_packed_is_the_packed_drawn_network() -> None:
    from dataclasses import replace

    plain = standard_build(4).network
    leaky = replace(plain, openings=(Opening("wye", Element(0.0, 3.0), 1),))
    branched = replace(plain, inspiratory_branches=(Branch(Element(1.0, 2.0), 1.5, (0, 1)),))
    resistance, compliance = np.array([1.0, 0.8, 1.3]), np.array([1.0, 1.1, 0.9])
    for networks in ((plain, leaky), (branched,)):
        drawn = [one.scaled(r, c) for one in networks for r, c in zip(resistance, compliance, strict=True)]
        want, got = pack(drawn), pack_drawn(networks, resistance, compliance)
        np.testing.assert_allclose(got.limbs, want.limbs, rtol=1e-12)
        np.testing.assert_allclose(got.trunks, want.trunks, rtol=1e-12)
        assert (want.holes is None) == (got.holes is None)
        if want.holes is not None:
            np.testing.assert_array_equal(got.holes, want.holes)
        if want.nested is not None:
            assert got.nested is not None
            np.testing.assert_allclose(got.nested[1], want.nested[1], rtol=1e-12)
            np.testing.assert_allclose(got.nested[2][:, :, k.IN_R], want.nested[2][:, :, k.IN_R], rtol=1e-12)


def test_faults_alike_in_mechanics_are_breathed_once_and_keep_their_own_gases() -> None:
    stiff, stem = run(2, "pc", "stiffer-50.A"), run(2, "pc", "main-stem.A")
    assert stiff.outcome is not None
    assert stem.outcome is not None
    assert stiff.way is stem.way
    assert stem.outcome.spo2_pct[0, 0] < stiff.outcome.spo2_pct[0, 0] - 1.0
    oxygen = run(2, "pc", "oxygen-lost")
    assert oxygen.shown is not None
    np.testing.assert_array_equal(oxygen.shown.fio2[np.isfinite(oxygen.shown.fio2)], 0.21)


def test_no_fault_of_muscles_suction_or_water_is_left_to_words() -> None:
    one = case(2, PRESSURE)
    left = {fault.kind for fault in faults_of(Group(one.build, one.settings, (0.0, 0.0))) if not fault.from_engine}
    assert left == {"sampling-blocked", "monitors-crossed", "alarms-changed"}
