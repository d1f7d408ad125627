"""Makes tests/data/courses.json: seeded random courses with the referee's answers.

    python tests/referees/make_courses.py [--count 32]

Every course is run twice, with a hundred times looser steps the second time: the answers must not move.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from referees.course import Breath, run
from referees.draw_courses import SEED, draw_course, parts_of

FILE = Path(__file__).resolve().parents[1] / "data" / "courses.json"
MOST_APART_ML = 0.05
MOST_APART_CMH2O = 0.005


def rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.8g}")
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    return [rounded(item) for item in value] if isinstance(value, list | tuple) else value


def apart(one: list[Breath], other: list[Breath]) -> tuple[float, float]:
    """Largest difference of a volume (mL) and of a pressure (cmH2O)."""
    volume = pressure = 0.0
    for a, b in zip(one, other, strict=True):
        volume = max(volume, *(abs(x - y) for x, y in zip(a.tidal_volume_ml, b.tidal_volume_ml, strict=True)))
        volume = max(volume, abs(a.exhaled_ml - b.exhaled_ml), abs(a.inspired_ml - b.inspired_ml))
        pressure = max(pressure, *(abs(x - y) for x, y in zip(a.total_peep_cmh2o, b.total_peep_cmh2o, strict=True)))
    return volume, pressure


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=32)
    count = parser.parse_args().count
    lines, worst = [], (0.0, 0.0)
    for number in range(count):
        course = draw_course(number)
        changes, efforts, rules = parts_of(course)
        breaths = run(course["case"], course["seconds"], changes, efforts, rules)
        again = run(course["case"], course["seconds"], changes, efforts, rules, rtol=1e-6)
        found = apart(breaths, again)
        if found[0] > MOST_APART_ML or found[1] > MOST_APART_CMH2O:
            raise SystemExit(f"course {number} ({course['kind']}) moves with the step: {found}")
        worst = (max(worst[0], found[0]), max(worst[1], found[1]))
        lines.append(json.dumps(rounded(course | {"breaths": [asdict(one) for one in breaths]}), ensure_ascii=False))
        print(course["id"], course["kind"], found, file=sys.stderr, flush=True)
    head = {
        "date": date.today().isoformat(), "seed": SEED, "command": "python tests/referees/make_courses.py",
        "looser_steps_apart": {"ml": worst[0], "cmh2o": worst[1]},
    }  # fmt: skip
    text = json.dumps(head, indent=1)[:-2] + ',\n "courses": [\n' + ",\n".join(lines) + "\n]}\n"
    json.loads(text)
    FILE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
