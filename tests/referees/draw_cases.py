"""Seeded random cases for the outside check of the engine: lungs, circuits and settings as wards have them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

# (compliance mL/cmH2O, inspiratory resistance incl. tube cmH2O·s/L), low and high
KINDS = {
    "stiff": ((15, 35), (8, 16)),
    "ards": ((25, 50), (9, 18)),
    "obstructive": ((45, 70), (16, 30)),
    "near-normal": ((45, 70), (8, 14)),
}
VALVES = ("real", "real", "leaking", "real", "none")


@dataclass(frozen=True)
class Family:
    """One file of cases: how many, their seed, and what takes turns in them."""

    file: str
    seed: int
    count: int
    patients: tuple[int, ...]
    modes: tuple[str, ...]
    also: Literal["", "nested", "leaks", "lungs"] = ""


FAMILIES = {
    "mixed": Family(
        "engine_scenarios.json", 20250101, 120, (2, 4, 3, 2, 1, 4, 3, 2),
        ("pc", "vc-constant", "pc", "vc-decelerating"),
    ),
    # A quarter in volume control, as the engine is used: planned groups breathe in pressure control.
    "four": Family(
        "engine_scenarios_four.json", 20261125, 300, (4,),
        ("pc", "pc", "vc-constant", "pc", "pc", "pc", "vc-decelerating", "pc"),
    ),
    "nested": Family(
        "engine_scenarios_nested.json", 20261128, 48, (3, 4, 4),
        ("pc", "vc-constant", "pc", "pc", "vc-decelerating"), also="nested",
    ),
    "leaks": Family(
        "engine_scenarios_leaks.json", 20261129, 32, (2, 1, 4, 3, 2),
        ("pc", "vc-constant", "pc", "pc", "vc-decelerating", "pc"), also="leaks",
    ),
    "lungs": Family(
        "engine_scenarios_lungs.json", 20261130, 24, (2, 1, 4, 3),
        ("pc", "vc-constant", "pc", "pc", "vc-decelerating"), also="lungs",
    ),
}  # fmt: skip


def draw(rng: np.random.Generator, low: float, high: float, digits: int = 2) -> float:
    """A number between two bounds, rounded so that the file reads well."""
    return round(float(rng.uniform(low, high)), digits)


def draw_patient(rng: np.random.Generator, label: str, kind: str, features: set[str]) -> dict[str, Any]:
    """One lung of a kind; the expiratory resistance equals the inspiratory one or not."""
    compliance, resistance = KINDS[kind]
    r_in = draw(rng, *resistance, 1)
    r_out = r_in
    if rng.random() < 0.7:
        r_out = round(r_in * float(rng.uniform(1.0, 1.6 if kind == "obstructive" else 1.3)), 1)
        if r_out != r_in:
            features.add("resistance in and out differ")
    patient = {
        "label": label,
        "compliance_ml_per_cmh2o": draw(rng, *compliance, 1),
        "inspiratory_resistance_cmh2o_s_per_l": r_in,
        "expiratory_resistance_cmh2o_s_per_l": r_out,
        "quadratic_resistance_cmh2o_s2_per_l2": 0,
    }
    if rng.random() < 0.35:
        patient["quadratic_resistance_cmh2o_s2_per_l2"] = draw(rng, 1, 9, 1)
        features.add("quadratic tube")
    return patient


def draw_circuit(rng: np.random.Generator, valves: str) -> dict[str, Any]:
    """A typical shared circuit, every number between 0.6 and 1.5 of it, with one of three kinds of valve."""

    def about(value: float) -> float:
        return round(value * float(rng.uniform(0.6, 1.5)), 3)

    def element(linear: float, quadratic: float) -> dict[str, float]:
        return {"linear": about(linear), "quadratic": about(quadratic)}

    leak = round(float(10 ** rng.uniform(-4.3, -2.3)), 6) if valves == "leaking" else 0
    return {
        "inspiratory_trunk": element(1.5, 0.5),
        "expiratory_trunk": element(1.5, 0.8),
        "inspiratory_limb": element(1.5, 1.5),
        "expiratory_limb": element(0.5, 1.5),
        "splitter_compliance_ml_per_cmh2o": about(0.5),
        "wye_compliance_ml_per_cmh2o": about(1.5),
        "valves": "none"
        if valves == "none"
        else {"cracking_cmh2o": about(0.5), "linear": about(2.0), "back_leak_l_per_s_per_cmh2o": leak},
    }


def draw_settings(rng: np.random.Generator, mode: str, count: int, features: set[str]) -> dict[str, Any]:
    """Ventilator settings; the extras (pause, cap, limit, …) come by chance and are noted in `features`."""
    rate = int(rng.integers(10, 36))
    period = 60 / rate
    inspiration = round(min(max(period * float(rng.uniform(0.25, 0.48)), 0.5), 1.6), 2)
    common = {
        "peep_cmh2o": int(rng.integers(4, 17)),
        "rate_per_min": rate,
        "inspiratory_time_s": inspiration,
        "fio2": 0.5,
    }
    settings: dict[str, Any]
    if mode == "pc":
        settings = {"mode": "pc", "pressure_above_peep_cmh2o": int(rng.integers(10, 25)), **common}
        settings["rise_time_s"] = 0
        if rng.random() < 0.5:
            settings["rise_time_s"] = draw(rng, 0.05, 0.35)
            features.add("rise time")
    else:
        shape = mode.removeprefix("vc-")
        volume = int(round(count * float(rng.uniform(260, 460)), -1))
        settings = {"mode": "vc", "tidal_volume_ml": volume, "flow_shape": shape, **common, "pause_s": 0}
        if rng.random() < 0.5:
            settings["pause_s"] = round(inspiration * float(rng.uniform(0.1, 0.35)), 2)
            features.add("pause")
        settings["circuit_compensation"] = "off"
        if rng.random() < 0.4:
            settings["circuit_compensation"] = "on"
            features.add("circuit compensation")
        elif rng.random() < 0.5:
            settings["pressure_limit_cmh2o"] = common["peep_cmh2o"] + int(rng.integers(12, 24))
            features.add("pressure limit")
    if rng.random() < 0.35:
        # Low enough to bind: near the mean flow that the group would take.
        mean = 60 * count * 0.38 / (inspiration - settings.get("pause_s", 0))
        settings["max_peak_flow_l_per_min"] = round(mean * float(rng.uniform(0.9, 1.7)))
        features.add("peak flow cap")
    if rng.random() < 0.3:
        settings["expiratory_pause_s"] = round((period - inspiration) * float(rng.uniform(0.05, 0.25)), 2)
        features.add("expiratory pause")
    if rng.random() < 0.35:
        settings["bias_flow_l_per_min"] = draw(rng, 1, 12, 1)
        features.add("bias flow")
    return settings


def draw_branches(rng: np.random.Generator, count: int) -> list[dict[str, Any]]:
    """Stretches from the first splitter of a side to further ones; who hangs where is drawn too."""

    def stretch(limbs: list[int], *branches: dict[str, Any]) -> dict[str, Any]:
        # One in four with long hose behind the splitter.
        compliance = draw(rng, 5, 40) if rng.random() < 0.25 else draw(rng, 0.2, 3)
        return {
            "linear": draw(rng, 0.05, 1.5, 3),
            "quadratic": draw(rng, 0.1, 2.0, 3),
            "compliance_ml_per_cmh2o": compliance,
            "limbs": limbs,
            "branches": list(branches),
        }

    who = [int(k) for k in rng.permutation(count)]
    if count == 3:
        return [stretch(who[:2])]
    return [
        lambda: [stretch(who[:2])],
        lambda: [stretch(who[:3])],
        lambda: [stretch(who[:2]), stretch(who[2:])],
        lambda: [stretch(who[:1], stretch(who[1:3]))],
    ][int(rng.integers(4))]()


def draw_openings(rng: np.random.Generator, count: int, features: set[str]) -> list[dict[str, Any]]:
    """One or two holes in different places, of a size that lets 2 to 20 L/min out at 10 cmH2O."""
    places = [("inspiratory_splitter", None), ("expiratory_splitter", None)]
    places += [(place, k) for place in ("wye", "lung") for k in range(count)] * 2
    holes: dict[tuple[str, int | None], dict[str, Any]] = {}
    while len(holes) < 1 + int(rng.random() < 0.3):
        place, patient = places[int(rng.integers(len(places)))]
        flow = float(np.exp(rng.uniform(np.log(2), np.log(20)))) / 60
        linear = draw(rng, 0, 0.5 * 10 / flow, 1) if rng.random() < 0.4 else 0.5
        hole = {"place": place, "linear": linear, "quadratic": round((10 - linear * flow) / flow**2, 1)}
        if patient is not None:
            hole["patient"] = patient
        if rng.random() < 0.25:
            hole |= {"one_way": True, "cracking_cmh2o": draw(rng, 0, 1)}
        features.add(f"hole at the {place.replace('_', ' ')}")
        holes[place, patient] = hole
    return list(holes.values())


def widen(rng: np.random.Generator, patient: dict[str, Any], features: set[str]) -> None:
    """A sigmoid pressure-volume curve, or a slow second compartment, for two patients in three."""
    which = int(rng.integers(3))
    compliance = patient["compliance_ml_per_cmh2o"]
    if which == 0:
        width = draw(rng, 5, 9, 1)
        # Steepest: span / (4 width), somewhat above the compliance drawn.
        span = round(4 * width * compliance * float(rng.uniform(1.0, 1.5)), 0)
        patient["sigmoid"] = {
            "low_ml": 0.0, "span_ml": span, "centre_cmh2o": draw(rng, 10, 22, 1), "width_cmh2o": width,
        }  # fmt: skip
        features.add("sigmoid curve")
    elif which == 1:
        part = float(rng.uniform(0.15, 0.4))
        patient["compliance_ml_per_cmh2o"] = round(compliance * (1 - part), 1)
        patient["slow"] = {
            "compliance_ml_per_cmh2o": round(compliance * part, 1), "resistance_cmh2o_s_per_l": draw(rng, 20, 90, 1),
        }  # fmt: skip
        features.add("slow compartment")


def draw_case(family: Family, rng: np.random.Generator, number: int) -> tuple[dict[str, Any], list[str]]:
    """One case and the words for what is in it."""
    count = family.patients[number % len(family.patients)]
    mode = family.modes[(number + number // 8) % len(family.modes)]
    valves = VALVES[number % len(VALVES)]
    features = {mode, f"{valves} valves"}
    names = list(KINDS)
    patients = []
    for k in range(count):
        kind = names[int(rng.integers(len(names)))]
        features.add(kind)
        patient = draw_patient(rng, "ABCD"[k], kind, features)
        if count > 1 and rng.random() < 0.25:
            patient["restrictor_cmh2o_s2_per_l2"] = draw(rng, 5, 120, 0)
            features.add("restrictor")
        # Not with a leaking limb valve: whether that leak passes the in-line valve is a matter of definition.
        if count > 1 and valves != "leaking" and rng.random() < 0.25:
            patient["peep_valve_cmh2o"] = draw(rng, 2, 7, 1)
            features.add("in-line PEEP valve")
        patients.append(patient)
    case = {
        "patients": patients,
        "circuit": draw_circuit(rng, valves),
        "settings": draw_settings(rng, mode, count, features),
    }
    if family.also == "nested":
        sides = ("inspiratory_branches", "expiratory_branches")
        case["circuit"] |= {side: draw_branches(rng, count) for side in sides}
    elif family.also == "leaks":
        case["circuit"]["openings"] = draw_openings(rng, count, features)
        # What a machine that leaks makes of its compensation is its maker's affair.
        case["settings"].pop("circuit_compensation", None)
        features.discard("circuit compensation")
    elif family.also == "lungs":
        for patient in patients:
            widen(rng, patient, features)
    return case, sorted(features)
