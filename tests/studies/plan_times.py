"""How long a whole plan takes, warm, on invented wards: `python -m tests.studies.plan_times --seed 900`.

Each size is planned once to warm everything and then `--runs` times; wall and processor time are printed with the load
average, since on a shared machine the former says little without the latter.
"""

from __future__ import annotations

import argparse
import os
import time
from dataclasses import replace
from datetime import datetime
from statistics import median

from airyoke.plan.plan import Plan
from airyoke.ward.questions import plan_ward
from airyoke.ward.ward import Ward
from studies.wards import study_ward

NOW = datetime(2026, 11, 25, 14, 0)
# beds, ventilators, one hall, the time asked for (s)
SIZES = ((12, 9, False, 3), (40, 30, False, 10), (40, 24, False, 10), (100, 75, False, 25), (200, 150, True, 60))


def timed_ward(seed: int, beds: int, ventilators: int, *, hall: bool) -> Ward:
    """A study ward; in a hall everybody may be beside everybody."""
    ward = study_ward(seed, beds, ventilators)
    return replace(ward, policy=replace(ward.policy, rooms_may_mix=True)) if hall else ward


def timed(ward: Ward) -> tuple[float, float, Plan]:
    """Wall time, processor time and the plan."""
    wall, cpu = time.perf_counter(), time.process_time()
    plan = plan_ward(ward, now=NOW)
    return time.perf_counter() - wall, time.process_time() - cpu, plan


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=900)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--largest", type=int, default=200, help="leave out wards with more beds")
    asked = parser.parse_args()
    timed(timed_ward(asked.seed, 12, 9, hall=False))
    print("| beds | ventilators | rooms | wall s, median (range) | processor s | asked s | rounds | goals proved | left |")
    print("|---:|---:|---|---:|---:|---:|---:|---|---:|")
    for beds, ventilators, hall, limit in SIZES:
        if beds > asked.largest:
            continue
        ward = timed_ward(asked.seed, beds, ventilators, hall=hall)
        runs = [timed(ward) for _ in range(asked.runs if beds < 200 else 1)]
        walls, plan = sorted(one[0] for one in runs), runs[-1][2]
        proved = sum(goal.status == "proved" for goal in plan.proof)
        print(
            f"| {beds} | {ventilators} | {'one hall' if hall else 'of 6 to 12'} | {median(walls):.1f} "
            f"({walls[0]:.1f}-{walls[-1]:.1f}) | {median(one[1] for one in runs):.1f} | {limit} | {plan.rounds} | "
            f"{proved} of {len(plan.proof)} | {len(plan.unplaced)} |",
            flush=True,
        )
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"\nSeed {asked.seed}, {asked.runs} runs (the largest once), {os.cpu_count()} cores, load average {load}.")


if __name__ == "__main__":
    main()
