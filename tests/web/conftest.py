"""The demo ward in a record with three people, and a browser without JavaScript in front of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from airyoke.exchange import write_tables
from airyoke.exchange.ward_rows import read_typed_rows
from airyoke.record import Record, create
from airyoke.record.people import add_person
from airyoke.record.space import SpaceRules
from airyoke.ward.demo import demo_tables
from airyoke.ward.proposal import propose
from airyoke.web.app import create_app
from airyoke.web.engine_room import EngineRoom

PASSWORD = "orange bicycle lantern moss"
ADDRESS = "http://127.0.0.1:8000"


def demo_record(folder: Path, *, unlocked: bool = False) -> Record:
    record = create(folder / "ward.airyoke", "st-example", unlocked=unlocked, space=SpaceRules(0, 0, 0))
    add_person(record, "kim", ["keeper"], PASSWORD, by="kim")
    add_person(record, "ann", ["writer", "planner"], PASSWORD, by="kim")
    add_person(record, "rob", ["reader"], PASSWORD, by="kim")
    now = datetime.now(UTC)
    write_tables(folder / "ward.xlsx", demo_tables(now))  # type: ignore[arg-type]
    _, rows = read_typed_rows(folder / "ward.xlsx", now=now)
    for line in propose(record.state(), rows):
        who = "kim" if any(draft.kind == "policy" for draft in line.drafts) else "ann"
        record.write(list(line.drafts), person=who, seen=record.state().sequence)
    return record


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with demo_record(tmp_path) as opened:
        yield opened


@pytest.fixture
def client(record: Record) -> Iterator[TestClient]:
    """The engine is not started: pages have to work without it."""
    with TestClient(create_app(record, engine=EngineRoom()), base_url=ADDRESS, follow_redirects=False) as opened:
        yield opened


def signed_in(client: TestClient, name: str) -> None:
    answer = client.post("/sign-in", data={"name": name, "password": PASSWORD, "back": "/"})
    assert answer.status_code == 303, answer.text


def token_of(html: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', html)
    assert found is not None
    return found.group(1)
