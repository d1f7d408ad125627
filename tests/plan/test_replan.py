"""Plans from what runs, against every way to go on from there."""

from __future__ import annotations

import os
from dataclasses import replace

import pytest

from airyoke.circuit.builds import standard_build
from airyoke.plan.replan import replan
from airyoke.plan.running import RunningGroup, on_lanes, stock_without
from airyoke.plan.store_room import StoreRoom
from plan.replan_tables import best_of_every_way, running_ward

WARDS = 1500 if os.environ.get("AIRYOKE_LONG") else 16


def goals_of(ward):
    """The goals as the planner reaches them, rounded as margins are compared."""
    found = replan(ward.request, ward.groups, off_first=ward.order, known=ward.known)
    values = tuple(None if one.value is None else round(one.value, 6) for one in found.assignment.goals)
    return values, found


@pytest.fixture(scope="module")
def replanned():
    """Every ward with what the planner says and what looking at every way says."""
    found = []
    for seed in range(WARDS):
        ward = running_ward(seed)
        found.append((seed, ward, *goals_of(ward), best_of_every_way(ward)))
    return found


def test_no_way_to_go_on_is_better_in_any_goal_than_the_new_plan(replanned):
    wrong = [(seed, said, true) for seed, _, said, _, true in replanned if said != true]
    assert not wrong, f"{len(wrong)} of {WARDS}: {wrong[:4]}"
    assert sum(any(g.status == "proved" and g.goal == "breaks" for g in f.assignment.goals) for _, _, _, f, _ in replanned) == WARDS


def test_the_invented_wards_ask_for_what_they_should(replanned):
    breaks = [true[4] for *_, true in replanned]
    joins = sum(any(one is not None and one.joins for one in f.lanes) for _, _, _, f, _ in replanned)
    assert min(breaks) <= 1
    assert max(breaks) >= 3
    assert joins >= WARDS // 20
    assert sum(true[5] is not None for *_, true in replanned) >= WARDS // 10
    assert sum(true[0] < len(ward.request.candidates) for _, ward, _, _, true in replanned) >= WARDS // 20


def test_nobody_is_on_two_machines_and_no_machine_serves_two_groups(replanned):
    for seed, ward, _, found, _ in replanned:
        beds = [i for o in found.assignment.chosen for i in o.beds]
        machines = [o.ventilator for o in found.assignment.chosen]
        assert sorted([*beds, *found.assignment.left]) == list(range(len(ward.request.candidates))), seed
        assert len(set(machines)) == len(machines), seed


def test_a_ward_in_which_nothing_is_better_is_left_as_it_is():
    # Whatever else: from the new plan on, with the same margins, the next plan opens nothing.
    for seed in range(0, WARDS, 6):
        ward = running_ward(seed)
        _, found = goals_of(ward)
        beds = [c.bed for c in ward.request.candidates]
        on, groups = {}, []
        for option, lanes in zip(found.assignment.chosen, found.lanes, strict=True):
            label = found.ventilators[option.ventilator].label
            on |= {beds[i]: label for i in option.beds}
            if lanes is not None:
                groups.append(replace(lanes.group, ventilator=label))
            elif len(option.beds) > 1:
                names = tuple(beds[i] for i in option.beds)
                groups.append(RunningGroup(label, names, standard_build(len(names)), None))
        candidates = tuple(
            replace(c, ventilator=on.get(c.bed), needs=()) for c in ward.request.candidates
        )  # what was decided once is decided
        sharing = {bed for group in groups if len(group.beds) > 1 for bed in group.beds}
        order = tuple(bed for bed in ward.order if bed in sharing)
        after = replace(ward, request=replace(ward.request, candidates=candidates), groups=tuple(groups), order=order)
        goals, _ = goals_of(after)
        if {c.needs for c in ward.request.candidates} == {()}:
            assert goals[4] == 0.0, seed


def test_parts_of_a_running_circuit_are_not_in_the_store_room():
    build = standard_build(2)
    stock = dict(build.parts)
    runs = RunningGroup("V1", ("B1", "B2"), build, None, counted=True)
    left = stock_without(stock, [runs])
    assert set(left.values()) == {0}
    assert StoreRoom(left, 1).builds(2, heated=False) == ()
    assert stock_without(stock, [replace(runs, counted=False)]) == stock  # counted since: they are not in the sheet
    assert min(stock_without({"y-piece": 1}, [runs]).values()) == 0  # a miscount never becomes less than nothing


def test_capping_lanes_leaves_the_limbs_of_those_who_stay():
    build = standard_build(3)
    two = on_lanes(build, [True, False, True])
    assert two.patients == 2
    assert two.name == "standard, lane B capped"
    assert on_lanes(build, [True, True, True]) is build
