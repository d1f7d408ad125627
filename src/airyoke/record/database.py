"""Where entries are kept: a SQLite file, or a PostgreSQL server for several sites. Everything that differs is here.

SQLite: write-ahead log, ``synchronous=FULL`` (a commit waits for the disk), one writer and one checkpointer at a time
by a lock file beside the record. The lock is more than SQLite asks for: in versions before 3.51.3 a checkpoint that
races a commit of another connection can, very rarely, damage a file in WAL mode.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from filelock import FileLock, Timeout
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import QueuePool

from airyoke.quantities import Finding, Refused
from airyoke.record.faults import says_no_such_table, told
from airyoke.record.schema import APPLICATION_ID, REVISIONS

BUSY_TIMEOUT_S: Final = 10.0
CHECKPOINT_ABOVE_BYTES: Final = 4 * 1024 * 1024
_NOT_HERE: Final = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_IOERR)
_MAGIC: Final = b"SQLite format 3\x00"


@dataclass(frozen=True, slots=True)
class Database:
    """An open database. ``name`` is how a person calls it; ``path`` is ``None`` on a server."""

    engine: Engine
    name: str
    path: Path | None = None
    read_only: bool = False
    _copy: tempfile.TemporaryDirectory[str] | None = field(default=None, repr=False)

    @contextmanager
    def reading(self, site: str | None) -> Iterator[Connection]:
        """A transaction that reads one moment of one site."""
        with told(self.name), self.engine.connect() as connection, connection.begin():
            self._choose(connection, site)
            yield connection

    @contextmanager
    def writing(self, site: str) -> Iterator[Connection]:
        """A transaction that is alone in writing to this site. Leaving it without an error is the commit: only then
        is anything acknowledged."""
        if self.read_only:
            raise refused("record-read-only", "the record was opened for reading", "open it for writing", self.name)
        with told(self.name), self._alone(), self.engine.connect() as connection:
            try:
                with connection.execution_options(airyoke_writes=True).begin():
                    self._choose(connection, site)
                    if self.path is None:
                        lock = text("SELECT pg_advisory_xact_lock(hashtextextended(:site, 4127))")
                        connection.execute(lock, {"site": site})
                    yield connection
            except Refused:
                raise
            except BaseException:
                connection.invalidate()  # after a failed disk nothing of this connection is trusted
                raise
            if self.path is not None:
                self._checkpoint_if_long(connection)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()
        if self._copy is not None:
            self._copy.cleanup()

    def _choose(self, connection: Connection, site: str | None) -> None:
        if self.path is None:
            connection.execute(text("SELECT set_config('airyoke.site', :site, true)"), {"site": site or ""})

    def _alone(self) -> AbstractContextManager[Any]:
        if self.path is None:
            return nullcontext()
        return alone(self.path)

    def _checkpoint_if_long(self, connection: Connection) -> None:
        assert self.path is not None
        log = self.path.with_name(self.path.name + "-wal")
        try:
            if log.stat().st_size > CHECKPOINT_ABOVE_BYTES:
                raw: Any = connection.connection.driver_connection
                raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except (OSError, sqlite3.Error):
            return  # what was committed is safe in the log; the next write tries again


def refused(finding_id: str, reason: str, remedy: str, where: str | None = None) -> Refused:
    """A refusal about the record itself."""
    return Refused((Finding(finding_id, "refused", reason, remedy, file=where),))


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Be the only one who writes to this record, in all programs. The lock dies with its process."""
    lock = FileLock(str(path.with_name(path.name + ".lock")), timeout=BUSY_TIMEOUT_S, poll_interval=0.01)
    try:
        lock.acquire()
    except Timeout:
        raise refused("record-busy", "another program holds the record", "try again", path.name) from None
    try:
        yield
    finally:
        lock.release()


def is_server(where: str) -> bool:
    """Whether this names a database server rather than a file."""
    return where.startswith(("postgresql://", "postgresql+psycopg://"))


def open_database(where: str | Path, *, read_only: bool = False, synchronous: str = "FULL") -> Database:
    """Open an existing record: a path, or ``postgresql://user@host/database``.

    Raises :class:`airyoke.quantities.Refused` for what is missing, foreign, damaged, or of another form than this
    program writes. ``synchronous`` is for tests of the disk only.
    """
    if is_server(str(where)):
        database = _open_server(str(where), read_only)
    else:
        database = _open_file(Path(where), read_only, synchronous)
    try:
        check_form(database)
    except BaseException:
        database.close()
        raise
    return database


def check_form(database: Database) -> None:
    """Raise :class:`airyoke.quantities.Refused` where the record is older or newer than this program."""
    with database.reading(None) as connection:
        form = form_of(connection, database.name)
    if form != REVISIONS[-1]:
        reason = f"the record has the older form {form}, this program writes {REVISIONS[-1]}"
        raise refused("record-older", reason, "make a backup, then run airyoke record upgrade", database.name)


def form_of(connection: Connection, name: str) -> str:
    """The form of a record. Raises :class:`airyoke.quantities.Refused` for a database that is none, or a newer one."""
    try:
        form = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    except DBAPIError as error:
        if not says_no_such_table(error.orig):
            raise
        form = None
    if form is None:
        raise refused("record-foreign", "this database is no record", "check the path", name)
    if form not in REVISIONS:
        reason = f"the record has the form {form}, which this program ({REVISIONS[-1]}) does not know"
        raise refused("record-newer", reason, "update this program; the record is not touched", name)
    return str(form)


def check_header(path: Path) -> None:
    """Raise :class:`airyoke.quantities.Refused` unless this file begins like a record. Reads it only."""
    if not path.exists():
        raise refused(
            "record-missing", f"there is no {path.name}", "check the path, or: airyoke record create", path.name
        )
    if not path.is_file():
        raise refused("record-foreign", f"{path.name} is no file", "check the path", path.name)
    with told(path.name), path.open("rb") as file:
        header = file.read(100)
    if len(header) < 100 or header[:16] != _MAGIC or int.from_bytes(header[68:72], "big") != APPLICATION_ID:
        raise refused("record-foreign", f"{path.name} is no record of this program", "check the path", path.name)
    if int.from_bytes(header[60:64], "big") > len(REVISIONS):
        reason = "the record was written by a newer program"
        raise refused("record-newer", reason, "update this program; the record is not touched", path.name)


def _open_file(path: Path, read_only: bool, synchronous: str) -> Database:
    check_header(path)
    copy = None
    if read_only:
        copy = None if _opens_for_reading(path) else _copied(path)
    source = path if copy is None else Path(copy.name) / path.name
    engine = sqlite_engine(source, read_only=read_only and copy is None, synchronous=synchronous)
    return Database(engine, path.name, path, read_only, copy)


def _opens_for_reading(path: Path) -> bool:
    """Whether SQLite can read the file where it lies. Damage is not the question here: it is told when it is read."""
    with contextlib.closing(sqlite3.connect(_uri(path, read_only=True), uri=True)) as connection:
        try:
            connection.execute("SELECT count(*) FROM sqlite_schema")
        except sqlite3.Error as error:
            return error.sqlite_errorcode & 0xFF not in _NOT_HERE
        except UnicodeDecodeError:  # the message about the damage is damaged itself
            return True
    return True


def _copied(path: Path) -> tempfile.TemporaryDirectory[str]:
    """The record and its log in a place of their own: where a folder cannot be written to, not even for the index of
    the log, SQLite could only leave out what is in the log."""
    folder = tempfile.TemporaryDirectory(prefix="airyoke-read-")
    with told(path.name):
        for name in (path.name, path.name + "-wal"):
            if path.with_name(name).exists():
                shutil.copyfile(path.with_name(name), Path(folder.name) / name)
    return folder


def _uri(path: Path, *, read_only: bool) -> str:
    return f"{path.absolute().as_uri()}?mode={'ro' if read_only else 'rw'}"


def sqlite_engine(path: Path, *, read_only: bool = False, synchronous: str = "FULL") -> Engine:
    """An engine on an existing SQLite file, every connection set as a record needs it."""

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(
            _uri(path, read_only=read_only), uri=True, isolation_level=None, check_same_thread=False,
            timeout=BUSY_TIMEOUT_S,
        )  # fmt: skip
        for pragma in (f"synchronous={synchronous}", "foreign_keys=ON", "trusted_schema=OFF", "cell_size_check=ON",
                       "wal_autocheckpoint=0"):  # fmt: skip
            connection.execute(f"PRAGMA {pragma}")
        return connection

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool, pool_size=4, max_overflow=16)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("airyoke_writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def server_engine(where: str) -> Engine:
    """An engine on a PostgreSQL server."""
    url = "postgresql+psycopg://" + where.split("://", 1)[1]
    options = f"-c lock_timeout={BUSY_TIMEOUT_S:.0f}s -c synchronous_commit=on"
    arguments = {"options": options}
    try:
        return create_engine(url, pool_pre_ping=True, pool_size=4, max_overflow=16, connect_args=arguments)
    except ModuleNotFoundError:
        reason = "this installation cannot speak to PostgreSQL"
        raise refused("postgresql-missing", reason, "install airyoke with [postgres]") from None


def _open_server(where: str, read_only: bool) -> Database:
    database = Database(server_engine(where), where.rsplit("@", 1)[-1], None, read_only)
    try:
        with database.reading(None) as connection:
            rights = text("SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user")
            if connection.execute(rights).scalar_one():
                reason = "this account passes by the wall between sites (superuser or BYPASSRLS)"
                raise refused("record-too-many-rights", reason, "use an account without these rights", database.name)
    except BaseException:
        database.close()
        raise
    return database
