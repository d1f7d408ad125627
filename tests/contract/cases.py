"""The case of the contract, and ways to bend it."""

from __future__ import annotations

import copy
import json
from typing import Any

EXAMPLE: dict[str, Any] = {
    "patients": [
        {
            "label": "A",
            "sex": "f",
            "height_cm": 160,
            "compliance_ml_per_cmh2o": 32,
            "inspiratory_resistance_cmh2o_s_per_l": 12,
            "expiratory_resistance_cmh2o_s_per_l": 14,
            "quadratic_resistance_cmh2o_s2_per_l2": 0,
            "vco2_ml_per_min": 210,
            "airway_dead_space_ml": 110,
            "alveolar_dead_space_fraction": 0.25,
            "bicarbonate_mmol_per_l": 26,
            "shunt_fraction": 0.25,
            "haemoglobin_g_per_dl": 11,
            "uncertainty": {"compliance_ml_per_cmh2o": {"relative_sd": 0.1}},
        }
    ],
    "circuit": "ideal",
    "settings": {
        "mode": "pc",
        "pressure_above_peep_cmh2o": 14,
        "peep_cmh2o": 10,
        "rate_per_min": 22,
        "inspiratory_time_s": 0.9,
        "rise_time_s": 0,
        "fio2": 0.6,
    },
}

CIRCUIT: dict[str, Any] = {
    "inspiratory_trunk": {"linear": 1.5, "quadratic": 0.5},
    "expiratory_trunk": {"linear": 1.5, "quadratic": 0.8},
    "inspiratory_limb": {"linear": 1.5, "quadratic": 1.5},
    "expiratory_limb": {"linear": 0.5, "quadratic": 1.5},
    "splitter_compliance_ml_per_cmh2o": 0.5,
    "wye_compliance_ml_per_cmh2o": 1.5,
    "valves": {"cracking_cmh2o": 0.5, "linear": 2.0, "back_leak_l_per_s_per_cmh2o": 0},
}

VOLUME_CONTROL: dict[str, Any] = {
    "mode": "vc",
    "tidal_volume_ml": 800,
    "peep_cmh2o": 10,
    "rate_per_min": 20,
    "inspiratory_time_s": 1.0,
    "fio2": 0.6,
}


def example() -> dict[str, Any]:
    """A fresh copy of the contract's case."""
    return copy.deepcopy(EXAMPLE)


def two_patients() -> dict[str, Any]:
    """Two unlike patients on the standard build."""
    case = example()
    other = copy.deepcopy(case["patients"][0])
    other.update(label="B", sex="m", height_cm=175, compliance_ml_per_cmh2o=45)
    case["patients"].append(other)
    case["circuit"] = "standard"
    return case


def text(case: object) -> str:
    """The case as JSON."""
    return json.dumps(case)
