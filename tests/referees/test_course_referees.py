"""The referees of courses: against closed forms, against the settled breath, and against each other."""

from __future__ import annotations

import os
import shutil
from math import exp
from typing import Any

import pytest

from referees.course import Change, Effort, Rules, run
from referees.lsoda import solve_case
from referees.spice import Switch, run_course

long = pytest.mark.skipif(os.environ.get("AIRYOKE_LONG") != "1", reason="some seconds each: AIRYOKE_LONG=1")
needs_ngspice = pytest.mark.skipif(shutil.which("ngspice") is None, reason="needs the Debian package ngspice")

CIRCUIT: dict[str, Any] = {
    "inspiratory_trunk": {"linear": 1.5, "quadratic": 0.5},
    "expiratory_trunk": {"linear": 1.5, "quadratic": 0.8},
    "inspiratory_limb": {"linear": 1.5, "quadratic": 1.5},
    "expiratory_limb": {"linear": 0.5, "quadratic": 1.5},
    "splitter_compliance_ml_per_cmh2o": 0.5,
    "wye_compliance_ml_per_cmh2o": 1.5,
    "valves": {"cracking_cmh2o": 0.5, "linear": 2.0, "back_leak_l_per_s_per_cmh2o": 0},
}
PRESSURE: dict[str, Any] = {
    "mode": "pc", "peep_cmh2o": 8, "rate_per_min": 20, "inspiratory_time_s": 1.0, "pressure_above_peep_cmh2o": 14,
}  # fmt: skip
VOLUME: dict[str, Any] = {
    "mode": "vc", "peep_cmh2o": 8, "rate_per_min": 18, "inspiratory_time_s": 1.2, "tidal_volume_ml": 850, "pause_s": 0.3,
}  # fmt: skip
A: dict[str, Any] = {
    "label": "A", "compliance_ml_per_cmh2o": 24, "inspiratory_resistance_cmh2o_s_per_l": 11,
    "expiratory_resistance_cmh2o_s_per_l": 13,
}  # fmt: skip
B: dict[str, Any] = {
    "label": "B", "compliance_ml_per_cmh2o": 48, "inspiratory_resistance_cmh2o_s_per_l": 12,
    "expiratory_resistance_cmh2o_s_per_l": 16,
}  # fmt: skip


def pair(settings: dict[str, Any] = PRESSURE, **circuit: Any) -> dict[str, Any]:
    return {"patients": [A, B], "circuit": CIRCUIT | circuit, "settings": settings}


@long
@pytest.mark.parametrize("settings", [PRESSURE, VOLUME], ids=["pressure", "volume"])
def test_a_course_in_which_nothing_happens_repeats_the_settled_breath(settings: dict[str, Any]) -> None:
    settled = solve_case(pair(settings))
    breaths = run(pair(settings), 3 * 60 / settings["rate_per_min"])
    assert len(breaths) == 3
    for one in breaths:
        for k, patient in enumerate(settled["patients"]):
            assert one.tidal_volume_ml[k] == pytest.approx(patient["tidal_volume_ml"], rel=1e-5)
            assert one.peak_cmh2o[k] == pytest.approx(patient["peak_pressure_cmh2o"], abs=1e-3)
        assert one.exhaled_ml == pytest.approx(settled["ventilator"]["exhaled_volume_ml"], rel=1e-5)
        assert one.inspired_ml == pytest.approx(settled["ventilator"]["delivered_tidal_volume_ml"], rel=1e-5)


def test_a_blocked_way_out_fills_the_lung_to_what_the_machine_holds() -> None:
    alone = pair() | {"patients": [A]}
    breaths = run(alone, 30.0, [Change(0.5, alone | {"patients": [A | {"expiratory": "blocked"}]})])
    assert breaths[-1].tidal_volume_ml[0] == pytest.approx(0.0, abs=0.1)
    # The valve on the way in opens half a cmH2O below the machine's pressure.
    assert breaths[-1].plateau_cmh2o[0] == pytest.approx(8 + 14 - 0.5, abs=0.02)


def test_a_lung_empties_through_a_hole_alone_as_one_time_constant_says() -> None:
    # Both limbs blocked at the end of inspiration, a linear hole at the wye: v = v0 exp(-t / ((R out + R hole) C)),
    # little gas at the wye.
    case = pair(wye_compliance_ml_per_cmh2o=0.05)
    shut = A | {"inspiratory": "blocked", "expiratory": "blocked"}
    hole = {"place": "wye", "patient": 0, "linear": 27.0, "quadratic": 0.0}
    after = {"patients": [shut, B], "circuit": case["circuit"] | {"openings": [hole]}, "settings": PRESSURE}
    one = run(case, 3.0, [Change(1.0, after)])[0]
    factor = exp(-2.0 / ((13 + 27) * 0.024))
    assert one.total_peep_cmh2o[0] / one.plateau_cmh2o[0] == pytest.approx(factor, rel=4e-3)
    assert one.leaked_ml == pytest.approx(24 * (one.plateau_cmh2o[0] - one.total_peep_cmh2o[0]), rel=3e-3)


def test_a_limit_of_pressure_ends_inspiration_when_the_line_reaches_it() -> None:
    # Constant flow into one lung with next to no circuit: pressure = start + R F + t F / C.
    circuit = CIRCUIT | {
        "splitter_compliance_ml_per_cmh2o": 0.05, "wye_compliance_ml_per_cmh2o": 0.05, "valves": "none",
    }  # fmt: skip
    settings = VOLUME | {"tidal_volume_ml": 400, "pause_s": 0.0, "rate_per_min": 10}
    case = {"patients": [A], "circuit": circuit, "settings": settings}
    flow = 0.4 / 1.2
    limb = (1.5 + 11) * flow + 1.5 * flow**2
    trunk = 1.5 * flow + 0.5 * flow**2
    limit = 8 + trunk + limb + 0.5 * 0.4 / 0.024
    first = run(case, 12.0, rules=Rules(high_pressure_cmh2o=limit))[0]
    assert first.cut_short
    assert first.inspiratory_time_s == pytest.approx(0.6, abs=0.02)
    assert first.port_peak_cmh2o == pytest.approx(limit, abs=0.02)


@long
def test_an_effort_starts_a_breath_for_everybody_and_restarts_the_clock() -> None:
    effort = Effort(1, 2.0, 0.8, 6.0)
    breaths = run(pair(), 9.5, efforts=[effort], rules=Rules(pressure_trigger_cmh2o=1.0))
    starts = [one.starts_s for one in breaths]
    assert [one.triggered for one in breaths] == [False, True, False]
    assert 2.0 < starts[1] < 2.4
    assert starts[2] == pytest.approx(starts[1] + 3.0)
    insensible = run(pair(), 9.5, efforts=[effort], rules=Rules(pressure_trigger_cmh2o=20.0))
    assert [one.triggered for one in insensible] == [False] * 3


def test_an_effort_into_a_shut_lung_pulls_its_pressure_down_by_itself() -> None:
    shut = pair() | {"patients": [A | {"inspiratory": "blocked", "expiratory": "blocked"}, B]}
    still = run(shut, 3.0)[0]
    pulled = run(shut, 3.0, efforts=[Effort(0, 2.6, 0.8, 5.0)])[0]
    # Half way through the half sine at the end of the breath; the wye gives next to nothing (1.5 against 24 mL/cmH2O).
    assert pulled.total_peep_cmh2o[0] == pytest.approx(still.total_peep_cmh2o[0] - 5.0 * 24 / 25.5 * 1.0, abs=0.4)


@needs_ngspice
@pytest.mark.parametrize("settings", [PRESSURE, pytest.param(VOLUME, marks=long)], ids=["pressure", "volume"])
def test_ngspice_gives_the_same_breaths_after_a_clamp(settings: dict[str, Any]) -> None:
    case = pair(settings)
    _agree(case, [Switch(0.4, 0, "inspiratory")], case | {"patients": [A | {"inspiratory": "blocked"}, B]}, 0.4)


@long
@needs_ngspice
def test_ngspice_gives_the_same_breaths_after_a_disconnection() -> None:
    case = pair()
    hole = {"place": "wye", "patient": 0, "linear": 0.5, "quadratic": 30.0}
    _agree(
        case,
        [Switch(1.7, 0, None, 0.5, 30.0)],
        case | {"circuit": CIRCUIT | {"openings": [hole]}},
        1.7,
    )


def _agree(case: dict[str, Any], switches: list[Switch], after: dict[str, Any], at_s: float) -> None:
    period = 60 / case["settings"]["rate_per_min"]
    ours = run(case, 4 * period + 0.01, [Change(at_s, after)])
    other = run_course(case, switches, 4)
    for mine, theirs in zip(ours, other, strict=False):
        for k, patient in enumerate(theirs["patients"]):
            assert mine.tidal_volume_ml[k] == pytest.approx(patient["tidal_volume_ml"], rel=1e-3, abs=0.2)
            assert mine.plateau_cmh2o[k] == pytest.approx(patient["plateau_cmh2o"], abs=0.02)
            assert mine.total_peep_cmh2o[k] == pytest.approx(patient["total_peep_cmh2o"], abs=0.02)
        assert mine.exhaled_ml == pytest.approx(theirs["exhaled_ml"], rel=1e-3, abs=0.3)
        assert mine.inspired_ml == pytest.approx(theirs["inspired_ml"], rel=1e-3, abs=0.3)
