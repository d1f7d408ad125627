"""Killed in the middle of writing: nothing that was acknowledged is lost, nothing is half there.

``AIRYOKE_LONG=1`` runs the figures: 1,000 kills of a writer on SQLite, 200 on PostgreSQL (writer, backend, server).
A kill of the process is not a power cut: that is ``test_power.py``.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sqlite3
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from airyoke.quantities import Refused
from airyoke.record.record import Record
from airyoke.ward.entries import Draft
from record.conftest import NO_RESERVE, file_site, start_ward
from record.postgres import Server

LONG = os.environ.get("AIRYOKE_LONG") == "1"
KILLS = 1000 if LONG else 8
KILLS_PER_RECORD = 20
SERVER_KILLS = 200 if LONG else 3
# From Python 3.12 on a fork beside threads is warned of; the children here do their own work and end.
pytestmark = pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
FORK = multiprocessing.get_context("fork")


def pair(round_: int, number: int) -> list[Draft]:
    """Two entries of one write: both or none. Their ids are made by the writer, so that a retry is known."""
    return [Draft("note", {"text": f"{round_}.{number}.{half}"}, id=f"{round_}-{number}-{half}") for half in (1, 2)]


def write_until_killed(where: str, round_: int, pipe: int, refusals_end_it: bool) -> None:
    """Writes and says so outside the process: only what stands in the pipe was acknowledged."""
    with suppress(Refused), Record.open(where, site="st-example", space=NO_RESERVE) as record:
        number = 0
        while True:
            try:
                second = record.write(pair(round_, number), person="writer", seen=10**9)[1]
            except Refused:
                if refusals_end_it:
                    raise
                continue  # the same ids again: what was written before is not written twice
            os.write(pipe, f"{number} {second.sequence} {second.hash}\n".encode())
            number += 1
    os._exit(0)


@dataclass
class Round:
    """One writer, killed; what it was told is kept."""

    where: str
    number: int
    refusals_end_it: bool = True
    acknowledged: list[tuple[int, int, str]] = field(default_factory=list)

    def start(self) -> None:
        self.read_end, write_end = os.pipe()
        self.process = FORK.Process(
            target=write_until_killed, args=(self.where, self.number, write_end, self.refusals_end_it)
        )
        self.process.start()
        os.close(write_end)
        self.buffer = os.read(self.read_end, 4096)  # the first acknowledgement: from here on anything may happen

    def kill(self) -> None:
        assert self.process.pid is not None
        with suppress(ProcessLookupError):
            os.kill(self.process.pid, signal.SIGKILL)
        self.process.join()
        while more := os.read(self.read_end, 65536):
            self.buffer += more
        os.close(self.read_end)
        for line in self.buffer.decode().split("\n")[:-1]:
            number, sequence, line_hash = line.split()
            self.acknowledged.append((int(number), int(sequence), line_hash))


def check(record: Record, round_: Round) -> None:
    """All that was acknowledged is there; pairs are whole; a retry of the next one makes no second."""
    assert round_.acknowledged
    first = round_.acknowledged[0][1] - 1
    entries = record.entries(first)
    hashes = {entry.sequence: entry.hash for entry in entries}
    for _, sequence, line_hash in round_.acknowledged:
        assert hashes.get(sequence) == line_hash, (round_.number, sequence, "acknowledged and lost")
    texts = Counter(entry.content.get("text") for entry in entries if entry.kind == "note")
    assert set(texts.values()) <= {1}
    halves = Counter(str(text).rsplit(".", 1)[0] for text in texts)
    assert set(halves.values()) <= {2}, "half a write"
    last = round_.acknowledged[-1][0] + 1
    again = record.write(pair(round_.number, last), person="writer", seen=10**9)
    assert record.write(pair(round_.number, last), person="writer", seen=10**9) == again
    found = [entry.id for entry in record.entries(first) if entry.id == f"{round_.number}-{last}-1"]
    assert len(found) == 1


def test_a_killed_writer_loses_nothing_that_was_acknowledged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = random.SystemRandom().randrange(2**32)
    acknowledged = 0
    start = time.perf_counter()
    for kill in range(KILLS):
        dice = random.Random(kill if kill % 2 else seed + kill)
        if kill % KILLS_PER_RECORD == 0:
            place = file_site(tmp_path / f"ward-{kill}.airyoke")
            with place.create() as record:
                start_ward(record)
        round_ = Round(str(place.where), kill)
        round_.start()
        time.sleep(dice.random() * 0.06)
        round_.kill()
        with sqlite3.connect(place.where) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        connection.close()
        with Record.open(place.where, space=NO_RESERVE) as record:
            check(record, round_)
            if kill % KILLS_PER_RECORD == KILLS_PER_RECORD - 1:
                assert record.verify() == ()
        acknowledged += 2 * len(round_.acknowledged)
    with capsys.disabled():
        print(
            f"\n  SQLite: {KILLS} kills of the writer, {acknowledged} acknowledged entries, 0 lost, 0 half, seed {seed}, {time.perf_counter() - start:.0f} s"
        )


def test_the_rig_finds_a_writer_that_speaks_before_it_has_written(tmp_path: Path) -> None:
    """The control: an acknowledgement without an entry is found, or the rig proves nothing."""
    place = file_site(tmp_path / "ward.airyoke")
    with place.create() as record:
        start_ward(record)
        round_ = Round(str(place.where), 0)
        round_.start()
        round_.kill()
        number, sequence, line_hash = round_.acknowledged[-1]
        round_.acknowledged.append((number + 1, sequence + 400, line_hash))
        with pytest.raises(AssertionError, match="acknowledged and lost"):
            check(record, round_)


def test_a_killed_writer_backend_or_server_of_postgresql_loses_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    from airyoke.record.forms import make_tables
    from airyoke.record.setup import create

    server = Server(durable=True).start()
    seed = random.SystemRandom().randrange(2**32)
    done: Counter[str] = Counter()
    acknowledged = 0
    try:
        for kill in range(SERVER_KILLS):
            dice = random.Random(kill if kill % 2 else seed + kill)
            if kill % KILLS_PER_RECORD == 0:
                name = server.database()
                make_tables(server.url(name, "airyoke_owner"))
                with create(server.url(name), "st-example", unlocked=True) as record:
                    start_ward(record)
            what = ("writer", "backend", "server")[kill % 3]
            round_ = Round(server.url(name), kill, refusals_end_it=what != "backend")
            round_.start()
            time.sleep(dice.random() * 0.06)
            hurt(server, what)
            if what == "backend":
                time.sleep(0.6)  # the server starts itself again and the writer goes on with the same ids
            round_.kill()
            with opened(server.url(name)) as record:
                check(record, round_)
                if kill % KILLS_PER_RECORD == KILLS_PER_RECORD - 1:
                    assert record.verify() == ()
            acknowledged += 2 * len(round_.acknowledged)
            done[what] += 1
    finally:
        server.stop()
    with capsys.disabled():
        print(f"\n  PostgreSQL: {dict(done)} killed, {acknowledged} acknowledged entries, 0 lost, 0 twice, seed {seed}")


def hurt(server: Server, what: str) -> None:
    if what == "backend":
        query = "SELECT pid FROM pg_stat_activity WHERE usename = 'airyoke_app' LIMIT 1"
        found: list[Any] = server.sql("postgres", query)
        if found:
            server.kill_backend(found[0][0])
    elif what == "server":
        server.down("immediate")
        server.up()


def opened(where: str) -> Record:
    """The record, as soon as the server takes connections again."""
    until = time.monotonic() + 20
    while True:
        try:
            return Record.open(where, site="st-example")
        except Refused:
            if time.monotonic() > until:
                raise
            time.sleep(0.1)
