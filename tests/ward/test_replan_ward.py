"""Undo and re-plan on beds of the demo ward: what is answered at once, and what an earlier plan spares."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import standard_build
from airyoke.contract.replan_answer import ReplanAnswer
from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.plan.changes import Change
from airyoke.plan.coupling import Coupling
from airyoke.plan.running import RunningGroup
from airyoke.plan.what_if import Question, compare
from airyoke.quantities import Refused
from airyoke.ward.candidates import assess_ward
from airyoke.ward.demo import demo_tables
from airyoke.ward.entries import Entry
from airyoke.ward.events import Event
from airyoke.ward.folding import after
from airyoke.ward.kinds import content_findings
from airyoke.ward.proposal import lines_of_events
from airyoke.ward.replanning import at_once, decide, order_of_coming_off, replan_ward, situation
from airyoke.ward.running import carried_out, running_in_record, running_in_rows, settings_from
from airyoke.ward.state import Group, Place, Stay, WardState

NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
DIALLED = Settings("pc", 22.0, 0.8, 11.0, 0.6, pressure_above_peep_cmh2o=18.0, max_peak_flow_l_per_min=120.0)
BEDS = ("E1", "E2", "E3", "E5", "W2")


@pytest.fixture(scope="module")
def ward():
    tables = demo_tables(NOW)
    beds = [row for row in tables["beds"] if row["bed"] in BEDS]
    machines = [row for row in tables["ventilators"] if row["ventilator"] in ("V1", "V2", "V3", "V4", "V6", "V7")]
    return ward_of_rows({**tables, "beds": beds, "ventilators": machines}, file="demo", now=NOW)


@pytest.fixture(scope="module")
def runs(ward):
    group = RunningGroup("V2", ("E2", "E3"), standard_build(2), DIALLED)
    return carried_out([group], {"E1": "V1", "E5": "V4", "W2": "V6"}, counted=False)


@pytest.fixture(scope="module")
def fewer(ward):
    """The same ward with a machine less than it has beds: somebody has to share."""
    usable = {"V1", "V2", "V4", "V6", "V7"}
    return replace(ward, ventilators=tuple(replace(v, usable=v.label in usable) for v in ward.ventilators))


@pytest.fixture(scope="module")
def first(fewer, runs):
    """The first answer to an event, with what it leaves to the next."""
    return replan_ward(fewer, runs, [Event("off", "E3")])


def test_what_the_one_who_stays_gets_is_what_the_engine_says_with_the_other_limb_capped(ward, runs):
    (touched,) = at_once(situation(ward, runs, [Event("leaves", "E3")]))
    patients = {a.bed.label: a.lungs for a in assess_ward(ward)}
    machine = next(v for v in ward.ventilators if v.label == "V2")
    settings = replace(DIALLED, circuit_compensation=machine.circuit_compensation)
    coupling = Coupling((patients["E2"], patients["E3"]), standard_build(2), settings)
    capped = compare(coupling, [Change("out", "E3")], Question(ward.policy)).after.answer
    got = touched.at_once.as_it_runs.patients[0]
    assert (got.label, got.lane, touched.off) == ("E2", "A", ("E3",))
    for name, figure in capped.patients[0].figures.items():
        assert got.figures[name].value == pytest.approx(figure.value, rel=1e-9, nan_ok=True), name
    alarms = {one.name: one for one in touched.at_once.alarms}
    shown = touched.at_once.answer.ventilator["displayed_tidal_volume_ml"].value
    share = touched.at_once.answer.patients[0].figures["tidal_volume_ml"].value
    assert shown - 0.5 * share <= alarms["exhaled_tidal_volume"].low < shown


def test_the_one_on_the_second_lane_keeps_its_letter_when_the_first_is_capped(ward, runs):
    (touched,) = at_once(situation(ward, runs, [Event("dies", "E2")]))
    assert [(p.label, p.lane) for p in touched.at_once.answer.patients] == [("E3", "B")]
    assert touched.at_once.group.lanes == (None, "E3")


def test_settings_are_left_alone_while_they_are_inside_and_near_the_best(ward, runs):
    (touched,) = at_once(situation(ward, runs, [Event("leaves", "E3")]))
    one = touched.at_once
    assert one.dial == "as_it_runs"
    assert one.as_it_runs.margin.value >= 0.0
    strict = replace(ward, policy=replace(ward.policy, break_margin_loss=0.0))
    (again,) = at_once(situation(strict, runs, [Event("leaves", "E3")]))
    assert (again.at_once.dial == "best") == (one.best is not None)


def test_a_ventilator_to_spare_takes_one_off_with_one_circuit_opened(first, ward, runs):
    # Five beds, six machines of which one is held back: nobody has to share.
    plan = replan_ward(ward, runs, [Event("frees", "V7")], known=first.plan.known).plan
    assert plan.outcome == "all_placed"
    assert len(plan.breaks) == 1
    assert plan.breaks == plan.comes_off == (plan.order[0].bed,)  # of the two the first in the order is opened
    (stays,) = [one for one in plan.groups if one.how == "lanes_change"]
    assert stays.group.breaks == ()
    assert stays.group.settings is not None
    assert stays.steps


def test_breaks_are_the_beds_whose_circuit_is_opened_and_as_many_as_the_goal_says(first):
    goal = next(one for one in first.plan.proof if one.goal == "breaks")
    assert goal.status == "proved"
    assert goal.value == len(first.plan.breaks) == len(set(first.plan.breaks))
    assert "E3" in first.plan.breaks
    assert all("E3" not in one.group.beds or len(one.group.beds) == 1 for one in first.plan.groups)


def test_the_next_event_judges_nothing_again_and_gives_the_same_plan(first, fewer, runs):
    now = situation(fewer, runs, [Event("off", "E3")], known=first.plan.known)
    known = dict(now.desk.judge._verdicts)
    again, _ = decide(now, order_of_coming_off(now))
    assert again.known.judge._verdicts.keys() == known.keys()
    beds = [c.bed for c in now.request.candidates]
    chosen = {frozenset(beds[i] for i in o.beds) for o in again.assignment.chosen}
    assert chosen == {frozenset(one.group.beds) for one in first.plan.groups}
    assert tuple(g.value for g in again.assignment.goals) == tuple(g.value for g in first.plan.proof)


def test_only_pairs_with_the_changed_bed_are_judged_anew(first, fewer, runs):
    now = situation(fewer, runs, [Event("worsens", "W2", 0.2)], known=first.plan.known)
    names = [c.bed for c in now.request.candidates]
    kept = now.desk.judge._verdicts
    assert kept
    assert all("W2" not in {names[i] for i in members} for members, *_ in kept)
    old = first.plan.known.judge
    before = [c.bed for c in old.candidates]
    same = [key for key in old._verdicts if "W2" not in {before[i] for i in key[0]}]
    assert len(same) == len(kept)
    factor = now.request.candidates[names.index("W2")].patient.since.compliance
    assert factor == pytest.approx(0.8)


def test_a_failed_ventilator_takes_the_reserve_rather_than_leave_somebody_without(first, fewer, runs):
    found = replan_ward(fewer, runs, [Event("fails", "V2")], known=first.plan.known)
    (touched,) = found.touched
    assert touched.failed
    goal = next(one for one in found.plan.proof if one.goal == "breaks")
    assert goal.value == len(found.plan.breaks)
    assert all(one.group.ventilator != "V2" for one in found.plan.groups)
    assert {"E2", "E3"} <= {*found.plan.breaks, *(left.bed for left in found.plan.left)}


def test_the_answer_can_be_written_and_read_again(first):
    answer = ReplanAnswer.of(first)
    again = ReplanAnswer.model_validate_json(answer.json_text())
    assert again == answer
    assert [one.place for one in answer.off_first] == [1, 2]
    assert [caution.text for caution in answer.cautions]


def test_two_beds_on_one_machine_are_a_running_group_at_the_settings_that_both_show():
    tables = demo_tables(NOW)
    rows = [dict(row) for row in tables["beds"] if row["bed"] in ("E2", "E3")]
    shared = {"mode": "pc", "flow_shape": None, "rate_per_min": 22, "inspiratory_time_s": 0.8, "pause_s": None,
              "peep_cmh2o": 11, "pressure_above_peep_cmh2o": 18, "fio2": 0.6, "ventilator": "V2", "peak_cmh2o": None,
              "flow_l_per_min": None}  # fmt: skip
    both = ward_of_rows({**tables, "beds": [{**row, **shared} for row in rows]}, file="demo", now=NOW)
    (group,) = running_in_rows(both).groups
    assert (group.ventilator, group.lanes) == ("V2", ("E2", "E3"))
    assert group.settings is not None
    assert group.settings.pressure_above_peep_cmh2o == 18.0
    other = [{**rows[0], **shared}, {**rows[1], **shared, "rate_per_min": 24}]
    with pytest.raises(Refused) as refusal:
        running_in_rows(ward_of_rows({**tables, "beds": other}, file="demo", now=NOW))
    assert refusal.value.findings[0].id == "running-settings"


def entry(sequence, kind, content):
    at = (NOW + timedelta(minutes=sequence)).isoformat()
    return Entry("here", "ward", sequence, "", f"e{sequence}", kind, 1, content, "somebody", "desk", at, "b", 0.0, at,
                 "UTC", "0")  # fmt: skip


def test_a_record_says_lanes_build_settings_and_whether_its_parts_are_still_in_the_count():
    parts = dict(standard_build(3).parts)
    entries = [
        entry(1, "stock", {"counts": parts}),
        entry(2, "build_made", {"build": "K1", "patients": 3, "parts": parts}),
        entry(3, "group_started", {"group": "G1", "ventilator": "V2", "beds": ["E1", "E2", "E3"], "build": "K1"}),
        entry(4, "group_changed", {"group": "G1", "beds": ["E1", "E3"], "to": {"E2": "V4"}}),
        entry(5, "settings_changed", {"ventilator": "V2", "settings": {"mode": "pc", "rate_per_min": 22,
              "inspiratory_time_s": 0.8, "peep_cmh2o": 11, "fio2": 0.6, "pressure_above_peep_cmh2o": 18}}),
    ]  # fmt: skip
    state = WardState(5, groups={"G1": Group("V2", ("E1", "E3"), 3, "K1")},
                      settings={"V2": entries[-1].content["settings"]})  # fmt: skip
    (group,) = running_in_record(state, entries).groups
    assert group.lanes == ("E1", None, "E3")
    assert group.build.patients == 3
    assert group.counted
    assert group.settings == Settings("pc", 22, 0.8, 11, 0.6, pressure_above_peep_cmh2o=18)
    recounted = [*entries, entry(6, "stock", {"counts": {"y-piece": 1}})]
    (group,) = running_in_record(replace(state, sequence=6), recounted).groups
    assert not group.counted


def test_what_an_event_changes_in_the_record_can_be_written_as_proposed():
    stay = {bed: Place("East", Stay(bed.lower(), 1, {"ventilator": "V2"})) for bed in ("E1", "E2")}
    state = WardState(9, beds=stay, groups={"G1": Group("V2", ("E1", "E2"), 3)}, ventilators={"V2": {"usable": True}})
    lines = lines_of_events(state, [Event("leaves", "E2"), Event("dies", "E1"), Event("fails", "V2")])
    drafts = [draft for line in lines for draft in line.drafts]
    assert [draft.kind for draft in drafts] == ["group_changed", "patient_out", "group_ended", "patient_out", "ventilator"]
    for number, draft in enumerate(drafts, start=10):
        assert content_findings(draft.kind, draft.content) == ()
        state = after(state, entry(number, draft.kind, draft.content), draft.content)
    assert state.groups == {}
    assert all(place.patient is None for place in state.beds.values())
    assert state.ventilators["V2"]["usable"] is False
    with pytest.raises(Refused):
        lines_of_events(state, [Event("leaves", "E2")])  # has left already
    assert lines_of_events(state, [Event("improves", "E1"), Event("off", "E1")]) == ()


@pytest.mark.parametrize("dialled", [None, {}, {"mode": "pc"}, {"mode": "aux", "rate_per_min": 20}, {"mode": "pc",
    "rate_per_min": "20", "inspiratory_time_s": 1, "peep_cmh2o": 8, "pressure_above_peep_cmh2o": 12}])  # fmt: skip
def test_settings_that_do_not_say_enough_are_not_known_rather_than_guessed(dialled):
    assert settings_from(dialled) is None


def test_nothing_is_worked_out_for_events_that_contradict(ward, runs):
    with pytest.raises(Refused):
        replan_ward(ward, runs, [Event("leaves", "E2"), Event("worsens", "E2")])
