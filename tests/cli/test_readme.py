"""The README shows what the tool does: its commands exist and its sample is the demo's own."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


def run(*arguments: str) -> str:
    env = {**os.environ, "COLUMNS": "100"}
    done = subprocess.run([sys.executable, "-m", "airyoke", *arguments], capture_output=True, text=True, env=env)
    assert done.returncode in (0, 3), done.stderr
    return done.stdout


def test_every_command_of_the_readme_exists():
    commands = run("--help")
    named = set(re.findall(r"^airyoke (\w+)", README, re.MULTILINE))
    assert {"template", "check", "plan", "predict", "limits"} <= named
    for command in named:
        assert re.search(rf"^  {command}\b", commands, re.MULTILINE), command


def test_the_sample_of_the_readme_is_what_the_demo_prints(tmp_path):
    printed = run("demo", "--now", "2026-11-25T14:00", "--to", str(tmp_path / "dw"))
    sample = README[README.index("-- G1 .") :].split("```")[0].rstrip().splitlines()
    assert "\n".join(sample) in printed
