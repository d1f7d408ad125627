"""Machines that differ only in their label are one pool: the choice must lose nothing by it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from airyoke.plan.assignment import assign
from airyoke.plan.options import KEPT
from plan.machine_tables import choices, machine_ward
from plan.refereed import LONG, goals_of, goals_of_referee, plain
from referees.plan_referee import best_plan

WARDS = 2000 if LONG else 100


def pooled(ward, options=None):
    return assign(choices(ward, ward.offered() if options is None else options))


@pytest.fixture(scope="module")
def wards():
    found = []
    for seed in range(WARDS):
        ward = machine_ward(seed)
        found.append((seed, ward, pooled(ward)))
    return found


def test_a_choice_from_pools_reaches_what_a_choice_from_every_machine_by_name_reaches(wards):
    wrong, shared, in_pools, named = [], 0, 0, 0
    for seed, ward, found in wards:
        best = best_plan(ward.beds, plain(ward.by_name()), ward.usable, ward.stock, ward.left_breaks)
        shared += best.couplings > 0
        in_pools += any(o.ventilator < KEPT for o in found.chosen)
        named += len(ward.by_name()) > len(ward.offered())
        if goals_of(found.goals) != goals_of_referee(best):
            wrong.append((seed, goals_of(found.goals), goals_of_referee(best)))
    assert not wrong, f"{len(wrong)} of {WARDS} (seed, from pools, by name): {wrong[:5]}"
    assert shared > WARDS // 6
    assert in_pools > WARDS // 3
    assert named > WARDS // 2


def test_dealing_out_the_pools_gives_everybody_a_machine_of_their_own_that_they_may_be_on(wards):
    wrong, dealt = [], 0
    for seed, ward, found in wards:
        placed = ward.machines.on_machines(found.chosen)
        dealt += sum(o.ventilator < KEPT for o in found.chosen)
        numbers = [o.ventilator for o in placed if o.ventilator != KEPT]
        may_be = {(o.beds, o.ventilator) for o in ward.by_name()}
        if len(numbers) != len(set(numbers)) or len(numbers) > ward.usable:
            wrong.append((seed, "a machine twice, or more than may be used", numbers))
        if [replace(o, ventilator=0) for o in placed] != [replace(o, ventilator=0) for o in found.chosen]:
            wrong.append((seed, "more than the machine changed"))
        if not {(o.beds, o.ventilator) for o in placed} <= may_be:
            wrong.append((seed, "where it may not be", placed))
        said = sum(o.breaks for o in placed)
        true = sum(ward.breaks(o.beds, o.ventilator) for o in placed if o.ventilator != KEPT)
        if said != true:
            wrong.append((seed, "breaks", said, true))
    assert not wrong, f"{len(wrong)}: {wrong[:5]}"
    assert dealt > WARDS // 2


def test_without_the_pools_the_choice_would_be_worse(wards):
    # Negative control: with only a bed's own machine on offer somebody would be left or moved.
    worse = 0
    for _, ward, found in wards[:25]:
        own = [o for o in ward.offered() if o.ventilator >= KEPT]
        worse += goals_of(pooled(ward, own).goals) != goals_of(found.goals)
    assert worse >= 5
