"""What happened, as typed: what cannot be is refused, everything at once, with what to do."""

from __future__ import annotations

import pytest

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import standard_build
from airyoke.contract.event_forms import EVENT_FORMS, event_from, event_words, events_from
from airyoke.limits.policy import Policy
from airyoke.plan.running import RunningGroup
from airyoke.quantities import Refused
from airyoke.ward.events import Event, Runs, check_events
from airyoke.ward.ward import Bed, Ward

WARD = Ward(
    tuple(Bed(label, label.lower(), "East", None, ventilator=on) for label, on in
          (("C1", "V1"), ("C2", "V1"), ("C3", "V2"), ("C9", None))),
    (Ventilator("V1"), Ventilator("V2"), Ventilator("V3"), Ventilator("V7", usable=False)),
    Policy(),
)  # fmt: skip
RUNS = Runs((RunningGroup("V1", ("C1", "C2"), standard_build(2), None),), {})


def ids(events, ward=WARD, runs=RUNS):
    try:
        check_events(ward, runs, events_from(events))
    except Refused as refusal:
        return [one.id for one in refusal.findings if one.reason and one.remedy]
    return []


@pytest.mark.parametrize(
    "event",
    ["leaves C2", "dies C3", "off C1", "arrives C9", "worsens C1", "improves C3 20%", "frees V7", "fails V1", "ends V1"],
)
def test_what_can_be_is_taken(event):
    assert ids([event]) == []


@pytest.mark.parametrize(
    ("events", "id_"),
    [
        (["leaves C4"], "event-bed"),  # who has left already
        (["ends V2"], "event-group"),  # a group that does not exist
        (["off C3"], "event-alone"),
        (["arrives C3"], "event-arrived"),
        (["frees V1"], "event-in-use"),
        (["fails V7"], "event-fails"),
        (["frees V9"], "event-ventilator"),
        (["leaves C2", "worsens C2"], "events-contradict"),
        (["frees V7", "fails V7"], "event-fails"),
        (["improves C1", "worsens C1"], "events-contradict"),
        (["leaves C2", "leaves C2"], "events-contradict"),
        (["leaves C2", "dies C2"], "events-contradict"),
        ([], "event-missing"),
    ],
)
def test_what_cannot_be_is_refused(events, id_):
    assert id_ in ids(events)


def test_coming_off_goes_with_getting_better_and_two_things_elsewhere_go_together():
    assert ids(["improves C1 30%", "off C1"]) == []
    assert ids(["leaves C2", "fails V2", "worsens C1"]) == []


def test_everything_that_is_wrong_is_said_at_once():
    assert {"event-bed", "event-ventilator", "event-group"} <= set(ids(["leaves C4", "frees V9", "ends V2"]))


@pytest.mark.parametrize(
    ("group", "id_"),
    [
        (RunningGroup("V8", ("C1", "C2"), standard_build(2), None), "running-ventilator"),
        (RunningGroup("V1", ("C1", "C5"), standard_build(2), None), "running-bed"),
        (RunningGroup("V2", ("C1", "C2"), standard_build(2), None), "running-ventilator-shared"),
    ],
)
def test_what_is_said_to_run_must_be_in_the_ward(group, id_):
    assert id_ in ids(["frees V7"], runs=Runs((group,), {}))


def test_a_bed_that_is_gone_from_the_ward_may_be_said_to_have_left_its_group():
    runs = Runs((RunningGroup("V1", ("C1", "C2", "C5"), standard_build(3), None),), {})
    assert ids(["leaves C5"], runs=runs) == []
    assert "running-bed" in ids(["leaves C1"], runs=runs)


@pytest.mark.parametrize("text", ["", "goes C2", "leaves", "leaves C2 C3", "worsens C2 much", "worsens C2 30", "leaves 'C2",
                                  "leaves C2 30%", "worsens C2 0%", "worsens C2 95%", "improves C2 nan%"])  # fmt: skip
def test_words_that_are_no_event_are_refused_and_none_is_guessed(text):
    with pytest.raises(Refused):
        check_events(WARD, RUNS, [event_from(text)])


def test_every_example_is_read_as_what_it_says():
    for form in EVENT_FORMS:
        event = event_from(form.example)
        assert event.kind == form.word
        assert event.whose in event_words(event)
    assert event_from("worsens 'C 2' 30%") == Event("worsens", "C 2", 0.3)
