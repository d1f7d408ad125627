"""The value study on a small ward, and the ways of pairing that a plan is compared with."""

from __future__ import annotations

import pytest

from plan.ward_rules import WardRules
from studies.naive import FIO2_WITHIN, PEEP_WITHIN_CMH2O, by_compliance, careful, greedy
from studies.planning import Again, Pair
from studies.value import OURS, WAYS, beaten, report, study
from studies.wards import study_ward


@pytest.fixture(scope="module")
def records():
    """Two wards of six beds and four ventilators, in which some pairs can share."""
    return [
        {"seed": seed, "source": "", "seconds": 0.0, **study(seed, beds=6, ventilators=(4,), fresh=1024)}
        for seed in (2, 15)
    ]


def test_the_plan_of_a_small_ward_leaves_no_more_than_any_other_way(records):
    assert not beaten(records, [4])
    assert sum(r["4"][OURS]["groups"] for r in records) >= 3, "wards in which nobody shares prove nothing"


def test_no_group_of_the_plan_is_outside_on_fresh_draws(records):
    assert all(r["4"][OURS]["outside"] == 0 for r in records)


def test_another_way_couples_a_pair_that_is_outside(records):
    # Negative control: a re-judgement that finds nobody outside would flatter everything.
    assert all(any(r["4"][way]["outside"] for way in WAYS[:2]) for r in records)


def test_the_report_names_a_ward_on_which_the_plan_is_beaten(records):
    r = records[0]
    spoilt = {**r, "4": {**r["4"], OURS: {**r["4"][OURS], "left": 99}}}
    assert {way for _, _, way in beaten([spoilt], [4])} == set(WAYS[:-1])
    assert "(2, 4, 'careful sort')" in report([spoilt], [4])


@pytest.mark.parametrize("seed", range(5))
def test_a_way_of_pairing_takes_disjoint_permitted_pairs_and_no_more_than_needed(seed):
    rules = WardRules(study_ward(seed))
    permitted = sorted(rules.pairs())
    pairs = [Pair(p, None, ((i * 37) % 101) / 50.0 - 1.0, (i * 37) % 101 >= 50) for i, p in enumerate(permitted)]
    allowed = {p.beds for p in pairs if p.allowed}
    for chosen in (by_compliance(rules, permitted, 9), careful(rules, permitted, 9), greedy(pairs, 9)):
        named = [bed for pair in chosen for bed in pair]
        assert len(named) == len(set(named))
        assert set(chosen) <= set(permitted)
        assert 0 < len(chosen) <= 9
    for a, b in careful(rules, permitted, 99):
        one, other = rules.bed[a].readings, rules.bed[b].readings
        assert abs(one.peep_cmh2o - other.peep_cmh2o) <= PEEP_WITHIN_CMH2O
        assert abs(one.fio2 - other.fio2) <= FIO2_WITHIN + 1e-9
    assert set(greedy(pairs, 99)) <= allowed


def test_greedy_takes_the_largest_margin_first():
    pairs = [Pair(("a", "b"), None, 0.1, True), Pair(("b", "c"), None, 0.3, True), Pair(("c", "d"), None, 0.2, True)]
    assert greedy(pairs, 2) == [("b", "c")]


def test_a_group_is_outside_below_the_stated_chances_and_not_at_them():
    assert not Again(0.67, 0.93, 0.0).outside
    assert Again(0.669, 0.99, 0.0).outside
    assert Again(0.99, 0.929, 0.0).outside
