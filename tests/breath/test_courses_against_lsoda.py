"""Courses of the engine against scipy on the written-out equations (stored; ``tests/referees/make_courses.py`` makes them).

Clamps, holes, valves that fail, suction, other settings, efforts, triggers, the limit of pressure: in groups of one to
four, both modes, with sound, leaking and no valves.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from airyoke.breath.course import Change, Course, Effort, Machine, run_course
from airyoke.circuit import BLOCKED, FlowNetwork
from breath.cases import lungs_of, network_of, settings_of
from referees.draw_courses import changed

COURSES = json.loads((Path(__file__).parents[1] / "data" / "courses.json").read_text("utf-8"))["courses"]


def network(case: dict[str, Any]) -> FlowNetwork:
    """The case's network with what has happened to its limbs."""
    found = network_of(case)
    limbs = []
    for limb, patient in zip(found.limbs, case["patients"], strict=True):
        for side in ("inspiratory", "expiratory"):
            state, valve = patient.get(side, "sound"), getattr(limb, f"{side}_valve")
            if state == "blocked":
                limb = replace(limb, **{side: BLOCKED})
            elif state == "no valve":
                limb = replace(limb, **{f"{side}_valve": None})
            elif state == "reversed":
                limb = replace(limb, **{f"{side}_valve": replace(valve, reversed=True)})
        limbs.append(replace(limb, patient=BLOCKED) if patient.get("tube") == "blocked" else limb)
    return replace(found, limbs=tuple(limbs))


def run(course: dict[str, Any]) -> Course:
    """The same course by the engine."""
    case = course["case"]
    networks, settings, changes = [network(case)], [settings_of(case)], []
    for one in course["changes"]:
        case = changed(case, one)
        if "settings" in one:
            settings.append(settings_of(case))
            changes.append(Change(one["at_s"], settings=len(settings) - 1))
        else:
            networks.append(network(case))
            changes.append(Change(one["at_s"], network=len(networks) - 1))
    changes += [
        Change(one["at_s"], effort=Effort(one["patient"], one["cmh2o"], one["lasts_s"])) for one in course["efforts"]
    ]
    rules = course["rules"]
    machine = Machine(
        rules.get("pressure_trigger_cmh2o"), rules.get("flow_trigger_l_per_min"), rules.get("high_pressure_cmh2o")
    )
    lungs = lungs_of(course["case"])
    return run_course(networks, settings, lungs, course["seconds"], changes, machines=machine)


def apart(found: Any, expected: Any, floor: float) -> float:
    """Largest difference as a part of what is there, or of `floor` where that is more."""
    found, expected = np.asarray(found, float), np.asarray(expected, float)
    return float(np.max(np.abs(found - expected) / np.maximum(np.abs(expected), floor)))


@pytest.mark.parametrize("course", COURSES, ids=lambda one: f"{one['id']} {one['kind']}")
def test_every_breath_of_a_course_is_that_of_the_outside_solver(course: dict[str, Any]) -> None:
    found, breaths = run(course), course["breaths"]
    assert found.failed == ("",)
    count = len(breaths)
    assert found.breaths[0] == count
    column = {name: [one[name] for one in breaths] for name in breaths[0]}
    assert list(found.triggered[0, :count]) == column["triggered"]
    assert list(found.cut_short[0, :count]) == column["cut_short"]
    assert found.starts_s[0, :count] == pytest.approx(column["starts_s"], abs=0.005)
    assert found.inspiratory_time_s[0, :count] == pytest.approx(column["inspiratory_time_s"], abs=0.005)
    # Of volumes 0.2 %, of small ones 0.2 mL. Where the limit of pressure cuts a steep rise, a millisecond is more.
    cut = any(column["cut_short"])
    most = 0.006 if cut else 0.002
    assert apart(found.tidal_volume_ml[0, :count], column["tidal_volume_ml"], 100.0) <= most
    assert apart(found.machine.inspired_ml[0, :count], column["inspired_ml"], 100.0) <= most
    assert apart(found.machine.exhaled_ml[0, :count], column["exhaled_ml"], 100.0) <= most
    assert apart(found.leaked_ml[0, :count], column["leaked_ml"], 100.0) <= most
    for name in ("plateau_cmh2o", "total_peep_cmh2o"):
        assert getattr(found, name)[0, :count] == pytest.approx(np.array(column[name]), abs=0.3 if cut else 0.03)
