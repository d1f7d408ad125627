"""Does the search for settings find the best on the dials? Every dial position is tried with the engine.

``python -m tests.studies.settings_search --wards 20 --seed 2000 --results FILE``

Groups of two, three and four patients who are alike enough to be thought of together. For each of them every rate,
inspiratory time, pressure and PEEP of the machine within the policy's ranges is breathed at best estimate; what is not
already worse there than what is known is breathed on draws, on every other position of each dial, and on every position
around the best of those; the best of all on all draws. The draws are those of the tool's own search, so that *loss* is
what its search missed and no luck of the draw. *Wrongly refused*: the tool does not allow the group, and the settings
found here are inside on the draws that judge it.

PEEP moves the pressures in the lungs and nothing else (``tests/plan/test_by_peep.py``): it is added, not breathed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from random import Random
from time import process_time

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import QUICK
from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import standard_build
from airyoke.limits.margins import order_statistic
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, judge_group, predict, sample_group
from airyoke.lungs.patient import Patient
from airyoke.plan.candidate import Candidate, permitted_pairs
from airyoke.plan.judging import Judge, ventilator_class
from airyoke.plan.search import SEARCH_DRAWS, SEARCH_SEED_OFFSET, shared_fio2
from airyoke.ward.candidates import assess_ward, candidate
from studies.records import Record, each_ward, heading, parser, table
from studies.wards import study_ward

Floats = NDArray[np.float64]
KIND = ventilator_class(Ventilator("V1"))
JUDGING_DRAWS = 256
DRAWS, FEW_DRAWS = SEARCH_DRAWS, 48
LAST = 24  # positions that all draws are spent on
AROUND = 12  # best of every other position, around which every position is tried
CLOSEST = 6  # the others of a group are among so many that are most like its first
COUNTS = {2: 5, 3: 5, 4: 5}  # groups of a ward
RATES = np.arange(10.0, 36.0)
TIMES_S = np.round(np.arange(0.3, 3.01, 0.05), 2)
DRIVES = np.arange(5.0, 26.0)
PEEPS = np.arange(0.0, 25.0)
BY_PEEP = ("plateau_cmh2o", "total_peep_rise_cmh2o", "total_peep_fall_cmh2o")


@dataclass(frozen=True)
class Best:
    """The best of the dials for a group, on the draws of the search."""

    settings: Settings
    margin: float


def positions(policy: Policy) -> list[tuple[float, float, float]]:
    """Every rate, inspiratory time and pressure above PEEP on the dials within the policy's ranges."""
    low, high = (policy.limit("inspiratory_to_expiratory_ratio", side).target for side in ("low", "high"))
    slow, fast = (policy.limit("rate_per_min", side).target for side in ("low", "high"))
    return [
        (float(rate), float(time), float(drive))
        for rate in RATES
        if slow <= rate <= fast
        for time in TIMES_S
        if 60.0 / rate > time and low - 1e-9 <= time / (60.0 / rate - time) <= high + 1e-9
        for drive in DRIVES
    ]


def margins(group: SampledGroup, tried: Sequence[Settings], draws: int, policy: Policy) -> Floats:
    """The group's margin at each of the settings (PEEP 0) for every PEEP of the dial, (settings, PEEPs)."""
    rows = draws + 1
    found = np.empty((len(tried), len(PEEPS)))
    step = max(1, 20_000 // rows)
    for start in range(0, len(tried), step):
        some = tried[start : start + step]
        outcome = predict(
            group, some, rows=np.tile(np.arange(rows), len(some)), settings_of=np.repeat(np.arange(len(some)), rows),
            accuracy=QUICK,
        )  # fmt: skip
        target, hard = np.full((2, len(some), len(PEEPS), rows), np.inf)
        for one in judge_group(group, outcome, policy):
            sign = {"total_peep_fall_cmh2o": 1.0}.get(one.limit.name, -1.0) if one.limit.name in BY_PEEP else 0.0
            added = sign * PEEPS[None, :, None] / one.limit.scale
            np.minimum(target, one.target.reshape(-1, 1, rows) + added, out=target)
            if one.hard is not None:
                np.minimum(hard, one.hard.reshape(-1, 1, rows) + added, out=hard)
        value = target[:, :, 0]
        if draws:
            value = np.minimum(value, order_statistic(target[:, :, 1:], 1.0 - policy.planning_confidence))
            value = np.minimum(value, order_statistic(hard[:, :, 1:], 1.0 - policy.hard_confidence))
        settled = outcome.breath.settled.reshape(-1, rows).all(axis=1)
        found[start : start + step] = np.where(settled[:, None], value, -np.inf)
    return found


def best_on_the_dials(group: SampledGroup, policy: Policy, fio2: float) -> Best | None:
    """The best settings by trying them all; ``None`` where nothing is inside at best estimate."""
    places = positions(policy)
    tried = [
        Settings("pc", r, t, 0.0, fio2, pressure_above_peep_cmh2o=d, max_peak_flow_l_per_min=120.0)
        for r, t, d in places
    ]
    at_best = margins(group, tried, 0, policy).max(axis=1)
    if at_best.max() < 0.0:
        return None
    every_other = [k for k, (r, t, d) in enumerate(places) if r % 2 == 0 and round(t / 0.05) % 2 == 0 and d % 2 == 1]
    known: dict[int, float] = {}

    def try_out(numbers: Sequence[int]) -> None:
        # A margin with draws is never above the one at best estimate.
        new = [k for k in numbers if k not in known and at_best[k] > -0.3]
        few = margins(group, [tried[k] for k in new], FEW_DRAWS, policy).max(axis=1)
        known.update(zip(new, few.tolist(), strict=True))

    try_out(every_other)
    for _ in range(2):
        best = sorted(known, key=lambda k: -known[k])[:AROUND]
        near = [places[k] for k in best]
        try_out([
            k
            for k, (r, t, d) in enumerate(places)
            if any(abs(r - a) < 1.1 and abs(t - b) < 0.06 and abs(d - c) < 1.1 for a, b, c in near)
        ])  # fmt: skip
    last = sorted(known, key=lambda k: -known[k])[:LAST]
    value = margins(group, [tried[k] for k in last], DRAWS, policy)
    place, peep = np.unravel_index(int(value.argmax()), value.shape)
    return Best(replace(tried[last[place]], peep_cmh2o=float(PEEPS[peep])), float(value.max()))


def margin_at(group: SampledGroup, settings: Settings, policy: Policy) -> float:
    """The margin at one setting, by the same arithmetic."""
    open_peep = replace(settings, peep_cmh2o=0.0)
    return float(margins(group, [open_peep], DRAWS, policy)[0, int(settings.peep_cmh2o)])


def alike(candidates: Sequence[Candidate], policy: Policy, dice: Random, size: int) -> Iterator[tuple[int, ...]]:
    """Groups of patients who are alike and may be together, drawn without end."""
    pairs = permitted_pairs(tuple(candidates), policy).pairs

    def unlike(one: Patient, other: Patient) -> float:
        a, b = one.present, other.present
        assert a is not None
        assert b is not None
        return (
            abs(a.total_peep.value - b.total_peep.value) / 2.0 + abs(a.fio2 - b.fio2) / 0.1
            + abs(np.log(one.lungs.compliance.value / other.lungs.compliance.value)) / 0.2
        )  # fmt: skip

    def may(i: int, j: int) -> bool:
        return (min(i, j), max(i, j)) in pairs

    ready = [i for i, c in enumerate(candidates) if c.patient is not None and c.patient.present is not None]
    while True:
        first = dice.choice(ready)
        others = sorted(
            (i for i in ready if may(first, i)),
            key=lambda i: unlike(candidates[first].patient, candidates[i].patient),  # type: ignore[arg-type]
        )[:CLOSEST]
        if len(others) < size - 1:
            continue
        chosen = [first]
        for i in dice.sample(others, len(others)):
            if len(chosen) < size and all(may(i, j) for j in chosen):
                chosen.append(i)
        if len(chosen) == size:
            yield tuple(sorted(chosen))


def study(seed: int, beds: int) -> Record:
    """One ward: groups of each size, what the tool says of them, and the best on the dials."""
    policy = Policy(sharing="last-resort-accepted", reserve_ventilators=0, rooms_may_mix=True)
    ward = study_ward(seed, beds, policy=policy)
    candidates = tuple(candidate(a, policy) for a in assess_ward(ward))
    judge = Judge(candidates, policy, JUDGING_DRAWS, seed)
    found: list[Record] = []
    for size, count in COUNTS.items():
        seen: set[tuple[int, ...]] = set()
        drawn = alike(candidates, policy, Random(f"alike {seed} {size}"), size)
        while len(seen) < count:
            members = next(drawn)
            if members in seen:
                continue
            seen.add(members)
            found.append(compared(judge, members, [c.patient for c in candidates], seed))  # type: ignore[misc]
    return {"groups": found}


def compared(judge: Judge, members: tuple[int, ...], people: Sequence[Patient], seed: int) -> Record:
    """One group: the tool's verdict with its time, the best on the dials, and both on the same draws."""
    policy, build = judge.policy, standard_build(len(members))
    patients = [people[i] for i in members]
    judge.prepare(KIND, build)
    started = process_time()
    verdict = judge.verdict(members, KIND, build)
    spent = process_time() - started
    record: Record = {
        "members": list(members), "size": len(members), "allowed": verdict.allowed, "seconds": round(spent, 4),
        "by": "screen" if verdict.found is None else "engine", "best": None,
        "screen": None if verdict.screened is None else verdict.screened.margin,
    }  # fmt: skip
    group = sample_group(patients, build, policy.assumptions, DRAWS, seed + SEARCH_SEED_OFFSET)
    look = Settings("pc", 20.0, 1.0, 5.0, 0.4, pressure_above_peep_cmh2o=14.0, max_peak_flow_l_per_min=120.0)
    settings = look if verdict.found is None else verdict.found.settings
    fio2 = shared_fio2(group, settings, policy)
    best = best_on_the_dials(group, policy, fio2)
    if best is None:
        return record
    record["best"] = round(best.margin, 4)
    record["best_at"] = [best.settings.rate_per_min, best.settings.inspiratory_time_s,
                         best.settings.pressure_above_peep_cmh2o, best.settings.peep_cmh2o]  # fmt: skip
    if verdict.found is not None:
        s = replace(verdict.found.settings, fio2=fio2)
        record["found"] = round(margin_at(group, s, policy), 4)
        record["found_at"] = [s.rate_per_min, s.inspiratory_time_s, s.pressure_above_peep_cmh2o, s.peep_cmh2o]
    if not verdict.allowed and best.margin > -0.05:
        answer = judge.answer(members, build, best.settings, draws=1024)
        record["judged"] = None if answer.margin is None else round(answer.margin.value, 4)
    return record


def report(records: Sequence[Record]) -> str:
    """What the search misses, by the number of patients."""
    rows = []
    groups = [g for r in records for g in r["groups"]]
    for size in sorted({g["size"] for g in groups}):
        mine = [g for g in groups if g["size"] == size]
        inside = [g for g in mine if g["allowed"] or (g.get("judged") or -1.0) >= 0.0]
        wrong = [g for g in inside if not g["allowed"]]
        loss = np.array([g["best"] - g["found"] for g in mine if "found" in g and g["best"] > -0.2] or [np.nan])
        rows.append((
            size, len(mine), len(inside), len(wrong), sum(g["by"] == "screen" for g in wrong),
            sum("found" in g and g["best"] > -0.2 for g in mine),
            *(round(float(np.quantile(loss, q)), 3) for q in (0.5, 0.9, 0.99, 1.0)), float((loss > 0.02).mean()),
            round(1000 * float(np.median([g["seconds"] for g in mine if g["by"] == "engine"] or [0.0]))),
        ))  # fmt: skip
    heads = ("patients", "groups", "inside at some settings", "wrongly refused", "of these by the screen",
             "searched and nearly inside", "loss, median", "90 %", "99 %", "most", "above 0.02", "ms a verdict, median")  # fmt: skip
    return "\n".join([heading("Search for settings", records), "", table(heads, rows)])


def main() -> None:
    a = parser(__doc__.split("\n")[0], wards=20, seed=2000).parse_args()
    seeds = range(a.seed, a.seed + a.wards)
    print(report(each_ward(seeds, lambda seed: study(seed, a.beds), a.results, beds=a.beds)))


if __name__ == "__main__":
    main()
