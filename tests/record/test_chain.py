"""Every manipulation of the record is found: 5,000 of them in the long run, seed and counts printed."""

from __future__ import annotations

import os
import random
import sqlite3
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from airyoke.quantities import Refused
from airyoke.record.chain import Head, Row, verify
from airyoke.record.lines import entry_of, hash_of, line_of
from airyoke.record.record import Record
from airyoke.ward.entries import Draft
from record.conftest import Site, reading, start_ward

LONG = os.environ.get("AIRYOKE_LONG") == "1"
TAMPERINGS = 5000 if LONG else 500
FLIPS = 10000 if LONG else 150
KINDS = ("edit", "edit and hash anew", "delete", "insert", "swap", "cut tail", "other site", "renumber")


def written(place: Site, readings: int = 40) -> Record:
    record = place.create()
    start_ward(record)
    record.write(
        [reading(20 + n / 10, at=f"2026-11-25T14:{n % 60:02}+00:00") for n in range(readings)], person="rt", seen=10**9
    )
    return record


def tampered(rows: list[Row], kind: str, dice: random.Random) -> list[Row]:
    """The rows after somebody with every right in the database, but not over what was printed, changed them."""
    rows = list(rows)
    at = dice.randrange(len(rows))
    row = rows[at]
    if kind.startswith("edit"):
        entry = entry_of(row.line, row.hash)
        line = line_of(
            replace(entry, person="somebody-else")
            if dice.random() < 0.5
            else replace(entry, content={**entry.content, "x": dice.random()})
        )
        rows[at] = replace(row, line=line, hash=hash_of(line) if kind == "edit and hash anew" else row.hash)
    elif kind == "delete":
        del rows[dice.randrange(len(rows) - 1)]
    elif kind == "insert":
        at = dice.randrange(len(rows) - 1)  # behind the last one it would be an entry, and seen as one
        row = rows[at]
        entry = entry_of(row.line, row.hash)
        line = line_of(replace(entry, id="smuggled", previous=row.hash, sequence=row.sequence + 1))
        rows.insert(at + 1, replace(row, id="smuggled", sequence=row.sequence + 1, line=line, hash=hash_of(line)))
    elif kind == "swap":
        other = (at + 1 + dice.randrange(len(rows) - 1)) % len(rows)
        rows[at], rows[other] = rows[other], rows[at]
        if dice.random() < 0.5:  # with the numbers put right in the columns
            rows = [replace(one, sequence=number) for number, one in enumerate(rows, start=1)]
    elif kind == "cut tail":
        del rows[max(1, at) :]
    elif kind == "other site":
        rows[at] = replace(row, site="st-other")
    else:
        rows[at] = replace(row, sequence=row.sequence + dice.choice((-1, 1, 7)))
    return rows


def test_every_manipulation_is_found_against_a_kept_head_and_none_without_one(
    file_place: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = list(written(file_place).rows("ward"))
    head = Head("ward", rows[-1].sequence, rows[-1].hash)
    seed = random.SystemRandom().randrange(2**32)
    found: Counter[str] = Counter()
    for number in range(TAMPERINGS):
        dice = random.Random(number if number % 2 else seed + number)  # half with a fixed seed, half with a fresh one
        kind = KINDS[number % len(KINDS)]
        bad = tampered(rows, kind, dice)
        assert bad != rows
        assert verify(bad, "st-example", "ward", known=[head]).findings, (kind, seed, number)
        found[kind] += 1
    assert (
        verify(rows, "st-example", "ward", known=[head]).findings == ()
    )  # the control: nothing found where nothing is
    with capsys.disabled():
        print(f"\n  chain: {sum(found.values())} of {TAMPERINGS} manipulations found, seed {seed}: {dict(found)}")


def test_a_cut_tail_shows_only_against_a_head_that_was_kept_elsewhere(file_place: Site) -> None:
    rows = list(written(file_place).rows("ward"))
    head = Head("ward", rows[-1].sequence, rows[-1].hash)
    assert verify(rows[:-3], "st-example", "ward").findings == ()
    assert [f.id for f in verify(rows[:-3], "st-example", "ward", known=[head]).findings] == ["chain-cut"]
    short = Head.read(f"ward:{head.sequence}:{head.hash[:8]}")
    assert [f.id for f in verify(rows[:-3], "st-example", "ward", known=[short]).findings] == ["chain-cut"]
    assert verify(rows, "st-example", "ward", known=[short]).findings == ()


def test_a_record_written_anew_from_some_entry_on_shows_against_the_old_head(file_place: Site) -> None:
    rows = list(written(file_place).rows("ward"))
    head = Head("ward", rows[-1].sequence, rows[-1].hash)
    forged: list[Row] = []
    previous = "0" * 64
    for row in rows:
        entry = replace(entry_of(row.line, row.hash), previous=previous, person="forger")
        line = line_of(entry)
        previous = hash_of(line)
        forged.append(replace(row, line=line, hash=previous))
    assert verify(forged, "st-example", "ward").findings == ()
    assert [f.id for f in verify(forged, "st-example", "ward", known=[head]).findings] == ["chain-other"]


def flipped(path: Path, to: Path, dice: random.Random) -> None:
    content = bytearray(path.read_bytes())
    at = dice.randrange(len(content))
    content[at] ^= 1 << dice.randrange(8)
    to.write_bytes(content)


def test_no_flipped_bit_of_the_file_is_shown_as_a_valid_value(
    file_place: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = written(file_place, 20)
    good = {stream: list(record.rows(stream)) for stream in ("ward", "audit")}  # type: ignore[arg-type]
    state = record.state()
    record.close()
    path = Path(file_place.where)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    seed = random.SystemRandom().randrange(2**32)
    outcomes: Counter[str] = Counter()
    for number in range(FLIPS):
        flipped(path, tmp_path / "bad", random.Random(number if number % 2 else seed + number))
        try:
            with Record.open(tmp_path / "bad", site="st-example", read_only=True) as bad:
                findings = bad.verify()
                same = {s: list(bad.rows(s)) for s in ("ward", "audit")} == good and bad.state() == state  # type: ignore[arg-type]
            outcomes["found" if findings else "harmless" if same else "WRONG"] += 1
        except Refused:
            outcomes["refused"] += 1
        for end in ("-wal", "-shm"):
            (tmp_path / f"bad{end}").unlink(missing_ok=True)
    with capsys.disabled():
        print(f"\n  single bits flipped in the file: {FLIPS}, seed {seed}: {dict(outcomes)}")
    assert outcomes["WRONG"] == 0
    assert outcomes["found"] + outcomes["refused"] > FLIPS / 10


def test_a_record_whose_end_was_changed_does_not_open_for_writing_but_for_reading(file_place: Site) -> None:
    record = written(file_place)
    last = record.head().sequence
    record.close()
    with sqlite3.connect(file_place.where) as connection:
        connection.execute("DROP TRIGGER entry_is_never_changed")
        connection.execute("UPDATE entry SET line = replace(line, 'rt', 'xy') WHERE sequence = ?", (last,))
    with pytest.raises(Refused, match="chain-broken"):
        file_place.open()
    assert file_place.open(read_only=True).verify()[0].id == "chain-broken"


def test_a_file_put_back_under_a_running_program_is_noticed(file_place: Site) -> None:
    record = written(file_place)
    record.database.engine.dispose()
    with sqlite3.connect(file_place.where) as connection:
        connection.execute("DROP TRIGGER entry_is_never_deleted")
        connection.execute("DELETE FROM entry WHERE sequence > 20")
    with pytest.raises(Refused, match="chain-cut"):
        record.state()
    with pytest.raises(Refused, match="chain-cut"):
        record.write([Draft("note", {"text": "x"})], person="rt", seen=0)


@pytest.mark.parametrize(
    "text", ["", "ward:1", "ward:x:" + "0" * 64, "bed:1:" + "0" * 64, "ward:1:xyz", "ward:1:" + "0" * 7]
)
def test_a_head_that_was_copied_wrongly_is_refused(text: str) -> None:
    with pytest.raises(Refused, match="head-form"):
        Head.read(text)
