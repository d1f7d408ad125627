"""A real browser in front of a small ward with the engine running. Needs the Debian package chromium."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from airyoke.record import Record
from airyoke.web.app import create_app
from airyoke.web.demo import Ticket
from airyoke.web.desk import Desk
from ward.small import small_ward
from web.conftest import PASSWORD, demo_record

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Served:
    """An app that answers at ``url``."""

    url: str
    record: Record
    desk: Desk


@contextmanager
def listening() -> Iterator[tuple[socket.socket, str]]:
    """A socket on a free port, and its address."""
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        yield door, f"http://127.0.0.1:{door.getsockname()[1]}"


@contextmanager
def served_app(folder: Path) -> Iterator[Served]:
    """The small ward served by a thread of this process."""
    with demo_record(folder, tables=small_ward(datetime.now(UTC))) as record, listening() as (door, url):
        app = create_app(record, ticket=Ticket("ann", "only-once"))
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="on"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.02)
        try:
            yield Served(url, record, app.state.desk)
        finally:
            server.should_exit = True
            thread.join(timeout=10.0)


@contextmanager
def planned_app(folder: Path) -> Iterator[Served]:
    """The same, its plan worked out, the engine warm."""
    with served_app(folder) as served:
        began = time.monotonic()
        job = served.desk.plan(served.desk.look())
        assert job is not None
        while not job.ended:
            assert time.monotonic() - began < 180.0, "no plan within three minutes"
            time.sleep(0.05)
        assert job.standing == "done", job.words
        yield served


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    path = shutil.which("chromium")
    if path is None:
        pytest.skip("needs the Debian package chromium")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """One app for every test that writes nothing that another test looks at."""
    with planned_app(tmp_path_factory.mktemp("served")) as served:
        yield served


def sign_in(page: Any, served: Served, name: str = "ann") -> None:
    page.goto(served.url + "/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(served.url + "/")
