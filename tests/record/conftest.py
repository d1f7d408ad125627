"""Both databases, a clock that tests can move, and a small ward in a fresh record."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import pytest

from airyoke.record.forms import make_tables
from airyoke.record.moment import Moment
from airyoke.record.record import Record
from airyoke.record.setup import create
from airyoke.record.space import SpaceRules
from airyoke.ward.entries import Draft
from record.postgres import Server

NO_RESERVE = SpaceRules(warn_below_bytes=0, stop_below_bytes=0, reserve_bytes=0)


@dataclass
class TestClock:
    """Goes one second with every look; ``jump`` moves the clock on the wall but not the time that passes."""

    __test__ = False
    now: datetime = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
    boot: str = "boot-1"
    monotonic_s: float = 100.0
    zone: tzinfo = UTC

    def __call__(self) -> Moment:
        self.pass_s(1.0)
        return Moment(self.now.astimezone(self.zone), self.boot, self.monotonic_s)

    def pass_s(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)
        self.monotonic_s += seconds

    def jump(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


@dataclass
class Site:
    """A place for a record in one of the databases. ``sql`` goes past the program, as a person with a tool would."""

    where: str | Path
    sql: Callable[[str], list[Any]]
    owner: str | Path
    clock: TestClock = field(default_factory=TestClock)
    opened: list[Record] = field(default_factory=list)

    @property
    def on_server(self) -> bool:
        return isinstance(self.where, str)

    def create(self, site: str = "st-example", **options: Any) -> Record:
        options.setdefault("unlocked", True)
        options.setdefault("space", NO_RESERVE)
        record = create(self.where, site, clock=self.clock, **options)
        self.opened.append(record)
        return record

    def open(self, site: str = "st-example", **options: Any) -> Record:
        options.setdefault("space", NO_RESERVE)
        record = Record.open(self.where, site=site, clock=self.clock, **options)
        self.opened.append(record)
        return record


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    server = Server().start()
    yield server
    server.stop()


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Site]:
    if request.param == "sqlite":
        place = file_site(tmp_path / "ward.airyoke")
    else:
        server: Server = request.getfixturevalue("server")
        name = server.database()
        make_tables(server.url(name, "airyoke_owner"))
        place = Site(server.url(name), lambda statement: server.sql(name, statement), server.url(name, "airyoke_owner"))
    yield place
    for record in place.opened:
        record.close()


@pytest.fixture
def file_place(tmp_path: Path) -> Iterator[Site]:
    place = file_site(tmp_path / "ward.airyoke")
    yield place
    for record in place.opened:
        record.close()


def file_site(path: Path) -> Site:
    def sql(statement: str) -> list[Any]:
        with sqlite3.connect(path) as connection:
            return connection.execute(statement).fetchall()

    return Site(path, sql, path)


def start_ward(record: Record) -> None:
    """A keeper, two beds, two ventilators, a patient."""
    record.write(
        [Draft("person", {"name": "kim", "roles": ["keeper", "planner"]})], person="kim", seen=record.state().sequence
    )
    drafts = [
        Draft("ventilator", {"ventilator": "V1"}),
        Draft("ventilator", {"ventilator": "V2"}),
        Draft("bed", {"bed": "1", "room": "East"}),
        Draft("bed", {"bed": "2", "room": "East"}),
        Draft("patient_in", {"bed": "1", "code": "a", "values": {"ventilator": "V1"}}),
    ]
    record.write(drafts, person="kim", seen=record.state().sequence)


def reading(value: float, at: str = "2026-11-25T14:00+00:00", **more: Any) -> Draft:
    return Draft("reading", {"bed": "1", "code": "a", "read_at": at, "values": {"plateau_cmh2o": value}}, **more)
