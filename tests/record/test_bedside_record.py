"""The bedside over a record: what is refused there is kept on record, and no time lies ahead of the clock."""

from __future__ import annotations

from typing import Any

import pytest

from airyoke.quantities import Refused
from airyoke.record.conflicts import Conflict
from airyoke.record.record import Record
from airyoke.ward.bedside import gate_objects, start_steps
from airyoke.ward.entries import Draft
from record.conftest import Site, reading, start_ward
from ward.bedside_ward import GATE, ROLES, SETTINGS


def write(record: Record, kind: str, person: str = "kim", seen: int | None = None, **content: Any) -> None:
    record.write([Draft(kind, content)], person=person, seen=record.state().sequence if seen is None else seen)


def gated(record: Record) -> None:
    start_ward(record)
    write(record, "patient_in", bed="2", code="b", values={"ventilator": "V2"})
    write(record, "person", name="ann", roles=["writer"])
    write(record, "ventilator", ventilator="V9")
    write(record, "build_made", build="B1", patients=2)
    write(record, "build_tested", build="B1", passed=True)
    write(record, "group_prepared", group="G1", ventilator="V9", beds=["1", "2"], build="B1", settings=SETTINGS,
          gate=gate_objects(record.state()))  # fmt: skip
    write(record, "rehearsed", group="G1", verdict="skipped", reason="no time")
    for item in GATE:
        write(record, "gate_ticked", group="G1", item=item, passed=True, by=["ada", "ben"])


def refusals(record: Record) -> list[tuple[str, str, str]]:
    """(who, what, why) of everything refused, as the audit has it."""
    return [(one.person, one.content["kind"], one.content["findings"][0]["id"])
            for one in record.entries(stream="audit") if one.kind == "refused"]  # fmt: skip


def test_of_two_starts_at_once_the_second_is_refused_and_that_is_kept(place: Site) -> None:
    record = place.create(unlocked=False)
    gated(record)
    seen = record.state().sequence
    steps = start_steps(record.state(), record.state().standings["G1"])
    other = place.open()
    write(record, "coupling_begun", seen=seen, group="G1", roles=ROLES, steps=steps)
    with pytest.raises(Refused):
        write(other, "coupling_begun", seen=seen, group="G1", roles=ROLES, steps=steps)
    with pytest.raises(Conflict):
        write(other, "coupling_abandoned", seen=seen, group="G1", reason="no")
    assert refusals(record) == [("kim", "coupling_begun", "start-twice"),
                                ("kim", "coupling_abandoned", "changed-meanwhile")]  # fmt: skip
    assert record.state().standings["G1"].stage == "coupling"


def test_a_time_ahead_of_the_clock_is_refused_and_so_is_the_step_of_a_stranger(file_place: Site) -> None:
    record = file_place.create(unlocked=False)
    gated(record)
    steps = start_steps(record.state(), record.state().standings["G1"])
    with pytest.raises(Refused, match="has not come yet"):
        write(record, "coupling_begun", group="G1", roles=ROLES, steps=steps, at="2026-11-25T23:00+00:00")
    with pytest.raises(Refused, match="may not write"):
        write(record, "coupling_begun", person="ann", group="G1", roles=ROLES, steps=steps)
    write(record, "coupling_begun", group="G1", roles={**ROLES, "reader": "ann"}, steps=steps)
    with pytest.raises(Refused, match="neither that nor the reader"):
        write(record, "step_done", person="kim", group="G1", step="oxygen")
    write(record, "step_done", person="ann", group="G1", step="oxygen")
    with pytest.raises(Refused, match="it should be 1"):
        write(record, "step_done", person="ann", group="G1", step="clamp.A", clamps=3)
    assert refusals(record) == [
        ("kim", "coupling_begun", "time-ahead"), ("ann", "coupling_begun", "right-missing"),
        ("kim", "step_done", "step-role"), ("ann", "step_done", "clamps-differ"),
    ]  # fmt: skip


def test_a_reading_of_a_patient_who_has_left_is_refused_and_kept_with_its_values(file_place: Site) -> None:
    record = file_place.create()
    start_ward(record)
    write(record, "patient_out", bed="1", code="a")
    with pytest.raises(Refused):
        record.write([reading(27.0)], person="kim", seen=record.state().sequence)
    assert refusals(record) == [("kim", "reading", "bed-empty")]
    kept = record.last_of("refused")
    assert kept is not None
    assert kept.content["content"]["values"] == {"plateau_cmh2o": 27.0}
    assert record.verify() == ()
