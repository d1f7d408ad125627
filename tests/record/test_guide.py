"""docs/record.md: every command in it is run, in its order, in an empty folder, by somebody at a terminal."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import shlex
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import pytest

from airyoke.exchange import write_tables
from airyoke.ward.demo import demo_tables
from record.postgres import Server

# From Python 3.12 on a fork beside threads is warned of; the children here do their own work and end.
pytestmark = pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
GUIDE = (Path(__file__).parents[2] / "docs" / "record.md").read_text("utf-8")
BLOCKS = re.findall(r"```(sh|sql|python)\n(.*?)```", GUIDE, re.DOTALL)
PASSWORDS = {"kim": "orange bicycle lantern moss", "ann": "seven quiet herons wading", "lee": "brass kettle under snow"}


def at_a_terminal(words: list[str], folder: Path) -> tuple[int, str]:
    """Run a command as a person would, who types a password when asked for one."""
    program = [sys.executable, "-m", "airyoke", *words[1:]] if words[0] == "airyoke" else words
    pid, terminal = pty.fork()
    if pid == 0:  # pragma: no cover - the child becomes another program at once: the threads of this one are not there
        try:
            os.chdir(folder)
            os.execvp(program[0], program)
        finally:
            os._exit(70)
    output, asked = "", 0
    until = time.monotonic() + 120
    while time.monotonic() < until:
        if not select.select([terminal], [], [], 1.0)[0]:
            continue
        try:
            more = os.read(terminal, 65536).decode(errors="replace")
        except OSError:
            break
        if not more:
            break
        output += more
        prompts = re.findall(r"(?:[Pp]assword of (\w+)|The same again): $", output, re.MULTILINE)
        questions = re.findall(r"(?:[Pp]assword of \w+|The same again): ", output)
        if prompts and len(questions) > asked:
            asked = len(questions)
            name = re.findall(r"[Pp]assword of (\w+): ", output)[-1]
            os.write(terminal, (PASSWORDS[name] + "\n").encode())
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), output


def test_every_command_of_the_guide_does_what_it_says(
    tmp_path: Path, server: Server, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_tables(tmp_path / "ward.xlsx", demo_tables(datetime.now().astimezone()))  # type: ignore[arg-type]
    for name in ("backups", "elsewhere"):
        (tmp_path / name).mkdir()
    commands = 0
    for language, block in BLOCKS:
        if language == "sql":
            known = {row[0] for row in server.sql("postgres", "SELECT rolname FROM pg_roles")}
            for statement in block.split(";\n"):
                made = re.search(r"CREATE ROLE (\w+)", statement)
                if statement.strip() and (made is None or made.group(1) not in known):
                    server.sql("postgres", statement)
            continue
        if language == "python":
            monkeypatch.chdir(tmp_path)
            exec(compile(block, "docs/record.md", "exec"), {})
            assert capsys.readouterr().out == "12 beds\n"
            continue
        for line in block.splitlines():
            there = line.replace("@db.example/", f"@127.0.0.1:{server.port}/")
            if line.startswith("airyoke record restore"):
                first = sorted(tmp_path.glob("backups/st-example-*.airyoke"))[0]
                there = there.replace("backups/st-example-*.airyoke", str(first))
            code, output = at_a_terminal(shlex.split(there), tmp_path)
            assert code in ((0, 3) if " plan " in line else (0,)), (line, code, output)
            for password in PASSWORDS.values():
                assert password not in output, line
            commands += 1
    assert commands >= 22
    assert (tmp_path / "restored.airyoke").exists()
    kept = [json.loads(line) for line in (tmp_path / "out.jsonl").read_text("utf-8").split("\n")[1:-1]]
    (plan,) = [line for line in kept if line["kind"] == "plan_made"]
    assert (plan["person"], plan["content"]["plan"]) == ("ann", "P1")
    assert plan["content"]["based_on"] < plan["sequence"]
    assert all(group["settings"] for group in plan["content"]["groups"] if len(group["beds"]) > 1)
    assert "st-example" in (tmp_path / "out.jsonl").read_text("utf-8").split("\n")[0]


def test_every_command_under_record_is_in_the_guide() -> None:
    helped = subprocess.run(
        [sys.executable, "-m", "airyoke", "record", "--help"], capture_output=True, text=True, check=True
    ).stdout
    commands = re.findall(r"^  (\w+)  +\S", helped.split("Commands:")[1], re.MULTILINE)
    assert len(commands) >= 12
    for command in commands:
        assert f"airyoke record {command}" in GUIDE, command
    for command in ("list", "add", "password"):
        assert f"airyoke record people {command}" in GUIDE
