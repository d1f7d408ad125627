"""A ward folded from its entries: what each of them does, what contradicts, and what a correction changes."""

from __future__ import annotations

from typing import Any

import pytest

from airyoke.quantities import Refused
from airyoke.ward.kinds import KINDS, content_findings, touches
from record.scribe import Scribe, entry, small_ward


def refused(scribe: Scribe, kind: str, **content: Any) -> str:
    before = (scribe.fold, len(scribe.entries))
    with pytest.raises(Refused) as refusal:
        scribe.write(kind, **content)
    assert (scribe.fold, len(scribe.entries)) == before
    finding = refusal.value.findings[0]
    assert finding.reason
    assert finding.remedy
    return finding.id


def read(scribe: Scribe, bed: str, code: str, at: str | None = "2026-11-25T14:00+00:00", **values: Any) -> str:
    about = {} if at is None else {"read_at": at}
    return scribe.write("reading", bed=bed, code=code, values=values, **about).id


def value(scribe: Scribe, bed: str, name: str) -> Any:
    patient = scribe.fold.state.beds[bed].patient
    assert patient is not None
    return patient.readings[name].value


def test_a_new_patient_does_not_inherit_the_old_readings() -> None:
    scribe = small_ward()
    read(scribe, "1", "a", plateau_cmh2o=24)
    scribe.write("patient_out", bed="1", code="a")
    scribe.write("patient_in", bed="1", code="c")
    patient = scribe.fold.state.beds["1"].patient
    assert patient is not None
    assert dict(patient.readings) == {}
    assert refused(scribe, "reading", bed="1", code="a", values={"plateau_cmh2o": 24}) == "patient-other"


def test_a_bed_keeps_its_room_until_another_or_none_is_named() -> None:
    scribe = small_ward()
    scribe.write("bed", bed="1")
    assert scribe.fold.state.beds["1"].room == "East"
    scribe.write("bed", bed="1", room="West")
    assert scribe.fold.state.beds["1"].room == "West"
    scribe.write("bed", bed="1", room=None)
    assert scribe.fold.state.beds["1"].room is None


def test_every_kind_names_what_it_sets_so_that_two_writers_are_told_apart() -> None:
    about = {"person": {"name": "x", "roles": []}, "stock": {"counts": {"y-piece": 1}}, "policy": {"values": {"sharing": "no"}}, "site": {"title": "x"},
             "patient_moved": {"bed": "1", "to": "2"}, "correction": {"corrects": "x", "content": {}}, "undo": {"undoes": "x"}}  # fmt: skip
    common = {
        "bed": "1",
        "room": "x",
        "values": {"ph": 7.3},
        "ventilator": "V1",
        "group": "g",
        "beds": ["1"],
        "plan": "p",
        "build": "b",
        "settings": {},
        "verdict": "confirmed",
        "item": "bench",
        "passed": True,
        "step": "oxygen",
        "roles": {},
        "sequence": "start",
        "steps": [],
    }
    facts = {"note", "check_done", "import", "acted"}  # further ones take nothing away from anybody
    for kind in KINDS.values():
        if kind.stream == "ward":
            fields = {field.name for field in kind.fields}
            content = about.get(kind.name) or {name: value for name, value in common.items() if name in fields}
            assert bool(touches(kind.name, content)) == (kind.name not in facts), kind.name


def test_readings_move_with_the_patient() -> None:
    scribe = small_ward()
    scribe.write("bed", bed="3")
    read(scribe, "1", "a", plateau_cmh2o=24)
    scribe.write("patient_moved", bed="1", code="a", to="3")
    assert value(scribe, "3", "plateau_cmh2o") == 24
    assert scribe.fold.state.beds["1"].patient is None


def test_a_reading_written_down_late_does_not_hide_a_newer_one() -> None:
    scribe = small_ward()
    read(scribe, "1", "a", "2026-11-25T15:00+01:00", plateau_cmh2o=26)
    read(scribe, "1", "a", "2026-11-25T13:30+00:00", plateau_cmh2o=22)
    assert value(scribe, "1", "plateau_cmh2o") == 26
    read(scribe, "1", "a", "2026-11-25T14:30+00:00", plateau_cmh2o=28)
    assert value(scribe, "1", "plateau_cmh2o") == 28


@pytest.mark.parametrize(
    ("kind", "content", "finding"),
    [
        ("reading", {"bed": "9", "code": "a", "values": {"ph": 7.3}}, "bed-unknown"),
        ("patient_in", {"bed": "1", "code": "c"}, "bed-occupied"),
        ("patient_out", {"bed": "1", "code": "b"}, "patient-other"),
        ("bed", {"bed": "1", "removed": True}, "bed-occupied"),
        ("ventilator", {"ventilator": "V1", "removed": True}, "ventilator-in-use"),
        ("ventilator", {"ventilator": "V9", "removed": True}, "ventilator-unknown"),
        ("patient_changed", {"bed": "1", "code": "a", "values": {"ventilator": "V9"}}, "ventilator-unknown"),
        ("group_started", {"group": "g", "ventilator": "V1", "beds": ["1", "9"]}, "bed-unknown"),
        ("group_started", {"group": "g", "ventilator": "V1", "beds": ["2"]}, "ventilator-in-use"),
        ("group_started", {"group": "g", "ventilator": "V1", "beds": []}, "group-size"),
        ("group_started", {"group": "g", "ventilator": "V1", "beds": ["1"], "build": "x"}, "build-unknown"),
        ("group_started", {"group": "g", "ventilator": "V1", "beds": ["1"], "plan": "x"}, "plan-unknown"),
        ("group_ended", {"group": "g"}, "group-unknown"),
        ("plan_accepted", {"plan": "p", "accepted_by": ["x", "y"]}, "plan-unknown"),
        ("plan_made", {"plan": "p", "based_on": 99, "groups": []}, "plan-basis"),
        ("build_tested", {"build": "x", "passed": True}, "build-unknown"),
        ("check_done", {"check": "c", "bed": "9"}, "bed-unknown"),
        ("settings_changed", {"ventilator": "V9", "settings": {}}, "ventilator-unknown"),
        ("undo", {"undoes": "nothing"}, "entry-unknown"),
    ],
)  # fmt: skip
def test_what_contradicts_the_ward_is_refused(kind: str, content: dict[str, Any], finding: str) -> None:
    assert refused(small_ward(), kind, **content) == finding


def test_nobody_is_on_two_circuits_or_left_behind_by_a_group() -> None:
    scribe = small_ward()
    scribe.write("bed", bed="3")
    scribe.write("patient_in", bed="3", code="c")
    scribe.write("group_started", group="g", ventilator="V1", beds=["1", "2"], settings={"peep_cmh2o": 10})
    state = scribe.fold.state
    assert [place.patient.ventilator for place in state.beds.values() if place.patient] == ["V1", "V1", None]
    assert state.settings["V1"] == {"peep_cmh2o": 10}
    assert refused(scribe, "group_started", group="h", ventilator="V2", beds=["2"]) == "bed-in-group"
    assert refused(scribe, "group_started", group="h", ventilator="V1", beds=["3"]) == "ventilator-shared"
    assert refused(scribe, "patient_out", bed="1", code="a") == "bed-in-group"
    assert refused(scribe, "patient_changed", bed="1", code="a", values={"ventilator": "V2"}) == "bed-in-group"
    assert refused(scribe, "patient_changed", bed="3", code="c", values={"ventilator": "V1"}) == "ventilator-shared"
    assert refused(scribe, "group_changed", group="g", beds=["1"], to={"1": "V2"}) == "group-to"
    scribe.write("group_changed", group="g", beds=["1", "3"], to={"2": "V2"})
    assert [place.patient.ventilator for place in scribe.fold.state.beds.values() if place.patient] == [
        "V1",
        "V2",
        "V1",
    ]
    scribe.write("group_ended", group="g", to={"1": "V3"})
    assert [place.patient.ventilator for place in scribe.fold.state.beds.values() if place.patient] == [
        "V3",
        "V2",
        None,
    ]
    assert refused(scribe, "group_started", group="g", ventilator="V1", beds=["1"]) == "group-twice"


def test_a_correction_counts_as_if_written_right_at_once_and_an_undo_as_if_never() -> None:
    scribe = small_ward()
    first = read(scribe, "1", "a", plateau_cmh2o=42)
    read(scribe, "1", "a", ph=7.31)
    correction = scribe.write(
        "correction",
        corrects=first,
        content={"bed": "1", "code": "a", "read_at": "2026-11-25T14:00+00:00", "values": {"plateau_cmh2o": 24}},
    )
    assert value(scribe, "1", "plateau_cmh2o") == 24
    undo = scribe.write("undo", undoes=correction.id)
    assert value(scribe, "1", "plateau_cmh2o") == 42
    again = scribe.write("undo", undoes=undo.id)
    assert value(scribe, "1", "plateau_cmh2o") == 24
    scribe.write("undo", undoes=first)
    patient = scribe.fold.state.beds["1"].patient
    assert patient is not None
    assert set(patient.readings) == {"ph"}
    assert refused(scribe, "undo", undoes=first) == "undo-twice"
    assert refused(scribe, "undo", undoes=undo.id) == "undo-twice"
    assert refused(scribe, "correction", corrects=again.id, content={}) == "entry-not-corrected"


def test_of_two_corrections_the_later_one_stands() -> None:
    scribe = small_ward()
    first = read(scribe, "1", "a", ph=7.1)
    for ph in (7.2, 7.3):
        scribe.write("correction", corrects=first, content={"bed": "1", "code": "a", "values": {"ph": ph}})
    assert value(scribe, "1", "ph") == 7.3


def test_what_a_later_entry_stands_on_is_not_undone_under_it() -> None:
    scribe = small_ward()
    read(scribe, "1", "a", ph=7.31)
    assert refused(scribe, "undo", undoes="entry-6") == "later-entry"


def test_a_correction_is_checked_like_the_entry_it_corrects() -> None:
    scribe = small_ward()
    first = read(scribe, "1", "a", ph=7.1)
    assert (
        refused(scribe, "correction", corrects=first, content={"bed": "1", "code": "a", "values": {"ph": 71}})
        == "ph-out-of-range"
    )


def test_an_entry_of_a_newer_program_stops_the_fold() -> None:
    scribe = small_ward()
    newer = entry(len(scribe.entries) + 1, "note", {"text": "x"})
    object.__setattr__(newer, "version", 2)
    with pytest.raises(Refused, match="entry-newer"):
        scribe.fold.with_entries([newer], scribe.source())


@pytest.mark.parametrize(
    ("kind", "content", "finding"),
    [
        ("notee", {"text": "x"}, "kind-unknown"),
        ("note", {"text": "x", "bedd": "1"}, "field-unknown"),
        ("note", {}, "field-missing"),
        ("note", {"text": "  "}, "field-form"),
        ("bed", {"bed": " 1"}, "field-form"),
        ("bed", {"bed": "1\n2"}, "field-form"),
        ("bed", {"bed": "x" * 81}, "field-form"),
        ("reading", {"bed": "1", "values": {"plateau": 1}}, "column-unknown"),
        ("reading", {"bed": "1", "values": {"plateau_cmh2o": 500}}, "plateau-out-of-range"),
        ("reading", {"bed": "1", "values": {"plateau_cmh2o": "24"}}, "value-form"),
        ("reading", {"bed": "1", "values": {"plateau_cmh2o": True}}, "value-form"),
        ("reading", {"bed": "1", "values": {"mode": "pcv"}}, "value-form"),
        ("reading", {"bed": "1", "read_at": "2026-11-25T14:00", "values": {"ph": 7.3}}, "field-form"),
        ("patient_in", {"bed": "1", "values": {"conditions": ["nothing"]}}, "value-form"),
        ("patient_in", {"bed": "1", "values": {"infection": ["a;b"]}}, "value-form"),
        ("stock", {"counts": {"y-pieces": 2}}, "part-unknown"),
        ("stock", {"counts": {"y-piece": -1}}, "count-form"),
        ("policy", {"values": {"sharing": "yes"}}, "value-form"),
        ("person", {"name": "x", "roles": ["boss"]}, "role-unknown"),
        ("group_started", {"group": "g", "ventilator": "V1", "beds": ["1", "1"]}, "field-form"),
        ("note", {"text": "x" * 4001}, "field-form"),
    ],
)  # fmt: skip
def test_content_that_does_not_fit_its_kind_is_refused(kind: str, content: dict[str, Any], finding: str) -> None:
    found = content_findings(kind, content)
    assert finding in [one.id for one in found]
    assert all(one.remedy for one in found)


def test_every_kind_says_what_it_means() -> None:
    assert all(kind.meaning and kind.fields for kind in KINDS.values())
