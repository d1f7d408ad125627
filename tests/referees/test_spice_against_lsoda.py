"""The two referees against each other: ngspice on a netlist, and scipy on the written-out equations."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from referees.spice import run_case

SCENARIOS = json.loads(
    (Path(__file__).resolve().parents[1] / "data" / "engine_scenarios.json").read_text(encoding="utf-8")
)["scenarios"]
# Volume control with limit and bias flow; two-way limbs with in-line valves; leaking valves and a ramp;
# decelerating flow with pause, cap and leaks; circuit compensation. All settle within a few breaths.
IDS = ("s003", "s005", "s007", "s009", "s022")

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="needs the Debian package ngspice")


def without_compensation(scenario: dict[str, Any]) -> dict[str, Any]:
    """The case with the compensated volume as the set one: a netlist cannot know its own peak beforehand."""
    case = scenario["case"]
    volume = scenario["answer"]["ventilator"]["compensated_volume_ml"]
    if volume is None:
        return case
    return case | {"settings": case["settings"] | {"tidal_volume_ml": volume, "circuit_compensation": "off"}}


@pytest.mark.parametrize("scenario", [e for e in SCENARIOS if e["id"] in IDS], ids=lambda e: e["id"])
def test_ngspice_gives_each_patient_the_same_breath(scenario: dict[str, Any]) -> None:
    got = run_case(without_compensation(scenario), breaths=12)
    for mine, other in zip(got["patients"], scenario["answer"]["patients"], strict=True):
        assert mine["label"] == other["label"]
        assert got["change_ml"] < 1e-4 * other["tidal_volume_ml"], "not settled"
        assert mine["tidal_volume_ml"] == pytest.approx(other["tidal_volume_ml"], rel=1e-3)
        assert mine["plateau_cmh2o"] == pytest.approx(other["plateau_cmh2o"], abs=0.01)
        assert mine["total_peep_cmh2o"] == pytest.approx(other["total_peep_cmh2o"], abs=0.01)
