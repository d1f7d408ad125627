"""Backup, restore, lines and moves between databases: the same entries come back, or the reason why not."""

from __future__ import annotations

import os
import sqlite3
import threading
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from airyoke.quantities import Refused
from airyoke.record.backup import back_up, backup_finding, check_backup, restore
from airyoke.record.chain import Row
from airyoke.record.record import STREAMS, Record
from airyoke.record.space import SpaceRules
from airyoke.record.transfer import copy_site, export_lines, read_lines, record_from_lines
from record.conftest import NO_RESERVE, Site, reading, start_ward
from record.postgres import Server

LONG = os.environ.get("AIRYOKE_LONG") == "1"
BACKUPS = 100 if LONG else 4


def rows(record: Record) -> list[Row]:
    return [row for stream in STREAMS for row in record.rows(stream)]


def refused_id(call: Any, *arguments: Any, **options: Any) -> str:
    with pytest.raises(Refused) as refusal:
        call(*arguments, **options)
    assert all(finding.reason and finding.remedy for finding in refusal.value.findings)
    return refusal.value.findings[0].id


@pytest.fixture
def record(place: Site) -> Record:
    record = place.create()
    start_ward(record)
    record.write([reading(24)], person="rt", seen=10**9)
    record.write_audit("read", {"what": "plan"}, person="rt")
    return record


def test_a_backup_restored_to_a_new_place_is_the_record_and_both_are_noted(record: Record, tmp_path: Path) -> None:
    before = rows(record)
    written = back_up(record, tmp_path, person="cron")
    assert sorted(path.name for path in tmp_path.glob("st-example*")) == [
        written.path.name,
        written.path.name + ".sha256",
    ]
    assert not list(tmp_path.glob(".*"))
    restore(written.path, tmp_path / "new.airyoke")
    with Record.open(tmp_path / "new.airyoke", space=NO_RESERVE) as new:
        assert [row for row in rows(new) if row.kind != "restore"] == before
        assert new.state() == record.state()
        assert new.verify(written.heads) == ()
        assert [entry.content["sha256"] for entry in new.entries(stream="audit") if entry.kind == "restore"] == [
            written.sha256
        ]
    noted = record.last_of("backup")
    assert noted is not None
    assert noted.content == {
        "file": written.path.name,
        "sha256": written.sha256,
        "head": str(written.heads[0]),
        "entries": len(before),
    }


@pytest.mark.parametrize("damage", ["cut", "changed", "no note", "foreign", "empty"])
def test_a_backup_that_is_not_what_was_written_is_refused_and_not_touched(
    record: Record, tmp_path: Path, damage: str
) -> None:
    path = back_up(record, tmp_path, person="cron").path
    content = path.read_bytes()
    if damage == "no note":
        path.with_name(path.name + ".sha256").unlink()
    else:
        path.write_bytes(
            {
                "cut": content[:-4096],
                "changed": content[:5000] + b"x" + content[5001:],
                "foreign": b"%PDF" + content,
                "empty": b"",
            }[damage]
        )
    now = path.read_bytes()
    wanted = {"no note": "backup-unproved", "foreign": "record-foreign", "empty": "record-foreign"}.get(
        damage, "backup-damaged"
    )
    assert refused_id(restore, path, tmp_path / "new.airyoke") == wanted
    assert path.read_bytes() == now
    assert not (tmp_path / "new.airyoke").exists()


def test_a_backup_is_made_from_a_disk_that_is_full_though_it_cannot_be_noted_there(
    file_place: Site, tmp_path: Path
) -> None:
    record = file_place.create()
    start_ward(record)
    record.space = SpaceRules(warn_below_bytes=2**60, stop_below_bytes=2**60)
    written = back_up(record, tmp_path, person="cron")
    assert not written.noted
    assert record.last_of("backup") is None
    check_backup(written.path)


def test_nothing_is_overwritten_by_a_restore_an_export_or_a_copy(record: Record, tmp_path: Path) -> None:
    path = back_up(record, tmp_path, person="cron").path
    there = tmp_path / "there"
    there.write_text("mine")
    assert refused_id(restore, path, there) == "file-exists"
    assert refused_id(export_lines, record, there) == "file-exists"
    assert refused_id(copy_site, record, there) == "file-exists"
    assert refused_id(back_up, record, tmp_path / "nowhere", person="cron") == "folder-missing"
    assert there.read_text() == "mine"


def test_a_broken_record_is_not_backed_up_over_good_ones(file_place: Site, tmp_path: Path) -> None:
    record = file_place.create()
    start_ward(record)
    with sqlite3.connect(file_place.where) as connection:
        connection.execute("DROP TRIGGER entry_is_never_changed")
        connection.execute("UPDATE entry SET line = replace(line, 'East', 'West')")
    (tmp_path / "backups").mkdir()
    assert refused_id(back_up, record, tmp_path / "backups", person="cron") == "chain-broken"
    assert list((tmp_path / "backups").iterdir()) == []


def test_backups_under_load_restore_to_the_same_entries(
    file_place: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = file_place.create()
    start_ward(record)
    stop = threading.Event()
    count = [0]

    def work() -> None:
        with Record.open(file_place.where, space=NO_RESERVE) as mine:
            while not stop.is_set():
                mine.write([reading(20 + count[0] % 100 / 10)], person="rt", seen=10**9)
                count[0] += 1
                stop.wait(0.02)  # some dozens of entries a second are a heavy load for a ward

    writer = threading.Thread(target=work)
    writer.start()
    restored = 0
    try:
        for number in range(BACKUPS):
            file_place.clock.pass_s(1)
            written = back_up(record, tmp_path, person="cron")
            target = tmp_path / f"new-{number}"
            restore(written.path, target)
            with Record.open(target, space=NO_RESERVE) as new:
                copied = [row for row in rows(new) if row.kind != "restore"]
                last = {head.stream: head.sequence for head in written.heads}
                original = [row for row in rows(record) if row.sequence <= last[row.stream]]
                assert copied == original
                assert new.verify(written.heads) == ()
            export_lines(new, tmp_path / "a.lines")
            (tmp_path / "a.lines").unlink()
            restored += 1
            for path in (target, written.path):
                path.unlink()
    finally:
        stop.set()
        writer.join()
    assert count[0] > BACKUPS
    with capsys.disabled():
        print(
            f"\n  backups while {count[0]} entries were written: {restored} of {BACKUPS} restored with the same entries"
        )


def test_lines_out_and_in_again_give_the_same_record(place: Site, record: Record, tmp_path: Path) -> None:
    written = export_lines(record, tmp_path / "out.lines")
    assert record_from_lines(tmp_path / "out.lines", tmp_path / "new.airyoke", place.clock()) == "st-example"
    with Record.open(tmp_path / "new.airyoke", space=NO_RESERVE) as new:
        assert rows(new) == rows(record)
        assert new.state() == record.state()
        again = export_lines(new, tmp_path / "again.lines")
    assert again.sha256 == written.sha256
    assert b"argon2" not in (tmp_path / "out.lines").read_bytes()


@pytest.mark.parametrize(("edit", "finding"), [
    (lambda lines: lines[:-2], "chain-cut"),
    (lambda lines: [*lines[:-1], lines[-1][:-5]], "lines-cut"),
    (lambda lines: [lines[0], *lines[2:]], "chain-broken"),
    (lambda lines: [lines[0], lines[2], lines[1], *lines[3:]], "chain-broken"),
    (lambda lines: [lines[0], lines[1].replace(b"setup", b"setdn"), *lines[2:]], "chain-broken"),
    (lambda lines: [lines[0].replace(b"st-example", b"st-other"), *lines[1:]], "chain-broken"),
    (lambda lines: lines[1:], "lines-foreign"),
    (lambda lines: [lines[0], b"{}\n", *lines[1:]], "lines-form"),
    (lambda lines: [lines[0], b"\xff\n", *lines[1:]], "lines-form"),
])  # fmt: skip
def test_lines_that_are_not_what_was_written_are_refused(
    file_place: Site, tmp_path: Path, edit: Any, finding: str
) -> None:
    record = file_place.create()
    start_ward(record)
    export_lines(record, tmp_path / "out.lines")
    lines = (tmp_path / "out.lines").read_bytes().splitlines(keepends=True)
    (tmp_path / "bad.lines").write_bytes(b"".join(edit(lines)))
    assert refused_id(record_from_lines, tmp_path / "bad.lines", tmp_path / "new", file_place.clock()) == finding
    assert not (tmp_path / "new").exists()


def test_entries_from_the_future_are_refused(file_place: Site, tmp_path: Path) -> None:
    record = file_place.create()
    file_place.clock.jump(3600)
    start_ward(record)
    export_lines(record, tmp_path / "out.lines")
    file_place.clock.jump(-3600)
    assert refused_id(read_lines, tmp_path / "out.lines", file_place.clock()) == "entry-future"


def test_a_record_moves_to_the_server_and_back_with_its_accounts(
    server: Server, file_place: Site, tmp_path: Path
) -> None:
    from airyoke.record.forms import make_tables
    from airyoke.record.passwords import Throttle
    from airyoke.record.people import add_person, sign_in

    record = file_place.create()
    add_person(record, "kim", ["keeper"], "orange bicycle lantern moss", by="kim")
    name = server.database()
    make_tables(server.url(name, "airyoke_owner"))
    copy_site(record, server.url(name))
    with Record.open(server.url(name), site="st-example") as there:
        assert rows(there) == rows(record)
        assert sign_in(there, "kim", "orange bicycle lantern moss", Throttle()) == ("keeper",)
        assert refused_id(copy_site, record, server.url(name)) == "site-there"
        copy_site(there, tmp_path / "back.airyoke")
        with Record.open(tmp_path / "back.airyoke", space=NO_RESERVE) as back:
            assert rows(back) == rows(there)


def test_an_old_or_missing_backup_is_asked_about_and_a_clock_that_went_back_makes_no_age(
    place: Site, record: Record, tmp_path: Path
) -> None:
    now = place.clock().local
    missing = backup_finding(record, now)
    assert missing is not None
    assert missing.id == "backup-missing"
    back_up(record, tmp_path, person="cron")
    assert backup_finding(record, now + timedelta(hours=23)) is None
    old = backup_finding(record, now + timedelta(hours=26))
    assert old is not None
    assert (old.id, "25 h" in old.reason or "26 h" in old.reason) == ("backup-old", True)
    assert backup_finding(record, now - timedelta(days=30)) is None
