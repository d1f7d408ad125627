"""Lungs that are not the model's, and a rehearsal on one small ward."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from airyoke.breath.engine import LungMechanics, settle
from airyoke.breath.settings import Settings
from airyoke.circuit.builds import single_build, standard_build
from plan.ward_rules import WardRules
from referees.margin_referee import fresh_draws
from referees.outside_lungs import FastAndSlow, OneCompartment, Sigmoid, breathe
from studies.planning import planned
from studies.rehearsal import LUNGS, WAYS, Rehearsal, fitted_to_volume, report, study
from studies.wards import study_ward

SETTINGS = Settings("pc", 20.0, 1.0, 10.0, 0.5, pressure_above_peep_cmh2o=15.0, max_peak_flow_l_per_min=120.0)
COMPLIANCE, R_IN, R_OUT = (0.035, 0.050), (10.0, 12.0), (12.0, 18.0)


def two_lungs(kind, **shape):
    return [kind(c, i, o, **shape) for c, i, o in zip(COMPLIANCE, R_IN, R_OUT, strict=True)]


def volumes(lungs):
    return [r.tidal_volume_ml for r in breathe(standard_build(2).network, SETTINGS, lungs)]


@pytest.fixture(scope="module")
def one_compartment():
    return volumes(two_lungs(OneCompartment))


def test_the_outside_solver_gives_the_engines_breath_with_the_models_lung():
    # A second opinion: scipy's LSODA on a circuit written out apart.
    rows = [1000.0 * np.array([COMPLIANCE]), np.array([R_IN]), np.array([R_OUT]), np.zeros((1, 2))]
    ours = settle([standard_build(2).network], [SETTINGS], LungMechanics(*rows))
    for k, read in enumerate(breathe(standard_build(2).network, SETTINGS, two_lungs(OneCompartment))):
        assert read.tidal_volume_ml == pytest.approx(ours.tidal_volume_ml[0, k], rel=1e-3)
        assert read.plateau_cmh2o == pytest.approx(ours.plateau_cmh2o[0, k], abs=0.02)
        assert read.total_peep_cmh2o == pytest.approx(ours.total_peep_cmh2o[0, k], abs=0.02)


def test_two_compartments_alike_are_one(one_compartment):
    assert volumes(two_lungs(FastAndSlow, slower=1.0)) == pytest.approx(one_compartment, rel=1e-3)


def test_a_slow_compartment_takes_less_in_the_same_time(one_compartment):
    slow = volumes(two_lungs(FastAndSlow, slower=6.0))
    assert all(s < 0.97 * one for s, one in zip(slow, one_compartment, strict=True))


def test_a_nearly_straight_sigmoid_is_the_models_lung(one_compartment):
    lungs = [Sigmoid.through(10.0, 24.0, c, 17.0, 400.0, i, o) for c, i, o in zip(COMPLIANCE, R_IN, R_OUT, strict=True)]
    assert volumes(lungs) == pytest.approx(one_compartment, rel=1e-3)


def test_a_sigmoid_has_the_stated_compliance_between_its_two_pressures():
    lung = Sigmoid.through(10.0, 24.0, 0.04, 15.0, 8.0, 10.0, 10.0)
    (low,), (high,), (middle,) = (lung.at_rest(p) for p in (10.0, 24.0, 17.0))
    assert (high - low) / 14.0 == pytest.approx(0.04)
    assert lung.held([high]) == pytest.approx(24.0)
    assert middle > 0.5 * (low + high), "stiffer above than below"


@pytest.fixture(scope="module")
def group():
    """A planned pair of a small ward: patients, readings, build, policy, settings."""
    ward = study_ward(15, beds=6, ventilators=4)
    rules = WardRules(ward)
    shared = [g for g in planned(ward).groups if len(g.beds) == 2]
    best = max(shared, key=lambda g: g.answer.margin.value)
    patients = [rules.lungs(rules.bed[b]) for b in best.beds]
    return patients, [rules.bed[b].readings for b in best.beds], standard_build(2), ward.policy, best.settings


def rehearsed(group, compliance_factor: float, shape: str = LUNGS[0]):
    """The rehearsal where everything is as estimated but the compliance, which is this many times as large."""
    patients, read, build, policy, settings = group
    draws = fresh_draws(patients, build, policy.assumptions, 1, 0)
    as_estimated = tuple({name: column[[0, 0]] for name, column in one.items()} for one in draws.patients)
    for one in as_estimated:
        one["compliance_ml_per_cmh2o"] = one["compliance_ml_per_cmh2o"] * np.array([1.0, compliance_factor])
        one["paco2_error"] = np.zeros(2)
    draws = replace(draws, patients=as_estimated, resistance_factor=np.ones(2), compliance_factor=np.ones(2))
    return Rehearsal(patients, read, build, policy, draws, 1, shape).run(settings, Random(1))


def test_lungs_much_stiffer_than_estimated_are_neither_inside_nor_confirmed(group):
    found = rehearsed(group, 0.5)
    assert not found["truly"]["target"]
    assert all(found[way]["truly"] is None for way in WAYS)


def test_lungs_as_estimated_are_inside_and_confirmed(group):
    found = rehearsed(group, 1.0)
    assert found["truly"] == {"target": True, "hard": True}
    assert found[WAYS[2]]["truly"] is not None


def test_a_fitted_resistance_gives_back_the_volume_that_was_read(group):
    patient, settings = group[0][0], group[4]
    read = 0.93 * breathe(single_build("hme").network, settings, [
        OneCompartment(*(getattr(patient.lungs, n).value / d for n, d in (
            ("compliance", 1000.0), ("inspiratory_resistance", 1.0), ("expiratory_resistance", 1.0))))
    ])[0].tidal_volume_ml  # fmt: skip
    lungs = fitted_to_volume(replace(patient, present=replace(patient.present, tidal_volume_ml=read)), settings).lungs
    again = breathe(single_build("hme").network, settings, [
        OneCompartment(lungs.compliance.value / 1000.0, lungs.inspiratory_resistance.value,
                       lungs.expiratory_resistance.value)
    ])  # fmt: skip
    assert again[0].tidal_volume_ml == pytest.approx(read, rel=2e-3)


def test_every_group_is_counted_once_for_each_shape_and_draw():
    record = {"seed": 15, "source": "", "seconds": 0.0, **study(15, beds=6, ventilators=5, truths=1)}
    assert [c["lung"] for c in record["cases"]] == list(LUNGS)
    assert report([record]).count("| 1 |") == len(LUNGS) * len(WAYS)
