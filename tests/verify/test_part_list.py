"""Builds read from their part lists, and the equations written out again."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest

from airyoke.breath import Settings
from airyoke.circuit import PARTS, Element, FlowNetwork, Limb, builds, standard_build
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import build_for
from airyoke.circuit.needs import CircuitNeeds
from airyoke.verify import equations, netlists, ode, part_list, spice
from airyoke.verify.lsoda_answers import ANSWERS
from airyoke.verify.scenarios import LungValues, Scenario
from referees.lsoda import solve_case


@pytest.mark.parametrize("patients", [2, 3, 4])
def test_every_part_of_the_pick_list_lies_in_the_circuit_and_no_other(patients: int) -> None:
    parts = standard_build(patients).parts
    laid = Counter(piece.name for piece in part_list.shared_layout(parts, patients).pieces)
    assert laid == Counter(dict(parts))


@pytest.mark.parametrize("case", netlists.BUILT, ids=lambda case: case[0].name)
def test_every_piece_of_a_built_circuit_lies_between_its_own_joints(case: tuple[Scenario, CircuitNeeds]) -> None:
    built = build_for(case[1], None)
    assert not isinstance(built, CannotBuild)
    layout = part_list.joined_layout(built.assembly)
    lone = Counter(piece.name for piece in layout.pieces)
    taken = dict(built.assembly.taken)
    legs = {name: 3 if PARTS[name].kind in ("wye", "tee") else 1 for name in taken}
    assert lone == Counter({name: count * legs[name] for name, count in taken.items()})
    gas = sum(count * PARTS[name].compliance_ml_per_cmh2o for name, count in taken.items())
    machine = 2 * builds.MACHINE_COMPLIANCE_ML_PER_CMH2O
    assert sum(layout.compliance_ml_per_cmh2o.values()) == pytest.approx(gas + machine, rel=1e-12)
    # One-way pieces point from the machine to the patient and back: followed alone, they lead from "in" to "out".
    reached, ways = {"in"}, [(p.start, p.end, p.one_way) for p in layout.pieces]
    for _ in ways:
        reached |= {end for start, end, _ in ways if start in reached}
        reached |= {start for start, end, one_way in ways if end in reached and not one_way}
    assert {"out", *(f"tube{k}" for k in range(layout.patients))} <= reached


def test_a_splitter_costs_its_smaller_part_before_and_the_rest_in_the_leg_that_turns() -> None:
    needs = next(needs for one, needs in netlists.BUILT if one.name == "built-three-chain")
    built = build_for(needs, None)
    assert not isinstance(built, CannotBuild)
    first = [p for p in part_list.joined_layout(built.assembly).pieces if p.name == "t-piece"][:3]
    # T-piece of the catalogue: 0.1 straight through, 0.3 into the branch.
    assert sorted(piece.quadratic for piece in first) == pytest.approx([0.0, 0.1, 0.2])


def test_a_list_that_lacks_a_part_or_has_one_too_many_is_refused() -> None:
    parts = dict(standard_build(2).parts)
    with pytest.raises(ValueError, match="no further one-way-valve"):
        part_list.shared_layout(tuple((parts | {"one-way-valve": 3}).items()), 2)
    with pytest.raises(ValueError, match=r"without a place.*y-piece"):
        part_list.shared_layout(tuple((parts | {"y-piece": 5}).items()), 2)


def test_parts_in_the_circuit_have_all_of_their_gas() -> None:
    parts = standard_build(3).parts
    layout = part_list.shared_layout(parts, 3)
    machine = 2 * builds.MACHINE_COMPLIANCE_ML_PER_CMH2O
    everything = sum(count * PARTS[name].compliance_ml_per_cmh2o for name, count in parts) + machine
    assert sum(layout.compliance_ml_per_cmh2o.values()) == pytest.approx(everything, rel=1e-12)


def test_a_doubled_limb_is_doubled_there_and_nowhere_else() -> None:
    parts = standard_build(2).parts
    right = part_list.shared_layout(parts, 2).pieces
    wrong = part_list.shared_layout(parts, 2, doubled_limb=(1, "in")).pieces
    changed = [(a.name, b.linear / a.linear) for a, b in zip(right, wrong, strict=True) if a != b]
    assert changed == [("one-way-valve", 2.0), ("tube-22mm-1500mm", 2.0)]


def test_settings_without_a_circuit_element_are_refused() -> None:
    settings = Settings("vc", 15, 1.2, 5, tidal_volume_ml=800, circuit_compensation="on")
    lungs = (LungValues(30, 10, 10), LungValues(40, 10, 10))
    layout = part_list.shared_layout(standard_build(2).parts, 2)
    with pytest.raises(ValueError, match="compensation"):
        spice.netlist(layout, lungs, settings, 8)
    with pytest.raises(ValueError, match="compensation"):
        ode.solve(standard_build(2).network, settings, lungs)


def _stretch(linear: float, quadratic: float, gas: float, limbs: list[int], *branches: Any) -> dict[str, Any]:
    return {
        "linear": linear, "quadratic": quadratic, "compliance_ml_per_cmh2o": gas, "limbs": limbs, "branches": branches,
    }  # fmt: skip


NESTED: dict[str, Any] = {
    "four-pc-nested": {
        "inspiratory_branches": [_stretch(0.3, 0.6, 6.0, [0, 1]), _stretch(0.3, 0.6, 2.0, [2, 3])],
        "expiratory_branches": [_stretch(0.2, 0.5, 1.0, [1], _stretch(0.4, 0.9, 3.0, [2, 3]))],
    },
    "three-vc-nested": {
        "inspiratory_branches": [_stretch(0.5, 1.2, 4.0, [0, 2])],
        "expiratory_branches": [_stretch(0.4, 0.8, 4.0, [1, 2])],
    },
}


def _case(one: Scenario) -> dict[str, Any]:
    """The same group as the other referee reads it; the numbers are written again, not taken from the network."""
    settings = {
        name: getattr(one.settings, name)
        for name in ("mode", "rate_per_min", "inspiratory_time_s", "peep_cmh2o", "rise_time_s", "pause_s", "flow_shape",
                     "pressure_above_peep_cmh2o", "tidal_volume_ml")
    }  # fmt: skip
    patients = []
    for k, lung in enumerate(one.lungs):
        patient = {
            "label": "ABCD"[k],
            "compliance_ml_per_cmh2o": lung.compliance_ml_per_cmh2o,
            "inspiratory_resistance_cmh2o_s_per_l": lung.resistance_in,
            "expiratory_resistance_cmh2o_s_per_l": lung.resistance_out,
        }
        if one.trims:
            patient["restrictor_cmh2o_s2_per_l2"] = one.trims[k].restrictor_cmh2o_s2_per_l2
            patient["peep_valve_cmh2o"] = one.trims[k].peep_valve_cmh2o
        patients.append(patient)
    valves: Any = {"cracking_cmh2o": 0.5, "linear": 2.0, "back_leak_l_per_s_per_cmh2o": 0.0001}
    circuit = {
        "inspiratory_trunk": {"linear": 1.5, "quadratic": 0.5},
        "expiratory_trunk": {"linear": 1.5, "quadratic": 0.8},
        "inspiratory_limb": {"linear": 1.5, "quadratic": 1.5},
        "expiratory_limb": {"linear": 0.5, "quadratic": 1.5},
        "splitter_compliance_ml_per_cmh2o": 0.5,
        "wye_compliance_ml_per_cmh2o": 1.5,
        "valves": "none" if "no-valves" in one.name else valves,
    } | NESTED.get(one.name, {})
    return {"patients": patients, "circuit": circuit, "settings": {k: v for k, v in settings.items() if v is not None}}


@pytest.mark.parametrize("name", [one.name for one in equations.CASES])
def test_answers_kept_are_those_of_a_second_referee(name: str) -> None:
    one = next(case for case in equations.CASES if case.name == name)
    found = solve_case(_case(one))["patients"]
    other = [row[key] for key in ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o") for row in found]
    assert ANSWERS[name] == pytest.approx(other, rel=2e-6)


def test_the_equations_written_out_give_the_closed_form() -> None:
    # C 30, R 12, PEEP 12, drive 15, 25/min, Ti 0.8: 397.0277 mL, computed from the textbook equation.
    limb = Limb(Element(0.001), Element(0.001), None, None, 0.01)
    network = FlowNetwork(Element(0.001), Element(0.001), 0.01, (limb,))
    settings = Settings("pc", 25, 0.8, 12, pressure_above_peep_cmh2o=15)
    found = ode.solve(network, settings, (LungValues(30, 12, 12),))
    np.testing.assert_allclose(found.tidal_volume_ml, [397.0277], rtol=3e-4)
