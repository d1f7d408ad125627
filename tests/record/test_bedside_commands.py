"""`airyoke record rehearse, tick, start, step, round, exit, due, abandon`: a pair of the demo, from its plan to its end."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from airyoke.cli import main
from airyoke.exchange import write_tables
from airyoke.record.record import Record
from airyoke.record.setup import create
from airyoke.ward.demo import demo_tables
from airyoke.ward.entries import Draft

PARTS = {"capnograph-adapter": 2, "catheter-mount": 2, "expiratory-filter": 1, "hmef": 2, "one-way-valve": 4,
         "sleeve-22f-22f": 2, "tube-22mm-1500mm": 4, "y-piece": 4}  # fmt: skip
SETTINGS = {"mode": "pc", "rate_per_min": 22.0, "inspiratory_time_s": 0.8, "peep_cmh2o": 11.0, "fio2": 0.6,
            "pressure_above_peep_cmh2o": 18.0, "circuit_compensation": "on"}  # fmt: skip
ALONE = ("E2 540 24.9 11.6 33.8 7.47 - 95", "E3 545 25.5 11.4 32.3 7.46 - 95")
ROLES = ("--role", "airway=ada", "--role", "circuit=ben", "--role", "drugs=cem", "--role", "reader=dee")
LINES = ("rehearsal", "accepted", "bench", "alarms", "block", "syringes", "airway", "bag", "clamps", "labels", "reserve")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The demo ward in an unlocked record, with a plan that has E2 and E3 on V2 (settings as the planner gives them)."""
    folder = tmp_path_factory.mktemp("bedside")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        write_tables(Path("ward.xlsx"), demo_tables(datetime.now().astimezone()))  # type: ignore[arg-type]
        with create("ward.airyoke", "st-example", unlocked=True) as record:
            roles = {"name": "dee", "roles": ["planner", "keeper"]}
            record.write([Draft("person", roles)], person="dee", seen=record.state().sequence)
        assert main(["record", "import", "ward.xlsx", "--record", "ward.airyoke", "--confirm", "all", "--as", "dee"]) == 0
        with Record.open("ward.airyoke") as record:
            group = {"id": "G1", "ventilator": "V2", "beds": ["E2", "E3"], "settings": SETTINGS,
                     "circuit": {"parts": [{"part": part, "count": n} for part, n in PARTS.items()]}}  # fmt: skip
            plan = {"plan": "P1", "based_on": record.state().sequence, "groups": [group]}
            record.write([Draft("plan_made", plan)], person="dee", seen=record.state().sequence)
        yield folder


class Terminal:
    """Runs commands on a copy of the record, and keeps what the last one printed."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.where, self.capsys = str(folder / "ward.airyoke"), capsys
        self.out = self.err = ""

    def run(self, *words: str, as_: str = "dee", code: int = 0) -> str:
        reading = words[0] in ("due", "entries")
        found = main(["record", *words, "--record", self.where, *(() if reading else ("--as", as_))])
        self.out, self.err = self.capsys.readouterr()
        assert found == code, (words, self.out, self.err)
        return self.out

    def group(self) -> Any:
        with Record.open(self.where) as record:
            return record.state().standings["G1"]

    def steps(self, *, until: str = "") -> None:
        """Step after step, the clamps counted as they should be."""
        self.run("step", "G1")
        with Record.open(self.where) as record:
            while (way := record.state().standings["G1"].way) and (step := way.next) and step.id != until:
                counted = {} if step.clamps is None else {"clamps": step.clamps}
                content = {"group": "G1", "step": step.id, **counted}
                record.write([Draft("step_done", content)], person="dee", seen=record.state().sequence)

    def gated(self) -> None:
        self.run("rehearse", "G1", "--read", ALONE[0], "--read", ALONE[1], "--draws", "256")
        self.run("build", "B1", "--patients", "2", "--passed")
        self.run("tick", "G1", *LINES, "--build", "B1", "--by", "ada", "--by", "ben")


@pytest.fixture
def terminal(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Terminal:
    for file in made.iterdir():
        if file.name.startswith("ward.airyoke") and not file.name.endswith(("lock", "reserve")):
            shutil.copy(file, tmp_path / file.name)
    return Terminal(tmp_path, capsys)


def test_a_pair_goes_from_its_plan_through_rehearsal_gate_and_steps_to_rounds_and_its_exit(terminal: Terminal) -> None:
    assert "pressure above PEEP 18, PEEP 11" in " ".join(terminal.run("rehearse", "G1").split())
    terminal.gated()
    assert terminal.group().rehearsal.verdict in ("confirmed", "retuned")
    assert "% of 256 draws (90 needed)" in terminal.group().rehearsal.reason
    assert "The gate holds" in terminal.out
    out = " ".join(terminal.run("start", "G1", *ROLES).split())
    shown = terminal.group().rehearsal.values["predicted"][""]["displayed_tidal_volume_ml"][0]
    assert f"below {0.85 * shown:.0f} or above {1.15 * shown:.0f} mL" in out
    assert "Step 1 of 12" in out
    terminal.steps(until="join.A")
    assert "TUBE CLAMPED in group G1, bed E2" in terminal.run("due")
    terminal.run("step", "G1", "--clamps", "0")
    terminal.steps()
    assert terminal.group().stage == "running"
    out = terminal.run("due")
    assert "baseline, and the alarm limits from it" in out
    assert "bed E3: arterial gas" in out

    # In the order of the printed form, by hand: SpO2, heart rate, mean pressure, dose, EtCO2, inspired CO2, chest, block.
    read = ("--read", "E2 94 88 72 'noradrenaline 0.1' 38 0 both 'no effort' 24 11 510", "--read",
            "E3 84 90 70 - 36 0 one 'no effort' 25 11 total_peep_cmh2o=11.5 tidal_volume_ml=505")  # fmt: skip
    out = terminal.run("round", "G1", *read, "--ventilator", "displayed_tidal_volume_ml=1040", "--baseline")
    lines = {" ".join(line.split()) for line in out.splitlines()}
    assert any(line.startswith("SpO2 84 %") and "ACT: below 88 %" in line for line in lines)
    assert any("ACT: one side, not both" in line for line in lines)
    # By hand: half of the smaller share (505) either side of what was shown, to the tighter step of 10 mL.
    alarm = next(one for one in terminal.group().baseline.alarms if one["name"] == "exhaled_tidal_volume")
    assert 1040 - 252.5 <= alarm["low"] <= 1040 - 252.5 + 10
    assert 1040 + 252.5 - 10 <= alarm["high"] <= 1040 + 252.5

    terminal.run("act", "G1", "turned to prone", "--bed", "E3")
    terminal.run("exit", "G1", "E3", "--reason", "waking", "--to", "E3=V3", *ROLES)
    terminal.steps()
    terminal.run("round", "G1", "--read", "E3 spo2_pct=94", code=2)
    assert "bed-not-in-group" in terminal.err
    terminal.run("exit", "G1", "E2", "--reason", "the other left", "--to", "E2=V2", *ROLES)
    terminal.steps()
    assert terminal.group().stage == "ended"
    assert "Nothing is due" in terminal.run("due")
    terminal.run("entries", "--audit", "--last", "50")
    assert "bed-not-in-group" in terminal.out


def test_what_is_wrong_is_refused_or_asked_in_one_line_and_kept(terminal: Terminal) -> None:
    terminal.run("rehearse", "G1", "--read", "E2 540 24.9 - 33.8 7.47 - 95", "--read", ALONE[1], code=2)
    assert "total_peep_cmh2o was not read since group G1 was prepared" in terminal.err
    terminal.run("rehearse", "G1", "--skip", "no ventilator to try on", "--draws", "256")
    assert terminal.group().rehearsal.verdict == "skipped"
    assert "Not rehearsed" in terminal.group().rehearsal.reason
    terminal.run("start", "G1", *ROLES, code=2)
    assert terminal.err.count("[gate-open]") == len(LINES)
    terminal.run("build", "B1", "--patients", "2", "--passed", "--expires", "2026-01-01T00:00+00:00")
    terminal.run("tick", "G1", "bench", "--build", "B1", code=2)
    assert "ran out" in terminal.err
    terminal.run("build", "B1", "--passed")
    terminal.run("tick", "G1", "labels", "--by", "ada", code=2)
    assert "needs 2 different people" in terminal.err
    terminal.run("tick", "G1", *LINES, "--build", "B1", "--by", "ada", "--by", "ben")
    terminal.run("start", "G1", *ROLES, "--at", "2999-01-01T00:00+00:00", code=2)
    assert "has not come yet" in terminal.err
    terminal.run("start", "G1", *ROLES)
    terminal.run("start", "G1", *ROLES, code=2)
    assert "start-twice" in terminal.err
    terminal.run("step", "G1", as_="cem", code=2)
    assert "step-role" in terminal.err
    terminal.run("step", "G1")
    terminal.run("step", "G1", "--clamps", "2", code=2)
    assert "it should be 1" in terminal.err
    terminal.run("step", "G1", "--clamps", "2", "--confirm", "clamps-differ", "--reason", "one spare")
    terminal.run("step", "G1", "--undo", "not clamped at all")
    terminal.run("abandon", "G1", "--reason", "SpO2 84")
    assert terminal.group().stage == "dissolved"
    with Record.open(terminal.where) as record:
        kept = [one.content["findings"][0]["id"] for one in record.entries(stream="audit") if one.kind == "refused"]
    assert kept == ["gate-open", "gate-proof", "gate-people", "time-ahead", "start-twice", "step-role", "clamps-differ"]


def test_the_site_edits_its_own_sequence_and_the_edit_is_an_entry(terminal: Terminal, tmp_path: Path) -> None:
    held = json.loads(terminal.run("sequence", "start", "--show"))
    held[0]["do"] = "Two minutes of quiet, then FiO2 1.0"
    file = tmp_path / "own.json"
    file.write_text(json.dumps(held))
    terminal.run("sequence", "start", "--file", str(file), "--reason", "our protocol 12")
    terminal.gated()
    assert "Two minutes of quiet" in terminal.run("start", "G1", *ROLES)
    file.write_text(json.dumps([one for one in held if one["id"] != "open"]))
    terminal.run("sequence", "start", "--file", str(file), "--reason", "shorter", code=2)
    assert "clamped and not opened" in terminal.err
