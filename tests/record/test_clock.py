"""Clocks jump, zones change, an hour comes twice: order is by sequence, jumps are shown, nothing is of negative age."""

from __future__ import annotations

import os
import random
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from airyoke.record.moment import JUMP_S, age, clock_findings, jump_s, system_clock
from record.conftest import Site, reading, start_ward

JUMPS = 1000 if os.environ.get("AIRYOKE_LONG") == "1" else 100
HOUR, YEAR = 3600.0, 365 * 86400.0


@pytest.mark.parametrize("jump", [1.0, -1.0, 59.0, -59.0, 61.0, -61.0, HOUR, -HOUR, YEAR, -YEAR])
def test_a_jump_over_a_minute_is_shown_and_order_stays(file_place: Site, jump: float) -> None:
    record = file_place.create()
    start_ward(record)
    file_place.clock.jump(jump)
    (entry,) = record.write([reading(24)], person="rt", seen=10**9)
    found = [finding for finding in record.findings() if finding.id == "clock-jump"]
    assert len(found) == (abs(jump) > JUMP_S)
    if found:
        assert ("forward" if jump > 0 else "back") in found[0].reason
    assert [one.sequence for one in record.entries()] == list(range(1, entry.sequence + 1))
    before = record.entries(entry.sequence - 1, entry.sequence - 1)[0]
    assert jump_s(before, entry) == pytest.approx(jump, abs=0.01)


def test_many_jumps_change_no_order_and_make_no_negative_age(
    file_place: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = random.SystemRandom().randrange(2**32)
    dice = random.Random(seed)
    record = file_place.create()
    start_ward(record)
    expected = 0
    sequence = record.head().sequence
    entries = []
    for _ in range(JUMPS):
        jump = dice.choice([1.0, -1.0, 30.0, 90.0, -90.0, HOUR, -HOUR, YEAR, -YEAR])
        file_place.clock.jump(jump)
        file_place.clock.zone = dice.choice(
            [UTC, ZoneInfo("Europe/Berlin"), ZoneInfo("Asia/Kolkata"), timezone(timedelta(hours=-3))]
        )
        expected += abs(jump) > JUMP_S
        sequence += 1
        entries += record.write([reading(24, at=file_place.clock.now.isoformat())], person="rt", seen=10**9)
        assert entries[-1].sequence == sequence, seed
    jumps = [finding for finding in clock_findings(entries, file_place.clock()) if finding.id == "clock-jump"]
    assert len(jumps) >= expected - 1
    file_place.clock.jump(-YEAR)  # wherever the jumps ended: the last entry is ahead of the clock now
    now = file_place.clock().local
    ages = [age(entry.time, now) for entry in entries]
    assert all(one is None or one >= timedelta(0) for one in ages), seed
    assert any(one is None for one in ages)
    with capsys.disabled():
        print(
            f"\n  clock: {JUMPS} jumps and zone changes, {len(jumps)} over a minute shown, 0 negative ages, seed {seed}"
        )


def test_the_hour_that_comes_twice_and_the_one_that_never_comes_keep_their_offsets(file_place: Site) -> None:
    file_place.clock.zone = ZoneInfo("Europe/Berlin")
    file_place.clock.now = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    record = file_place.create()
    start_ward(record)
    locals_ = []
    for _ in range(3):
        locals_ += [record.write([reading(24)], person="rt", seen=10**9)[0]]
        file_place.clock.pass_s(HOUR)
    assert [one.local[11:16] for one in locals_] == ["02:30", "02:30", "03:30"]
    assert [one.local[23:] for one in locals_] == ["+02:00", "+01:00", "+01:00"]
    assert [one.zone for one in locals_] == ["CEST", "CET", "CET"]
    file_place.clock.now = datetime(2027, 3, 28, 0, 59, tzinfo=UTC)
    file_place.clock.monotonic_s += 154 * 86400
    spring = [record.write([reading(24)], person="rt", seen=10**9)[0]]
    file_place.clock.pass_s(120)
    spring += [record.write([reading(24)], person="rt", seen=10**9)[0]]
    assert [one.local[11:13] for one in spring] == ["01", "03"]
    assert spring[1].time - spring[0].time < timedelta(minutes=3)


def test_a_machine_that_started_anew_tells_only_that_its_clock_went_back(file_place: Site) -> None:
    record = file_place.create()
    start_ward(record)
    for jump, wanted in ((HOUR, 0), (-2 * HOUR, 1)):
        file_place.clock.boot = f"boot after {jump}"
        file_place.clock.monotonic_s = 5.0
        file_place.clock.jump(jump)
        record.write([reading(24)], person="rt", seen=10**9)
        assert len([f for f in record.findings() if f.id == "clock-jump"]) == wanted


def test_entries_later_than_the_clock_are_told(file_place: Site) -> None:
    record = file_place.create()
    start_ward(record)
    file_place.clock.jump(-HOUR)
    assert "clock-behind" in [finding.id for finding in record.findings()]


def test_the_clock_of_this_machine_goes_forward_and_names_its_boot() -> None:
    one, two = system_clock(), system_clock()
    assert two.monotonic_s >= one.monotonic_s
    assert one.boot == two.boot != ""
    assert one.local.tzinfo is not None
