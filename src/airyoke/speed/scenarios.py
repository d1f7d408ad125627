"""Invented groups of four with settled breaths that an outside referee found, stored with the program."""

from __future__ import annotations

import json
from dataclasses import dataclass
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import Breath, LungMechanics
from airyoke.breath.settings import Settings
from airyoke.circuit.network import FlowNetwork
from airyoke.contract.case import read_case

Floats = NDArray[np.float64]

FLOOR_ML = 20.0  # below this a tidal volume is no sensible yardstick


@dataclass(frozen=True, slots=True)
class StoredScenario:
    """One group: its circuit, settings and lungs (one row), and what the referee says each patient gets."""

    id: str
    network: FlowNetwork
    settings: Settings
    lungs: LungMechanics
    tidal_volume_ml: Floats
    plateau_cmh2o: Floats
    total_peep_cmh2o: Floats


@dataclass(frozen=True, slots=True)
class Errors:
    """How far answers are from the referee's, each the worst patient of a scenario: median and largest."""

    median_volume_pct: float
    largest_volume_pct: float
    largest_pressure_cmh2o: float


def stored_scenarios() -> tuple[StoredScenario, ...]:
    """All that are stored, in their order."""
    text = resources.files("airyoke.speed").joinpath("scenarios.json").read_text("utf-8")
    return tuple(_scenario(one) for one in json.loads(text)["scenarios"])


def _scenario(one: dict[str, object]) -> StoredScenario:
    domain = read_case(json.dumps(one["case"])).to_domain()
    patients = domain.patients

    def row(name: str) -> Floats:
        return np.array([[getattr(p.lungs, name).value for p in patients]])

    answer = one["answer"]
    assert isinstance(answer, dict)
    return StoredScenario(
        id=str(one["id"]),
        network=domain.build.network,
        settings=domain.settings,
        lungs=LungMechanics(
            row("compliance"),
            row("inspiratory_resistance"),
            row("expiratory_resistance"),
            row("quadratic_resistance"),
        ),
        tidal_volume_ml=np.array(answer["tidal_volume_ml"]),
        plateau_cmh2o=np.array(answer["plateau_cmh2o"]),
        total_peep_cmh2o=np.array(answer["total_peep_cmh2o"]),
    )


def stacked(scenarios: tuple[StoredScenario, ...]) -> LungMechanics:
    """The lungs of all scenarios, one row each."""
    return LungMechanics(
        *(
            np.concatenate([getattr(one.lungs, name) for one in scenarios])
            for name in (
                "compliance_ml_per_cmh2o",
                "inspiratory_resistance_cmh2o_s_per_l",
                "expiratory_resistance_cmh2o_s_per_l",
                "quadratic_resistance_cmh2o_s2_per_l2",
            )
        )
    )


def errors(scenarios: tuple[StoredScenario, ...], volume_ml: Floats, plateau: Floats, total_peep: Floats) -> Errors:
    """Answers (scenarios, patients) against the referee's."""
    true = np.array([one.tidal_volume_ml for one in scenarios])
    volume = (100.0 * np.abs(volume_ml - true) / np.maximum(true, FLOOR_ML)).max(axis=1)
    pressure = max(
        float(np.abs(plateau - np.array([one.plateau_cmh2o for one in scenarios])).max()),
        float(np.abs(total_peep - np.array([one.total_peep_cmh2o for one in scenarios])).max()),
    )
    return Errors(float(np.median(volume)), float(volume.max()), pressure)


def errors_of(scenarios: tuple[StoredScenario, ...], breath: Breath) -> Errors:
    """The engine's answers against the referee's."""
    return errors(scenarios, breath.tidal_volume_ml, breath.plateau_cmh2o, breath.total_peep_cmh2o)
