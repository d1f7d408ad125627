"""The search for settings finds the best on the dials, or nearly; and the study that says so can tell."""

from __future__ import annotations

from dataclasses import replace

import pytest

from airyoke.circuit.builds import standard_build
from airyoke.limits.margins import group_margin
from airyoke.limits.prediction import judge_group, predict, sample_group
from airyoke.plan.grid import settings_grid
from airyoke.plan.judging import Judge
from airyoke.plan.search import SEARCH_SEED_OFFSET, SettingsSearch
from airyoke.ward.candidates import assess_ward, candidate
from plan.refereed import LONG
from studies import settings_search as study
from studies.settings_search import KIND, best_on_the_dials, margin_at, positions, report
from studies.wards import study_ward

CASES = ((15, 6, 2), (15, 6, 3), (15, 6, 4)) if LONG else ((15, 6, 2),)  # ward, its beds, patients of the group
MOST_LOSS = 0.02


def test_every_position_of_the_dials_is_tried():
    policy = study_ward(15, 6).policy
    grid = settings_grid(KIND, policy)
    assert len(positions(policy)) == grid.cells * len(grid.drives) == len(set(positions(policy)))


@pytest.mark.parametrize(("seed", "beds", "size"), CASES)
def test_the_search_finds_settings_within_two_hundredths_of_the_best_on_the_dials(seed, beds, size, monkeypatch):
    # The long study looks with 1,024 draws at groups drawn at random; here both search on few.
    monkeypatch.setattr("airyoke.plan.search.SEARCH_DRAWS", 256)
    monkeypatch.setattr(study, "DRAWS", 256)
    ward = study_ward(seed, beds)
    candidates = tuple(candidate(a, ward.policy) for a in assess_ward(ward))
    judge = Judge(candidates, ward.policy, 256, seed)
    one = next(i for i, c in enumerate(candidates) if c.may_share and c.patient.present.fio2 <= 0.6)
    # Alike, so that there is something to find; with draws of their own.
    patients = [replace(candidates[one].patient, label=f"like {k}") for k in range(size)]
    build = standard_build(size)
    judge.candidates = tuple(replace(candidates[one], bed=p.label, patient=p) for p in patients)
    screened = judge.screen(tuple(range(size)), KIND, build)
    found = SettingsSearch(KIND, ward.policy, seed).best(patients, [None] * size, build, screened).settings
    group = sample_group(patients, build, ward.policy.assumptions, 256, seed + SEARCH_SEED_OFFSET)
    best = best_on_the_dials(group, ward.policy, found.fio2)
    assert best is not None
    assert best.margin > -0.2, "nothing to find here"
    assert margin_at(group, found, ward.policy) >= best.margin - MOST_LOSS
    # The study's arithmetic is the engine's: the best by one breath at exactly these settings.
    outcome = predict(group, [best.settings])
    margin = group_margin(judge_group(group, outcome, ward.policy), ward.policy)
    assert margin.value == pytest.approx(best.margin, abs=5e-3)


def test_a_loss_and_a_wrong_refusal_are_counted():
    common = {"size": 2, "seconds": 0.1, "by": "engine"}
    groups = [
        {**common, "allowed": True, "best": 0.30, "found": 0.25},
        {**common, "allowed": False, "best": 0.10, "found": -0.05, "judged": 0.08},
        {**common, "allowed": False, "best": -0.60},
    ]
    row = report([{"seed": 1, "source": "", "seconds": 0.0, "groups": groups}]).splitlines()[-1]
    assert row.startswith("| 2 | 3 | 2 | 1 | 0 | 2 |")
    assert "| 1.00 | 100 |" in row
