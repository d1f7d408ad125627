"""Engine inputs from the plain JSON of the stored scenarios, without the contract's reader in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from airyoke.breath import Settings
from airyoke.breath.engine import LungMechanics
from airyoke.breath.mechanics import Sigmoid, SlowCompartment
from airyoke.circuit import Element, FlowNetwork, Limb, Opening, Valve
from airyoke.circuit.network import Branch


def network_of(case: dict[str, Any]) -> FlowNetwork:
    """The flow network of a case with a circuit in numbers, trims on its limbs."""
    c = case["circuit"]

    def element(name: str) -> Element:
        return Element(c[name]["linear"], c[name]["quadratic"])

    v = c["valves"]
    valve = (
        None if v == "none" else Valve(v["cracking_cmh2o"], v["linear"], v["back_leak_l_per_s_per_cmh2o"])
    )
    limbs = tuple(
        Limb(
            element("inspiratory_limb"),
            element("expiratory_limb"),
            valve,
            valve,
            c["wye_compliance_ml_per_cmh2o"],
        ).trimmed(p.get("restrictor_cmh2o_s2_per_l2", 0.0), p.get("peep_valve_cmh2o", 0.0))
        for p in case["patients"]
    )
    return FlowNetwork(
        element("inspiratory_trunk"),
        element("expiratory_trunk"),
        c["splitter_compliance_ml_per_cmh2o"],
        limbs,
        inspiratory_branches=tuple(map(_branch, c.get("inspiratory_branches", ()))),
        expiratory_branches=tuple(map(_branch, c.get("expiratory_branches", ()))),
        openings=tuple(map(_opening, c.get("openings", ()))),
    )


def _opening(one: dict[str, Any]) -> Opening:
    return Opening(
        one["place"],
        Element(one["linear"], one["quadratic"]),
        limb=one.get("patient"),
        one_way=one.get("one_way", False),
        cracking_cmh2o=one.get("cracking_cmh2o", 0.0),
        outside_cmh2o=one.get("outside_cmh2o", 0.0),
        draws_l_per_min=one.get("draws_l_per_min", 0.0),
    )


def _branch(one: dict[str, Any]) -> Branch:
    return Branch(
        Element(one["linear"], one["quadratic"]),
        one["compliance_ml_per_cmh2o"],
        tuple(one["limbs"]),
        tuple(map(_branch, one["branches"])),
    )


def settings_of(case: dict[str, Any]) -> Settings:
    return Settings(**case["settings"])


def lungs_of(case: dict[str, Any]) -> LungMechanics:
    def row(name: str) -> np.ndarray:
        return np.array([[float(p[name]) for p in case["patients"]]])

    def part(name: str, *keys: str) -> list[np.ndarray]:
        return [np.array([[float(p.get(name, {}).get(key, np.nan)) for p in case["patients"]]]) for key in keys]

    found = mechanics(
        row("compliance_ml_per_cmh2o"),
        row("inspiratory_resistance_cmh2o_s_per_l"),
        row("expiratory_resistance_cmh2o_s_per_l"),
        row("quadratic_resistance_cmh2o_s2_per_l2"),
    )
    kinds = {name for p in case["patients"] for name in ("sigmoid", "slow") if name in p}
    if "sigmoid" in kinds:
        found = replace(found, sigmoid=Sigmoid(*part("sigmoid", "span_ml", "centre_cmh2o", "width_cmh2o")))
    if "slow" in kinds:
        slow = part("slow", "compliance_ml_per_cmh2o", "resistance_cmh2o_s_per_l")
        found = replace(found, slow=SlowCompartment(*slow))
    return found


def mechanics(
    compliance: Sequence[Any] | np.ndarray,
    r_in: Sequence[Any] | np.ndarray,
    r_out: Sequence[Any] | np.ndarray | None = None,
    quadratic: Sequence[Any] | np.ndarray | None = None,
) -> LungMechanics:
    """Lungs of one run (a flat list) or many (rows)."""
    c = np.atleast_2d(np.asarray(compliance, float))
    i = np.atleast_2d(np.asarray(r_in, float))
    o = i if r_out is None else np.atleast_2d(np.asarray(r_out, float))
    k = np.zeros_like(c) if quadratic is None else np.atleast_2d(np.asarray(quadratic, float))
    return LungMechanics(c, i, o, k)
