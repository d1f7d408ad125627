"""The power goes at any moment: nothing that was acknowledged is lost, and the record opens.

``AIRYOKE_LONG=1`` runs the figure: 2,000 moments. The control is the same program with ``synchronous`` OFF and NORMAL:
there the rig must find loss, or it proves nothing.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from collections import Counter
from pathlib import Path

import pytest

from airyoke.quantities import Refused
from airyoke.record.backup import check_backup
from airyoke.record.record import Record
from airyoke.record.schema import REVISIONS
from record.conftest import NO_RESERVE, file_site, start_ward
from record.power import Disk, Event, fresh, record_writer
from record.test_forms import lines, sample

LONG = os.environ.get("AIRYOKE_LONG") == "1"
MOMENTS = 2000 if LONG else 40
ENTRIES = 60 if LONG else 24
CHECKPOINT_ABOVE_BYTES = 100_000

pytestmark = pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace (Debian package strace)")


def outcomes(tmp_path: Path, synchronous: str, moments: int, seed: int) -> Counter[str]:
    """Cut the power at ``moments`` moments of one run, and open what is left each time."""
    folder = fresh(tmp_path / f"disk-{synchronous}")
    place = file_site(folder / "ward.airyoke")
    with place.create() as record:
        start_ward(record)
    (folder / "ward.airyoke.lock").unlink()
    before = Disk(folder)
    events = record_writer(
        folder, ["write", str(folder / "ward.airyoke"), str(ENTRIES), synchronous, str(CHECKPOINT_ABOVE_BYTES)]
    )
    assert sum(event.what == "ack" for event in events) == ENTRIES
    assert any(event.what == "cut" for event in events), "no checkpoint was seen"
    found: Counter[str] = Counter()
    left = tmp_path / "left"
    for number in range(moments):
        dice = random.Random(number if number % 2 else seed + number)
        at = dice.randrange(1, len(events) + 1)
        acknowledged, mode = cut(before, events[:at], left, dice)
        found[outcome(left / "ward.airyoke", acknowledged)] += 1
        found[f"({mode})"] += 1
    return found


def cut(before: Disk, events: list[Event], left: Path, dice: random.Random) -> tuple[dict[int, str], str]:
    """The power goes after these events; what had been acknowledged by then, and what was thrown for the rest."""
    disk = before.copy()
    acknowledged: dict[int, str] = {}
    for event in events:
        if event.what == "ack":
            acknowledged[event.offset] = event.data.decode()
        else:
            disk.follow(event)
    return acknowledged, disk.after_cut(fresh(left), dice)


def outcome(path: Path, acknowledged: dict[int, str]) -> str:
    try:
        with Record.open(path, site="st-example", space=NO_RESERVE) as record:
            if record.verify():
                return "damaged"
            hashes = {row.sequence: row.hash for row in record.rows("ward")}
    except Refused as refusal:
        return f"does not open: {refusal.findings[0].id}"
    return "whole" if all(hashes.get(number) == line for number, line in acknowledged.items()) else "lost"


def test_a_power_cut_at_any_moment_loses_nothing_that_was_acknowledged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = random.SystemRandom().randrange(2**32)
    found = outcomes(tmp_path, "FULL", MOMENTS, seed)
    with capsys.disabled():
        print(f"\n  power cuts, FULL: {MOMENTS}, seed {seed}: {dict(found)}")
    assert found["whole"] == MOMENTS


@pytest.mark.parametrize("synchronous", ["OFF", "NORMAL"])
def test_the_rig_finds_loss_where_commits_do_not_wait_for_the_disk(
    tmp_path: Path, synchronous: str, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = random.SystemRandom().randrange(2**32)
    found = outcomes(tmp_path, synchronous, max(30, MOMENTS // 10), seed)
    with capsys.disabled():
        print(f"\n  control, {synchronous}: {max(30, MOMENTS // 10)}, seed {seed}: {dict(found)}")
    assert found["lost"] > 0


def test_a_record_that_is_being_made_is_there_whole_or_not_at_all(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = fresh(tmp_path / "disk")
    events = record_writer(folder, ["make", str(folder / "ward.airyoke")])
    seed = random.SystemRandom().randrange(2**32)
    found: Counter[str] = Counter()
    for number in range(MOMENTS // 2):
        dice = random.Random(number if number % 2 else seed + number)
        acknowledged, _ = cut(
            Disk(fresh(tmp_path / "empty")), events[: dice.randrange(1, len(events) + 1)], tmp_path / "left", dice
        )
        path = tmp_path / "left" / "ward.airyoke"
        if not path.exists():
            assert not acknowledged, (seed, number)
            found["not there"] += 1
            continue
        with sqlite3.connect(path) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",), (seed, number)
            assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == (REVISIONS[-1],)
        connection.close()
        if acknowledged:
            assert outcome(path, acknowledged) == "whole", (seed, number)
        found["whole"] += 1
    with capsys.disabled():
        print(f"\n  power cuts while a record is made: {MOMENTS // 2}, seed {seed}: {dict(found)}")
    assert len(found) == 2


def test_a_power_cut_in_an_upgrade_leaves_the_old_form_or_the_new_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = fresh(tmp_path / "disk")
    path = sample("0001", folder / "ward.airyoke")
    entries = lines(path)
    before = Disk(folder)
    events = record_writer(folder, ["upgrade", str(path)])
    seed = random.SystemRandom().randrange(2**32)
    found: Counter[str] = Counter()
    for number in range(MOMENTS // 2):
        dice = random.Random(number if number % 2 else seed + number)
        acknowledged, _ = cut(before, events[: dice.randrange(1, len(events) + 1)], tmp_path / "left", dice)
        left = tmp_path / "left" / "ward.airyoke"
        with sqlite3.connect(left) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",), (seed, number)
            (form,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            (count,) = connection.execute("PRAGMA user_version").fetchone()
        connection.close()
        assert form == REVISIONS[-1] if acknowledged else form in ("0001", REVISIONS[-1]), (seed, number)
        assert count == REVISIONS.index(form) + 1, (seed, number)
        assert lines(left) == entries, (seed, number)
        found[form] += 1
    with capsys.disabled():
        print(f"\n  power cuts in an upgrade: {MOMENTS // 2}, seed {seed}: left in form {dict(found)}")
    assert set(found) == {"0001", REVISIONS[-1]}


def test_a_backup_that_was_acknowledged_is_there_after_a_power_cut_and_any_that_is_there_proves_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = fresh(tmp_path / "disk")
    place = file_site(folder / "ward.airyoke")
    with place.create() as record:
        start_ward(record)
    before = Disk(folder)
    events = record_writer(folder, ["backup", str(folder / "ward.airyoke"), str(folder)])
    seed = random.SystemRandom().randrange(2**32)
    found: Counter[str] = Counter()
    for number in range(MOMENTS // 2):
        dice = random.Random(number if number % 2 else seed + number)
        acknowledged, _ = cut(before, events[: dice.randrange(1, len(events) + 1)], tmp_path / "left", dice)
        backups = list((tmp_path / "left").glob("st-example-*.airyoke"))
        assert len(backups) == 1 or not acknowledged, (seed, number)
        for backup in backups:
            check_backup(backup)
            found["proved"] += 1
        found["none yet"] += not backups
    with capsys.disabled():
        print(f"\n  power cuts in a backup: {MOMENTS // 2}, seed {seed}: {dict(found)}")
    assert min(found["proved"], found["none yet"]) > 0
