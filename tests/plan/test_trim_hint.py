"""A trim that is said to give somebody a place does so: the two it names are inside with it, and are not without."""

from __future__ import annotations

import re
from dataclasses import replace

from airyoke.breath import Settings
from airyoke.circuit import NO_TRIM, Trim, standard_build
from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.limits.policy import Policy
from airyoke.plan.coupling import Coupling
from airyoke.plan.what_if import Question, predict_coupling
from airyoke.ward.candidates import assess_ward
from plan.refereed import LONG, planned_in_full
from studies.wards import study_ward

WARDS = range(73_000, 73_030) if LONG else (73_003,)
SAID = re.compile(
    r"(\S+) and (\S+) may share with a trim: (.+); pressure above PEEP ([\d.]+) and PEEP ([\d.]+) cmH2O, "
    r"([\d.]+)/min, Ti ([\d.]+) s, FiO2 ([\d.]+);"
)


def trim_of(words):
    """The trim as somebody would make it from the words alone."""
    number = float(re.search(r"([\d.]+) (?:mm|cmH2O|mL)", words).group(1))
    whose = words.rsplit(" of ", 1)[1]
    if "restrictor" in words:
        return whose, Trim(restrictor_cmh2o_s2_per_l2=orifice_quadratic_cmh2o_s2_per_l2(number, bore_mm=22.0))
    if "PEEP valve" in words:
        return whose, Trim(peep_valve_cmh2o=number)
    return whose, Trim(added_dead_space_ml=number)


def test_the_pair_is_inside_with_the_trim_that_is_named_and_outside_without():
    found = 0
    for seed in WARDS:
        ward = study_ward(seed, 8, 4, policy=Policy(sharing="last-resort-accepted"))
        _, plan = planned_in_full(ward, hints=True)
        patients = {a.bed.label: a.lungs for a in assess_ward(ward)}
        for text in {note.text for one in plan.unplaced for note in one.would_change if note.id == "trim"}:
            first, second, pieces, *dials = SAID.match(text).groups()
            drive, peep, rate, time, fio2 = map(float, dials)
            settings = Settings("pc", rate, time, peep, fio2, drive, max_peak_flow_l_per_min=120.0)
            whose, trim = trim_of(pieces)
            bare = Coupling((patients[first], patients[second]), standard_build(2), settings)
            trims = tuple(trim if label == whose else NO_TRIM for label in bare.labels)
            question = Question(ward.policy)
            # What is printed is rounded; it is judged again from the print.
            assert predict_coupling(replace(bare, trims=trims), question).answer.margin.value >= -0.02, text
            assert predict_coupling(bare, question).answer.margin.value < 0.0, text
            found += 1
    assert found
