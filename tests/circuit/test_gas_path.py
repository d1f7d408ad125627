"""A circuit typed back: loops, open ends, slips of spelling and parts turned round are named; nothing is guessed."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import lru_cache

import pytest

from airyoke.circuit import PARTS
from airyoke.circuit.assembly import Assembly, Joint, Piece, splitting
from airyoke.circuit.from_stock import build_for
from airyoke.circuit.gas_path import gas_path
from airyoke.circuit.inspection import inspect, turned_round
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.circuit.order_rule import order_rule
from airyoke.circuit.places import layout
from airyoke.circuit.reduction import network_of
from airyoke.circuit.steps import steps, title, valves
from airyoke.pictures import circuit_svg
from airyoke.quantities import Refused


@lru_cache
def _plan(patients=2, shape="tree", **each):
    return build_for(CircuitNeeds((PatientNeeds(**each),) * patients, shape), None).assembly


def _ids(assembly):
    with pytest.raises(Refused) as refusal:
        gas_path(assembly)
    return {finding.id: finding for finding in refusal.value.findings}


def _without(assembly, *pieces):
    return Assembly(
        tuple(one for one in assembly.pieces if one.id not in pieces),
        tuple(j for j in assembly.joints if not {j.upstream[0], j.downstream[0]} & set(pieces)),
    )


def _rejoined(assembly, changes, more=(), pieces=()):
    """Joints with some of their ends replaced."""
    joints = tuple(
        Joint(changes.get(one.upstream, one.upstream), changes.get(one.downstream, one.downstream))
        for one in assembly.joints
    )
    return Assembly((*assembly.pieces, *pieces), (*joints, *more))


@pytest.mark.parametrize(
    ("patients", "shape"), [(1, "tree"), (2, "tree"), (3, "tree"), (4, "tree"), (3, "chain"), (4, "chain")]
)
def test_a_planned_circuit_has_nothing_against_it_in_whatever_order_it_is_typed(patients, shape):
    assembly = _plan(patients, shape, reach_m=3.0)
    assert inspect(assembly) == ()
    dice = random.Random(patients)
    pieces, joints = list(assembly.pieces), list(assembly.joints)
    dice.shuffle(pieces)
    dice.shuffle(joints)
    swapped = tuple(Joint(one.downstream, one.upstream) for one in joints)
    path = gas_path(Assembly(tuple(pieces), swapped))
    assert path.lanes == gas_path(assembly).lanes
    assert inspect(path.assembly) == ()


def _turned(assembly, piece):
    """A valve end-for-end with the two adapters that make it mate: a sleeve before it and a connector behind."""
    before, behind = f"{piece}x", f"{piece}y"
    joints = []
    for one in assembly.joints:
        up, down = one.upstream, one.downstream
        if down == (piece, "in"):
            joints += [Joint(up, (before, "a")), Joint((before, "b"), (piece, "out"))]
        elif up == (piece, "out"):
            joints += [Joint((piece, "in"), (behind, "a")), Joint((behind, "b"), down)]
        else:
            joints.append(one)
    more = (Piece(before, "sleeve-22f-22f"), Piece(behind, "sleeve-22m-22m"))
    return Assembly((*assembly.pieces, *more), tuple(joints))


@pytest.mark.parametrize("piece", ["A.in.valve", "B.out.valve"])
def test_a_valve_turned_round_mates_and_is_found_all_the_same(piece):
    assembly = _turned(_plan(), piece)
    path = gas_path(assembly)  # every joint fits
    assert turned_round(path) == (piece,)
    findings = inspect(assembly)
    assert [(finding.id, finding.value) for finding in findings] == [("circuit-turned-round", piece)]
    assert piece in findings[0].reason


def test_a_valve_left_out_is_named_with_its_patient_and_side():
    assembly = _plan()
    bridged = _without(assembly, "B.in.valve")
    # The limb goes straight onto the splitter: 22F onto 22M, so that it fits.
    bridged = Assembly(bridged.pieces, (*bridged.joints, Joint(("in.splitter1", "right"), ("B.in.tube1", "a"))))
    (finding,) = inspect(bridged)
    assert finding.id == "circuit-valve-missing"
    assert "patient B" in finding.reason
    assert "inspiratory" in finding.reason


def test_an_open_end_is_refused_by_name_and_a_cap_closes_it():
    assembly = _plan(3, "chain")
    gone = tuple(one.id for one in assembly.pieces if one.lane == "C")
    opened = _without(assembly, *gone)
    found = _ids(opened)
    assert found["circuit-open-end"].value in ("in.splitter2", "out.splitter2")
    caps = (Piece("cap1", "cap-22f"), Piece("cap2", "cap-22f"))
    joints = (Joint(("in.splitter2", "run-b"), ("cap1", "a")), Joint(("cap2", "a"), ("out.splitter2", "run-b")))
    closed = Assembly((*opened.pieces, *caps), (*opened.joints, *joints))
    assert len(gas_path(closed).lanes) == 2


def test_a_loop_is_refused_and_named():
    # Two splitters joined by two hoses: gas can go round.
    assembly = _plan(3)
    pieces = (Piece("in.loop1", "tube-22mm-500mm"), Piece("in.loop2", "y-piece"), Piece("in.loop3", "y-piece"),
              Piece("in.loop4", "tube-22mm-500mm"), Piece("in.sleeve9", "sleeve-22f-22f"))  # fmt: skip
    changes = {("C.in.valve", "in"): ("in.sleeve9", "a")}
    more = (
        Joint(("in.sleeve9", "b"), ("in.loop2", "common")), Joint(("in.loop2", "left"), ("in.loop1", "a")),
        Joint(("in.loop2", "right"), ("in.loop4", "a")), Joint(("in.loop1", "b"), ("in.loop3", "left")),
        Joint(("in.loop4", "b"), ("in.loop3", "right")), Joint(("in.loop3", "common"), ("C.in.valve", "in")),
    )  # fmt: skip
    found = _ids(_rejoined(assembly, changes, more, pieces))
    assert "loop" in found["circuit-loop"].reason


def test_a_way_from_one_side_to_the_other_without_a_patient_is_refused():
    assembly = _plan(2)
    pieces = (Piece("t1", "t-piece-22f"), Piece("t2", "t-piece-22f"), Piece("bypass", "tube-22mm-1000mm"))
    changes = {("A.in.valve", "in"): ("t1", "run-a"), ("B.out.tube1", "b"): ("t2", "run-b")}
    more = (
        Joint(("t1", "run-b"), ("A.in.valve", "in")), Joint(("t1", "branch"), ("bypass", "a")),
        Joint(("bypass", "b"), ("t2", "branch")),
    )  # fmt: skip
    # t2: its female end takes the splitter's male leg.
    joints = _rejoined(assembly, changes, more, pieces).joints
    joints = tuple(
        Joint(("B.out.tube1", "b"), ("t2", "run-b")) if one.upstream == ("t2", "run-b") else one for one in joints
    )
    joints = (*joints, Joint(("t2", "run-a"), ("out.splitter1", "right")))
    found = _ids(Assembly((*assembly.pieces, *pieces), joints))
    assert "short way" in found["circuit-short-cut"].reason


@pytest.mark.parametrize(
    ("spoil", "id_", "word"),
    [
        (lambda a: replace(a, pieces=tuple(replace(p, part="y-peice") if p.id == "A.wye" else p for p in a.pieces)), "circuit-part-unknown", "y-piece"),
        (lambda a: replace(a, joints=(*a.joints, Joint(("A.wyee", "left"), ("B.wye", "left")))), "circuit-piece-unknown", "A.wye"),
        (lambda a: _rejoined(a, {("A.wye", "left"): ("A.wye", "lefft")}), "circuit-end-unknown", "common, left, right"),
        (lambda a: replace(a, pieces=(*a.pieces, a.pieces[2])), "circuit-piece-twice", "own label"),
        (lambda a: replace(a, joints=(*a.joints, a.joints[0])), "circuit-end-twice", "one joint an end"),
        (lambda a: _without(a, "ventilator.expiratory"), "circuit-port-missing", "both ports"),
        (lambda a: replace(a, pieces=tuple(p for p in a.pieces if not p.id.endswith(".tube")), joints=tuple(j for j in a.joints if not j.downstream[0].endswith(".tube"))), "circuit-patients", "tracheal tube"),
        (lambda a: _rejoined(a, {("A.in.valve", "in"): ("A.in.valve", "out"), ("A.in.valve", "out"): ("A.in.valve", "in")}), "circuit-joint", "sleeve"),
        (lambda a: Assembly((), ()), "circuit-port-missing", "both ports"),
    ],
    ids=["part", "piece", "end", "twice", "end-twice", "port", "patients", "joint", "nothing"],
)  # fmt: skip
def test_a_slip_in_what_was_typed_is_refused_with_what_to_do(spoil, id_, word):
    found = _ids(spoil(_plan()))
    assert id_ in found, found
    assert word in f"{found[id_].remedy} {found[id_].reason}"


def test_a_venting_peep_valve_in_a_limb_is_refused():
    assembly = _plan(2, peep_valve_cmh2o=5.0)
    venting = replace(
        assembly,
        pieces=tuple(
            replace(p, part="peep-valve-venting") if p.id == "A.out.peep-valve" else p for p in assembly.pieces
        ),
    )
    assert "room" in _ids(venting)["circuit-venting"].reason


def test_narrow_bore_in_a_trunk_an_hme_with_a_humidifier_and_a_missing_filter_are_named():
    assembly = _plan(2)
    narrow = replace(
        assembly,
        pieces=tuple(replace(p, part="tube-15mm-1500mm") if p.id == "in.sleeve1" else p for p in assembly.pieces),
    )
    assert "15 mm bore" in inspect(narrow)[0].reason
    heated = build_for(CircuitNeeds((PatientNeeds(),) * 2, humidification="heated"), None).assembly
    wet = replace(heated, pieces=tuple(replace(p, part="hmef") if p.id == "A.filter" else p for p in heated.pieces))
    assert any("humidifier" in finding.reason for finding in inspect(wet))
    bare = replace(
        assembly,
        pieces=tuple(replace(p, part="hme-without-filter") if p.id == "B.filter" else p for p in assembly.pieces),
    )
    assert [finding.id for finding in inspect(bare)] == ["circuit-filter-missing"]


def test_every_random_change_of_one_joint_is_noticed():
    """No two ends of a good circuit can be exchanged without a finding or a refusal."""
    dice = random.Random(5)
    assembly = _plan(3)
    for _ in range(150):
        joints = list(assembly.joints)
        i, j = dice.sample(range(len(joints)), 2)
        joints[i], joints[j] = (
            Joint(joints[i].upstream, joints[j].downstream),
            Joint(joints[j].upstream, joints[i].downstream),
        )
        changed = Assembly(assembly.pieces, tuple(joints))
        try:
            findings = inspect(changed)
        except Refused:
            continue
        if not findings:  # two legs of one Y-piece, or shared sleeves alike, may change places
            up, down = (
                {joints[i].upstream[0], joints[j].upstream[0]},
                {joints[i].downstream[0], joints[j].downstream[0]},
            )
            shared = not any(assembly.piece(piece).lane for piece in down)
            assert len(up) == 1 or len(down) == 1 or shared, (joints[i], joints[j])


def test_crossed_patients_are_found_although_every_joint_fits():
    changes = {("A.tube", "connector"): ("B.tube", "connector"), ("B.tube", "connector"): ("A.tube", "connector")}
    findings = inspect(_rejoined(_plan(), changes))
    assert {finding.id for finding in findings} == {"circuit-crossed"}
    assert any("labelled A and lies in B's way" in finding.reason for finding in findings)


def test_every_joint_is_one_step_and_every_valve_is_read_aloud():
    assembly = _plan(4, "chain", peep_valve_cmh2o=5.0)
    found = steps(assembly)
    assert [one.number for one in found] == list(range(1, len(assembly.joints) + 1))
    assert len({one.joint for one in found}) == len(assembly.joints)
    read_aloud = {one.joint.downstream[0] for one in found if "aloud" in one.checked_by}
    assert read_aloud == set(valves(assembly))
    assert len(read_aloud) == 12
    for one in found:
        if ".in.valve" in one.joint.downstream[0]:
            assert "towards the patient" in one.direction
        if ".out." in one.joint.downstream[0] and one.direction:
            assert "towards the machine" in one.direction
    before = set()  # whatever is pushed on goes onto something that is there, or joins two things that are
    for one in found:
        assert (
            one.joint.upstream[0] in before
            or not before
            or one.joint.upstream[0].startswith(("ventilator", "A", "B", "C", "D", "in", "out"))
        )
        before |= {one.joint.upstream[0], one.joint.downstream[0]}


def test_no_tracheal_tube_is_joined_before_the_change_over():
    for one in steps(_plan()):
        if one.joint.downstream[0].endswith(".tube"):
            assert one.sentence.startswith("a test lung")
            assert "change-over" in one.direction


def test_titles_are_unique():
    assembly = _plan(4, "tree", reach_m=4.0, peep_valve_cmh2o=5.0, restrictor="restrictor-4.0mm", closed_suction=True)
    titles = [title(one.id, assembly.part(one.id)) for one in assembly.pieces]
    assert len(set(titles)) == len(titles), sorted(titles)


@pytest.mark.parametrize("patients", [2, 3, 4])
@pytest.mark.parametrize("shape", ["tree", "chain"])
def test_the_order_rule_of_the_trade_is_covered_and_the_gap_explained(patients, shape):
    # Common practice, no source: per patient attached one extra Y-piece and two one-way valves, one extra filter on the
    # shared expiratory limb; four patients need T-pieces or further Y-pieces on both sides.
    lines = {one.item: one for one in order_rule(gas_path(_plan(patients, shape)))}
    assert all(one.covered for one in lines.values())
    assert lines["one-way valves"].rule == 2 * patients
    assert lines["splitters, both sides"].build == 2 * (patients - 1)
    assert lines["filter on the shared expiratory limb"].build == 1
    gaps = [one for one in lines.values() if one.build != one.rule]
    assert all(one.why for one in gaps)
    assert order_rule(gas_path(_plan(1))) == ()


def test_lanes_divide_in_pairs_or_one_after_another():
    assert splitting("ABCD", "tree") == (("A", "B"), ("C", "D"))
    assert splitting("ABCD", "chain") == ("A", ("B", ("C", "D")))
    assert splitting("ABC", "tree") == (("A", "B"), "C")


@pytest.mark.parametrize(("patients", "shape"), [(1, "tree"), (2, "chain"), (3, "tree"), (4, "tree"), (4, "chain")])
def test_every_piece_has_a_place_of_its_own_and_gas_runs_to_the_right(patients, shape):
    assembly = _plan(patients, shape, reach_m=3.0)
    drawn = layout(assembly)
    in_hoses = {piece for hose in drawn.hoses for piece in hose.pieces}
    assert set(drawn.places) | in_hoses == {one.id for one in assembly.pieces}
    places = [(round(place.column, 2), round(place.row, 2)) for place in drawn.places.values()]
    assert len(set(places)) == len(places)
    for joint in assembly.joints:
        one, other = (drawn.places.get(end[0]) for end in joint.ends)
        if one and other:
            assert one.column <= other.column + 1e-9, joint
    wyes = {drawn.places[f"{lane}.wye"].column for lane in assembly.lanes}
    assert len(wyes) == 1
    assert all(part.name in PARTS for part in PARTS.values())


def _spoilt(dice):
    """A good circuit with one to three slips of the kinds that people make when they type."""
    assembly = _plan(dice.choice([1, 2, 3, 4]), dice.choice(["tree", "chain"]))
    pieces, joints = list(assembly.pieces), list(assembly.joints)
    for _ in range(dice.choice([1, 2, 3])):
        i, j = dice.sample(range(len(joints)), 2)
        k = dice.randrange(len(pieces))
        slip = dice.randrange(7)
        if slip == 0:
            pieces[k] = replace(pieces[k], part=dice.choice([*PARTS, "tracheal-tube", "inspiratory-port"]))
        elif slip == 1:
            pieces[k] = replace(
                pieces[k], id=dice.choice(["x", "A", "B.tube", "..", "in.", "A.in.tube1", pieces[0].id])
            )
        elif slip == 2:
            joints[i] = Joint(joints[i].upstream, joints[j].downstream)
        elif slip == 3:
            joints[i] = Joint(joints[i].downstream, joints[i].upstream)
        elif slip == 4:
            joints[i] = Joint(joints[i].upstream, (pieces[k].id, dice.choice(["a", "in", "common", "patient"])))
        elif slip == 5:
            pieces[k] = replace(pieces[k], id="gone")
        else:
            joints.append(Joint(joints[i].upstream, joints[j].downstream))
    return Assembly(tuple(pieces), tuple(joints))


def test_whatever_is_typed_is_read_or_refused_and_never_crashes():
    dice = random.Random(11)
    read = 0
    for _ in range(400):
        assembly = _spoilt(dice)
        try:
            path = gas_path(assembly)
        except Refused:
            continue
        read += 1
        inspect(assembly)
        network_of(path)
        steps(assembly)
        layout(assembly)
        circuit_svg(assembly)
    assert read > 10
