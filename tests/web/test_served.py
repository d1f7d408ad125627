"""The app as a program of its own: it says where it is, lets in by ticket once, ends on Ctrl-C."""

from __future__ import annotations

import json
import signal
import ssl
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from starlette.testclient import TestClient

from airyoke.quantities import Refused
from airyoke.record import Record
from airyoke.web.app import create_app
from airyoke.web.certificate import encrypted_line
from airyoke.web.demo import make_demo_record
from airyoke.web.engine_room import EngineRoom
from airyoke.web.listen import Address, serve
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


def test_on_a_network_address_the_line_is_encrypted_by_a_certificate_that_only_this_name_can_use(
    demo_file: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "line"
    command = [
        sys.executable, "-m", "airyoke", "serve", "--record", str(demo_file), "--no-open", "--host", "0.0.0.0",
        "--called", "localhost", "--line-folder", str(folder), "--json",
    ]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        url = json.loads(program.stdout.readline())["url"]
        assert url.startswith("https://localhost:")
        trusting = ssl.create_default_context(cafile=str(folder / "authority.crt"))
        answer = httpx.get(url + "sign-in", verify=trusting)
        assert answer.status_code == 200
        assert "max-age" in answer.headers["Strict-Transport-Security"]
        with pytest.raises(httpx.ConnectError, match="certificate verify failed"):
            httpx.get(url + "sign-in")
        with pytest.raises(httpx.ConnectError, match=r"not valid for '127\.0\.0\.1'"):
            httpx.get(url.replace("localhost", "127.0.0.1") + "sign-in", verify=trusting)
        program.send_signal(signal.SIGINT)
        assert program.wait(timeout=30) == 0


def test_an_authority_is_kept_until_a_name_is_new_and_a_certificate_until_its_last_months(tmp_path: Path) -> None:
    now = datetime(2026, 11, 28, tzinfo=UTC)
    first = encrypted_line(tmp_path, ["ward-pc.example", "192.0.2.7"], now)
    assert first.new_authority
    assert first.until == now + timedelta(days=800)
    assert (first.key.stat().st_mode & 0o777, (tmp_path / "authority.key").stat().st_mode & 0o777) == (0o600, 0o600)
    again = encrypted_line(tmp_path, ["ward-pc.example", "192.0.2.7"], now + timedelta(days=700))
    assert (again.fingerprint, again.until, again.new_authority) == (first.fingerprint, first.until, False)
    renewed = encrypted_line(tmp_path, ["ward-pc.example", "192.0.2.7"], now + timedelta(days=750))
    assert (renewed.fingerprint, renewed.until) == (first.fingerprint, now + timedelta(days=1550))
    fewer = encrypted_line(tmp_path, ["192.0.2.7"], now + timedelta(days=750))
    assert fewer.fingerprint == first.fingerprint
    other = encrypted_line(tmp_path, ["192.0.2.8"], now)
    assert other.new_authority
    assert other.fingerprint != first.fingerprint


def test_openssl_finds_the_certificate_good_for_its_names_and_for_no_other(tmp_path: Path) -> None:
    line = encrypted_line(tmp_path, ["ward-pc.example", "192.0.2.7"], datetime.now(UTC))

    def verdict(*asked: str) -> str:
        command = ["openssl", "verify", "-x509_strict", "-purpose", "sslserver", "-CAfile", str(line.authority), *asked]
        done = subprocess.run([*command, str(line.certificate)], capture_output=True, text=True, check=False)
        return "good" if done.returncode == 0 else done.stderr

    assert verdict("-verify_hostname", "ward-pc.example") == "good"
    assert verdict("-verify_ip", "192.0.2.7") == "good"
    assert "mismatch" in verdict("-verify_hostname", "elsewhere.example")


@pytest.mark.parametrize("name", ["two words", "", "a..b", "http://ward", "wärd"])
def test_a_name_that_is_none_is_refused_before_any_key_is_made(tmp_path: Path, name: str) -> None:
    with pytest.raises(Refused, match="host name"):
        encrypted_line(tmp_path / "line", ["ward", name], datetime.now(UTC))
    assert not (tmp_path / "line").exists()


def test_a_folder_that_holds_something_else_is_told_and_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "authority.crt").write_text("a shopping list")
    with pytest.raises(Refused, match="cannot be made or read"):
        encrypted_line(tmp_path, ["ward"], datetime.now(UTC))
    assert (tmp_path / "authority.crt").read_text() == "a shopping list"


def test_every_address_of_a_machine_needs_a_name_that_browsers_type(record: Record) -> None:
    with pytest.raises(Refused, match="what browsers type"):
        serve(record, Address("0.0.0.0"), ready=lambda url, line: None)
