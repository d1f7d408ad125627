"""Circuits from random store rooms: what can be built fits together, what cannot names the smallest set of parts."""

from __future__ import annotations

import os
import random
import time
from collections import Counter
from itertools import combinations_with_replacement, product

import pytest

from airyoke.circuit import PARTS, standard_build
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import build_for, builds_for, circuit_of_parts
from airyoke.circuit.measured import Measurement, measured_part
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.quantities import Refused
from circuit.recheck import faults_of

LONG = os.environ.get("AIRYOKE_LONG") == "1"
STOCKS = 300 if LONG else 30


def _random_needs(dice, label=""):
    patients = tuple(
        PatientNeeds(
            reach_m=dice.choice([1.5, 1.5, 2.0, 3.0, 4.0]),
            restrictor=dice.choice([None, None, None, "restrictor-4.0mm"]),
            peep_valve_cmh2o=dice.choice([None, None, None, 5.0]),
            closed_suction=dice.random() < 0.1,
        )
        for _ in range(dice.choice([1, 2, 2, 3, 4]))
    )
    return CircuitNeeds(patients, dice.choice(["tree", "chain"]), dice.choice(["hme", "hme", "heated"]), label)


def _random_stock(dice, most):
    return {name: dice.choice([0, 1, 2, most // 2, most]) for name in PARTS}


@pytest.mark.parametrize("seed", range(STOCKS))
def test_what_is_built_fits_together_and_what_is_not_lacks_a_smallest_set(seed):
    dice = random.Random(seed)
    needs, stock = _random_needs(dice), _random_stock(dice, dice.choice([6, 12, 20]))
    result = build_for(needs, stock)
    if isinstance(result, CannotBuild):
        missing = dict(result.missing)
        assert missing
        restocked = {name: stock[name] + missing.get(name, 0) for name in PARTS}
        assert not isinstance(build_for(needs, restocked), CannotBuild)
        for name in missing:  # one piece less of any of them does not do
            assert isinstance(build_for(needs, {**restocked, name: restocked[name] - 1}), CannotBuild)
        return
    assert faults_of(result.assembly, PARTS) == []
    taken = Counter(one.part for one in result.assembly.pieces if one.part in PARTS)
    assert taken == Counter(dict(result.build.parts))
    assert all(count <= stock[name] for name, count in taken.items())
    for lane, patient in zip(result.assembly.lanes, needs.patients, strict=True):
        for side in ("in", "out"):
            hose = [
                PARTS[one.part].length_m for one in result.assembly.pieces if one.id.startswith(f"{lane}.{side}.tube")
            ]
            assert sum(hose) >= patient.reach_m - 1e-9


@pytest.mark.parametrize("layout", ["tree", "chain"])
@pytest.mark.parametrize("humidification", ["hme", "heated"])
@pytest.mark.parametrize("patients", [1, 2, 3, 4])
def test_every_kind_of_circuit_fits_together_where_nothing_is_scarce(patients, layout, humidification):
    result = build_for(CircuitNeeds((PatientNeeds(closed_suction=True),) * patients, layout, humidification), None)
    assert not isinstance(result, CannotBuild)
    assert faults_of(result.assembly, PARTS) == []
    assert result.substitutes == ()


def _brute_force_missing(stock):
    """Fewest parts to add for two patients, a tree, HMEs and 1.5 m: every way to fill every place, written out anew.

    Tubes of 0.3, 1.8 m, smooth and narrow ones are not in these stocks: a missing one is no better than a missing 1.5 m
    tube.
    """
    limbs = [
        {"tube-22mm-1500mm": 1}, {"tube-22mm-1000mm": 1, "tube-22mm-500mm": 1, "sleeve-22m-22m": 1},
        {"tube-22mm-1000mm": 2, "sleeve-22m-22m": 1}, {"tube-22mm-500mm": 3, "sleeve-22m-22m": 2},
    ]  # fmt: skip
    bridges = ["sleeve-22f-22f", "tube-22mm-300mm", "tube-22mm-500mm", "tube-22mm-1000mm"]

    def short(use):
        return sum(max(count - stock[name], 0) for name, count in use.items())

    best_tubes = min(
        short(Counter(split) + Counter(wyes) + Counter(sleeves) + sum((Counter(one) for one in hoses), Counter()))
        for split in combinations_with_replacement(["y-piece", "t-piece", "t-piece-22f"], 2)
        for wyes in combinations_with_replacement(["y-piece", "t-piece"], 2)
        for sleeves in combinations_with_replacement(bridges, sum(name != "t-piece-22f" for name in split))
        for hoses in combinations_with_replacement(limbs, 4)
    )
    valves = min(
        short(Counter(four)) for four in combinations_with_replacement(["one-way-valve", "one-way-valve-spring"], 4)
    )
    filters = [("hmef",), ("filter-pleated", "hme-without-filter"), ("filter-electrostatic", "hme-without-filter")]
    out = ["expiratory-filter", "expiratory-cartridge", "filter-pleated", "filter-electrostatic"]
    best_filters = min(
        short(Counter(sum(two, ())) + Counter([last]) + Counter(name for name in co2 if name != "port"))
        for two in combinations_with_replacement(filters, 2)
        for last in out
        for co2 in combinations_with_replacement(["capnograph-adapter", "capnograph-cuvette", "port"], 2)
        if co2.count("port") <= two.count(("hmef",))
    )
    return best_tubes + valves + best_filters  # a mount may be left out


@pytest.mark.parametrize("seed", range(40 if LONG else 8))
def test_the_smallest_missing_set_is_as_small_as_brute_force_finds(seed):
    dice = random.Random(1000 + seed)
    none = ("tube-22mm-300mm", "tube-22mm-1800mm", "tube-22mm-smooth-1800mm", "tube-15mm-1500mm")
    stock = {name: 0 if name in none else dice.choice([0, 0, 1, 2, 3]) for name in PARTS}
    result = build_for(CircuitNeeds((PatientNeeds(),) * 2), stock)
    fewest = _brute_force_missing(stock)
    if isinstance(result, CannotBuild):
        assert sum(count for _, count in result.missing) == fewest
    else:
        assert fewest == 0


def _cost(names, dead=False):
    """A part's drop at 30 L/min, opening pressure included, in milli-cmH2O; at the patient 25 mL count as 1 cmH2O."""
    parts = [PARTS[name] for name in names]
    drop = sum(p.element.linear * 0.5 + p.element.quadratic * 0.25 + p.cracking_cmh2o for p in parts)
    return round(1000 * (drop + (sum(p.dead_space_ml for p in parts) / 25 if dead else 0)))


def _best_by_counting(stock):
    """(substitutes, parts, cost) of the best circuit of two, a tree, HMEs, 1.5 m: every mixture, place by place.

    Places that draw on different boxes are counted apart and added: the order of goals allows it.
    """
    weight = {0: 0, 1: 1, 2: 3}
    split = [("y-piece", 0), ("t-piece", 1), ("t-piece-22f", 1)]
    wye = [("y-piece", 0), ("t-piece", 1)]
    bridge = [("sleeve-22f-22f", 0), ("tube-22mm-300mm", 1), ("tube-22mm-500mm", 1), ("tube-22mm-1000mm", 1)]
    join = "sleeve-22m-22m"
    limb = [
        (("tube-22mm-1500mm",), 0), (("tube-22mm-1000mm", "tube-22mm-500mm", join), 0),
        (("tube-22mm-1000mm", "tube-22mm-1000mm", join), 0), (("tube-22mm-500mm",) * 3 + (join,) * 2, 0),
    ]  # fmt: skip

    def score(picks):
        use = Counter(name for names, _, _ in picks for name in names)
        if any(count > stock[name] for name, count in use.items()):
            return None
        return (
            sum(weight[rank] for _, rank, _ in picks),
            sum(len(names) for names, _, _ in picks),
            sum(_cost(names, dead) for names, _, dead in picks),
        )

    def best(choices):
        return min((one for one in map(score, choices) if one is not None), default=None)

    hoses = best(
        [((name,), rank, False) for name, rank in s]
        + [((name,), rank, True) for name, rank in w]
        + [((name,), rank, False) for name, rank in b]
        + [(names, rank, False) for names, rank in hose]
        for s in combinations_with_replacement(split, 2)
        for w in combinations_with_replacement(wye, 2)
        for b in combinations_with_replacement(bridge, sum(name != "t-piece-22f" for name, _ in s))
        for hose in combinations_with_replacement(limb, 4)
    )
    valves = best(
        [((name,), rank, False) for name, rank in four]
        for four in combinations_with_replacement([("one-way-valve", 0), ("one-way-valve-spring", 1)], 4)
    )
    filters = [
        (("hmef",), 0), (("filter-pleated", "hme-without-filter"), 1), (("filter-electrostatic", "hme-without-filter"), 2),
    ]  # fmt: skip
    out = [("expiratory-filter", 0), ("expiratory-cartridge", 1), ("filter-pleated", 1), ("filter-electrostatic", 2)]
    co2 = [(("capnograph-adapter",), 0), (("capnograph-cuvette",), 1), ((), 2)]
    gas = best(
        [(names, rank, True) for names, rank in two]
        + [((last,), last_rank, False)]
        + [(names, rank, True) for names, rank in lines]
        for two in combinations_with_replacement(filters, 2)
        for last, last_rank in out
        for lines in combinations_with_replacement(co2, 2)
        if sum(names == () for names, _ in lines) <= sum(names == ("hmef",) for names, _ in two)
    )
    mounts = best(
        [(names, rank, True) for names, rank in two]
        for two in combinations_with_replacement([(("catheter-mount",), 0), (("elbow",), 1), ((), 2)], 2)
    )
    found = (hoses, valves, gas, mounts)
    return None if None in found else tuple(map(sum, zip(*found, strict=True)))


@pytest.mark.parametrize("seed", range(60 if LONG else 10))
def test_the_chosen_parts_are_the_best_that_counting_every_mixture_finds(seed):
    dice = random.Random(2000 + seed)
    none = ("tube-22mm-300mm", "tube-22mm-1800mm", "tube-22mm-smooth-1800mm", "tube-15mm-1500mm")
    stock = {name: 0 if name in none else dice.choice([1, 2, 3, 5, 8]) for name in PARTS}
    result = builds_for([CircuitNeeds((PatientNeeds(),) * 2)], stock)
    expected = _best_by_counting(stock)
    if isinstance(result.groups[0], CannotBuild):
        assert expected is None
        return
    reached = {goal.goal: goal.value for goal in result.goals}
    assert (reached["substitutes"], reached["parts"], reached["resistance_and_dead_space"]) == expected


def test_reaches_that_differ_by_a_hair_are_one_reach():
    needs = CircuitNeeds((PatientNeeds(2.0), PatientNeeds(2.0000001), PatientNeeds(1.5)))
    result = build_for(needs, None)
    assert faults_of(result.assembly, PARTS) == []
    assert dict(result.build.parts) == dict(Counter(one.part for one in result.assembly.pieces if one.part in PARTS))


def test_no_groups_need_no_parts():
    result = builds_for([], {})
    assert result.groups == ()
    assert result.pick_list == ()


def test_as_many_groups_are_built_as_trying_every_subset_finds():
    for seed in range(8 if LONG else 2):
        dice = random.Random(seed)
        groups = [_random_needs(dice, str(i)) for i in range(4)]
        stock = _random_stock(dice, 14)
        together = builds_for(groups, stock)
        built = sum(not isinstance(one, CannotBuild) for one in together.groups)
        most = 0
        for kept in product([False, True], repeat=len(groups)):
            some = [one for one, keep in zip(groups, kept, strict=True) if keep]
            if len(some) > most and not any(isinstance(one, CannotBuild) for one in builds_for(some, stock).groups):
                most = len(some)
        assert built == most
        used = Counter()
        for one in together.groups:
            if not isinstance(one, CannotBuild):
                used.update(dict(one.build.parts))
                assert faults_of(one.assembly, PARTS) == []
        assert all(count <= stock[name] for name, count in used.items())
        assert all(goal.proved for goal in together.goals)
        assert {line.part: line.need for line in together.pick_list} == dict(used)


def test_alike_groups_are_dealt_whole_circuits():
    needs = [CircuitNeeds((PatientNeeds(),) * 2, label=str(i)) for i in range(3)]
    stock = {**dict.fromkeys(PARTS, 0), "y-piece": 9, "t-piece": 2, "t-piece-22f": 1, "one-way-valve": 7,
             "one-way-valve-spring": 5, "tube-22mm-1500mm": 9, "tube-22mm-1000mm": 3, "tube-22mm-500mm": 4,
             "sleeve-22m-22m": 3, "hmef": 4, "filter-pleated": 3, "hme-without-filter": 2, "expiratory-filter": 2,
             "sleeve-22f-22f": 4, "capnograph-adapter": 3, "catheter-mount": 5, "elbow": 1}  # fmt: skip
    result = builds_for(needs, stock)
    for one in result.groups:
        assert not isinstance(one, CannotBuild), one.reason
        assert faults_of(one.assembly, PARTS) == []
    # Three capnograph lines have to go on the ports of HMEFs, and each of those circuits has such an HMEF.
    ports = [
        sum(pick.count for pick in one.substitutes if pick.option.parts == () and pick.slot == "capnograph")
        for one in result.groups
    ]
    hmefs = [dict(one.build.parts).get("hmef", 0) for one in result.groups]
    assert sum(ports) == 3
    assert all(port <= hmef for port, hmef in zip(ports, hmefs, strict=True))


def test_twenty_groups_from_one_stock_take_seconds():
    dice = random.Random(3)
    groups = [
        CircuitNeeds(
            tuple(PatientNeeds(dice.choice([1.5, 2.0, 2.5, 3.0, 4.0])) for _ in range(dice.choice([2, 2, 2, 3, 4]))),
            label=str(i),
        )
        for i in range(20)
    ]
    stock = {name: dice.choice([10, 20, 40, 80, 120]) for name in PARTS}
    began = time.perf_counter()
    result = builds_for(groups, stock)
    took = time.perf_counter() - began
    assert all(goal.proved for goal in result.goals)
    assert took < 10.0, f"{took:.1f} s"  # 0.5 s on two quiet cores; shared machines get air


@pytest.mark.parametrize("patients", [2, 3, 4])
def test_the_usual_circuit_takes_the_parts_of_the_default_build(patients):
    result = build_for(CircuitNeeds((PatientNeeds(),) * patients), None)
    assert dict(result.build.parts) == dict(standard_build(patients).parts)


def test_a_substitute_is_named_with_what_it_stands_for():
    stock = {**dict.fromkeys(PARTS, 20), "hmef": 1, "one-way-valve": 3}
    result = builds_for([CircuitNeeds((PatientNeeds(),) * 2)], stock)
    instead = {line.part: line.instead for line in result.pick_list if line.instead}
    assert "HMEF" in instead["filter-pleated"]
    assert "valve" in instead["one-way-valve-spring"]
    assert "y-piece" not in instead


@pytest.mark.parametrize("scarce", ["north-filter", "south-filter"])
def test_of_two_parts_alike_the_scarce_one_is_spared(scarce):
    alike = [
        measured_part(Measurement(name, "expiratory-filter", 0.6, 1.4)) for name in ("north-filter", "south-filter")
    ]
    catalogue = {**PARTS, **{part.name: part for part in alike}}
    stock = {**dict.fromkeys(PARTS, 20), "expiratory-filter": 0, "north-filter": 9, "south-filter": 9, scarce: 1}
    result = build_for(CircuitNeeds((PatientNeeds(),) * 2), stock, catalogue)
    assert scarce not in dict(result.build.parts)


def test_of_two_substitutes_the_one_with_less_resistance_is_taken():
    stock = {**dict.fromkeys(PARTS, 20), "expiratory-filter": 0, "expiratory-cartridge": 1}
    assert PARTS["expiratory-cartridge"].element.drop_cmh2o(0.5) < PARTS["filter-pleated"].element.drop_cmh2o(0.5)
    assert "expiratory-cartridge" in dict(build_for(CircuitNeeds((PatientNeeds(),) * 2), stock).build.parts)


def test_a_part_of_the_site_stands_in_for_its_pattern_and_brings_its_own_numbers():
    ours = measured_part(Measurement("our-hmef", "hmef", 0.8, 2.2, dead_space_ml=35.0))
    catalogue = {**PARTS, ours.name: ours}
    stock = {**dict.fromkeys(PARTS, 20), "hmef": 0, ours.name: 5}
    result = build_for(CircuitNeeds((PatientNeeds(),) * 2), stock, catalogue)
    assert dict(result.build.parts)["our-hmef"] == 2
    assert result.substitutes == ()
    usual = build_for(CircuitNeeds((PatientNeeds(),) * 2), None)
    assert result.build.network.limbs[0].dead_space_ml == usual.build.network.limbs[0].dead_space_ml - 15.0
    assert result.build.network.limbs[0].patient.linear == pytest.approx(4 * 0.8 - 2.2)


@pytest.mark.parametrize(
    ("stock", "id_"),
    [
        ({"y-piece": -1}, "count-impossible"), ({"y-piece": 1.5}, "count-impossible"),
        ({"y-piece": float("nan")}, "count-impossible"), ({"y-peice": 3}, "part-unknown"),
    ],
)  # fmt: skip
def test_an_impossible_stock_is_refused_and_the_near_name_said(stock, id_):
    with pytest.raises(Refused) as refusal:
        build_for(CircuitNeeds((PatientNeeds(),) * 2), stock)
    (finding,) = refusal.value.findings
    assert finding.id == id_
    if id_ == "part-unknown":
        assert "y-piece" in finding.remedy


@pytest.mark.parametrize(
    ("needs", "id_"),
    [
        (CircuitNeeds(()), "circuit-patients"), (CircuitNeeds((PatientNeeds(),) * 5), "circuit-patients"),
        (CircuitNeeds((PatientNeeds(reach_m=0.0),)), "circuit-reach"),
        (CircuitNeeds((PatientNeeds(reach_m=60.0),)), "circuit-reach"),
        (CircuitNeeds((PatientNeeds(reach_m=float("nan")),)), "circuit-reach"),
        (CircuitNeeds((PatientNeeds(peep_valve_cmh2o=50.0),)), "circuit-peep-valve"),
        (CircuitNeeds((PatientNeeds(restrictor="hmef"),)), "circuit-restrictor"),
    ],
)  # fmt: skip
def test_an_impossible_need_is_refused(needs, id_):
    with pytest.raises(Refused) as refusal:
        build_for(needs, None)
    assert id_ in {finding.id for finding in refusal.value.findings}


def test_a_reach_that_no_tubing_of_the_site_gives_is_refused():
    short = {name: part for name, part in PARTS.items() if part.kind != "tube" or part.length_m <= 1.0}
    with pytest.raises(Refused, match="reach"):
        build_for(CircuitNeeds((PatientNeeds(5.0),) * 2), None, short)


@pytest.mark.parametrize("seed", range(6))
def test_the_parts_of_a_circuit_give_it_back(seed):
    dice = random.Random(700 + seed)
    stock = _random_stock(dice, 14)
    for size in (2, 3, 4):
        for wet in ("hme", "heated"):
            one = build_for(CircuitNeeds((PatientNeeds(),) * size, humidification=wet), stock)
            if isinstance(one, CannotBuild):
                continue
            again = circuit_of_parts(size, dict(one.build.parts))
            assert not isinstance(again, CannotBuild)
            assert (again.build.parts, again.build.network) == (one.build.parts, one.build.network)
