"""Makes the files of seeded random cases with the referee's answers in tests/data.

    python tests/referees/make_engine_scenarios.py                # 120 cases of one to four patients
    python tests/referees/make_engine_scenarios.py --set four     # 300 cases of four patients
    python tests/referees/make_engine_scenarios.py --set nested   # 48 cases with splitters behind splitters
    python tests/referees/make_engine_scenarios.py --set leaks    # 32 cases with holes
    python tests/referees/make_engine_scenarios.py --set lungs    # 24 cases of sigmoid or two-compartment lungs

Some minutes each. Every answer is checked before it is stored: a plain breath from it, the same breath by another
method, and the whole search from another starting point. A drawn case that no clinician could mean (see
`sensible`) is drawn again.
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import scipy

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from referees.draw_cases import FAMILIES, Family, draw_case
from referees.lsoda import ATOL_PRESSURE, ATOL_VOLUME, RTOL, SETTLED, SETTLED_PRESSURE, NotSettledError, solve_case

DATA = Path(__file__).resolve().parents[1] / "data"
COMMAND = "python tests/referees/make_engine_scenarios.py"
# What a stored answer must keep (parts of the tidal volume; 0.001 % is 1e-5).
WORST_REMAINING = 1e-6
WORST_FROM_OTHER_START = 1e-6
WORST_RADAU = 2e-6
OTHER_START_CMH2O = 7.0


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
    try:
        answer = solve_case(case, second_method=True)
    except NotSettledError:
        if case["settings"].get("circuit_compensation") != "on":
            raise
        return None, {}, "circuit compensation that runs away: no settled breath"
    why = sensible(answer)
    if why:
        return None, {}, why
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
