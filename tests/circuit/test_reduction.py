"""What a circuit means to the engine: series merge exact, splitters behind splitters kept apart, by ngspice."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace

import numpy as np
import pytest

from airyoke.breath.engine import LungMechanics, pack, settle
from airyoke.breath.settings import Settings
from airyoke.circuit import PARTS, Branch, Element, standard_build
from airyoke.circuit.from_stock import build_for
from airyoke.circuit.gas_path import gas_path
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.circuit.reduction import BLOCKED, costs_of, network_of
from circuit.nested_spice import tidal_volumes_ml

LONG = os.environ.get("AIRYOKE_LONG") == "1"
needs_ngspice = pytest.mark.skipif(shutil.which("ngspice") is None, reason="needs the Debian package ngspice")


def _circuit(patients=2, layout="tree", stock=None, **each):
    return build_for(CircuitNeeds((PatientNeeds(**each),) * patients, layout), stock)


def test_the_circuit_of_two_has_the_resistances_of_the_default_build():
    ours, default = _circuit(2).build.network, standard_build(2).network
    assert ours.inspiratory_trunk == default.inspiratory_trunk
    assert ours.expiratory_trunk.linear == pytest.approx(default.expiratory_trunk.linear)
    assert ours.expiratory_trunk.quadratic == pytest.approx(default.expiratory_trunk.quadratic)
    for limb, other in zip(ours.limbs, default.limbs, strict=True):
        assert limb.inspiratory == other.inspiratory
        assert limb.inspiratory_valve == other.inspiratory_valve
        assert limb.patient.quadratic == pytest.approx(other.patient.quadratic)
        assert limb.dead_space_ml == other.dead_space_ml
        # The default build does not say where its valves sit; here the hose beyond them fills with the splitters.
        assert limb.wye_compliance_ml_per_cmh2o < other.wye_compliance_ml_per_cmh2o
    assert ours.compliance_ml_per_cmh2o == pytest.approx(default.compliance_ml_per_cmh2o, abs=0.1)


@pytest.mark.parametrize(("patients", "layout"), [(1, "tree"), (2, "tree"), (3, "chain"), (4, "tree"), (4, "chain")])
def test_every_drop_along_a_lane_is_the_sum_of_the_drops_of_its_parts(patients, layout):
    # With everybody at the same flow, piece by piece: the flow in a piece is that of the lanes that pass it.
    built = _circuit(patients, layout, reach_m=3.0)
    path, network = gas_path(built.assembly), built.build.network.merged()  # exact where all breathe alike
    flow = 0.6
    for lane, limb in zip(path.lanes, network.limbs, strict=True):
        for side, branch, valve, trunk in (
            ("inspiratory", limb.inspiratory, limb.inspiratory_valve, network.inspiratory_trunk),
            ("expiratory", limb.expiratory, limb.expiratory_valve, network.expiratory_trunk),
        ):
            machine = Element(0.1, 0.05) if side == "inspiratory" else Element(1.5, 1.0)
            passed = path.lanes_through(side)
            expected = machine.drop_cmh2o(patients * flow) + PARTS["y-piece"].element.drop_cmh2o(flow)
            for step in getattr(lane, side):
                part, n = PARTS[built.assembly.piece(step.piece).part], passed[step.piece]
                if part.straight is not None:  # what both ways have at the common flow, the rest in the branch
                    expected += part.straight.drop_cmh2o(n * flow)
                    if "branch" in (step.enters, step.leaves):
                        extra = part.element.quadratic - part.straight.quadratic
                        expected += Element(0.0, extra).drop_cmh2o(flow)
                else:
                    expected += part.element.drop_cmh2o(n * flow)
            ours = trunk.drop_cmh2o(patients * flow) + branch.drop_cmh2o(flow)
            ours += 0.0 if valve is None else valve.linear * flow
            assert ours == pytest.approx(expected, rel=1e-9)


def test_compliance_of_the_network_is_that_of_all_parts_and_the_machine():
    for patients in (2, 3, 4):
        built = _circuit(patients, "chain")
        parts = sum(PARTS[name].compliance_ml_per_cmh2o * count for name, count in built.build.parts)
        assert built.build.network.compliance_ml_per_cmh2o == pytest.approx(parts + 2 * 0.2)


def test_trims_land_on_their_own_limb_and_way():
    patients = (PatientNeeds(restrictor="restrictor-4.0mm"), PatientNeeds(peep_valve_cmh2o=5.0))
    network = build_for(CircuitNeeds(patients), None).build.network
    plain = _circuit(2).build.network.limbs[0]
    a, b = network.limbs
    k2 = PARTS["restrictor-4.0mm"].element.quadratic
    assert a.inspiratory.quadratic == pytest.approx(plain.inspiratory.quadratic + k2)
    assert a.expiratory == plain.expiratory
    assert b.peep_valve_cmh2o == 5.0
    assert b.inspiratory == plain.inspiratory


def test_a_valve_missing_is_no_valve_and_one_turned_round_is_a_shut_way():
    path = gas_path(_circuit(2).assembly)
    right = network_of(path)
    assert network_of(path, {"A.in.valve": "missing"}).limbs[0].inspiratory_valve is None
    turned = network_of(path, {"A.out.valve": "reversed"}).limbs[0]
    assert turned.expiratory.linear >= BLOCKED.linear
    assert network_of(path, {"A.out.valve": "reversed"}).limbs[1] == right.limbs[1]


def test_costs_show_the_drop_that_the_network_has():
    built = _circuit(3)
    costs, network = costs_of(gas_path(built.assembly)), built.build.network.merged()
    into, out = costs.drop_cmh2o(0.5)
    limb = network.limbs[0]
    expected = (
        network.inspiratory_trunk.drop_cmh2o(1.5) + limb.inspiratory.drop_cmh2o(0.5) + limb.patient.drop_cmh2o(0.5)
    )
    assert into == pytest.approx(expected + 0.3 + 1.2 * 0.5)
    assert out > into


SETTINGS = Settings("pc", 20, 1.0, 10, pressure_above_peep_cmh2o=14)
ALIKE, UNLIKE = ((35, 10),) * 4, ((20, 8), (60, 8), (35, 15), (30, 10))
LONG_BRIDGES = {
    **dict.fromkeys(PARTS, 50),
    "sleeve-22f-22f": 0,
    "tube-22mm-300mm": 0,
    "tube-22mm-500mm": 0,
    "t-piece-22f": 0,
}
# patients, layout, lungs (mL/cmH2O, cmH2O·s/L), stock. Measured in November 2026: at most 0.003 % of a tidal volume
# where splitters nest.
LARGEST_ERROR_PERCENT = 0.1
CASES = [
    (2, "tree", UNLIKE, None),
    (4, "tree", ALIKE, None),
    (4, "chain", ALIKE, None),
    (3, "chain", UNLIKE, None),
    (4, "tree", UNLIKE, None),
    (4, "chain", UNLIKE, None),
    (4, "tree", ((15, 8), (80, 6), (80, 6), (80, 6)), None),
    (4, "chain", UNLIKE, LONG_BRIDGES),
]


@needs_ngspice
@pytest.mark.parametrize(
    "case",
    CASES if LONG else [CASES[0], CASES[4], CASES[7]],
    ids=lambda c: f"{c[0]} {c[1]} {'long' if c[3] else c[2][0][0]}",
)
def test_splitters_behind_splitters_give_the_volumes_of_a_solver_that_reads_the_joints(case):
    patients, layout, lungs, stock = case
    lungs = lungs[:patients]
    built = _circuit(patients, layout, stock)
    dial = {"peep": 10, "drive": 14, "rate": 20, "ti": 1.0}
    expected, held = tidal_volumes_ml(built.assembly, PARTS, lungs, dial)
    compliance, resistance = (np.array([column]) for column in zip(*lungs, strict=True))
    mechanics = LungMechanics(
        compliance.astype(float), resistance.astype(float), resistance.astype(float), np.zeros((1, patients))
    )
    breath = settle(built.build.network, SETTINGS, mechanics)
    assert breath.settled.all()
    assert breath.tidal_volume_ml[0] == pytest.approx(expected, rel=LARGEST_ERROR_PERCENT / 100)
    assert breath.total_peep_cmh2o[0] == pytest.approx(held, abs=0.02)


def _volumes(network, lungs):
    c, r = (np.array([column], float) for column in zip(*lungs, strict=True))
    breath = settle(network, SETTINGS, LungMechanics(c, r, r, np.zeros_like(c)))
    assert breath.settled.all()
    return breath.tidal_volume_ml[0]


def test_the_merge_to_one_splitter_is_exact_for_alike_lungs_and_errs_for_unlike_ones():
    network = _circuit(4, "tree").build.network
    assert _volumes(network.merged(), ALIKE) == pytest.approx(_volumes(network, ALIKE), rel=1e-3)
    off = _volumes(network.merged(), UNLIKE) / _volumes(network, UNLIKE) - 1.0
    assert off[1] < -0.002  # too little for the lung that flows most
    assert network.merged().compliance_ml_per_cmh2o == pytest.approx(network.compliance_ml_per_cmh2o)


def test_a_nested_network_treats_its_patients_by_their_places_and_not_by_their_numbers():
    network = _circuit(4, "tree").build.network
    swapped = [2, 3, 0, 1]  # the pairs change splitters
    there = _volumes(network, [UNLIKE[i] for i in swapped])
    assert there == pytest.approx(_volumes(network, UNLIKE)[swapped], rel=2e-4)


def test_branches_that_name_a_limb_twice_or_lead_to_one_alone_are_refused():
    network = standard_build(4).network
    pair = Branch(Element(0.0, 0.3), 0.1, (0, 1))
    for branches in ((pair, pair), (Branch(Element(0.0), 0.1, (0,)),), (Branch(Element(0.0), 0.1, (0, 4)),)):
        with pytest.raises(ValueError, match=r"limbs|two ways"):
            replace(network, inspiratory_branches=branches)
    with pytest.raises(ValueError, match="same splitters"):
        pack([network, replace(network, inspiratory_branches=(pair,))])


def test_a_scaled_draw_scales_what_lies_between_splitters():
    network = _circuit(4, "chain").build.network
    drawn = network.scaled(2.0, 3.0)
    assert drawn.compliance_ml_per_cmh2o == pytest.approx(3.0 * network.compliance_ml_per_cmh2o)
    assert pack([drawn]).compliance_ml_per_cmh2o[0] == pytest.approx(drawn.compliance_ml_per_cmh2o)
    first, other = network.inspiratory_branches[0], drawn.inspiratory_branches[0]
    assert other.element.quadratic == pytest.approx(2.0 * first.element.quadratic) != 0.0
    assert other.branches[0].element == first.branches[0].element.scaled(2.0)
