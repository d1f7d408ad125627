"""The grid that looks for what the search for settings misses."""

from __future__ import annotations

import pytest

from studies.planning import JudgedAgain, PairBook
from studies.settings_search import HIGHEST_CMH2O, RATES, best_of_grid, grid_for, report, study
from studies.wards import study_ward


@pytest.fixture(scope="module")
def book():
    return PairBook(study_ward(15, beds=6))


def test_the_grid_keeps_to_the_ranges_that_the_policy_allows(book):
    policy = book.ward.policy
    patients = [book.rules.lungs(bed) for bed in book.ward.beds[:2]]
    tried = grid_for(patients, 0.5)
    assert len(tried) > 1000
    assert len(set(tried)) == len(tried)
    low, high = (policy.limit("inspiratory_to_expiratory_ratio", side).target for side in ("low", "high"))
    for s in tried:
        assert low - 1e-9 <= s.inspiratory_time_s / s.expiratory_time_s <= high + 1e-9
        assert s.peep_cmh2o + s.pressure_above_peep_cmh2o <= HIGHEST_CMH2O
    assert policy.limit("rate_per_min", "low").target <= min(RATES)
    assert max(RATES) <= policy.limit("rate_per_min", "high").target


def test_the_grid_finds_settings_for_pairs_that_the_tool_allows(book):
    # Otherwise that it finds none for a refused pair would say nothing.
    again = JudgedAgain(book.ward, book.rules, 15, fresh=1024)
    allowed = [p for p in map(book.pair, book.permitted) if p.allowed and p.margin > 0.05]
    assert allowed
    for pair in allowed[:1]:
        found = best_of_grid([again.patient(b) for b in pair.beds], pair.settings.fio2, book.ward.policy)
        assert found is not None
        assert again.group(pair.beds, found).inside > 0.70 - 0.03


def test_a_missed_pair_is_a_refused_pair():
    record = study(24, beds=6)
    assert len(record["missed"]) <= record["refused"]
    assert record["matched_with_missed"] >= record["matched"]
    assert "| pairs that the tool allows |" in report([{"seed": 24, "source": "", "seconds": 0.0, **record}])
