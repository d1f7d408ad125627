"""Seeded random courses for the outside check of the engine: what happens when, in groups of one to four."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from referees.course import Change, Effort, Rules
from referees.draw_cases import Family, draw, draw_case
from referees.lsoda import solve_case

SEED = 20261201
GROUPS = Family(
    "courses.json", SEED, 0, (2, 4, 3, 2, 1), ("pc", "vc-constant", "pc", "pc", "vc-decelerating", "pc", "vc-constant")
)
IN_VOLUME_CONTROL = replace(GROUPS, modes=("vc-constant",))
BREATHS = 5

KINDS = (
    "clamp on a way in", "clamp on a way out", "tube blocked", "patient off at the wye", "cuff leak", "valve missing",
    "valve reversed", "clamp and release", "suction at the wye", "hole and its repair", "new settings",
    "limit of pressure", "effort", "cough", "triggered by pressure", "triggered by flow",
)  # fmt: skip


def draw_course(number: int) -> dict[str, Any]:
    """Course `number`: case, seconds, what happens, rules of the machine."""
    rng = np.random.default_rng([SEED, number])
    kind = KINDS[number % len(KINDS)]
    case, _features = draw_case(IN_VOLUME_CONTROL if kind in ("limit of pressure", "cough") else GROUPS, rng, number)
    settings = case["settings"]
    for word in ("circuit_compensation", "expiratory_pause_s", "bias_flow_l_per_min", "max_peak_flow_l_per_min"):
        settings.pop(word, None)
    if settings["mode"] == "vc":
        settings.pop("pressure_limit_cmh2o", None)
    if case["circuit"]["valves"] == "none" and kind.startswith("valve"):
        case["circuit"]["valves"] = {"cracking_cmh2o": 0.5, "linear": 2.0, "back_leak_l_per_s_per_cmh2o": 0.0}
    period = 60 / settings["rate_per_min"]
    who = int(rng.integers(len(case["patients"])))
    # Anywhere in the breath but within 20 ms of one of its own corners, so that nobody argues about what came first.
    low, high = 0.05, 0.95
    if kind == "cough":
        high = 0.8 * (settings["inspiratory_time_s"] - settings["pause_s"]) / period
    elif kind.startswith("triggered"):
        low, high = 0.75, 0.85  # once the lungs are nearly empty
    at = round(period * (float(rng.uniform(low, high)) + int(rng.integers(2))), 2)
    while _near_a_corner(at, settings):
        at = round(at + 0.01, 2)
    course: dict[str, Any] = {
        "id": f"k{number:03d}", "kind": kind, "case": case, "seconds": round(BREATHS * period + 0.05, 3), "changes": [],
        "efforts": [], "rules": {},
    }  # fmt: skip
    _happen(course, kind, rng, who, at)
    return course


def _near_a_corner(at: float, settings: dict[str, Any]) -> bool:
    period, inspiration = 60 / settings["rate_per_min"], settings["inspiratory_time_s"]
    corners = (
        0.0,
        inspiration,
        inspiration - (settings.get("pause_s") or 0.0),
        settings.get("rise_time_s") or 0.0,
        period,
    )
    return min(abs(at % period - corner) for corner in corners) < 0.02


def _happen(course: dict[str, Any], kind: str, rng: np.random.Generator, who: int, at: float) -> None:
    settings = course["case"]["settings"]
    period = 60 / settings["rate_per_min"]
    changes, efforts, rules = course["changes"], course["efforts"], course["rules"]
    later = round(at + 1.7 * period, 2)
    while _near_a_corner(later, settings):
        later = round(later + 0.01, 2)
    limb = "inspiratory" if rng.random() < 0.5 else "expiratory"
    hole = {"place": "wye", "patient": who, "linear": 0.5, "quadratic": draw(rng, 2, 40, 1)}
    if kind == "clamp on a way in":
        changes.append({"at_s": at, "patient": who, "is": {"inspiratory": "blocked"}})
    elif kind == "clamp on a way out":
        changes.append({"at_s": at, "patient": who, "is": {"expiratory": "blocked"}})
    elif kind == "tube blocked":
        changes.append({"at_s": at, "patient": who, "is": {"tube": "blocked"}})
    elif kind == "patient off at the wye":
        changes.append({"at_s": at, "opening": hole})
    elif kind == "cuff leak":
        changes.append({"at_s": at, "opening": hole | {"place": "lung", "quadratic": draw(rng, 100, 900, 1)}})
    elif kind == "valve missing":
        changes.append({"at_s": at, "patient": who, "is": {limb: "no valve"}})
    elif kind == "valve reversed":
        changes.append({"at_s": at, "patient": who, "is": {limb: "reversed"}})
    elif kind == "clamp and release":
        changes.append({"at_s": at, "patient": who, "is": {limb: "blocked"}})
        changes.append({"at_s": later, "patient": who, "is": {limb: "sound"}})
    elif kind == "suction at the wye":
        sucker = {"linear": 200.0, "quadratic": 50.0, "outside_cmh2o": -draw(rng, 60, 150, 0)}
        changes.append({"at_s": at, "opening": hole | sucker})
        changes.append({"at_s": later, "opening": None})
    elif kind == "hole and its repair":
        changes.append(
            {"at_s": at, "opening": {"place": "inspiratory_splitter"} | {k: hole[k] for k in ("linear", "quadratic")}}
        )
        changes.append({"at_s": later, "opening": None})
    elif kind == "new settings":
        new = {"pressure_above_peep_cmh2o": settings["pressure_above_peep_cmh2o"] - 3} if settings["mode"] == "pc" else {
            "tidal_volume_ml": settings["tidal_volume_ml"] - 100
        }  # fmt: skip
        changes.append({"at_s": at, "settings": new | {"peep_cmh2o": settings["peep_cmh2o"] + 2}})
    elif kind == "limit of pressure":
        rules["high_pressure_cmh2o"] = round(_peak(course["case"]) + 2, 1)
        changes.append({"at_s": at, "patient": who, "is": {"tube": "blocked"}})
    elif kind == "effort":
        efforts.append({"patient": who, "at_s": at, "lasts_s": draw(rng, 0.5, 1.2), "cmh2o": draw(rng, 2, 12, 1)})
    elif kind == "cough":
        rules["high_pressure_cmh2o"] = round(_peak(course["case"]) + 2, 1)
        efforts.append({"patient": who, "at_s": at, "lasts_s": draw(rng, 0.2, 0.4), "cmh2o": -draw(rng, 20, 60, 0)})
    else:
        efforts.append({"patient": who, "at_s": at, "lasts_s": draw(rng, 0.8, 1.2), "cmh2o": draw(rng, 10, 18, 1)})
        if kind == "triggered by pressure":
            rules["pressure_trigger_cmh2o"] = draw(rng, 1, 3, 1)
        else:
            settings["bias_flow_l_per_min"] = 6.0
            rules["flow_trigger_l_per_min"] = draw(rng, 1.5, 3, 1)


def _peak(case: dict[str, Any]) -> float:
    """At the inspiratory port, with constant flow."""
    settings, trunk = case["settings"], case["circuit"]["inspiratory_trunk"]
    flow = settings["tidal_volume_ml"] / 1000 / (settings["inspiratory_time_s"] - settings["pause_s"])
    splitter = float(solve_case(case)["ventilator"]["peak_pressure_cmh2o"])
    return splitter + trunk["linear"] * flow + trunk["quadratic"] * flow**2


def changed(case: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    """The case after one change."""
    if "is" in change:
        patients = list(case["patients"])
        patients[change["patient"]] = patients[change["patient"]] | change["is"]
        return case | {"patients": patients}
    if "settings" in change:
        return case | {"settings": case["settings"] | change["settings"]}
    openings = [] if change["opening"] is None else [*case["circuit"].get("openings", ()), change["opening"]]
    return case | {"circuit": case["circuit"] | {"openings": openings}}


def parts_of(course: dict[str, Any]) -> tuple[list[Change], list[Effort], Rules]:
    """What :func:`referees.course.run` takes."""
    case, changes = course["case"], []
    for one in course["changes"]:
        case = changed(case, one)
        changes.append(Change(one["at_s"], case))
    return changes, [Effort(**one) for one in course["efforts"]], Rules(**course["rules"])
