"""The referee itself against closed forms of one compartment through a circuit with next to no resistance, and
against its own stored answers in another order of patients.

Printed numbers were worked out from the textbook formulas outside this code.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from referees.lsoda import solve_case

SCENARIOS = json.loads((Path(__file__).resolve().parents[1] / "data" / "engine_scenarios.json").read_text("utf-8"))[
    "scenarios"
]
LITTLE = {"linear": 2e-3, "quadratic": 0}
IDEAL = {
    "inspiratory_trunk": LITTLE,
    "expiratory_trunk": LITTLE,
    "inspiratory_limb": LITTLE,
    "expiratory_limb": LITTLE,
    "splitter_compliance_ml_per_cmh2o": 0.01,
    "wye_compliance_ml_per_cmh2o": 0.01,
    "valves": {"cracking_cmh2o": 0, "linear": 0, "back_leak_l_per_s_per_cmh2o": 0},
}


def lung(label: str, compliance: float, r_in: float, r_out: float) -> dict[str, Any]:
    return {
        "label": label,
        "compliance_ml_per_cmh2o": compliance,
        "inspiratory_resistance_cmh2o_s_per_l": r_in,
        "expiratory_resistance_cmh2o_s_per_l": r_out,
    }


def pressure(peep: float, above: float, rate: float, inspiration: float) -> dict[str, Any]:
    return {
        "mode": "pc",
        "pressure_above_peep_cmh2o": above,
        "peep_cmh2o": peep,
        "rate_per_min": rate,
        "inspiratory_time_s": inspiration,
    }


@pytest.mark.parametrize(
    ("patient", "settings", "tidal", "total_peep", "plateau"),
    [
        (lung("A", 30, 12, 12), pressure(12, 15, 25, 0.8), 397.0277, 12.1573, 25.3915),
        (lung("A", 60, 20, 30), pressure(5, 15, 20, 1.0), 398.3366, 8.2580, 14.8970),
        (lung("A", 55, 10, 10), pressure(5, 12, 14, 1.4), 605.2792, 5.0582, 16.0633),
    ],
)
def test_one_lung_under_pressure_control_is_the_closed_form(patient, settings, tidal, total_peep, plateau):
    got = solve_case({"patients": [patient], "circuit": IDEAL, "settings": settings})["patients"][0]
    assert got["tidal_volume_ml"] == pytest.approx(tidal, rel=1e-3)
    assert got["total_peep_cmh2o"] == pytest.approx(total_peep, abs=0.01)
    assert got["plateau_cmh2o"] == pytest.approx(plateau, abs=0.01)


def test_one_lung_under_volume_control_is_the_closed_form():
    settings = {"mode": "vc", "tidal_volume_ml": 450, "peep_cmh2o": 5, "rate_per_min": 16, "inspiratory_time_s": 0.9}
    got = solve_case({"patients": [lung("A", 60, 20, 30)], "circuit": IDEAL, "settings": settings})
    assert got["patients"][0]["plateau_cmh2o"] == pytest.approx(14.4374, abs=0.02)
    assert got["ventilator"]["peak_pressure_cmh2o"] == pytest.approx(24.4374, abs=0.03)


def test_a_pressure_source_serves_each_lung_alone():
    patients = [lung("A", 20, 12, 12), lung("B", 40, 12, 12), lung("C", 60, 12, 12)]
    got = solve_case({"patients": patients, "circuit": IDEAL, "settings": pressure(10, 15, 20, 1.0)})["patients"]
    assert [p["tidal_volume_ml"] for p in got] == pytest.approx([295.279, 518.148, 643.555], rel=1e-3)


@pytest.mark.parametrize("scenario", SCENARIOS[:24:6], ids=lambda s: s["id"])
def test_stored_answers_are_the_referees_and_do_not_depend_on_the_order_of_patients(scenario):
    case = scenario["case"]
    turned = solve_case(case | {"patients": case["patients"][::-1]})
    for got, expected in zip(turned["patients"][::-1], scenario["answer"]["patients"], strict=True):
        assert got["label"] == expected["label"]
        for name in ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o", "backflow_ml"):
            assert got[name] == pytest.approx(expected[name], rel=5e-6, abs=5e-6), name
