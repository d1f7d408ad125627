"""Groups made up for the tests of faults; every number in them is chosen."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

from airyoke.contract.case import read_case
from airyoke.contract.case_domain import DomainCase
from airyoke.faults.catalogue import Group, faults_of
from airyoke.faults.report import FaultReport, report_faults
from airyoke.faults.runs import FaultRun, FaultRuns, run_faults
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import sample_group

LUNGS = ((32.0, 12.0, "f", 160.0), (45.0, 11.0, "m", 175.0), (38.0, 14.0, "m", 170.0), (28.0, 13.0, "f", 165.0))
PRESSURE: dict[str, Any] = {
    "mode": "pc", "pressure_above_peep_cmh2o": 17, "peep_cmh2o": 10, "rate_per_min": 22, "inspiratory_time_s": 0.9,
    "fio2": 0.6,
}  # fmt: skip


def volume(patients: int) -> dict[str, Any]:
    return {
        "mode": "vc", "tidal_volume_ml": 440 * patients, "peep_cmh2o": 10, "rate_per_min": 22,
        "inspiratory_time_s": 0.9, "pause_s": 0.2, "fio2": 0.6,
    }  # fmt: skip


def case_text(patients: int, settings: dict[str, Any], circuit: Any = "standard", **trims: list[float]) -> str:
    """A case as people write it; ``trims`` by name, one value a patient."""
    people = [
        {
            "label": str(i + 1), "sex": sex, "height_cm": height, "compliance_ml_per_cmh2o": c,
            "inspiratory_resistance_cmh2o_s_per_l": r, "expiratory_resistance_cmh2o_s_per_l": r + 2,
            "vco2_ml_per_min": 180, "bicarbonate_mmol_per_l": 26, "shunt_fraction": 0.25, "haemoglobin_g_per_dl": 11,
            "uncertainty": {"compliance_ml_per_cmh2o": {"relative_sd": 0.1}},
            **{name: values[i] for name, values in trims.items()},
        }
        for i, (c, r, sex, height) in enumerate(LUNGS[:patients])
    ]  # fmt: skip
    return json.dumps({"patients": people, "circuit": circuit, "settings": settings})


def case(patients: int, settings: dict[str, Any], circuit: Any = "standard", **trims: list[float]) -> DomainCase:
    return read_case(case_text(patients, settings, circuit, **trims)).to_domain()


@lru_cache
def runs(patients: int, mode: str, circuit: str = "standard", draws: int = 0) -> FaultRuns:
    """Every fault of the group, at best estimate unless draws are asked for."""
    one = case(patients, PRESSURE if mode == "pc" else volume(patients), circuit)
    group = sample_group(one.patients, one.build, Policy().assumptions, draws, 0, structural=one.structural)
    return run_faults(group, one.settings, faults_of(Group(one.build, one.settings, (0.0,) * patients)))


def run(patients: int, mode: str, fault: str, circuit: str = "standard") -> FaultRun:
    return next(one for one in runs(patients, mode, circuit).runs if one.fault.id == fault)


@lru_cache
def report(patients: int, mode: str, draws: int = 16) -> FaultReport:
    one = case(patients, PRESSURE if mode == "pc" else volume(patients))
    return report_faults(one.patients, one.build, one.settings, draws=draws, structural=one.structural)
