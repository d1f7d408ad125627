"""The record of one site: write entries, read them, and the ward as it stands.

What :meth:`Record.write` returns is on the disk. What it refuses has changed nothing.
"""

from __future__ import annotations

import platform
import threading
import uuid
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, Literal

from sqlalchemy import Connection, func, insert, select

from airyoke import __version__
from airyoke.quantities import Finding, Refused
from airyoke.record.chain import Head, Row
from airyoke.record.chain import verify as verify_stream
from airyoke.record.conflicts import check_conflicts
from airyoke.record.database import Database, open_database, refused
from airyoke.record.faults import told
from airyoke.record.lines import FIRST, canonical, entry_of, hash_of, line_of
from airyoke.record.moment import Clock, check_not_ahead, clock_findings, system_clock
from airyoke.record.rights import check_right
from airyoke.record.schema import entry_table, site_table
from airyoke.record.space import SpaceRules, space_finding
from airyoke.ward.entries import Draft, Entry
from airyoke.ward.fold import REVISIONS, Fold, Source
from airyoke.ward.kinds import KINDS, Stream, content_findings
from airyoke.ward.state import WardState

CHECKED_ON_OPENING: Final = 200
"""Entries at the end whose chain is verified when a record is opened; ``verify`` checks all."""

_E: Final = entry_table.c


@dataclass(slots=True)
class Record:
    """An open record of one site. Safe to use from several threads and beside other processes."""

    database: Database
    site: str
    clock: Clock = system_clock
    device: str = field(default_factory=lambda: platform.node() or "this machine")
    space: SpaceRules = field(default_factory=SpaceRules)
    _fold: Fold = field(default_factory=Fold)
    _lock: threading.RLock = field(default_factory=threading.RLock)

    @classmethod
    def open(cls, where: str | Path, *, site: str | None = None, read_only: bool = False, clock: Clock = system_clock,
             space: SpaceRules | None = None, synchronous: str = "FULL") -> Record:  # fmt: skip
        """Open a record and fold its ward. ``site`` may be left out where a file holds one site only.

        Raises :class:`airyoke.quantities.Refused` for a file that is missing, foreign, damaged, older or newer than
        this program, and where the chain of the last entries is broken (open it read-only then, and restore).
        """
        database = open_database(where, read_only=read_only, synchronous=synchronous)
        try:
            record = cls(database, _site(database, site), clock, space=space or SpaceRules())
            if not read_only:  # what is broken is still opened for reading, to be verified and kept
                record._check_end()
                record.state()
        except BaseException:
            database.close()
            raise
        return record

    def close(self) -> None:
        """Let go of the record."""
        self.database.close()

    def __enter__(self) -> Record:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Reading

    def state(self) -> WardState:
        """The ward as it stands now, folded on from where it was."""
        with self.database.reading(self.site) as connection:
            return self._folded(connection).state

    def state_at(self, sequence: int) -> WardState:
        """The ward as it stood after that entry, as was known then."""
        with self.database.reading(self.site) as connection:
            old = Fold().with_entries(_entries(connection, self.site, "ward", 1, sequence), self._source(connection))
        return old.state

    def entries(self, first: int = 1, last: int | None = None, *, stream: Stream = "ward") -> tuple[Entry, ...]:
        """Entries from ``first`` to ``last``, both included, as they were written."""
        with self.database.reading(self.site) as connection:
            return tuple(_entries(connection, self.site, stream, first, last))

    def counted(self, kinds: Collection[str], since: int = 1) -> tuple[tuple[Entry, Mapping[str, Any]], ...]:
        """Entries of these kinds from ``since`` on that count, in their order, each with the content that stands after
        corrections."""
        with self.database.reading(self.site) as connection:
            fold = self._folded(connection)
            rows = connection.execute(
                select(_E.line, _E.hash)
                .where(_E.site == self.site, _E.stream == "ward", _E.kind.in_(kinds), _E.sequence >= since)
                .order_by(_E.sequence)
            )
            return tuple(fold.counted(_entry(line, line_hash) for line, line_hash in rows))

    def newest(self, count: int, *, before: int | None = None, kinds: Collection[str] | None = None,
               stream: Stream = "ward") -> tuple[Entry, ...]:  # fmt: skip
        """Up to ``count`` entries, the newest first; only those ``before`` a sequence and of these ``kinds``."""
        query = select(_E.line, _E.hash).where(_E.site == self.site, _E.stream == stream)
        if before is not None:
            query = query.where(_E.sequence < before)
        if kinds is not None:
            query = query.where(_E.kind.in_(kinds))
        with self.database.reading(self.site) as connection:
            rows = connection.execute(query.order_by(_E.sequence.desc()).limit(count))
            return tuple(_entry(line, line_hash) for line, line_hash in rows)

    def last_of(self, kind: str) -> Entry | None:
        """The last entry of a kind."""
        with self.database.reading(self.site) as connection:
            query = select(_E.line, _E.hash).where(
                _E.site == self.site, _E.stream == KINDS[kind].stream, _E.kind == kind
            )  # fmt: skip
            found = connection.execute(query.order_by(_E.sequence.desc()).limit(1)).first()
        return None if found is None else _entry(found.line, found.hash)

    def head(self, stream: Stream = "ward") -> Head:
        """The end of the chain now: print it, and keep it in a second place."""
        with self.database.reading(self.site) as connection:
            return _head(connection, self.site, stream)

    def rows(self, stream: Stream, first: int = 1) -> Iterator[Row]:
        """Every row as the database has it, for verification and for copies."""
        with self.database.reading(self.site) as connection:
            yield from read_rows(connection, self.site, stream, first)

    # Writing

    def write(self, drafts: Sequence[Draft], *, person: str, seen: int, device: str | None = None) -> tuple[Entry, ...]:
        """Write entries, all of them or none; what is returned is on the disk.

        ``person`` must have the right to each of them; ``device`` is where she writes, by default this machine.

        ``seen`` is the sequence of the ward that the writer was looking at: where somebody else has changed the same
        thing since, :class:`airyoke.record.conflicts.Conflict` tells both values and nothing is written. Drafts with
        an ``id`` that was written before with the same content are returned as they stand. Raises
        :class:`airyoke.quantities.Refused` for what does not fit its kind or contradicts the ward, for a right that
        is missing, and where the disk does not take it. Of kinds whose refusal is kept, the audit says that it was
        tried, and why it was refused.
        """
        try:
            return self._write(drafts, person, seen, device)
        except Refused as refusal:
            self._keep_refusal(drafts, refusal, person, device)
            raise

    def _write(self, drafts: Sequence[Draft], person: str, seen: int, device: str | None) -> tuple[Entry, ...]:
        checked = tuple(_checked(draft, "ward") for draft in drafts)
        with self._lock, self._writing() as connection:
            written = _written_before(connection, self.site, checked)
            if written is not None:
                return written
            fold = self._folded(connection)
            self._check_rights(connection, fold.state, person, checked)
            since = _entries(connection, self.site, "ward", seen + 1, None) if seen < fold.state.sequence else ()
            check_conflicts(checked, since)
            entries = self._entries_for(connection, "ward", checked, person, device or self.device)
            check_not_ahead(entries)
            source = self._source(connection, entries)
            fold = fold.with_entries(entries, source)
            _insert(connection, entries)
        self._fold = fold
        return entries

    def _keep_refusal(self, drafts: Sequence[Draft], refusal: Refused, person: str, device: str | None) -> None:
        """Note in the audit that this was tried; where the audit takes nothing now, the refusal itself still stands."""
        for draft in drafts:
            if draft.kind not in KINDS or not KINDS[draft.kind].refusal_kept:
                continue
            findings = [{"id": one.id, "level": one.level, "reason": one.reason} for one in refusal.findings]
            content = {"kind": draft.kind, "findings": findings, "content": dict(draft.content)}
            with suppress(Refused):
                self.write_audit("refused", content, person=person, device=device)

    def write_audit(self, kind: str, content: dict[str, Any], *, person: str, device: str | None = None) -> Entry:
        """Write one entry of the audit stream: who read, exported, backed up, signed in."""
        draft = _checked(Draft(kind, content), "audit")
        with self._lock, self._writing() as connection:
            entries = self._entries_for(connection, "audit", (draft,), person, device or self.device)
            _insert(connection, entries)
        return entries[0]

    def check_may_write(self, person: str, draft: Draft) -> None:
        """Raise :class:`airyoke.quantities.Refused` where this person may not write this, before work is begun."""
        check_right(self.state(), person, draft.kind)

    # Looking after it

    def findings(self) -> tuple[Finding, ...]:
        """What the people who keep this record should know now: space, clock, and whether the site is unlocked."""
        found: list[Finding] = []
        if self.database.path is not None and (low := space_finding(self.database.path, self.space)) is not None:
            found.append(low)
        state = self.state()
        found += clock_findings(self.entries(max(1, state.sequence - CHECKED_ON_OPENING)), self.clock())
        if state.site.get("unlocked"):
            reason = "this record is unlocked: who writes is not proved by a password"
            found.append(Finding("record-unlocked", "note", reason, "one user on this machine only, or lock it"))
        return tuple(found)

    def verify(self, known: Iterable[Head] = ()) -> tuple[Finding, ...]:
        """Everything: the file, both chains in full against heads kept elsewhere, and the ward folded anew."""
        heads = tuple(known)
        found = list(self._file_findings("integrity_check"))
        for stream in STREAMS:
            found += verify_stream(self.rows(stream), self.site, stream, known=heads).findings
        if not found:
            live = self.state()
            if self.state_at(live.sequence) != live:
                reason = "the ward as shown is not the one that the entries say"
                found.append(Finding("projection-differs", "refused", reason, "start the program anew and report this"))
        return tuple(found)

    def _file_findings(self, check: Literal["quick_check", "integrity_check"]) -> Iterator[Finding]:
        if self.database.path is None:
            return
        with self.database.reading(self.site) as connection:
            lines = [str(row[0]) for row in connection.exec_driver_sql(f"PRAGMA {check}")]
        for line in lines:
            if line != "ok":
                remedy = "stop writing, keep the file, restore the last backup"
                yield Finding("record-damaged", "refused", f"the file is damaged: {line}", remedy)

    def _check_end(self) -> None:
        """Look through the file quickly, and verify the last entries of both chains."""
        if findings := tuple(self._file_findings("quick_check")):
            raise Refused(findings)
        for stream in STREAMS:
            first = max(1, self.head(stream).sequence - CHECKED_ON_OPENING + 1)
            rows = list(self.rows(stream, max(1, first - 1)))
            before = rows.pop(0) if first > 1 else None
            after = None if before is None else Head(stream, before.sequence, before.hash)
            findings = verify_stream(rows, self.site, stream, after=after).findings
            if findings:
                raise Refused(findings)

    # Inside

    def _writing(self) -> Any:
        if self.database.path is not None:
            with told(self.database.name):
                low = space_finding(self.database.path, self.space)
            if low is not None and low.level == "refused":
                raise Refused((low,))
        return self.database.writing(self.site)

    def _folded(self, connection: Connection) -> Fold:
        """The fold up to the head that this transaction sees; kept for the next time."""
        with self._lock:
            head = connection.execute(_last_sequence(self.site, "ward")).scalar_one() or 0
            at = self._fold.state.sequence
            if head < at:
                reason = f"the record ends at {head}, but {at} was there a moment ago"
                raise refused("chain-cut", reason, "somebody put an older file in its place: stop, keep both files",
                              self.database.name)  # fmt: skip
            if head > at:
                new = _entries(connection, self.site, "ward", at + 1, head)
                self._fold = self._fold.with_entries(new, self._source(connection))
            return self._fold

    def _source(self, connection: Connection, new: Sequence[Entry] = ()) -> Source:
        fresh = {entry.id: entry for entry in new}

        def by_id(entry_id: str) -> Entry | None:
            return fresh.get(entry_id) or _by_id(connection, self.site, entry_id)

        def from_sequence(first: int) -> Iterator[Entry]:
            yield from _entries(connection, self.site, "ward", first, None)
            yield from (entry for entry in new if entry.sequence >= first)

        return Source(by_id, from_sequence)

    def _check_rights(self, connection: Connection, state: WardState, person: str, drafts: Sequence[Draft]) -> None:
        for draft in drafts:
            changes = None
            if draft.kind in REVISIONS:
                named = draft.content.get("corrects") or draft.content.get("undoes")
                target = _by_id(connection, self.site, str(named))
                changes = None if target is None or target.kind in REVISIONS else target.kind
            check_right(state, person, draft.kind, changes)

    def _entries_for(
        self, connection: Connection, stream: Stream, drafts: Sequence[Draft], person: str, device: str
    ) -> tuple[Entry, ...]:
        head = _head(connection, self.site, stream)
        now = self.clock()
        entries: list[Entry] = []
        for draft in drafts:
            entry = Entry(
                site=self.site, stream=stream, sequence=head.sequence + 1, previous=head.hash,
                id=draft.id or uuid.uuid4().hex, kind=draft.kind, version=KINDS[draft.kind].version,
                content=draft.content, person=person, device=device, utc=now.utc_text, boot=now.boot,
                monotonic_s=now.monotonic_s, local=now.local_text, zone=now.zone, program=__version__,
            )  # fmt: skip
            entry = replace(entry, hash=hash_of(line_of(entry)))
            head = Head(stream, entry.sequence, entry.hash)
            entries.append(entry)
        return tuple(entries)


STREAMS: Final[tuple[Stream, ...]] = ("ward", "audit")


def _site(database: Database, site: str | None) -> str:
    if database.path is None and site is None:
        raise refused("site-missing", "a server keeps several sites", "name one: --site NAME", database.name)
    with database.reading(site) as connection:
        sites = list(connection.execute(select(site_table.c.site).order_by(site_table.c.site)).scalars())
    if site is None and len(sites) == 1:
        return str(sites[0])
    if site in sites and site is not None:
        return site
    if site is None:
        raise refused("site-missing", f"the record holds {len(sites)} sites", "name one: --site NAME", database.name)
    raise refused("site-unknown", f"the record has no site {site!r}", "check the name of the site", database.name)


def _checked(draft: Draft, stream: Stream) -> Draft:
    """The draft with its content as it will be read again. Raises where it does not fit its kind."""
    content = canonical(draft.content)
    findings = content_findings(draft.kind, content)
    if not findings and KINDS[draft.kind].stream != stream:
        findings = (Finding("kind-stream", "refused", f"{draft.kind} is not of the {stream} stream", "write it there"),)
    if draft.id is not None and not (1 <= len(draft.id) <= 64 and draft.id.isprintable()):
        findings = (
            *findings,
            Finding("id-form", "refused", "the id of an entry has 1 to 64 letters", "make a new one"),
        )
    if findings:
        raise Refused(findings)
    return replace(draft, content=content)


def _written_before(connection: Connection, site: str, drafts: Sequence[Draft]) -> tuple[Entry, ...] | None:
    """What a retry asks for, where all of it was written before; ``None`` where nothing was."""
    found = [None if draft.id is None else _by_id(connection, site, draft.id) for draft in drafts]
    if all(entry is None for entry in found):
        return None
    for draft, entry in zip(drafts, found, strict=True):
        if entry is None or (entry.kind, dict(entry.content)) != (draft.kind, dict(draft.content)):
            reason = f"the id {draft.id} was used before for something else"
            raise refused("id-used", reason, "make a new id for a new entry")
    return tuple(entry for entry in found if entry is not None)


def _insert(connection: Connection, entries: Sequence[Entry]) -> None:
    rows = [
        {"site": e.site, "stream": e.stream, "sequence": e.sequence, "id": e.id, "kind": e.kind, "hash": e.hash,
         "line": line_of(e)}
        for e in entries
    ]  # fmt: skip
    if rows:
        connection.execute(insert(entry_table), rows)


def _by_id(connection: Connection, site: str, entry_id: str) -> Entry | None:
    query = select(_E.line, _E.hash).where(_E.site == site, _E.id == entry_id)
    found = connection.execute(query).first()
    return None if found is None else _entry(found.line, found.hash)


def _last_sequence(site: str, stream: Stream) -> Any:
    return select(func.max(_E.sequence)).where(_E.site == site, _E.stream == stream)


def _head(connection: Connection, site: str, stream: Stream) -> Head:
    query = select(_E.sequence, _E.hash).where(_E.site == site, _E.stream == stream)
    found = connection.execute(query.order_by(_E.sequence.desc()).limit(1)).first()
    return Head(stream, 0, FIRST) if found is None else Head(stream, found.sequence, found.hash)


def _entries(connection: Connection, site: str, stream: Stream, first: int, last: int | None) -> Iterator[Entry]:
    query = select(_E.line, _E.hash).where(_E.site == site, _E.stream == stream, _E.sequence >= first)
    if last is not None:
        query = query.where(_E.sequence <= last)
    for line, line_hash in connection.execute(query.order_by(_E.sequence)):
        yield _entry(line, line_hash)


def _entry(line: str, line_hash: str) -> Entry:
    """The entry in a line, where the line is the one that was hashed: nothing else is ever shown as written."""
    try:
        if hash_of(line) == line_hash:
            return entry_of(line, line_hash)
    except (ValueError, TypeError):
        pass
    reason = f"an entry is not what was written: {line[:60]!r}…"
    raise refused("chain-broken", reason, "stop writing, keep this file, airyoke record verify says where")


def read_rows(connection: Connection, site: str, stream: Stream, first: int = 1) -> Iterator[Row]:
    """Rows of a stream in their order."""
    query = select(_E.site, _E.stream, _E.sequence, _E.id, _E.kind, _E.hash, _E.line)
    query = query.where(_E.site == site, _E.stream == stream, _E.sequence >= first).order_by(_E.sequence)
    for row in connection.execute(query):
        yield Row(*row)
