"""Makes the files of seeded random cases with the referee's answers in tests/data.

    python tests/referees/make_engine_scenarios.py                # 120 cases of one to four patients
    python tests/referees/make_engine_scenarios.py --set four     # 300 cases of four patients

Some minutes each. Every answer is checked before it is stored: a plain breath from it, the same breath by another
method, and the whole search from another starting point. A drawn case that no clinician could mean (see
`sensible`) is drawn again.
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import scipy

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from referees.lsoda import ATOL_PRESSURE, ATOL_VOLUME, RTOL, SETTLED, SETTLED_PRESSURE, solve_case

DATA = Path(__file__).resolve().parents[1] / "data"
COMMAND = "python tests/referees/make_engine_scenarios.py"
# What a stored answer must keep (parts of the tidal volume; 0.001 % is 1e-5).
WORST_REMAINING = 1e-6
WORST_FROM_OTHER_START = 1e-6
WORST_RADAU = 2e-6
OTHER_START_CMH2O = 7.0

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
    return case, sorted(features)


def sensible(answer: dict[str, Any]) -> str | None:
    """Why a case is drawn again: breaths or pressures that no clinician could mean. None where it is kept."""
    if min(p["tidal_volume_ml"] for p in answer["patients"]) < 40:
        return "a tidal volume below 40 mL"
    if max(p["tidal_volume_ml"] for p in answer["patients"]) > 1200:
        return "a tidal volume above 1200 mL"
    if answer["ventilator"]["peak_pressure_cmh2o"] > 70:
        return "a peak pressure above 70 cmH2O"
    return None


def rounded(value: Any) -> Any:
    """Numbers with ten significant digits: below the referee's own accuracy."""
    if isinstance(value, float):
        return float(f"{value:.10g}")
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    return [rounded(item) for item in value] if isinstance(value, list) else value


def check(case: dict[str, Any]) -> tuple[dict[str, Any] | None, dict[str, Any], str | None]:
    """Answer, how well it stands, and why the case is drawn again (then there is no answer)."""
    answer = solve_case(case)
    why = sensible(answer)
    if why:
        return None, {}, why
    answer = solve_case(case, second_method=True)
    other = solve_case(case, OTHER_START_CMH2O)
    stands = answer.pop("check")
    stands["other_start_part_of_tidal_volume"] = max(
        abs(a["tidal_volume_ml"] - b["tidal_volume_ml"]) / max(a["tidal_volume_ml"], 20)
        for a, b in zip(answer["patients"], other["patients"], strict=True)
    )
    stands["other_start_pressure_cmh2o"] = max(
        abs(a[name] - b[name])
        for a, b in zip(answer["patients"], other["patients"], strict=True)
        for name in ("plateau_cmh2o", "total_peep_cmh2o", "peak_pressure_cmh2o")
    )
    bounds = {
        "remaining_part_of_tidal_volume": WORST_REMAINING,
        "other_start_part_of_tidal_volume": WORST_FROM_OTHER_START,
        "radau_difference_part_of_tidal_volume": WORST_RADAU,
    }
    for name, bound in bounds.items():
        if stands[name] > bound:
            raise SystemExit(f"not accurate enough: {name} {stands[name]:.3g} > {bound:g}: {json.dumps(case)}")
    return answer, stands, None


def make_entry(family: Family, number: int) -> tuple[dict[str, Any], list[str]]:
    """Case ``number`` of a family with its answer, and why draws before it were given up."""
    given_up = []
    for attempt in range(50):
        # A seed of its own for each case: the first n cases stay the same when more are asked for.
        case, features = draw_case(family, np.random.default_rng([family.seed, number, attempt]), number)
        answer, stands, why = check(case)
        if answer is not None:
            entry = {"id": f"s{number:03d}", "features": features}
            return rounded(entry | {"case": case, "answer": answer, "check": stands}), given_up
        given_up.append(str(why))
    raise SystemExit(f"no sensible case for number {number}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=FAMILIES, default="mixed")
    parser.add_argument("--count", type=int)
    parser.add_argument("--jobs", type=int, default=1)
    arguments = parser.parse_args()
    family = FAMILIES[arguments.set]
    count = arguments.count or family.count
    entries: list[dict[str, Any]] = []
    drawn_again: dict[str, int] = {}
    with ProcessPoolExecutor(arguments.jobs) as pool:
        for entry, given_up in pool.map(make_entry, [family] * count, range(count)):
            entries.append(entry)
            for why in given_up:
                drawn_again[why] = drawn_again.get(why, 0) + 1
            print(entry["id"], entry["check"], entry["features"], file=sys.stderr, flush=True)
    worst = {
        name: max(entry["check"][name] for entry in entries)
        for name in entries[0]["check"]
        if name not in ("breaths", "volume_balance_ml")
    }
    command = COMMAND + ("" if arguments.set == "mixed" else f" --set {arguments.set}")
    data = {
        "version": 1,
        "date": date.today().isoformat(),
        "seed": family.seed,
        "command": command + ("" if count == family.count else f" --count {count}"),
        "method": "hard-edged valves; scipy LSODA; periodic breath by Newton on the end-expiratory volumes",
        "scipy": scipy.__version__,
        "tolerances": {
            "lsoda_relative": RTOL,
            "lsoda_absolute_pressure_cmh2o": ATOL_PRESSURE,
            "lsoda_absolute_volume_l": ATOL_VOLUME,
            "settled_part_of_tidal_volume": SETTLED,
            "settled_junction_pressure_cmh2o": SETTLED_PRESSURE,
        },
        "worst_check": worst,
        "drawn_again": drawn_again,
        "scenarios": entries,
    }
    DATA.mkdir(exist_ok=True)
    head = {key: value for key, value in data.items() if key != "scenarios"}
    # One scenario a line: small enough to store, and a change shows as the scenarios it touches.
    lines = ",\n".join(json.dumps(entry, ensure_ascii=False) for entry in entries)
    text = json.dumps(head, indent=1, ensure_ascii=False)[:-2] + ',\n "scenarios": [\n' + lines + "\n]}\n"
    json.loads(text)
    (DATA / family.file).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
