"""One record in two databases: what is written stays, in order, and nobody overwrites anybody unseen."""

from __future__ import annotations

import json
import os
import threading
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from airyoke.quantities import Refused
from airyoke.record import database
from airyoke.record.conflicts import Conflict
from airyoke.ward.entries import Draft
from record.conftest import Site, reading, start_ward

RACES = 1000 if os.environ.get("AIRYOKE_LONG") == "1" else 15


def refused_id(call: Any, *arguments: Any, **options: Any) -> str:
    with pytest.raises(Refused) as refusal:
        call(*arguments, **options)
    assert all(finding.reason and finding.remedy for finding in refusal.value.findings)
    return refusal.value.findings[0].id


def test_what_was_written_is_there_after_opening_anew_with_who_when_and_what(place: Site) -> None:
    record = place.create()
    start_ward(record)
    (entry,) = record.write([reading(24.5)], person="rt-2", seen=record.state().sequence)
    state = record.state()
    record.close()
    again = place.open()
    assert again.state() == state
    assert again.entries(entry.sequence) == (entry,)
    assert (entry.person, entry.device, entry.zone, entry.site) == ("rt-2", again.device, "UTC", "st-example")
    assert entry.utc.startswith("2026-11-25T14:00:")
    assert entry.content["values"] == {"plateau_cmh2o": 24.5}


def test_a_line_is_canonical_json_whose_hash_any_tool_can_check(place: Site) -> None:
    record = place.create()
    start_ward(record)
    previous = "0" * 64
    for row in record.rows("ward"):
        found = json.loads(row.line)
        assert row.line == json.dumps(found, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert sha256(row.line.encode()).hexdigest() == row.hash
        assert found["previous"] == previous
        previous = row.hash
    assert record.head().hash == previous


@pytest.mark.parametrize("statement", [
    "UPDATE entry SET line = 'x' WHERE sequence = 2",
    "UPDATE entry SET kind = 'note'",
    "DELETE FROM entry WHERE sequence = 2",
    "DELETE FROM entry",
    "INSERT INTO entry SELECT site, stream, sequence + 100, 'x', kind, hash, line FROM entry WHERE sequence = 2",
    "INSERT INTO entry SELECT site, stream, sequence, 'x', kind, hash, line FROM entry WHERE sequence = 2",
])  # fmt: skip
def test_the_database_itself_refuses_to_change_or_delete_an_entry(place: Site, statement: str) -> None:
    record = place.create()
    start_ward(record)
    before = list(record.rows("ward"))
    with pytest.raises(Exception, match=r"never changed|never deleted|follows the last"):
        place.sql(statement)
    assert list(record.rows("ward")) == before


def test_replacing_or_truncating_is_refused_too(place: Site) -> None:
    record = place.create()
    start_ward(record)
    statement = (
        "TRUNCATE entry" if place.on_server else "INSERT OR REPLACE INTO entry SELECT * FROM entry WHERE sequence = 2"
    )
    with pytest.raises(Exception, match=r"never changed|follows the last"):
        place.sql(statement)
    assert record.verify() == ()


def test_a_retry_with_the_same_id_writes_once_and_a_reused_id_is_refused(place: Site) -> None:
    record = place.create()
    start_ward(record)
    seen = record.state().sequence
    first = record.write(
        [reading(24, id="try-1"), reading(7, at="2026-11-25T14:01+00:00", id="try-2")], person="rt", seen=seen
    )
    again = record.write(
        [reading(24, id="try-1"), reading(7, at="2026-11-25T14:01+00:00", id="try-2")], person="rt", seen=seen
    )
    assert again == first
    assert record.head().sequence == seen + 2
    assert refused_id(record.write, [reading(25, id="try-1")], person="rt", seen=seen) == "id-used"


def test_two_people_changing_one_thing_the_second_is_told_and_sees_both_values(place: Site) -> None:
    one = place.create()
    start_ward(one)
    two = place.open()
    seen = one.state().sequence
    change = [Draft("patient_changed", {"bed": "1", "code": "a", "values": {"position": "prone"}})]
    one.write(change, person="ann", seen=seen)
    other = [
        Draft("patient_changed", {"bed": "1", "code": "a", "values": {"position": "supine", "exclude": "transport"}})
    ]
    with pytest.raises(Conflict) as conflict:
        two.write(other, person="bo", seen=seen)
    (clash,) = conflict.value.clashes
    assert (clash.theirs, clash.mine, clash.entry.person) == ("prone", "supine", "ann")
    assert two.head() == one.head()
    two.write(other, person="bo", seen=two.state().sequence)
    assert one.state() == two.state()


def test_two_people_who_write_the_same_or_different_things_do_not_disturb_each_other(place: Site) -> None:
    record = place.create()
    start_ward(record)
    seen = record.state().sequence
    record.write([reading(24)], person="ann", seen=seen)
    record.write([reading(24)], person="bo", seen=seen)
    record.write([reading(25, at="2026-11-25T14:05+00:00")], person="bo", seen=seen)
    record.write([Draft("bed", {"bed": "2", "room": "West"})], person="cy", seen=seen)
    assert refused_id(record.write, [reading(26)], person="bo", seen=seen) == "changed-meanwhile"


def test_all_entries_of_one_write_or_none(place: Site) -> None:
    record = place.create()
    start_ward(record)
    head = record.head()
    drafts = [reading(24), Draft("patient_in", {"bed": "1", "code": "z"})]
    assert refused_id(record.write, drafts, person="rt", seen=head.sequence) == "bed-occupied"
    assert record.head() == head
    assert record.state() == place.open().state()


def test_races_of_two_writers_leave_one_value_and_one_who_was_told(
    place: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    first = place.create()
    start_ward(first)
    records = [first, place.open()]
    told: list[str] = []
    for race in range(RACES):
        seen = first.state().sequence
        barrier = threading.Barrier(2)

        def run(number: int, seen: int = seen, barrier: threading.Barrier = barrier, race: int = race) -> None:
            barrier.wait()
            try:
                records[number].write(
                    [Draft("bed", {"bed": "2", "room": f"{race}-{number}"})], person=f"p{number}", seen=seen
                )
            except Conflict as conflict:
                told.append(f"{conflict.clashes[0].theirs} {conflict.clashes[0].mine}")

        threads = [threading.Thread(target=run, args=(number,)) for number in (0, 1)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert first.head().sequence == seen + 1
    assert len(told) == RACES
    assert first.verify() == ()
    with capsys.disabled():
        print(f"\n  {RACES} races of two writers: {len(told)} losers told both values, 0 silent overwrites")


def test_what_json_cannot_hold_is_refused(place: Site) -> None:
    record = place.create()
    start_ward(record)
    for content in ({"text": "half \ud800 letter"}, {"text": "x", "bed": "1", "group": "g\x00"}):
        assert refused_id(record.write, [Draft("note", content)], person="rt", seen=0) in ("entry-form", "field-form")
    bad = [Draft("settings_changed", {"ventilator": "V1", "settings": {"peep_cmh2o": float("nan")}})]
    assert refused_id(record.write, bad, person="rt", seen=0) == "entry-form"


def test_any_text_comes_back_as_it_was_typed(place: Site) -> None:
    record = place.create()
    start_ward(record)
    text = "Ärztin 氏 \u202e 'quote' \"double\" ; -- \\ \n\t\x07 😀 \u2028 NUL-less"
    (entry,) = record.write([Draft("note", {"text": text})], person="rt", seen=record.state().sequence)
    assert place.open().entries(entry.sequence)[0].content["text"] == text
    (nul,) = record.write([Draft("note", {"text": "a\x00b"})], person="rt", seen=record.state().sequence)
    assert place.open().entries(nul.sequence)[0].content["text"] == "a\x00b"


def test_sites_are_apart_each_with_its_own_chain(place: Site) -> None:
    one = place.create("st-one")
    start_ward(one)
    if place.on_server:
        two = place.create("st-two")
    else:
        from airyoke.record.setup import add_site

        add_site(place.where, "st-two")
        two = place.open("st-two")
        two.write([Draft("site", {"unlocked": True})], person="setup", seen=0)
    assert [entry.kind for entry in two.entries()] == ["site"]
    start_ward(two)
    assert one.entries(2, 3)[0].id != two.entries(2, 3)[0].id
    assert {entry.site for entry in two.entries()} == {"st-two"}
    assert one.verify() == two.verify() == ()
    assert refused_id(place.open, "st-three") == "site-unknown"


def test_an_older_view_of_the_ward_is_what_was_known_then(place: Site) -> None:
    record = place.create()
    start_ward(record)
    (first,) = record.write([reading(42)], person="rt", seen=record.state().sequence)
    then = record.state()
    record.write(
        [Draft("correction", {"corrects": first.id, "content": dict(reading(24).content)})],
        person="rt",
        seen=first.sequence,
    )
    patient = record.state().beds["1"].patient
    assert patient is not None
    assert patient.readings["plateau_cmh2o"].value == 24
    assert record.state_at(first.sequence) == then


def test_a_record_that_another_program_holds_too_long_is_told_and_free_again_afterwards(
    file_place: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = file_place.create()
    start_ward(record)
    head = record.head()
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.1)
    with database.alone(Path(file_place.where)):
        done: list[str] = []
        other = threading.Thread(
            target=lambda: done.append(refused_id(record.write, [reading(24)], person="rt", seen=10**9))
        )
        other.start()
        other.join()
        assert done == ["record-busy"]
        assert record.state().sequence == head.sequence
    record.write([reading(24)], person="rt", seen=10**9)


def test_a_device_that_writes_over_the_network_is_named(place: Site) -> None:
    record = place.create()
    start_ward(record)
    (entry,) = record.write([reading(24)], person="rt", seen=10**9, device="tablet 2")
    assert entry.device == "tablet 2"
    assert record.write_audit("read", {"what": "plan"}, person="rt", device="tablet 3").device == "tablet 3"
