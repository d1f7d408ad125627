"""Kept machine code: never that of other sources, and a first run that says why it takes long."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from io import StringIO
from pathlib import Path

import pytest

import airyoke.breath
from airyoke.breath.compiled import cache_folder, cache_key
from airyoke.cli import progress

LONG = os.environ.get("AIRYOKE_LONG") == "1"
SOURCES = Path(airyoke.breath.__file__).parent


@pytest.mark.parametrize(
    "helper", ["elements.py", "nested.py", "step.py", "wide.py", "loading.py", "memory.py", "guess.py", "lanes.py", "layout.py"]
)
def test_an_edited_helper_changes_the_key_of_the_cache(tmp_path, helper):
    copy = tmp_path / "breath"
    shutil.copytree(SOURCES, copy, ignore=shutil.ignore_patterns("__pycache__"))
    before = cache_key(copy)
    assert before == cache_key(SOURCES)
    text = (copy / helper).read_text("utf-8")
    (copy / helper).write_text(text + "\n", "utf-8")
    assert cache_key(copy) != before


def test_the_cache_lies_where_the_user_says_and_is_left_out_where_nothing_can_be_written(tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "chosen"))
    assert cache_folder() == tmp_path / "chosen" / f"engine-{cache_key()}"
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "home"))
    assert cache_folder() == tmp_path / "home" / "airyoke" / f"engine-{cache_key()}"
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert cache_folder() is None


@pytest.mark.skipif(not LONG, reason="compiles the engine twice: AIRYOKE_LONG=1")
def test_an_edited_helper_changes_the_answer_of_the_next_process(tmp_path):
    copy = tmp_path / "src" / "airyoke"
    shutil.copytree(SOURCES.parent, copy, ignore=shutil.ignore_patterns("__pycache__"))
    words = (
        "import numpy as np; from airyoke.breath import Settings; from airyoke.circuit import standard_build;"
        "from airyoke.breath.engine import LungMechanics, settle; a = np.full((1, 1), 40.0);"
        "b = settle(standard_build(1).network, Settings('pc', 20, 1.0, 8, pressure_above_peep_cmh2o=14),"
        "LungMechanics(a, a / 4, a / 4, 0 * a)); print(b.tidal_volume_ml[0, 0])"
    )
    environment = {**os.environ, "PYTHONPATH": str(copy.parent), "NUMBA_CACHE_DIR": str(tmp_path / "cache")}

    def volume() -> float:
        done = subprocess.run(
            [sys.executable, "-c", words], env=environment, capture_output=True, text=True, check=True, cwd=tmp_path
        )
        return float(done.stdout)

    first = volume()
    laws = copy / "breath" / "elements.py"
    text = laws.read_text("utf-8")
    assert "return 2.0 * drop * s * both" in text
    laws.write_text(text.replace("return 2.0 * drop * s * both", "return 1.0 * drop * s * both"), "utf-8")
    assert volume() < 0.9 * first


def test_a_first_run_says_on_a_terminal_that_the_engine_is_being_compiled(monkeypatch):
    class Terminal(StringIO):
        def isatty(self) -> bool:
            return True

    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(progress, "QUIET_FOR_S", 0.01)
    with progress.engine_notice():
        for _ in range(500):
            if screen.getvalue():
                break
            time.sleep(0.01)
    assert "on the first run the engine is compiled" in screen.getvalue()


@pytest.mark.parametrize("command", ["plan", "predict", "check"])
def test_every_command_that_needs_the_engine_carries_that_notice(command):
    text = (SOURCES.parent / "cli" / f"{command}.py").read_text("utf-8")
    assert "with engine_notice():" in text
