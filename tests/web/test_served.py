"""The app as a program of its own: it says where it is, lets in by ticket once, ends on Ctrl-C."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import httpx
from starlette.testclient import TestClient

from airyoke.web.app import create_app
from airyoke.web.demo import make_demo_record
from airyoke.web.engine_room import EngineRoom
from web.conftest import ADDRESS


def test_serve_says_in_one_line_where_it_is_and_ends_well_on_ctrl_c(demo_file: Path) -> None:
    command = [sys.executable, "-m", "airyoke", "serve", "--record", str(demo_file), "--no-open", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        said = json.loads(program.stdout.readline())
        assert said["record"] == str(demo_file)
        assert httpx.get(said["url"] + "health").json()["status"] == "ok"
        program.send_signal(signal.SIGINT)
        assert program.wait(timeout=30) == 0
        assert program.stdout.read() == ""


def test_the_ticket_of_the_demonstration_lets_in_once_and_every_page_says_what_it_is(tmp_path: Path) -> None:
    record, ticket, password = make_demo_record(tmp_path, datetime.now().astimezone())
    with record:
        app = create_app(record, ticket=ticket, engine=EngineRoom())
        with TestClient(app, base_url=ADDRESS, follow_redirects=False) as client:
            assert client.get("/enter/guessed").status_code == 401
            assert client.get(f"/enter/{ticket.word}").status_code == 303
            for path in ("/", "/beds/E1", "/plan", "/nowhere"):
                assert "every patient and every figure here is made up" in client.get(path).text, path
            client.cookies.clear()
            assert client.get(f"/enter/{ticket.word}").status_code == 401
            form = {"name": ticket.person, "password": password, "back": "/"}
            assert client.post("/sign-in", data=form).status_code == 303
