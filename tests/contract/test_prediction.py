"""The answer to the contract's example: its numbers, its keys, and that it is the same every time."""

from __future__ import annotations

import json
from typing import Any

import pytest

from airyoke import __version__
from airyoke.contract.answers import Prediction, number
from airyoke.contract.case import read_case
from airyoke.ward.questions import predict_case
from contract.cases import example, text, two_patients

PATIENT_FIGURES = [
    "tidal_volume_ml", "tidal_volume_ml_per_kg", "plateau_cmh2o", "driving_pressure_cmh2o",
    "total_peep_cmh2o", "intrinsic_peep_cmh2o", "end_inspiratory_flow_l_per_min", "minute_volume_l_per_min",
    "peak_pressure_cmh2o", "backflow_ml", "paco2_mmhg", "ph", "spo2_pct", "mechanical_power_j_per_min",
]  # fmt: skip
VENTILATOR_FIGURES = [
    "delivered_tidal_volume_ml", "displayed_tidal_volume_ml", "compressed_volume_ml", "minute_volume_l_per_min",
    "peak_pressure_cmh2o", "inspiratory_hold_cmh2o", "expiratory_hold_cmh2o",
]  # fmt: skip
KEYS = [
    "schema", "version", "seed", "draws", "outcome", "outcome_reason", "patients", "ventilator", "margin",
    "inside_probability", "hard_inside_probability", "assumed", "not_computed", "sources", "cautions",
]  # fmt: skip


def answer_to(case: object, seed: int = 0) -> dict[str, Any]:
    taken = read_case(text(case)).to_domain()
    answer = predict_case(
        taken.patients,
        taken.build,
        taken.settings,
        seed=seed,
        structural=taken.structural,
        assumed=taken.assumed,
    )
    found: dict[str, Any] = json.loads(Prediction.of(answer, taken.findings).json_text())
    return found


def test_the_contract_s_example() -> None:
    answer = answer_to(example())
    a = answer["patients"][0]
    assert answer["outcome"] == "solved"
    assert a["tidal_volume_ml"]["value"] == pytest.approx(398.8, rel=1e-3)
    assert a["tidal_volume_ml"]["low"] == pytest.approx(353, abs=2)
    assert a["tidal_volume_ml"]["high"] == pytest.approx(443, abs=2)
    assert a["tidal_volume_ml_per_kg"]["value"] == pytest.approx(7.61, abs=0.01)
    assert a["plateau_cmh2o"]["value"] == pytest.approx(22.68, abs=0.02)
    assert a["plateau_cmh2o"]["low"] == pytest.approx(22.1, abs=0.1)
    assert a["plateau_cmh2o"]["high"] == pytest.approx(23.1, abs=0.1)
    assert a["driving_pressure_cmh2o"]["value"] == pytest.approx(12.46, abs=0.02)
    assert a["total_peep_cmh2o"]["value"] == pytest.approx(10.21, abs=0.02)
    assert a["intrinsic_peep_cmh2o"]["value"] == pytest.approx(0.21, abs=0.02)
    assert a["end_inspiratory_flow_l_per_min"]["value"] == pytest.approx(6.61, abs=0.02)
    assert a["minute_volume_l_per_min"]["value"] == pytest.approx(8.77, abs=0.01)


def test_every_key_is_there_and_no_other() -> None:
    answer = answer_to(two_patients())
    assert list(answer) == KEYS
    assert answer["schema"] == "airyoke/prediction/1"
    assert answer["version"] == __version__
    assert [one["label"] for one in answer["patients"]] == ["A", "B"]
    assert [one["limb"] for one in answer["patients"]] == ["A", "B"]
    for patient in answer["patients"]:
        assert list(patient) == ["label", "limb", *PATIENT_FIGURES]
        for name in PATIENT_FIGURES:
            assert list(patient[name]) == ["value", "low", "high", "limit"]
    assert list(answer["ventilator"]) == VENTILATOR_FIGURES
    limit = answer["patients"][0]["driving_pressure_cmh2o"]["limit"]
    assert list(limit) == ["name", "side", "bound", "margin", "source"]
    assert list(answer["margin"]) == [
        "value", "at_best_estimate", "from", "limit", "patient", "unit", "bound", "predicted", "scale",
    ]  # fmt: skip
    assert "part-data" in [one["id"] for one in answer["cautions"]]


def test_same_input_and_seed_same_answer() -> None:
    assert answer_to(two_patients(), 3) == answer_to(two_patients(), 3)
    assert answer_to(two_patients(), 3) != answer_to(two_patients(), 4)


def test_a_default_is_listed_once() -> None:
    case = example()
    del case["patients"][0]["vco2_ml_per_min"]
    listed = [one for one in answer_to(case)["assumed"] if one["field"] == "vco2_ml_per_min"]
    assert len(listed) == 1
    assert listed[0]["patient"] == "A"
    assert "resting adult" in listed[0]["why"]


def test_what_is_not_known_is_null_and_says_what_it_needs() -> None:
    case = example()
    for name in ("sex", "height_cm", "airway_dead_space_ml", "shunt_fraction"):
        del case["patients"][0][name]
    answer = answer_to(case)
    gaps = {one["quantity"] for one in answer["not_computed"]}
    for name in ("tidal_volume_ml_per_kg", "paco2_mmhg", "ph", "spo2_pct"):
        assert answer["patients"][0][name] == {"value": None, "low": None, "high": None, "limit": None}
        assert name in gaps


def test_a_shut_limb_is_impossible_not_a_number() -> None:
    case = example()
    shut = {"linear": 1e9, "quadratic": 0}
    names = ("inspiratory_trunk", "expiratory_trunk", "inspiratory_limb", "expiratory_limb")
    case["circuit"] = dict.fromkeys(names, shut) | {
        "splitter_compliance_ml_per_cmh2o": 0.0, "wye_compliance_ml_per_cmh2o": 0.0, "valves": "none",
    }  # fmt: skip
    answer = answer_to(case)
    assert answer["outcome"] in ("impossible", "not_converged")
    assert answer["margin"] is None
    assert answer["patients"][0]["tidal_volume_ml"]["value"] is None


def test_settings_of_an_answer_fit_into_a_case() -> None:
    from airyoke.contract.answers import SettingsAnswer

    taken = read_case(text(example())).to_domain()
    settings = SettingsAnswer.of(taken.settings)
    assert settings is not None
    again = read_case(text(example() | {"settings": settings.model_dump()})).to_domain()
    assert again.settings == taken.settings


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (398.80712345, 398.807),
        (-0.0, 0.0),
        (None, None),
        (float("nan"), None),
        (float("inf"), None),
        (1e-9, 1e-9),
    ],
)
def test_numbers_carry_six_digits(value: float | None, shown: float | None) -> None:
    assert number(value) == shown
    assert str(number(-0.0)) == "0.0"
