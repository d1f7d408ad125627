"""Who comes off first, and how: by fit in the group, with every reason and its number."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import permutations
from types import SimpleNamespace

import pytest

from airyoke.limits.answer import Figure, LimitDistance, PatientAnswer
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.watch import Leaving, OffFirstRules, Sharer, Staying, exit_sequence, off_first

READ = Readings(sex="f", height_cm=165.0, passive="yes", mode="pc", rate_per_min=20.0, inspiratory_time_s=1.0,
                tidal_volume_ml=400.0, peep_cmh2o=12.0, fio2=0.6, spo2_pct=93.0, vasopressor="low")  # fmt: skip
POLICY = Policy()


def answer(beds, *, driving=None, thinnest=None, margin=0.3, binding=None):
    """A group as it runs: driving pressure and own thinnest margin by bed, who holds the limit that binds."""
    patients = tuple(
        PatientAnswer(bed, "ABCD"[k], {
            "driving_pressure_cmh2o": Figure((driving or {}).get(bed, 12.0), limit=LimitDistance(
                "driving_pressure_cmh2o", "high", 15.0, (thinnest or {}).get(bed, 0.6), "a source")),
        })
        for k, bed in enumerate(beds)
    )  # fmt: skip
    group = SimpleNamespace(
        value=margin, patient=None if binding is None else beds.index(binding), allowed=margin >= 0.0,
        limit=POLICY.limit("driving_pressure_cmh2o", "high"),
    )  # fmt: skip
    return SimpleNamespace(patients=patients, margin=group)


def order(sharers):
    return [one.bed for one in off_first(sharers, POLICY)]


def test_the_order_is_waking_then_binding_then_driving_pressure_then_unstable_then_the_thinnest_margin():
    one, two = answer(["a", "b", "c"], driving={"c": 15.1}, binding="b"), answer(["d", "e", "f"], thinnest={"e": 0.1, "f": 0.2})
    read = {"a": replace(READ, passive="no"), "d": replace(READ, vasopressor="rising")}
    sharers = [Sharer(bed, "V1" if bed in "abc" else "V2", read.get(bed, READ), (), one if bed in "abc" else two)
               for bed in "abcdef"]  # fmt: skip
    for shuffled in permutations(sharers, 6):  # the order in which they were listed has no say
        assert order(shuffled) == ["a", "b", "c", "d", "e", "f"]
    assert order([*sharers[:5], replace(sharers[5], decided=True)])[0] == "f"


def test_every_weightier_sign_outweighs_all_lighter_ones_together():
    group = answer(["a", "b"], driving={"b": 19.0}, thinnest={"b": -2.0}, binding="a")
    sick = replace(READ, vasopressor="high", spo2_pct=84.0)
    assert order([Sharer("b", "V1", sick, ("unstable-trend",), group), Sharer("a", "V1", READ, (), group)]) == ["a", "b"]


def test_the_thinner_group_comes_before_the_thinner_patient():
    thin, wide = answer(["a", "b"], margin=0.05), answer(["c", "d"], margin=0.4, thinnest={"c": 0.01})
    sharers = [Sharer(bed, "V1" if bed in "ab" else "V2", READ, (), thin if bed in "ab" else wide) for bed in "cdab"]
    assert order(sharers) == ["a", "b", "c", "d"]


def test_every_reason_has_its_number_bound_and_source():
    group = answer(["a", "b"], driving={"a": 16.4}, binding="a", thinnest={"a": -0.28})
    read = replace(READ, fio2=0.35, peep_cmh2o=6.0, spo2_pct=87.0, vasopressor="high")
    (first, _) = off_first([Sharer("a", "V1", read, (), group), Sharer("b", "V1", READ, (), group)], POLICY)
    found = {reason.sign: reason for reason in first.reasons}
    assert list(found) == ["binding", "driving", "unstable", "margin"]  # SpO2 87: not one to wean
    assert (found["driving"].value, found["driving"].bound, found["driving"].unit) == (16.4, 15.0, "cmH2O")
    assert found["margin"].value == -0.28
    assert all(reason.source and reason.text for reason in first.reasons)


@pytest.mark.parametrize(
    ("change", "weanable"),
    [  # Boles et al. 2007, readiness: SaO2 > 90 % on FiO2 <= 0.4, PEEP <= 8 cmH2O, no or little vasopressor (from memory)
        ({"fio2": 0.40, "peep_cmh2o": 8.0}, True),
        ({"fio2": 0.41, "peep_cmh2o": 8.0}, False),
        ({"fio2": 0.40, "peep_cmh2o": 8.5}, False),
        ({"fio2": 0.40, "peep_cmh2o": 8.0, "vasopressor": "high"}, False),
        ({"fio2": 0.40, "peep_cmh2o": 8.0, "spo2_pct": 89.0}, False),
    ],
)
def test_who_may_be_weaned_is_told_by_oxygen_and_peep(change, weanable):
    (one,) = off_first([Sharer("a", "V1", replace(READ, **change), (), None)], POLICY)
    assert any(reason.sign == "waking" for reason in one.reasons) == weanable


def test_nothing_of_worth_goes_into_the_order():
    # Age, sex, height and name of the patient may be anything: the order stays.
    group = answer(["a", "b"], binding="b")
    other = replace(READ, sex="m", height_cm=190.0, age_years=88.0, weight_kg=140.0)
    for read in (READ, other, replace(other, age_years=20.0)):
        assert order([Sharer("a", "V1", read, (), group), Sharer("b", "V1", READ, (), group)]) == ["b", "a"]
    assert {f.name for f in fields(OffFirstRules)} == {"weanable_fio2", "weanable_peep_cmh2o", "weanable_spo2_pct"}


def test_without_readings_or_an_answer_a_bed_is_last_and_says_nothing():
    known = Sharer("b", "V1", READ, (), answer(["b", "c"]))
    found = off_first([Sharer("a", "V2", None, (), None), known], POLICY)
    assert [one.bed for one in found] == ["b", "a"]
    assert found[1].reasons == ()


def test_the_way_in_is_closed_before_the_way_out_and_before_anything_is_capped():
    steps = exit_sequence([Leaving("B", "E3", "V7")], Staying("V2", (("A", "E2"),), "settings stay", 450.0))
    words = [step.do for step in steps]
    shut = next(w for w in words if "inspiratory branch" in w)
    assert shut.index("inspiratory") < shut.index("expiratory")
    assert words.index(shut) < next(k for k, w in enumerate(words) if "Cap" in w)
    assert any("450 mL exhaled (382 to 518)" in step.read for step in steps)  # 450 less and plus 15 %
    assert any("nobody is extubated from a shared circuit" in w for w in words)
    assert any("1, 5 and 15 min" in w and "A (bed E2)" in w for w in words)
    assert any("bed E3, to V7" in w for w in words)


def test_whoever_died_is_not_bagged():
    steps = exit_sequence([Leaving("A", "E2", None, alive=False)], Staying("V2", (("B", "E3"),)))
    assert not any("bag" in step.do or "join" in step.do or "Sedation" in step.do for step in steps)
    assert any("Cap A's end" in step.do for step in steps)


def test_where_nobody_stays_there_is_nothing_to_set_again():
    steps = exit_sequence([Leaving("A", "E2", None), Leaving("B", "E3", "V4")], Staying("V2", ()))
    assert not any("those who stay" in step.do or "alarm" in step.do for step in steps)
    assert sum(step.leaves for step in steps) == 2
