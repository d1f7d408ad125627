"""How long the answer to one event takes on invented wards of sixteen beds, and how many circuits it opens.

    PYTHONPATH=src:tests python -m studies.replan_speed 700 701 702

For every seed the ward is planned and the plan taken as carried out; then one event of each kind, each from there. Times
are CPU seconds of this process: ``at once`` settings and alarm limits for those who stay; ``decided`` the new plan with
its proof, from the verdicts of the plan before; ``cold`` the same with nothing known, of the first event of a ward. Printed per event, then medians.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from statistics import median
from time import process_time

from airyoke.plan.judging import ventilator_class
from airyoke.plan.planner import plan_groups
from airyoke.plan.replan import Known
from airyoke.plan.request import Request
from airyoke.plan.running import RunningGroup
from airyoke.ward.candidates import assess_ward, candidate
from airyoke.ward.events import Event, Runs
from airyoke.ward.replanning import at_once, decide, order_of_coming_off, situation
from airyoke.ward.running import carried_out
from airyoke.ward.ward import Ward
from referees.ward_maker import random_ward

BEDS = 16


def carried_out_plan(seed: int) -> tuple[Ward, Runs, Known]:
    """A ward with its plan carried out, and what the plan leaves to the next."""
    ward = random_ward(seed, fewest=BEDS, most=BEDS)
    ward = replace(ward, policy=replace(ward.policy, max_group_size=2, sharing="last-resort-accepted"))
    candidates = tuple(candidate(a, ward.policy) for a in assess_ward(ward))
    planned = plan_groups(Request(candidates, ward.ventilators, ward.policy, ward.stock))
    groups, alone = [], {}
    for option in planned.assignment.chosen:
        machine = planned.ventilators[option.ventilator]
        beds = tuple(candidates[i].bed for i in option.beds)
        if option.build is None:
            alone[beds[0]] = machine.label
            continue
        verdict = planned.judge.verdict(option.beds, ventilator_class(machine), option.build)
        assert verdict.answer is not None
        groups.append(RunningGroup(machine.label, beds, option.build, verdict.answer.settings))
    return ward, carried_out(groups, alone, counted=True), Known(planned.judge, planned.pool.store)


def events(runs: Runs) -> Iterator[Event]:
    """One of each kind, as far as there is somebody for it."""
    sharing = [bed for group in runs.groups for bed in group.beds]
    solo = [bed for bed in runs.on if bed not in sharing]
    if sharing:
        yield from (Event("leaves", sharing[0]), Event("off", sharing[1]), Event("worsens", sharing[0], 0.2),
                    Event("improves", sharing[-1], 0.2), Event("fails", runs.groups[0].ventilator))  # fmt: skip
    if solo:
        yield from (Event("dies", solo[0]), Event("worsens", solo[-1], 0.2))


def main(seeds: list[int]) -> None:
    """Print a line an event, and the medians."""
    rows: list[tuple[float, float]] = []
    colds: list[float] = []
    for seed in seeds:
        ward, runs, known = carried_out_plan(seed)
        print(f"seed {seed}: {len(runs.groups)} running groups", flush=True)
        for number, event in enumerate(events(runs)):
            start = process_time()
            now = situation(ward, runs, [event], known=known)
            touched = at_once(now)
            first = process_time()
            found, _ = decide(now, order_of_coming_off(now))
            then = process_time()
            rows.append((first - start, then - first))
            goal = next(goal for goal in found.assignment.goals if goal.goal == "breaks")
            print(
                f"  {event.kind} {event.whose}: at once {first - start:.2f} ({len(touched)} groups), decided "
                f"{then - first:.2f} in {found.rounds} rounds; breaks {goal.value:g} {goal.status}; left "
                f"{len(found.assignment.left)}", flush=True,
            )  # fmt: skip
            if number == 0:
                cold = situation(ward, runs, [event])
                again, _ = decide(cold, order_of_coming_off(cold))
                colds.append(process_time() - then)
                same = [g.value for g in found.assignment.goals] == [g.value for g in again.assignment.goals]
                print(f"    cold {colds[-1]:.2f}; the same goals: {same}", flush=True)
    columns = {"at once": [row[0] for row in rows], "decided": [row[1] for row in rows], "cold": colds}
    for name, column in columns.items():
        print(f"{name}: median {median(column):.2f} s, longest {max(column):.2f} s of {len(column)}")


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]])
