"""The screen against the engine: its tables, its one-sided margin, what it says of a refused pair."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import standard_build
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import predict, sample_group
from airyoke.plan.candidate import permitted_pairs
from airyoke.plan.judging import PAIR_OFFSET, Judge, refused_pair
from airyoke.plan.screen import Screen
from airyoke.plan.tables import alone_in_its_place, corrections, patient_table, values_at
from airyoke.ward.candidates import assess_ward, candidate
from plan.refereed import LONG
from plan.screen_property import DRAWS, KIND, compared
from studies.wards import study_ward

WARDS = range(70_000, 70_020 if LONG else 70_002)
PROPERTY_WARDS = range(71_000, 71_010 if LONG else 71_001)
POINTS = 60


def ward_of(seed, beds=12):
    """Its policy, its candidates, and the patients who may share."""
    ward = study_ward(seed, beds)
    candidates = tuple(candidate(a, ward.policy) for a in assess_ward(ward))
    return ward.policy, candidates, [c.patient for c in candidates if c.may_share and c.patient is not None]


def test_no_group_is_judged_better_than_the_screen_says_with_its_offset():
    found = [one for seed in PROPERTY_WARDS for one in compared(seed, {2: 40, 3: 4, 4: 3}, beds=24)]
    violations = [one for one in found if one.above > 0.0]
    assert not violations, f"{len(violations)} of {len(found)}; {[o for o in violations if o.matters]} matter"
    assert len(found) >= 40 * len(PROPERTY_WARDS)
    # It must be able to fail: without the offset the screen is below the engine here and there, and never by far above.
    assert any(one.judged > one.screen for one in found)
    assert max(one.judged - one.screen for one in found) > -PAIR_OFFSET


@pytest.mark.parametrize(("size", "median_pct", "most_pct", "most_cmh2o"), [(2, 0.5, 3.0, 0.5), (4, 3.0, 12.0, 2.0)])
def test_the_corrected_table_gives_what_the_engine_gives_alone_in_its_place(size, median_pct, most_pct, most_cmh2o):
    # Largest errors measured on these wards: pairs 1.9 % and 0.31 cmH2O, quads 8.9 % and 1.3 cmH2O, at the corners of
    # the grid; the offset of the screen covers them.
    volume, pressure = [], []
    build = standard_build(size)
    for seed in WARDS:
        policy, _, patients = ward_of(seed)
        grid = Screen(KIND, policy, 0).grid
        place = alone_in_its_place(build, 0)
        groups = [sample_group([p], place, policy.assumptions, 0, 0) for p in patients]
        dice = np.random.default_rng(seed)
        for group, correction in zip(groups, corrections(groups, grid, KIND, size), strict=True):
            table = patient_table(group, grid, policy, *correction)
            cell, drive = dice.integers(0, grid.cells, POINTS), dice.integers(0, len(grid.drives), POINTS)
            values, above, filled = values_at(table, grid, cell, drive, slice(0, 1))
            settings = [
                Settings(
                    "pc", float(grid.rates[c]), float(grid.inspiratory_times[c]), 0.0, 0.4,
                    pressure_above_peep_cmh2o=float(grid.drives[d]),
                    max_peak_flow_l_per_min=KIND.max_peak_flow_l_per_min / size,
                )
                for c, d in zip(cell, drive, strict=True)
            ]  # fmt: skip
            breath = predict(group, settings, rows=np.zeros(POINTS, np.int64), settings_of=np.arange(POINTS)).breath
            volume.append(values["driving_pressure_cmh2o"] / breath.driving_pressure_cmh2o - 1.0)
            pressure += [above - breath.total_peep_cmh2o, filled - breath.plateau_cmh2o]
    error_pct, error_cmh2o = 100.0 * np.abs(np.concatenate(volume)), np.abs(np.concatenate(pressure))
    assert np.median(error_pct) < median_pct
    assert error_pct.max() < most_pct
    assert error_cmh2o.max() < most_cmh2o
    assert np.median(error_cmh2o) < 0.1 * most_cmh2o


def test_the_closed_form_without_its_correction_would_be_noticed():
    # Negative control: the same comparison of volumes with the correction left out.
    policy, _, patients = ward_of(70_000)
    grid = Screen(KIND, policy, 0).grid
    group = sample_group([patients[0]], alone_in_its_place(standard_build(2), 0), policy.assumptions, 0, 0)
    factor, _ = corrections([group], grid, KIND, 2)[0]
    assert np.abs(factor - 1.0).max() > 0.04


PAIR = standard_build(2)
TOLERANCES = {
    "tidal_volume_ml_per_kg": 0.5, "driving_pressure_cmh2o": 0.6, "plateau_cmh2o": 0.6, "trapped_peep_cmh2o": 0.6,
    "total_peep_rise_cmh2o": 0.6, "total_peep_fall_cmh2o": 0.6, "ph": 0.06, "spo2_pct": 1.0,
}  # fmt: skip


def test_what_the_screen_says_of_a_refused_pair_is_what_the_engine_gives_at_the_settings_it_names():
    wrong, rows = [], 0
    for seed in WARDS:
        policy, candidates, _ = ward_of(seed)
        judge = Judge(candidates, policy, DRAWS, 0)
        for members in permitted_pairs(candidates, policy).groups(2):
            screened, verdict = judge.screen(members, KIND, PAIR), judge.known(members, KIND, PAIR)
            if verdict is None or screened is None:
                continue
            refused = refused_pair(verdict, KIND, judge)
            best = screened.proposals[0]
            tried = refused.settings_tried
            assert (tried.rate_per_min, tried.inspiratory_time_s, tried.pressure_above_peep_cmh2o, tried.peep_cmh2o) == (
                best.rate_per_min, best.inspiratory_time_s, best.pressure_above_peep_cmh2o, best.peep_cmh2o,
            )  # fmt: skip
            assert refused.by in ("screen", "readings")
            assert refused.limits
            answer = judge.answer(members, PAIR, tried, draws=0)
            for row in refused.limits:
                if row.bed is None:
                    assert row.limit in ("fio2", "fio2_spread")
                    continue
                rows += 1
                k = [candidates[i].bed for i in members].index(row.bed)
                true = engines_value(answer.patients[k].figures, candidates[members[k]].patient, row.limit)
                if not abs(row.best - true) <= TOLERANCES[row.limit]:
                    wrong.append((seed, refused.beds, row, true))
                if not refused.reasons:  # then every row is a target that is missed
                    missed = row.best < row.bound if is_low(policy, row) else row.best > row.bound
                    if not missed:
                        wrong.append((seed, refused.beds, row, "is inside"))
            spread = [row.limit for row in refused.limits].count("fio2_spread")
            assert spread == 0 or refused.limits[0].limit == "fio2_spread"
    assert not wrong, f"{len(wrong)} of {rows}: {wrong[:5]}"
    assert rows > 30


def is_low(policy: Policy, row) -> bool:
    return any(one.name == row.limit and one.side == "low" and one.target == row.bound for one in policy.limits)


def engines_value(figures, patient, limit):
    """What the engine's answer holds against a limit, at best estimate."""
    if limit == "trapped_peep_cmh2o":
        return figures["intrinsic_peep_cmh2o"].value
    if limit.startswith("total_peep_"):
        rise = figures["total_peep_cmh2o"].value - patient.present.total_peep.value
        return rise if limit == "total_peep_rise_cmh2o" else -rise
    return figures[limit].value


def test_the_order_of_the_beds_changes_neither_margin_nor_proposals():
    policy, _, patients = ward_of(70_002)
    screen = Screen(KIND, policy, 0)
    tried = 0
    for size, groups in (
        (2, [patients[k : k + 2] for k in range(len(patients) - 1)]),
        (3, [patients[:3], patients[3:6]]),
    ):
        for group in groups:
            found = [screen.group(list(order), standard_build(size)) for order in permutations(group)]
            assert all(one == found[0] for one in found)
            tried += 1
    assert tried > 8
