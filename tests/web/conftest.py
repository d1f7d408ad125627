"""The demo ward in a record with three people, and a browser without JavaScript in front of it."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from airyoke.record import Record, create
from airyoke.record.people import add_person
from airyoke.record.space import SpaceRules
from airyoke.ward.demo import demo_tables
from airyoke.web.app import create_app
from airyoke.web.demo import Tables, fill
from airyoke.web.engine_room import EngineRoom

PASSWORD = "orange bicycle lantern moss"
ADDRESS = "http://127.0.0.1:8000"


def demo_record(folder: Path, *, unlocked: bool = False, tables: Tables | None = None) -> Record:
    record = create(folder / "ward.airyoke", "st-example", unlocked=unlocked, space=SpaceRules(0, 0, 0))
    add_person(record, "kim", ["keeper"], PASSWORD, by="kim")
    add_person(record, "ann", ["writer", "planner"], PASSWORD, by="kim")
    add_person(record, "rob", ["reader"], PASSWORD, by="kim")
    now = datetime.now(UTC)
    fill(record, folder, tables or demo_tables(now), now, writer="ann", keeper="kim")
    return record


@pytest.fixture(scope="session")
def demo_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One record made once: hashing passwords takes longer than any page."""
    folder = tmp_path_factory.mktemp("demo")
    demo_record(folder).close()
    return folder / "ward.airyoke"


@pytest.fixture
def record(demo_file: Path, tmp_path: Path) -> Iterator[Record]:
    shutil.copy(demo_file, tmp_path / "ward.airyoke")
    with Record.open(tmp_path / "ward.airyoke", space=SpaceRules(0, 0, 0)) as opened:
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
