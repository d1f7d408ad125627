"""Making a record, and bringing an older one to the present form: all of it or nothing, whatever happens meanwhile."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, text

from airyoke.record.database import (
    Database,
    alone,
    check_header,
    form_of,
    is_server,
    refused,
    server_engine,
    sqlite_engine,
)
from airyoke.record.faults import told
from airyoke.record.files import sync_folder
from airyoke.record.schema import APPLICATION_ID, REVISIONS

APP_ROLE: Final = "airyoke_app"
"""The account that the program uses on a server: it may read and add, and see one site at a time."""


def make_tables(where: str | Path, *, form: str = REVISIONS[-1]) -> None:
    """Make the tables of a record in a new file, or in an empty database of a server.

    A file appears whole or not at all. Raises :class:`airyoke.quantities.Refused` where something is there already.
    ``form`` is an older one in tests only.
    """
    if is_server(str(where)):
        _on_server(str(where), form, must_be_empty=True)
        return
    path = Path(where)
    if not path.absolute().parent.is_dir():
        raise refused("folder-missing", f"there is no folder to put {path.name} into", "make it first", path.name)
    building = path.with_name(f".{path.name}.new")
    with told(path.name), alone(path):
        if path.exists():
            raise refused("file-exists", f"{path.name} is there already", "nothing is overwritten", path.name)
        building.unlink(missing_ok=True)
        sqlite3.connect(building).close()
        engine = sqlite_engine(building)
        try:
            with engine.connect() as connection:
                raw: Any = connection.connection.driver_connection
                raw.execute(f"PRAGMA application_id={APPLICATION_ID}")
                with connection.execution_options(airyoke_writes=True).begin():
                    _upgrade(connection, form)
                raw.execute("PRAGMA journal_mode=WAL")
        finally:
            engine.dispose()
        os.rename(building, path)
        sync_folder(path.absolute().parent)


def has_tables(where: str) -> bool:
    """Whether this database of a server holds a record already."""
    engine = server_engine(where)
    try:
        with told(where.rsplit("@", 1)[-1]), engine.connect() as connection:
            return connection.execute(text("SELECT to_regclass('alembic_version')")).scalar_one() is not None
    finally:
        engine.dispose()


def upgrade(where: str | Path) -> tuple[str, str]:
    """Bring a record to the present form; (form before, form after). Entries are not touched.

    One transaction: a power cut in the middle leaves the old form. Raises :class:`airyoke.quantities.Refused` for a
    file that is no record or is newer than this program.
    """
    if is_server(str(where)):
        return _on_server(str(where), REVISIONS[-1], must_be_empty=False)
    path = Path(where)
    check_header(path)
    engine = sqlite_engine(path)
    try:
        with told(path.name), alone(path), engine.connect() as connection:
            with connection.execution_options(airyoke_writes=True).begin():
                before = form_of(connection, path.name)
                _upgrade(connection, REVISIONS[-1])
            return before, REVISIONS[-1]
    finally:
        engine.dispose()


def _on_server(where: str, form: str, *, must_be_empty: bool) -> tuple[str, str]:
    database = Database(server_engine(where), where.rsplit("@", 1)[-1])
    try:
        with told(database.name), database.engine.begin() as connection:
            there = connection.execute(text("SELECT to_regclass('alembic_version')")).scalar_one()
            if must_be_empty and there is not None:
                raise refused("file-exists", "this database holds a record already", "use another one", database.name)
            before = form_of(connection, database.name) if there is not None else ""
            _upgrade(connection, form)
            _grant(connection)
            return before, form
    finally:
        database.close()


def _upgrade(connection: Connection, form: str) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "airyoke.record:migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, form)
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA user_version={REVISIONS.index(form) + 1}")


def _grant(connection: Connection) -> None:
    found = connection.execute(text("SELECT 1 FROM pg_roles WHERE rolname = :name"), {"name": APP_ROLE}).scalar()
    if found is None:
        return
    for statement in (
        f"GRANT SELECT ON alembic_version TO {APP_ROLE}",
        f"GRANT SELECT, INSERT ON site, entry TO {APP_ROLE}",
    ):
        connection.execute(text(statement))
    if connection.execute(text("SELECT to_regclass('account')")).scalar_one() is not None:
        connection.execute(text(f"GRANT SELECT, INSERT, UPDATE ON account TO {APP_ROLE}"))
