"""Copies of a record while it is in use, and the way back. A copy that was not verified is none."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from airyoke.quantities import Finding, Refused
from airyoke.record.chain import Head
from airyoke.record.database import check_header, refused, sqlite_engine
from airyoke.record.faults import told
from airyoke.record.files import file_sha256, sync_file, sync_folder
from airyoke.record.moment import age
from airyoke.record.record import STREAMS, Record
from airyoke.record.transfer import Written, copy_site

OLD_AFTER: Final = timedelta(hours=24)
"""A backup older than this is asked about (judgement)."""


def back_up(record: Record, folder: Path, *, person: str) -> Written:
    """A verified copy of the record in ``folder``, named after site and time, with its SHA-256 beside it.

    The record stays in use meanwhile. From a server the copy is a SQLite file of this site. Raises
    :class:`airyoke.quantities.Refused` where the folder is not there, the disk is full, or the record is not what was
    written: a broken record is not copied over a good backup. Where the record takes no entry now, ``noted`` is false.
    """
    if not folder.is_dir():
        raise refused("folder-missing", f"there is no folder {folder.name}", "make it first", folder.name)
    stamp = record.clock().local.astimezone(UTC).strftime("%Y%m%dT%H%M%S.%fZ")
    path = folder / f"{record.site}-{stamp}.airyoke"
    part = folder / f".{path.name}.part"
    with told(path.name):
        try:
            if record.database.path is None:
                copy_site(record, part)
            else:
                _copy(record.database.path, part)
            _one_file(part)
            heads, count = _verified(part, record)
            sync_file(part)
            digest = file_sha256(part)
            note = path.with_name(path.name + ".sha256")
            note.write_text(f"{digest}  {path.name}\n", "ascii")
            sync_file(note)
            sync_folder(folder)  # first the proof, then the backup: none is ever seen without
            part.rename(path)
            sync_folder(folder)
        finally:
            for left in (part, *(part.with_name(part.name + end) for end in ("-wal", "-shm", ".lock", "-journal"))):
                left.unlink(missing_ok=True)
    content = {"file": path.name, "sha256": digest, "head": str(heads[0]), "entries": count}
    try:
        record.write_audit("backup", content, person=person)
    except Refused:  # a full disk is when a copy on another one is needed most
        return Written(path, digest, heads, count, noted=False)
    return Written(path, digest, heads, count)


def restore(backup: Path, where: str | Path) -> tuple[Head, ...]:
    """A record in a new place from a backup, verified before and after; the heads of its chains.

    The backup is not touched. Raises :class:`airyoke.quantities.Refused` where it is not the file that was written
    (its ``.sha256`` says which), or where something is at the new place already.
    """
    check_backup(backup)
    sites = sites_of(backup)
    if len(sites) != 1:
        reason = f"the backup holds {len(sites)} sites"
        raise refused("site-several", reason, "it is a record itself: open it, and copy site by site", backup.name)
    with Record.open(backup, site=sites[0], read_only=True) as old:
        findings = old.verify()
        if findings:
            raise Refused(findings)
        copied = copy_site(old, where)
    content = {"file": backup.name[:80], "sha256": file_sha256(backup), "head": str(copied[0])}
    with Record.open(where, site=sites[0]) as new:
        new.write_audit("restore", content, person="restore")
    return copied


def check_backup(backup: Path) -> None:
    """Raise :class:`airyoke.quantities.Refused` unless this is a record, whole, and the one whose hash was noted."""
    check_header(backup)
    note = backup.with_name(backup.name + ".sha256")
    with told(backup.name):
        if not note.exists():
            reason = f"there is no {note.name} to check the backup against"
            raise refused("backup-unproved", reason, "bring it along from where the backup was made", backup.name)
        if note.read_text("ascii", errors="replace").split()[:1] != [file_sha256(backup)]:
            reason = "the backup is not the file that was written: cut or changed on its way"
            raise refused("backup-damaged", reason, "copy it again, or take the one before", backup.name)


def backup_finding(record: Record, now: datetime) -> Finding | None:
    """What to say about the last backup: none yet, or old."""
    last = record.last_of("backup")
    if last is None:
        return Finding("backup-missing", "ask", "no backup was ever made", "run airyoke record backup FOLDER")
    passed = age(last.time, now)
    if passed is not None and passed > OLD_AFTER:
        hours = int(passed.total_seconds() // 3600)
        return Finding("backup-old", "ask", f"the last backup is {hours} h old", "run airyoke record backup FOLDER")
    return None


def _copy(source: Path, target: Path) -> None:
    """The online copy of SQLite: one moment of the record, writers go on."""
    old = sqlite3.connect(f"{source.absolute().as_uri()}?mode=rw", uri=True)
    try:
        old.execute("PRAGMA wal_autocheckpoint=0")
        new = sqlite3.connect(target)
        try:
            old.backup(new)
        finally:
            new.close()
    finally:
        old.close()


def _one_file(path: Path) -> None:
    """Out of the mode with a log beside the file, so that a backup is one file and can lie on a read-only disk."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode=DELETE")
    finally:
        connection.close()


def _verified(path: Path, record: Record) -> tuple[tuple[Head, ...], int]:
    with Record.open(path, site=record.site, read_only=True) as copy:
        findings = copy.verify()
        if findings:
            raise Refused(findings)
        heads = tuple(copy.head(stream) for stream in STREAMS)
        return heads, sum(head.sequence for head in heads)


def sites_of(path: Path) -> list[str]:
    """The sites in a file."""
    engine = sqlite_engine(path, read_only=True)
    try:
        with told(path.name), engine.connect() as connection:
            return [str(row[0]) for row in connection.exec_driver_sql("SELECT site FROM site ORDER BY site")]
    finally:
        engine.dispose()
