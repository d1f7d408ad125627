"""The runner-up: the best of all plans that are not the plan, and said truly how much worse it is."""

from __future__ import annotations

import pytest

from airyoke.plan.assignment import assign_other_than
from airyoke.plan.judging import ventilator_class
from plan.listing import best_goals_of, every_plan
from plan.option_tables import random_table
from plan.refereed import LONG, assigned, goals_of, planned_in_full
from plan.ward_rules import WardRules
from referees.plan_referee import millionths
from referees.ward_maker import random_ward

TABLES = 3000 if LONG else 90
MOST_BEDS, MOST_OPTIONS = 5, 45
WARDS = 60 if LONG else 3


def shared_groups(chosen):
    return frozenset(o.beds for o in chosen if len(o.beds) > 1)


def second(table, best):
    return assign_other_than(best, table)


def test_no_plan_that_differs_in_a_group_or_in_who_is_left_is_better_than_the_runner_up():
    wrong, compared, alone, by_left = [], 0, 0, 0
    for seed in range(TABLES):
        table = random_table(seed)
        if table.beds > MOST_BEDS or len(table.options) > MOST_OPTIONS:
            continue
        compared += 1
        best = assigned(table)
        plan = shared_groups(best.chosen), best.left
        others = [p for p in every_plan(table) if (p.shared, p.left) != plan]
        found = second(table, best)
        if not others:
            alone += 1
            if found is not None:
                wrong.append((seed, "there is no other", found))
            continue
        true = best_goals_of(others, table.beds)
        if found is None or goals_of(found.goals) != true:
            wrong.append((seed, found and goals_of(found.goals), true))
        elif (shared_groups(found.chosen), found.left) == plan:
            wrong.append((seed, "the plan itself"))
        else:
            by_left += shared_groups(found.chosen) == plan[0]
    assert not wrong, f"{len(wrong)} of {compared} (seed, found, true): {wrong[:5]}"
    assert compared > TABLES // 2
    assert alone > TABLES // 20
    assert by_left > TABLES // 20


def test_a_runner_up_without_the_best_other_groups_would_be_noticed():
    # Negative control: the referee's list without the plans that reach its best goals says something else.
    noticed = 0
    for seed in range(30):
        table = random_table(seed)
        if table.beds > MOST_BEDS or len(table.options) > MOST_OPTIONS:
            continue
        best = assigned(table)
        found = second(table, best)
        worse = [p for p in every_plan(table) if len(p.left) > len(best.left)]
        noticed += found is not None and bool(worse) and best_goals_of(worse, table.beds) != goals_of(found.goals)
    assert noticed >= 5


@pytest.fixture(scope="module")
def wards():
    """Wards with a runner-up, planned in full."""
    found = []
    for seed in range(20 * WARDS):
        ward = random_ward(seed, most=7)
        if len(found) < WARDS and ward.policy.sharing != "no":
            planned, plan = planned_in_full(ward)
            if plan.runner_up is not None and any(len(g.beds) > 1 for g in plan.runner_up.groups):
                found.append((seed, ward, planned, plan))
    assert len(found) == WARDS
    return found


def test_every_shared_group_of_the_runner_up_was_judged_and_has_the_margin_that_is_shown(wards):
    wrong = []
    for seed, ward, planned, plan in wards:
        number = {bed.label: i for i, bed in enumerate(ward.beds)}
        machine = {v.label: v for v in ward.ventilators}
        for group in plan.runner_up.groups:
            if len(group.beds) == 1:
                continue
            members = tuple(number[b] for b in group.beds)
            kind = ventilator_class(machine[group.ventilator])
            known = [planned.judge.known(members, kind, build) for build in planned.pool.builds(members)]
            verdict = next((v for v in known if v is not None and v.margin == group.margin), None)
            if verdict is None or not verdict.allowed or verdict.margin != group.margin:
                wrong.append((seed, group, verdict and verdict.margin))
    assert not wrong


def test_the_runner_up_covers_the_ward_once_and_is_another_plan(wards):
    for _, ward, _, plan in wards:
        rules = WardRules(ward)
        other = plan.runner_up
        named = [*other.unplaced, *(b for g in other.groups for b in g.beds), *rules.kept]
        assert sorted(named) == sorted(bed.label for bed in ward.beds)
        machines = [g.ventilator for g in other.groups]
        assert len(machines) == len(set(machines))
        assert len(machines) <= rules.usable_number()
        mine = {g.beds for g in plan.groups if g.status == "judged"}
        theirs = {g.beds for g in other.groups if len(g.beds) > 1}
        left = {u.bed for u in plan.unplaced}
        assert (mine, left) != (theirs, set(other.unplaced))
        assert other.differs == ("left" if mine == theirs else "group")


def test_worse_by_counts_each_goal_in_the_direction_that_is_worse(wards):
    wrong = []
    for seed, ward, _, plan in wards:
        rules, other = WardRules(ward), plan.runner_up
        shared = [g for g in other.groups if len(g.beds) > 1]
        placed = len(ward.beds) - len(other.unplaced)
        couplings = sum(len(g.beds) * (len(g.beds) - 1) // 2 for g in shared)
        needs = sum(rules.needs(g.beds) for g in shared)
        on = {bed.label: bed.ventilator for bed in ward.beds}
        breaks = sum(rules.breaks(g.beds, g.ventilator) for g in other.groups)
        breaks += sum(on[b] is not None and rules.bed[b].readings is not None for b in other.unplaced)
        total = sum(g.margin * len(g.beds) for g in shared)
        said, reached = dict(other.worse_by), {g.goal: g.value or 0.0 for g in plan.proof}
        true = {
            "placed": reached["placed"] - placed,
            "couplings": couplings - reached["couplings"],
            "needs": needs - reached["needs"],
            "breaks": breaks - reached["breaks"],
            "margin_sum": reached["margin_sum"] - total,
        }
        wrong.extend(
            (seed, goal, said.get(goal, 0.0), by)
            for goal, by in true.items()
            if abs(millionths(said.get(goal, 0.0)) - millionths(by)) > 10
        )
        smallest = min(g.margin for g in shared)
        level = reached["smallest_margin"] - said.get("smallest_margin", 0.0)
        # Up to 0.10 of the smallest margin may be given up for fewer breaks.
        if not -1e-5 <= level - smallest <= 0.1 + 1e-5:
            wrong.append((seed, "smallest_margin", level, smallest))
        if other.worse_by and other.worse_by[0][1] < 0.0:
            wrong.append((seed, "better than the plan in the first goal that differs", other.worse_by))
    assert not wrong
    assert any(plan.runner_up.worse_by for *_, plan in wards)
