"""Builds and networks: the rule of the trade for parts, what trims do, what scaling means."""

from __future__ import annotations

import pytest

from airyoke.circuit import (
    PART_NAMES,
    PARTS,
    Element,
    ideal_build,
    single_build,
    standard_build,
)
from airyoke.lungs.apparatus import present_apparatus


@pytest.mark.parametrize("patients", [2, 3, 4])
def test_a_patient_more_takes_one_more_wye_and_two_more_valves(patients):
    # Common practice, no source: per patient attached one extra Y-piece and two one-way valves. A tree of two-way
    # splitters takes one more splitter a side as well.
    fewer, more = dict(standard_build(patients - 1).parts), dict(standard_build(patients).parts)
    if patients == 2:
        fewer = {"y-piece": 1, "one-way-valve": 2}
    assert more["one-way-valve"] - fewer["one-way-valve"] == 2
    assert more["y-piece"] - fewer["y-piece"] == 1 + 2


@pytest.mark.parametrize("patients", [2, 3, 4])
def test_a_shared_build_has_a_filter_at_every_patient_and_one_on_the_shared_expiratory_limb(patients):
    parts = dict(standard_build(patients).parts)
    assert parts["hmef"] == patients
    assert parts["expiratory-filter"] == 1
    assert parts["sleeve-22f-22f"] >= 2


def test_every_part_of_a_build_is_in_the_catalogue():
    for patients in (2, 3, 4):
        assert {name for name, _ in standard_build(patients).parts} <= set(PART_NAMES)


@pytest.mark.parametrize("patients", [1, 2, 3, 4])
def test_every_limb_of_a_shared_build_has_a_valve_each_way(patients):
    for limb in ideal_build(patients).network.limbs:
        assert limb.inspiratory_valve is not None
        assert limb.expiratory_valve is not None


@pytest.mark.parametrize("patients", [0, 5])
def test_builds_serve_one_to_four(patients):
    with pytest.raises(ValueError, match="1 to 4"):
        standard_build(patients)


@pytest.mark.parametrize("humidification", ["hme", "heated"])
def test_the_single_circuit_has_the_dead_space_that_is_taken_off_the_readings(humidification):
    limb = single_build(humidification).network.limbs[0]
    apparatus = present_apparatus(humidification)
    assert limb.dead_space_ml == apparatus.dead_space_ml
    for flow in (0.25, 0.5, 1.0):
        expected = flow * apparatus.inspiratory_resistance_cmh2o_s_per_l(flow)
        assert limb.patient.drop_cmh2o(flow) == pytest.approx(expected, abs=0.25)


def test_a_heated_humidifier_saves_the_fifty_millilitres_of_the_filter():
    hme, heated = single_build("hme").network.limbs[0], single_build("heated").network.limbs[0]
    assert hme.dead_space_ml - heated.dead_space_ml == PARTS["hmef"].dead_space_ml == 50.0


def test_a_trim_changes_only_its_own_limb_and_only_its_way():
    limb = standard_build(2).network.limbs[0]
    trimmed = limb.trimmed(restrictor_cmh2o_s2_per_l2=60.0, peep_valve_cmh2o=5.0, added_dead_space_ml=20.0)
    assert trimmed.inspiratory.quadratic == limb.inspiratory.quadratic + 60.0
    assert trimmed.expiratory == limb.expiratory
    assert trimmed.peep_valve_cmh2o == 5.0
    assert trimmed.dead_space_ml == limb.dead_space_ml + 20.0


def test_scaling_by_one_changes_nothing_and_by_two_doubles_every_resistance():
    network = standard_build(3).network
    assert network.scaled(1.0, 1.0) == network
    doubled = network.scaled(2.0, 1.0)
    assert doubled.expiratory_trunk.drop_cmh2o(0.7) == pytest.approx(2 * network.expiratory_trunk.drop_cmh2o(0.7))
    assert doubled.compliance_ml_per_cmh2o == network.compliance_ml_per_cmh2o


def test_resistances_in_series_add_their_drops():
    one, other = Element(1.0, 2.0), Element(0.5, 0.1)
    assert one.in_series_with(other).drop_cmh2o(0.8) == pytest.approx(one.drop_cmh2o(0.8) + other.drop_cmh2o(0.8))
    assert Element(1.0, 2.0).drop_cmh2o(-0.5) == -Element(1.0, 2.0).drop_cmh2o(0.5)
