"""A large record opens in time and in little memory; a long shift keeps the log short.

``AIRYOKE_LONG=1`` runs the figures: 100,000 entries, 20,000 writes.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from airyoke.record.record import Record
from record.conftest import NO_RESERVE, Site, reading, start_ward

LONG = os.environ.get("AIRYOKE_LONG") == "1"
ENTRIES = 100_000 if LONG else 2_000
WRITES = 20_000 if LONG else 300

_OPEN = """
import re, sys, time
start = time.perf_counter()
from airyoke.record.record import Record
record = Record.open(sys.argv[1])
ready = time.perf_counter() - start
status = open("/proc/self/status").read()  # the largest of this program; what the system sums up begins with the parent's
print(ready, int(re.search(r"VmHWM:\\s+(\\d+)", status).group(1)) / 1024, record.state().sequence)
"""


def fill(record: Record, count: int) -> None:
    start_ward(record)
    for block in range(0, count, 1000):
        drafts = [
            reading(
                20 + n % 100 / 10,
                at=f"2026-{1 + n // 43200 % 12:02}-{1 + n // 1440 % 28:02}T{n // 60 % 24:02}:{n % 60:02}+00:00",
            )
            for n in range(block, block + 1000)
        ]
        record.write(drafts, person="rt", seen=10**9)


def test_a_large_record_opens_cold_in_time_and_folds_on_from_where_it_was(
    file_place: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    record = file_place.create()
    fill(record, ENTRIES)
    done = subprocess.run(
        [sys.executable, "-c", _OPEN, str(file_place.where)], capture_output=True, text=True, check=True
    )
    ready_s, memory_mib, sequence = (float(word) for word in done.stdout.split())
    assert sequence >= ENTRIES
    start = time.perf_counter()
    record.write([reading(24)], person="rt", seen=10**9)
    one_more_s = time.perf_counter() - start
    start = time.perf_counter()
    assert record.verify() == ()
    verified_s = time.perf_counter() - start
    size = Path(file_place.where).stat().st_size / 2**20
    with capsys.disabled():
        print(
            f"\n  {int(sequence)} entries, {size:.0f} MiB: cold start {ready_s:.2f} s, {memory_mib:.0f} MiB; one more {one_more_s * 1000:.0f} ms; verified in full {verified_s:.1f} s"
        )
    assert ready_s < 5
    assert memory_mib < 200
    assert one_more_s < 2


def test_a_long_shift_keeps_the_log_short_and_the_memory_flat(
    file_place: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    record = file_place.create()
    start_ward(record)
    log = Path(f"{file_place.where}-wal")
    longest = 0
    memory: list[float] = []
    with Record.open(file_place.where, space=NO_RESERVE) as reader:
        for number in range(WRITES):
            record.write([reading(20 + number % 100 / 10)], person="rt", seen=10**9)
            if number % 50 == 0:
                assert reader.state() == record.state()
                longest = max(longest, log.stat().st_size)
                memory.append(float(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 2**20)
    with capsys.disabled():
        half = memory[len(memory) // 2]
        print(
            f"\n  {WRITES} writes beside a reader: log at most {longest / 2**20:.1f} MiB, memory {half:.0f} MiB at half time, {memory[-1]:.0f} MiB at the end"
        )
    assert longest < 64 * 2**20
    assert memory[-1] < half * 1.05 + 8
