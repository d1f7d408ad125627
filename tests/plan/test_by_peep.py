"""Settings that differ in PEEP alone are breathed once: the engine at each PEEP gives what the open margins say."""

from __future__ import annotations

import numpy as np
import pytest

from airyoke.breath.engine import QUICK
from airyoke.circuit import NO_TRIM, Trim, standard_build, trimmed
from airyoke.limits.margins import group_margin
from airyoke.limits.prediction import judge_group, predict, sample_group
from airyoke.plan.grid import settings_grid
from airyoke.plan.surface import GroupSurface, Place
from airyoke.ward.candidates import assess_ward, candidate
from plan.screen_property import KIND
from studies.wards import study_ward

DRAWS = 64
BUILDS = {
    2: standard_build(2),
    3: trimmed(standard_build(3), (NO_TRIM, Trim(peep_valve_cmh2o=2.5), Trim(restrictor_cmh2o_s2_per_l2=5.0))),
    4: standard_build(4),
}


@pytest.mark.parametrize("size", BUILDS)
def test_the_margin_at_every_peep_is_that_of_a_breath_at_that_peep(size):
    ward = study_ward(75_000, 12)
    patients = [p for a in assess_ward(ward) if (p := candidate(a, ward.policy).patient) is not None][:size]
    group = sample_group(patients, BUILDS[size], ward.policy.assumptions, DRAWS, 3)
    surface = GroupSurface(group, settings_grid(KIND, ward.policy), ward.policy, KIND, 0.5)
    place = surface.most_promising_at_best_estimate()
    surface.ask(place)
    asked = surface.asked[place.cell, place.drive]
    assert len(set(np.round(asked.margins, 3))) > 5, "PEEP must matter here, or this would hold of anything"
    for number in range(0, len(asked.peeps), 5):
        settings = surface.settings(Place(place.cell, place.drive, float(asked.peeps[number]), 0.0))
        outcome = predict(group, [settings], accuracy=QUICK)
        margin = group_margin(judge_group(group, outcome, ward.policy), ward.policy)
        # The step of the settled breath is chosen by an error that the level of pressure moves a little.
        assert asked.margins[number] == pytest.approx(margin.value, abs=2e-3)
        assert asked.margins[number] <= margin.at_best_estimate + 2e-3
