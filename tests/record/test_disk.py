"""A disk that is full, broken or read-only: every failure is answered in words, and nothing acknowledged is lost.

``AIRYOKE_LONG=1``: every write call of a session of 200 entries.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from airyoke.quantities import Refused
from airyoke.record import database
from airyoke.record.record import Record
from airyoke.record.space import SpaceRules, free_bytes, keep_reserve, release_reserve, reserve_of
from record.conftest import NO_RESERVE, Site, reading, start_ward
from record.disk_faults import failing_disk

LONG = os.environ.get("AIRYOKE_LONG") == "1"
ENTRIES = 200 if LONG else 4
ANSWERS = {"disk-full", "disk-error", "record-not-opened", "record-read-only", "record-no-rights", "record-damaged"}


def written(record: Record) -> list[str]:
    return [row.hash for row in record.rows("ward")]


@pytest.mark.parametrize("lasting", [True, False], ids=["until healed", "once"])
@pytest.mark.parametrize(
    ("call", "error"),
    [("pwrite64", "ENOSPC"), ("pwrite64", "EIO"), ("pwrite64", "EROFS"), ("ftruncate", "EIO"), ("pread64", "EIO")],
)
def test_every_failing_call_is_answered_and_nothing_acknowledged_is_lost(
    file_place: Site,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    call: str,
    error: str,
    lasting: bool,
) -> None:
    monkeypatch.setattr(database, "CHECKPOINT_ABOVE_BYTES", 60_000 if LONG else 30_000)
    record = file_place.create()
    start_ward(record)
    acknowledged = written(record)
    answers: Counter[str] = Counter()
    with failing_disk() as disk:
        for number in range(ENTRIES):
            after = 0
            while True:  # fail the first call of this write, then the second, … until the write has no more of them
                hits = disk.hits
                disk.fail(call, error, after, lasting=lasting)
                try:
                    (entry,) = record.write([reading(20 + number / 100, id=f"n{number}")], person="rt", seen=10**9)
                    answers["written"] += 1
                except Refused as refusal:
                    answers[refusal.findings[0].id] += 1
                    entry = None
                disk.heal()
                assert set(written(record)) >= set(acknowledged), "acknowledged and lost"
                if entry is not None and entry.hash not in acknowledged:  # else only the checkpoint after it failed
                    acknowledged.append(entry.hash)
                    assert written(record)[-1] == entry.hash
                if disk.hits == hits:
                    break
                after += 1
        assert disk.hits > 0 or call == "pread64"
        injected = disk.hits
    assert set(answers) <= ANSWERS | {"written"}
    assert record.verify() == ()
    record.close()
    with Record.open(file_place.where, space=NO_RESERVE) as again:
        assert written(again) == acknowledged
    with capsys.disabled():
        print(
            f"\n  {call} {error}{'' if lasting else ' once'}: {injected} failing calls in {ENTRIES} entries: {dict(answers)}"
        )


@pytest.mark.parametrize("error", ["EACCES", "EIO", "EMFILE", "EROFS"])
def test_a_record_that_cannot_be_opened_says_so(file_place: Site, error: str) -> None:
    file_place.create().close()
    with failing_disk() as disk:
        disk.fail("open", error)
        with pytest.raises(Refused) as refusal:
            Record.open(file_place.where)
        assert disk.hits > 0
        disk.heal()
    assert refusal.value.findings[0].id in ANSWERS
    Record.open(file_place.where, space=NO_RESERVE).close()


def test_the_rig_finds_a_write_that_is_answered_though_it_failed(file_place: Site) -> None:
    """The control: somebody who takes the failed write for done is caught by the same comparison."""
    record = file_place.create()
    start_ward(record)
    acknowledged = written(record)
    with failing_disk() as disk:
        disk.fail("pwrite64", "ENOSPC")
        with pytest.raises(Refused):
            record.write([reading(21)], person="rt", seen=10**9)
        disk.heal()
        acknowledged.append("0" * 64)
        assert not set(written(record)) >= set(acknowledged)


@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace (Debian package strace)")
@pytest.mark.parametrize("number", [3] if not LONG else range(2, 40))
def test_a_sync_that_fails_is_no_acknowledgement(file_place: Site, tmp_path: Path, number: int) -> None:
    record = file_place.create()
    start_ward(record)
    first = record.head().sequence
    record.close()
    command = ["strace", "-f", "-o", "/dev/null", "-e", "trace=fdatasync", "-e", f"inject=fdatasync:error=EIO:when={number}+",
               sys.executable, "-m", "record.power_writer", "write", str(file_place.where), "60", "FULL", "100000"]  # fmt: skip
    done = subprocess.run(command, cwd=Path(__file__).parents[1], capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "disk-error" in done.stderr
    acknowledged = [line.split()[2] for line in done.stdout.splitlines()]
    assert len(acknowledged) < number
    with Record.open(file_place.where, space=NO_RESERVE) as again:
        kept = [row.hash for row in again.rows("ward", first + 1)]
        assert kept[: len(acknowledged)] == acknowledged
        assert again.verify() == ()


def test_a_disk_that_runs_low_is_told_and_a_nearly_full_one_stops_writing_but_not_reading(file_place: Site) -> None:
    record = file_place.create()
    start_ward(record)
    free = free_bytes(Path(file_place.where))
    record.space = SpaceRules(warn_below_bytes=2 * free, stop_below_bytes=0)
    assert "disk-low" in [finding.id for finding in record.findings()]
    record.write([reading(21)], person="rt", seen=10**9)
    record.space = SpaceRules(warn_below_bytes=2 * free, stop_below_bytes=2 * free)
    with pytest.raises(Refused, match="disk-nearly-full"):
        record.write([reading(22)], person="rt", seen=10**9)
    assert record.state().beds["1"].patient is not None
    record.space = SpaceRules(warn_below_bytes=0, stop_below_bytes=0)
    record.write([reading(22)], person="rt", seen=10**9)


def test_the_reserve_holds_space_and_gives_it_back(file_place: Site) -> None:
    path = Path(file_place.where)
    file_place.create().close()
    rules = SpaceRules(warn_below_bytes=0, reserve_bytes=1 << 20)
    assert keep_reserve(path, rules)
    assert reserve_of(path).stat().st_blocks * 512 >= 1 << 20
    assert release_reserve(path) == 1 << 20
    assert release_reserve(path) == 0
    assert not keep_reserve(path, SpaceRules(warn_below_bytes=2 * free_bytes(path)))


@pytest.mark.parametrize("with_log", [True, False])
def test_on_a_read_only_disk_everything_is_shown_also_what_is_in_the_log_and_writing_is_refused(
    file_place: Site, tmp_path: Path, with_log: bool
) -> None:
    record = file_place.create()
    start_ward(record)
    state, head = record.state(), record.head()
    if not with_log:
        record.close()
    frozen = tmp_path / "frozen"
    frozen.mkdir()
    for end in ("", "-wal"):
        if Path(f"{file_place.where}{end}").exists():
            shutil.copyfile(f"{file_place.where}{end}", frozen / f"ward.airyoke{end}")
    assert (frozen / "ward.airyoke-wal").exists() == with_log
    with failing_disk() as disk:
        disk.frozen = str(frozen)
        with pytest.raises(Refused), Record.open(frozen / "ward.airyoke", space=NO_RESERVE) as opened:
            opened.write([reading(22)], person="rt", seen=10**9)
        with Record.open(frozen / "ward.airyoke", read_only=True) as shown:
            assert (shown.state(), shown.head()) == (state, head)
            assert shown.verify([head]) == ()
            with pytest.raises(Refused, match="record-read-only"):
                shown.write([reading(22)], person="rt", seen=10**9)
