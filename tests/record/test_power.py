"""The power goes at any moment: nothing that was acknowledged is lost, and the record opens.

``AIRYOKE_LONG=1`` runs the figure: 2,000 moments. The control is the same program with ``synchronous`` OFF and NORMAL:
there the rig must find loss, or it proves nothing.
"""

from __future__ import annotations

import os
import random
import shutil
from collections import Counter
from pathlib import Path

import pytest

from airyoke.quantities import Refused
from airyoke.record.record import Record
from record.conftest import NO_RESERVE, file_site, start_ward
from record.power import Disk, fresh, record_writer

LONG = os.environ.get("AIRYOKE_LONG") == "1"
MOMENTS = 2000 if LONG else 60
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
    events = record_writer(folder, [str(folder / "ward.airyoke"), str(ENTRIES), synchronous, str(CHECKPOINT_ABOVE_BYTES)])
    assert sum(event.what == "ack" for event in events) == ENTRIES
    assert any(event.what == "cut" for event in events), "no checkpoint was seen"
    found: Counter[str] = Counter()
    left = tmp_path / "left"
    for number in range(moments):
        dice = random.Random(number if number % 2 else seed + number)
        at = dice.randrange(1, len(events) + 1)
        disk = Disk.__new__(Disk)
        disk.files = {name: type(file)(bytearray(file.kept)) for name, file in before.files.items()}
        disk.removed = {}
        acknowledged: dict[int, str] = {}
        for event in events[:at]:
            if event.what == "ack":
                acknowledged[event.offset] = event.data.decode()
            else:
                disk.follow(event)
        mode = disk.after_cut(fresh(left), dice)
        found[outcome(left / "ward.airyoke", acknowledged)] += 1
        found[f"({mode})"] += 1
    return found


def outcome(path: Path, acknowledged: dict[int, str]) -> str:
    try:
        with Record.open(path, site="st-example", space=NO_RESERVE) as record:
            if record.verify():
                return "damaged"
            hashes = {row.sequence: row.hash for row in record.rows("ward")}
    except Refused as refusal:
        return f"does not open: {refusal.findings[0].id}"
    return "whole" if all(hashes.get(number) == line for number, line in acknowledged.items()) else "lost"


def test_a_power_cut_at_any_moment_loses_nothing_that_was_acknowledged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seed = random.SystemRandom().randrange(2**32)
    found = outcomes(tmp_path, "FULL", MOMENTS, seed)
    with capsys.disabled():
        print(f"\n  power cuts, FULL: {MOMENTS}, seed {seed}: {dict(found)}")
    assert found["whole"] == MOMENTS


@pytest.mark.parametrize("synchronous", ["OFF", "NORMAL"])
def test_the_rig_finds_loss_where_commits_do_not_wait_for_the_disk(tmp_path: Path, synchronous: str, capsys: pytest.CaptureFixture[str]) -> None:
    seed = random.SystemRandom().randrange(2**32)
    found = outcomes(tmp_path, synchronous, max(30, MOMENTS // 10), seed)
    with capsys.disabled():
        print(f"\n  control, {synchronous}: {max(30, MOMENTS // 10)}, seed {seed}: {dict(found)}")
    assert found["lost"] > 0
