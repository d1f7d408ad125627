"""The demo ward through the whole main job: what the README promises of it, and promises that hold for any plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from airyoke.exchange import read_ward, write_tables
from airyoke.ward.demo import demo_tables
from airyoke.ward.questions import plan_ward
from ward.small import small_ward

NOW = datetime(2026, 11, 25, 14, 0)


@pytest.fixture(scope="module")
def ward(tmp_path_factory):
    path = tmp_path_factory.mktemp("demo") / "ward.xlsx"
    write_tables(path, demo_tables(NOW))
    return read_ward(path, now=NOW)


@pytest.fixture(scope="module")
def plan(ward):
    return plan_ward(ward, now=NOW)


def test_the_demo_has_a_refusal_a_decision_and_somebody_without_a_place(plan):
    assert plan.outcome == "some_left"
    assert any(pair.by == "engine" for pair in plan.refused_pairs)
    assert any(pair.by == "readings" for pair in plan.refused_pairs)
    assert any(need for group in plan.groups for need in group.needs)
    assert plan.unplaced
    assert all(one.why and one.would_change for one in plan.unplaced)


def test_every_bed_is_once_in_a_group_or_once_without_a_place(ward, plan):
    named = [bed for group in plan.groups for bed in group.beds] + [one.bed for one in plan.unplaced]
    assert sorted(named) == sorted(bed.label for bed in ward.beds)


def test_nobody_shares_across_rooms_or_infection_labels_and_the_reserve_stays_free(ward, plan):
    beds = {bed.label: bed for bed in ward.beds}
    for group in plan.groups:
        assert len({beds[b].room for b in group.beds}) == 1
        assert len({beds[b].infection for b in group.beds}) == 1
    used = [group.ventilator for group in plan.groups]
    assert len(used) == len(set(used))
    usable = {v.label for v in ward.ventilators if v.usable}
    assert set(used) <= usable
    assert len(usable) - len(used) >= ward.policy.reserve_ventilators
    assert set(plan.reserve) == usable - set(used)


def test_every_shared_group_was_judged_by_the_engine_and_holds_the_stated_chances(plan):
    for group in plan.groups:
        if len(group.beds) < 2:
            assert group.settings is None
            continue
        assert group.status == "judged"
        assert group.answer.judge == "engine"
        margin = group.answer.margin
        assert margin.value >= 0.0
        assert margin.at_best_estimate >= 0.0
        assert margin.inside_probability >= 0.70
        assert margin.hard_inside_probability >= 0.95
        assert group.rehearsal is not None
        assert {e.bed for e in group.rehearsal.expected} == set(group.beds)
        assert {alarm.name for alarm in group.alarms} >= {"exhaled_tidal_volume", "airway_pressure", "rate", "apnoea"}


def test_settings_lie_on_the_dials_of_the_ventilator_and_in_the_policys_range(ward, plan):
    machines = {v.label: v for v in ward.ventilators}
    for group in plan.groups:
        if group.settings is None:
            continue
        s, v = group.settings, machines[group.ventilator]
        assert v.min_rate_per_min <= s.rate_per_min <= v.max_rate_per_min
        assert 10 <= s.rate_per_min <= 35
        for value, step in (
            (s.rate_per_min, v.rate_step_per_min),
            (s.inspiratory_time_s, v.inspiratory_time_step_s),
            (s.pressure_above_peep_cmh2o, v.pressure_step_cmh2o),
            (s.peep_cmh2o, v.peep_step_cmh2o),
        ):
            assert value / step == pytest.approx(round(value / step), abs=1e-6)
        assert s.peep_cmh2o + s.pressure_above_peep_cmh2o <= v.max_pressure_cmh2o
        ratio = s.inspiratory_time_s / s.expiratory_time_s
        assert 1 / 3 - 1e-9 <= ratio <= 1.0 + 1e-9


def test_every_goal_is_proved_in_the_stated_order(plan):
    order = ["placed", "couplings", "needs", "smallest_margin", "breaks", "margin_sum"]
    assert [goal.goal for goal in plan.proof] == order
    assert all(goal.status == "proved" and goal.gap == 0 for goal in plan.proof)


def test_the_pick_list_counts_the_parts_of_the_groups_against_the_stock(ward, plan):
    for line in plan.pick_list:
        needed = sum(dict(g.parts).get(line.part, 0) for g in plan.groups)
        assert line.need == needed
        assert line.have == ward.stock[line.part]
        assert line.need <= line.have


def test_the_same_ward_gives_the_same_plan(tmp_path):
    write_tables(tmp_path / "four", small_ward(NOW))
    ward = read_ward(tmp_path / "four", now=NOW)
    plan = plan_ward(ward, now=NOW)
    assert any(len(group.beds) > 1 for group in plan.groups)
    assert plan_ward(ward, now=NOW) == plan


def test_with_one_valve_too_few_one_pair_less_is_coupled(ward, plan):
    pairs = sum(len(g.beds) > 1 for g in plan.groups)
    scarce = replace(ward, stock={**ward.stock, "one-way-valve": 4 * pairs - 1})
    fewer = plan_ward(scarce, now=NOW, draws=64)
    assert sum(len(g.beds) > 1 for g in fewer.groups) < pairs


def test_with_an_empty_store_room_the_missing_parts_are_the_reason(ward):
    bare = plan_ward(replace(ward, stock={}), now=NOW, draws=64)
    assert all(len(group.beds) == 1 for group in bare.groups)
    reasons = {note.id for one in bare.unplaced for note in one.why}
    hints = {note.id for one in bare.unplaced for note in one.would_change}
    assert "parts" in reasons
    assert "parts" in hints


def test_where_policy_says_no_nobody_shares(ward):
    alone = plan_ward(replace(ward, policy=replace(ward.policy, sharing="no")), now=NOW, draws=64)
    assert alone.outcome == "no_sharing"
    assert all(len(group.beds) == 1 for group in alone.groups)


def test_without_rehearsal_fewer_or_equal_groups_are_planned_and_at_ninety_per_cent(ward, plan):
    strict = plan_ward(replace(ward, policy=replace(ward.policy, rehearse=False)), now=NOW)
    shared = [g for g in strict.groups if len(g.beds) > 1]
    assert len(shared) <= sum(len(g.beds) > 1 for g in plan.groups)
    assert all(g.answer.margin.inside_probability >= 0.90 and g.rehearsal is None for g in shared)


def test_present_gases_come_back_through_the_engine_or_the_finding_says_why(plan):
    for finding in plan.findings:
        if finding.id.startswith("present-"):
            assert "read" in finding.reason
            assert finding.remedy
    missed = [f.bed for f in plan.findings if f.id == "present-paco2-not-reproduced"]
    assert len(missed) <= 2, missed
