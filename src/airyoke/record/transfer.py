"""Whole records out and in: as lines of JSON that any tool can read, and from one database to another.

Lines travel as they were written, letter by letter, so that the chain arrives unbroken.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, insert, select, text

from airyoke.quantities import Finding, Refused
from airyoke.record.chain import Head, Row, verify
from airyoke.record.database import Database, is_server, open_database, refused
from airyoke.record.faults import told
from airyoke.record.files import file_sha256, sync_file, sync_folder
from airyoke.record.forms import has_tables, make_tables
from airyoke.record.lines import entry_of, hash_of
from airyoke.record.moment import JUMP_S, Moment
from airyoke.record.record import STREAMS, Record, read_rows
from airyoke.record.schema import account_table, entry_table, site_table
from airyoke.record.setup import check_site_name
from airyoke.ward.fold import Fold, Source

FORMAT: Final = "airyoke/record-lines/1"
_LONGEST_LINE: Final = 2 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Written:
    """A file that was written: its hash, the ends of both chains in it, and how many entries it holds. ``noted``: the
    record says so in its audit."""

    path: Path
    sha256: str
    heads: tuple[Head, ...]
    entries: int
    noted: bool = True


def export_lines(record: Record, path: Path) -> Written:
    """Write the whole record as lines of JSON: one that names site and heads, then every entry of both streams.

    Accounts are not in it. Raises :class:`airyoke.quantities.Refused` where ``path`` exists.
    """
    if path.exists():
        raise refused("file-exists", f"{path.name} is there already", "nothing is overwritten", path.name)
    part = path.with_name(f".{path.name}.part")
    with told(path.name):
        with record.database.reading(record.site) as connection, part.open("w", encoding="utf-8", newline="\n") as file:
            rows = [row for stream in STREAMS for row in read_rows(connection, record.site, stream)]
            heads = _heads(rows)
            first = {"format": FORMAT, "site": record.site, "heads": [str(head) for head in heads]}
            file.write(json.dumps(first, separators=(",", ":")) + "\n")
            file.writelines(row.line + "\n" for row in rows)
        sync_file(part)
        part.rename(path)
        sync_folder(path.absolute().parent)
    return Written(path, file_sha256(path), heads, len(rows))


def _heads(rows: Sequence[Row]) -> tuple[Head, ...]:
    last = {row.stream: Head(row.stream, row.sequence, row.hash) for row in rows}
    return tuple(last.values())


def read_lines(path: Path, now: Moment) -> tuple[str, list[Row]]:
    """Site and rows of a file of lines, verified: form, chain, heads, times.

    Raises :class:`airyoke.quantities.Refused` for a file that is cut, edited or foreign, and for an entry from the
    future.
    """
    with told(path.name):
        content = path.read_bytes()
    lines = content.decode("utf-8", errors="replace").split("\n")
    site, heads = _first_line(lines[0], path.name)
    if lines[-1] != "":
        raise refused("lines-cut", "the last line has no end: the file was cut", "copy it again", path.name)
    rows: list[Row] = []
    for number, line in enumerate(lines[1:-1], start=2):
        try:
            if len(line) > _LONGEST_LINE:
                raise ValueError("too long")
            entry = entry_of(line, hash_of(line))
        except (ValueError, TypeError, UnicodeEncodeError):
            raise refused("lines-form", f"line {number} is no entry", "copy the file again", path.name) from None
        rows.append(Row(entry.site, entry.stream, entry.sequence, entry.id, entry.kind, entry.hash, line))
    findings: list[Finding] = []
    for stream in STREAMS:
        findings += verify((r for r in rows if r.stream == stream), site, stream, known=heads).findings
    if len([row for row in rows if row.stream in STREAMS]) != len(rows):
        findings.append(Finding("lines-form", "refused", "there are entries of an unknown stream", "copy it again"))
    if findings:
        raise Refused(tuple(findings))
    _check_times(rows, now, path.name)
    return site, rows


def _first_line(line: str, name: str) -> tuple[str, list[Head]]:
    try:
        first: Any = json.loads(line)
    except ValueError:
        first = None
    if not isinstance(first, dict) or first.get("format") != FORMAT or not isinstance(first.get("site"), str):
        reason = f"{name} does not begin like an export of a record"
        raise refused("lines-foreign", reason, "choose what `airyoke record export` wrote", name)
    check_site_name(first["site"])
    return first["site"], [Head.read(str(head)) for head in first.get("heads", [])]


def _check_times(rows: Iterable[Row], now: Moment, name: str) -> None:
    for row in rows:
        entry = entry_of(row.line, row.hash)
        ahead = (entry.time - now.local).total_seconds()
        if ahead > JUMP_S:
            reason = f"entry {entry.sequence} of the {entry.stream} stream is of {entry.utc}, which is not yet"
            raise refused("entry-future", reason, "set the clock of this machine, then import again", name)


def record_from_lines(path: Path, where: str | Path, now: Moment) -> str:
    """A new record (or a new site on a server) from a file of lines; its site. The accounts have to be made anew:
    whoever is named a keeper in the lines sets a password first."""
    site, rows = read_lines(path, now)
    _fold_all(rows)
    _new_site(where, site, rows, [])
    return site


def copy_site(source: Record, where: str | Path) -> tuple[Head, ...]:
    """Everything of a site, with its accounts, to a new file or a server: the way from one database to the other.

    Raises :class:`airyoke.quantities.Refused` where the target has this site already, and where the source is not what
    was written.
    """
    with source.database.reading(source.site) as connection:
        rows = [row for stream in STREAMS for row in read_rows(connection, source.site, stream)]
        accounts = _accounts(connection, source.site)
    findings = [
        finding
        for stream in STREAMS
        for finding in verify((row for row in rows if row.stream == stream), source.site, stream).findings
    ]
    if findings:
        raise Refused(tuple(findings))
    _new_site(where, source.site, rows, accounts)
    return _heads(rows)


def _accounts(connection: Connection, site: str) -> list[dict[str, Any]]:
    found = connection.execute(select(account_table).where(account_table.c.site == site))
    return [dict(row) for row in found.mappings()]


def _fold_all(rows: Sequence[Row]) -> None:
    entries = [entry_of(row.line, row.hash) for row in rows if row.stream == "ward"]
    by_id = {entry.id: entry for entry in entries}
    Fold().with_entries(entries, Source(by_id.get, lambda first: iter(entries[first - 1 :])))


def _new_site(where: str | Path, site: str, rows: Sequence[Row], accounts: Sequence[dict[str, Any]]) -> None:
    """One transaction: the site is there whole, or not at all."""
    if is_server(str(where)):
        if not has_tables(str(where)):
            make_tables(where)
        _fill(open_database(where), site, rows, accounts)
        return
    path = Path(where)
    if path.exists():
        raise refused("file-exists", f"{path.name} is there already", "nothing is overwritten", path.name)
    building = path.with_name(f".{path.name}.filling")
    for old in (building, building.with_name(building.name + "-wal"), building.with_name(building.name + "-shm")):
        old.unlink(missing_ok=True)
    make_tables(building)
    try:
        _fill(open_database(building), site, rows, accounts)
        with told(path.name):
            sync_file(building)
            building.rename(path)
            sync_folder(path.absolute().parent)
    finally:
        building.unlink(missing_ok=True)
        building.with_name(building.name + ".lock").unlink(missing_ok=True)


def _fill(database: Database, site: str, rows: Sequence[Row], accounts: Sequence[dict[str, Any]]) -> None:
    try:
        with database.writing(site) as connection:
            there = connection.execute(text("SELECT 1 FROM site WHERE site = :site"), {"site": site}).scalar()
            if there is not None:
                raise refused("site-there", f"the record has a site {site!r} already", "use another record")
            connection.execute(insert(site_table).values(site=site))
            if rows:
                connection.execute(insert(entry_table), [_values(row) for row in rows])
            if accounts:
                connection.execute(insert(account_table), list(accounts))
        with database.reading(site) as connection:
            kept = [row for stream in STREAMS for row in read_rows(connection, site, stream)]
        if kept != sorted(rows, key=lambda row: (STREAMS.index(row.stream), row.sequence)):
            raise refused("copy-differs", "the copy is not the original", "check the disk, copy again", database.name)
    finally:
        database.close()


def _values(row: Row) -> dict[str, Any]:
    return {name: getattr(row, name) for name in ("site", "stream", "sequence", "id", "kind", "hash", "line")}
