"""The joint room of two patients: inside its edges nobody is outside, beyond them somebody is; and the picture says so."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.contract.case import read_case
from airyoke.contract.region_answer import NOTHING_LEFT, left_words
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import judge_group, predict, sample_group
from airyoke.pictures.room_left import edge_rows, room_left_svg
from airyoke.plan.coupling import Coupling
from airyoke.plan.region import regions
from airyoke.plan.room_left import BISECTIONS, FARTHEST, SCAN_STEPS, room_left
from contract.cases import text, two_patients

# The end of a ray is known to one such factor; a diagonal one is as long on both axes.
STEP = FARTHEST ** (1.0 / (SCAN_STEPS * 2**BISECTIONS))
POLICY = Policy()


def case(**changes):
    made = two_patients() | changes
    for patient, compliance, height, dead_space in zip(made["patients"], (30, 62), (165, 168), (75, 90), strict=True):
        patient |= {
            "compliance_ml_per_cmh2o": compliance, "height_cm": height, "airway_dead_space_ml": dead_space,
            "vco2_ml_per_min": 170, "alveolar_dead_space_fraction": 0.15,
        }  # fmt: skip
    made["patients"][1]["restrictor_cmh2o_s2_per_l2"] = 20
    made["settings"] = made["settings"] | {
        "pressure_above_peep_cmh2o": 15, "rate_per_min": 20, "inspiratory_time_s": 1.0,
    }  # fmt: skip
    return made


def coupling(made) -> Coupling:
    read = read_case(text(made)).to_domain()
    return Coupling(read.patients, read.bare_build, read.settings, read.trims)


def smallest(first, second):
    made = case()
    for patient, compliance in zip(made["patients"], (first, second), strict=True):
        patient["compliance_ml_per_cmh2o"] = compliance
    group = coupling(made)
    sampled = sample_group(group.patients, group.fitted, POLICY.assumptions, 0, 0)
    return min(float(one.target[0]) for one in judge_group(sampled, predict(sampled, [group.settings]), POLICY))


@pytest.fixture(scope="module")
def region():
    (one,) = regions(coupling(case()), POLICY)
    return one


@settings(max_examples=8, deadline=None)
@given(st.data())
def test_short_of_an_edge_nobody_is_outside_and_beyond_it_somebody_is(region, data):
    point = data.draw(st.sampled_from([p for p in region.points if p.limit is not None]))
    share = data.draw(st.floats(0.05, 0.95))
    inward = [now * (at / now) ** share for now, at in zip(region.now, (point.first, point.second), strict=True)]
    assert smallest(*inward) >= 0.0
    outward = [at * (STEP if at > now else 1 / STEP) for now, at in zip(region.now, (point.first, point.second), strict=True)]
    assert smallest(*outward) < 0.0


def test_along_the_axes_it_ends_where_the_room_of_one_ends(region):
    group = coupling(case())
    single = room_left(("A", "B"), group.patients, group.fitted, group.settings, POLICY)
    for one in single:
        if one.quantity != "compliance_ml_per_cmh2o":
            continue
        member = ("A", "B").index(one.bed)
        on_axis = [
            p for p in region.points
            if (p.second, p.first)[member] == pytest.approx(region.now[1 - member], rel=1e-9)
            and ((p.first, p.second)[member] > region.now[member]) == (one.direction == "up")
        ]  # fmt: skip
        (point,) = on_axis
        if one.at is None:
            assert point.limit is None
        else:
            assert (point.first, point.second)[member] == pytest.approx(one.at, rel=STEP - 1)
            assert (point.limit, point.whose) == (one.limit, one.whose)


def test_where_patients_do_not_touch_each_other_the_room_is_a_rectangle():
    # Through a circuit without resistance each gets the set pressure whatever the other does.
    made = case(circuit="ideal")
    for patient in made["patients"]:
        patient["added_dead_space_ml"] = 86  # as on the standard build: the filter and what lies between wye and tube
    made["patients"][1]["compliance_ml_per_cmh2o"] = 42
    made["settings"]["pressure_above_peep_cmh2o"] = 13
    (region,) = regions(coupling(made), POLICY)
    runs = region.edges()
    assert len(runs) == 4
    for run in runs:
        first, second = [math.log(p.first) for p in run], [math.log(p.second) for p in run]
        assert min(max(first) - min(first), max(second) - min(second)) <= 2 * math.log(STEP)
        assert {p.whose for p in run} <= {"A", "B", None}
    assert {run[0].whose for run in runs} == {"A", "B"}


def test_a_group_that_is_outside_has_no_room_and_three_patients_have_three_pairs():
    made = case()
    third = made["patients"][1] | {"label": "C"}
    three = regions(coupling(made | {"patients": [*made["patients"], third]}), POLICY)
    assert [(one.first, one.second) for one in three] == [("A", "B"), ("A", "C"), ("B", "C")]
    group = coupling(made)
    outside = replace(group, settings=replace(group.settings, pressure_above_peep_cmh2o=30))
    (none,) = regions(outside, POLICY)
    assert none.points == ()
    assert none.outside is not None
    assert "No room" in room_left_svg((none,), lambda left: left_words(left, POLICY))
    assert regions(Coupling(group.patients[:1], read_case(text(made | {"patients": made["patients"][:1]})).to_domain()
                            .bare_build, group.settings), POLICY) == ()  # fmt: skip


@pytest.mark.parametrize("theme", ["auto", "print"])
def test_the_picture_tells_every_edge_in_words_and_by_the_line_of_its_patient(region, theme):
    def words(left):
        return left_words(left, POLICY)

    drawn = ET.fromstring(room_left_svg((region,), words, theme=theme))
    spaces = {"s": "http://www.w3.org/2000/svg"}
    told = drawn.find("s:desc", spaces).text
    written = " ".join(one.text or "" for one in drawn.iterfind(".//s:text", spaces))
    for number, what, first, second in edge_rows(region, words):
        assert f"edge {number}: {what}, A {first}, B {second}" in told
        assert what.replace("cmH2O", "cmH₂O") in written
        assert what != NOTHING_LEFT
    lines = drawn.findall(".//s:polyline", spaces)
    for line, run in zip(lines, region.edges(), strict=True):
        assert (line.get("stroke-dasharray") is not None) == (run[0].whose == "B")
    assert drawn.get("viewBox").startswith("0 0 400 ")
    assert min(float(one.get("font-size")) for one in drawn.iterfind(".//s:text", spaces)) >= 14.0
