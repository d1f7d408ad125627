"""Many programs write into one record at once, while its log is checkpointed and somebody reads: nobody's entry is lost.

``AIRYOKE_LONG=1``: eight programs with 500 entries each.
"""

from __future__ import annotations

import multiprocessing
import os
import time
from typing import Any

import pytest

from airyoke.record import database
from airyoke.record.record import Record
from record.conftest import NO_RESERVE, Site, reading, start_ward

LONG = os.environ.get("AIRYOKE_LONG") == "1"
PROGRAMS, EACH = (8, 500) if LONG else (4, 15)
# From Python 3.12 on a fork beside threads is warned of; the children here do their own work and end.
pytestmark = pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
FORK = multiprocessing.get_context("fork")


def write_many(where: str, number: int, said: Any) -> None:
    """One program: writes, and says what was acknowledged."""
    database.CHECKPOINT_ABOVE_BYTES = 100_000  # type: ignore[misc]
    with Record.open(where, site="st-example", space=NO_RESERVE) as record:
        for n in range(EACH):
            at = f"2026-11-{1 + number:02}T{n // 60:02}:{n % 60:02}+00:00"
            said.put(record.write([reading(20 + n / 100, at=at)], person=f"program {number}", seen=10**9)[0].hash)


def test_many_programs_write_at_once_and_every_acknowledged_entry_is_there_once(
    place: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    record = place.create()
    start_ward(record)
    first = record.head().sequence
    record.close()
    start = time.perf_counter()
    said = FORK.Queue()
    programs = [FORK.Process(target=write_many, args=(str(place.where), number, said)) for number in range(PROGRAMS)]
    for program in programs:
        program.start()
    acknowledged = [said.get(timeout=300) for _ in range(PROGRAMS * EACH)]
    for program in programs:
        program.join()
        assert program.exitcode == 0
    took = time.perf_counter() - start
    with Record.open(place.where, site="st-example", space=NO_RESERVE) as again:
        rows = [row.hash for row in again.rows("ward", first + 1)]
        assert sorted(rows) == sorted(acknowledged)
        assert again.verify() == ()
    with capsys.disabled():
        print(f"\n  {PROGRAMS} programs at once, {len(acknowledged)} entries in {took:.1f} s, each there once")
