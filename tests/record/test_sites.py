"""Several sites on one server: the database itself shows each of them nothing of the others."""

from __future__ import annotations

import sys
from typing import Any

import pytest

from airyoke.quantities import Refused
from airyoke.record.forms import make_tables
from airyoke.record.record import Record
from airyoke.record.setup import create
from record.conftest import NO_RESERVE, start_ward
from record.postgres import Server


@pytest.fixture
def two(server: Server) -> tuple[Server, str, Record, Record]:
    name = server.database()
    make_tables(server.url(name, "airyoke_owner"))
    records = [create(server.url(name), site, unlocked=True, space=NO_RESERVE) for site in ("st-one", "st-two")]
    for record in records:
        start_ward(record)
    yield server, name, records[0], records[1]  # type: ignore[misc]
    for record in records:
        record.close()


Two = tuple[Server, str, Record, Record]


def as_app(two: Two, statement: str, site: str | None) -> list[Any]:
    """A query past the program, with the account of the program."""
    import psycopg

    with psycopg.connect(two[0].url(two[1])) as connection:
        if site is not None:
            connection.execute("SELECT set_config('airyoke.site', %s, true)", [site])
        cursor = connection.execute(statement)
        return cursor.fetchall() if cursor.description else [cursor.rowcount]


def test_a_query_that_forgets_the_site_sees_only_its_own_or_nothing(two: Two) -> None:
    for table in ("entry", "site"):
        everything = two[0].sql(two[1], f"SELECT DISTINCT site FROM {table} ORDER BY 1")
        assert [row[0] for row in everything] == ["st-one", "st-two"]
        assert as_app(two, f"SELECT DISTINCT site FROM {table}", "st-one") == [("st-one",)]
        assert as_app(two, f"SELECT DISTINCT site FROM {table}", None) == []
    assert as_app(two, "SELECT * FROM account", None) == []


def test_nothing_is_written_into_another_site(two: Two) -> None:
    copy = "INSERT INTO entry SELECT 'st-two', stream, 1 + (SELECT max(sequence) FROM entry), 'smuggled', kind, hash, line FROM entry WHERE sequence = 2 AND stream = 'ward'"
    with pytest.raises(Exception, match=r"row-level security|follows the last"):
        as_app(two, copy, "st-one")
    assert two[3].verify() == ()


@pytest.mark.parametrize("statement", [
    "UPDATE entry SET line = 'x'",
    "DELETE FROM entry",
    "TRUNCATE entry",
    "ALTER TABLE entry DISABLE TRIGGER ALL",
    "ALTER TABLE entry NO FORCE ROW LEVEL SECURITY",
    "DROP TABLE entry",
    "DELETE FROM account",
    "UPDATE site SET site = 'st-three'",
])  # fmt: skip
def test_the_account_of_the_program_may_only_read_and_add(two: Two, statement: str) -> None:
    with pytest.raises(Exception, match=r"permission denied|must be owner"):
        as_app(two, statement, "st-one")


def test_the_owner_is_held_by_the_wall_too(two: Two) -> None:
    assert two[0].sql(two[1], "SELECT count(*) FROM entry", role="airyoke_owner") == [(0,)]
    with pytest.raises(Exception, match="never changed or deleted"):
        two[0].sql(two[1], "TRUNCATE entry", role="airyoke_owner")


def test_an_account_that_passes_by_the_wall_is_refused(two: Two) -> None:
    with pytest.raises(Refused, match="record-too-many-rights"):
        Record.open(two[0].url(two[1], "postgres"), site="st-one")


def test_a_site_that_is_guessed_does_not_open(two: Two) -> None:
    from airyoke.record.record import _site

    guessed = 0
    for number in range(300):
        with pytest.raises(Refused, match="site-unknown"):
            _site(two[2].database, f"st-{number}")
        guessed += 1
    assert guessed == 300


def test_a_server_that_does_not_answer_is_told(server: Server) -> None:
    with pytest.raises(Refused, match="record-unreachable"):
        Record.open("postgresql://airyoke_app@127.0.0.1:1/none", site="st-one")
    with pytest.raises(Refused, match=r"record-missing|record-unreachable"):
        Record.open(server.url("no_such_database"), site="st-one")
    with pytest.raises(Refused, match="record-foreign"):
        Record.open(server.url("postgres"), site="st-one")


def test_without_the_driver_for_postgresql_the_way_out_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(Refused, match="postgresql-missing"):
        Record.open("postgresql://airyoke_app@127.0.0.1/airyoke", site="st-one")
