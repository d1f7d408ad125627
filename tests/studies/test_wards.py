"""The invented wards have the proportions and medians that they are said to have."""

from __future__ import annotations

from collections import Counter
from statistics import mean

import numpy as np
import pytest

from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.patient import Patient
from airyoke.lungs.readings import Readings
from airyoke.ward.ward import Bed
from plan.ward_rules import WardRules
from studies.wards import KINDS, NEVER, PROPORTIONS, kind_of, study_ward

MANY = 150  # wards of 40


@pytest.fixture(scope="module")
def beds() -> list[Bed]:
    return [bed for seed in range(MANY) for bed in study_ward(seed).beds]


def read(bed: Bed) -> Readings:
    assert bed.readings is not None
    return bed.readings


@pytest.fixture(scope="module")
def severe(beds):
    return [read(bed) for bed in beds if kind_of(bed) == "severe"]


def test_kinds_of_lung_come_in_the_stated_proportions(beds):
    counted = Counter(kind_of(bed) for bed in beds)
    for kind, share in zip(KINDS, PROPORTIONS, strict=True):
        assert counted[kind] / len(beds) == pytest.approx(share, abs=0.02), kind


def test_seven_in_a_hundred_never_share(beds):
    assert mean(bool(set(bed.conditions) & set(NEVER)) for bed in beds) == pytest.approx(0.07, abs=0.01)


def test_rooms_have_six_to_twelve_beds():
    for seed in range(MANY):
        sizes = Counter(bed.room for bed in study_ward(seed).beds)
        assert 6 <= min(sizes.values()) <= max(sizes.values()) <= 12


@pytest.mark.parametrize(
    ("what", "of", "low", "middle", "high", "within"),
    [
        ("driving pressure", lambda r: r.plateau_cmh2o - r.total_peep_cmh2o, 10.0, 13.5, 15.4, 0.3),
        ("plateau", lambda r: r.plateau_cmh2o, 21.6, 25.9, 29.2, 0.3),
        ("pH", lambda r: r.ph, 7.27, 7.32, 7.37, 0.005),
    ],
)
def test_severe_patients_have_the_stated_median_and_range(severe, what, of, low, middle, high, within):
    assert np.percentile([of(r) for r in severe], [10, 50, 90]) == pytest.approx([low, middle, high], abs=within), what


def test_severe_patients_are_as_near_to_the_limits_as_stated(severe):
    assert mean(r.plateau_cmh2o >= 27.0 for r in severe) == pytest.approx(0.36, abs=0.03)
    assert mean(r.plateau_cmh2o - r.total_peep_cmh2o >= 13.0 for r in severe) == pytest.approx(0.56, abs=0.03)


def test_about_one_in_seven_is_below_the_entry_ph(beds):
    assert mean(read(bed).ph < 7.30 for bed in beds) == pytest.approx(0.14, abs=0.02)


def test_as_many_pairs_may_be_judged_as_stated():
    permitted, spread, entry = [], [], []
    for seed in range(60):
        rules = WardRules(study_ward(seed))
        pairs = [[read(rules.bed[b]) for b in pair] for pair in rules.pairs()]
        near = [(a, b) for a, b in pairs if abs(a.fio2 - b.fio2) <= 0.20 + 1e-9]
        permitted.append(len(pairs))
        spread.append(len(near))
        entry.append(sum(min(a.ph, b.ph) >= 7.30 for a, b in near))
    assert mean(permitted) == pytest.approx(114, abs=6)
    assert mean(spread) == pytest.approx(86.5, abs=6)
    assert mean(entry) == pytest.approx(63.8, abs=6)


def test_an_estimate_from_the_readings_gives_a_tidal_volume_of_the_stated_size(beds):
    # The machine shows what its circuit swallows on top; the estimate takes it off again.
    per_kg = []
    for bed in beds:
        if kind_of(bed) == "severe":
            patient = estimate_lungs(read(bed), bed.label, Assumptions(), circuit_compensation="off")
            assert isinstance(patient, Patient)
            assert patient.present is not None
            weight = (50.0 if patient.sex == "m" else 45.5) + 0.91 * (patient.height_cm - 152.4)
            per_kg.append(patient.present.tidal_volume_ml / weight)
    assert np.median(per_kg) == pytest.approx(5.8, abs=0.1)


def test_the_patients_of_a_ward_do_not_depend_on_its_ventilators():
    assert study_ward(3, ventilators=24).beds == study_ward(3, ventilators=30).beds
    assert study_ward(3).beds != study_ward(4).beds
