"""How often suspicion names what really changed: made-up groups of two and three, one change each, or none.

``python -m tests.studies.suspicion --changes 2000 --quiet 2000 --seed 7000``

Each group is settled and read in full (the baseline), read again at 15 minutes, and changes (or not) in the quarter of an
hour after that. A change of lungs or resistance counts as felt when it moves that patient's volume by 15 %, the share on
which a team acts; smaller ones are told apart, in a table of their own. At 30 minutes comes the next round: the machine, every monitor, a look at everybody. From there whatever
the tool asks for first is read, three minutes later each time, until it asks for nothing or has asked six times; where
nobody was read with the others clamped by then, everybody is, as a round of mechanics does. The naive rule takes
the same readings and blames the patient whose own reading deviates most from its baseline, in standard deviations.
Nothing here is clinical evidence.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from time import perf_counter, process_time

import numpy as np

from airyoke.circuit import standard_build
from airyoke.watch.expected import WatchedGroup, watch_group
from airyoke.watch.suspicion import Suspicion, SuspicionRules, suspect
from airyoke.watch.watch_readings import WatchRound
from studies.alarms import invented
from studies.simulated_rounds import CAUSES, SHARED, Bedside, Case, changed_group, shown, true_group

PANEL = ["displayed_tidal_volume_ml", "peak_pressure_cmh2o", "peep_cmh2o", "rate_per_min", "leak_pct", "fio2", "dials_as_planned"]
MONITOR = ["co2_curve", "etco2_mmhg", "inspired_co2_mmhg", "spo2_pct"]
LOOK = ["chest_rises", "joints_tight", "effort_seen"]
FELT = 0.15  # of the patient's volume: what the team acts on
CLAMPED = ["tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o", "own_curve_answers"]
LUNG_CAUSES = ("stiffer", "softer", "resistance-up", "resistance-down")
ASKED_AT_MOST = 6
NAIVE_SD = {"tidal_volume_ml": 0.05, "etco2_mmhg": 0.07, "plateau_cmh2o": 0.04, "spo2_pct": 0.02, "total_peep_cmh2o": 0.06}


@dataclass
class Told:
    """One case and what was said of it: at the machine's readings alone, after the round, and at the end."""

    true: str
    at_machine: Suspicion
    at_first: Suspicion
    at_last: Suspicion
    asked: int
    blamed: int | None
    felt: bool
    seconds: list[float]


def cases(size: int, seed: int, count: int, *, quiet: bool, scatter: float = 1.0) -> tuple[WatchedGroup, list[tuple[Case, Bedside]]]:
    """One group with so many true versions of itself, each with its own change."""
    group = invented(seed, size)
    build = standard_build(size)
    watched = watch_group(group.patients, build, group.settings, seed=seed)
    rng = np.random.default_rng([seed, size, 1])
    names = [name for name, _ in CAUSES]
    # A cause that may be anybody's is as much more likely as there are patients (pairs, for crossed monitors).
    share = np.array([w * (1 if n in SHARED else size * (size - 1) // 2 if n == "monitors-crossed" else size) for n, w in CAUSES])
    found = []
    while len(found) < count:
        cause = "nobody" if quiet else str(rng.choice(names, p=share / share.sum()))
        lanes: tuple[int, ...] = ()
        if cause == "monitors-crossed":
            lanes = tuple(int(i) for i in sorted(rng.choice(size, 2, replace=False)))
        elif not quiet and cause not in SHARED:
            lanes = (int(rng.integers(size)),)
        before = true_group(group.patients, build.network, group.settings, rng)
        after = before if quiet else changed_group(before, cause, lanes, rng)
        found.append(Case(cause, lanes, 1e9 if quiet else rng.uniform(15.0, 30.0), before, after, rng.random(), int(rng.integers(1 << 30))))
    told = [*shown([one.before for one in found])]
    holes = [bool(one.after.network.openings) for one in found]
    after = [None] * len(found)
    for with_holes in (False, True):
        chosen = [n for n, one in enumerate(holes) if one == with_holes]
        if chosen:
            for n, one in zip(chosen, shown([found[n].after for n in chosen]), strict=True):
                after[n] = one
    for one, b, a in zip(found, told, after, strict=True):
        if one.cause in LUNG_CAUSES:
            lane = one.lanes[0]
            one.felt = abs(a.volumes_ml[lane] / b.volumes_ml[lane] - 1.0) >= FELT
    apparatus = watched.group.dead_space_ml
    pairs = [
        (one, Bedside(one, group.patients, apparatus, b, a, scatter))
        for one, b, a in zip(found, told, after, strict=True)
        if b.settled and a.settled and b.alone_settled.all()
    ]
    return watched, pairs


def keys_of(size: int, own: list[str], group: list[str]) -> list[tuple[str, int | None]]:
    return [(key, None) for key in group] + [(key, lane) for lane in range(size) for key in own]


def watch_one(watched: WatchedGroup, case: Case, bedside: Bedside) -> Told:
    """From the baseline to the last reading that was asked for."""
    size = watched.patients
    baseline = WatchRound(0.0, bedside.read(0.0, keys_of(size, MONITOR + LOOK + CLAMPED, PANEL)))
    rounds = [WatchRound(15.0, bedside.read(15.0, keys_of(size, MONITOR + LOOK, PANEL)))]
    seconds = []

    def ask() -> Suspicion:
        start = perf_counter()
        said = suspect(watched, baseline, rounds)
        seconds.append(perf_counter() - start)
        return said

    everything = bedside.read(30.0, keys_of(size, MONITOR + LOOK, PANEL))
    rounds.append(WatchRound(30.0, tuple(one for one in everything if one.lane is None)))
    machine = ask()
    rounds[-1] = WatchRound(30.0, everything)
    first = said = ask()
    asked = 0
    while said.next_readings and asked < ASKED_AT_MOST:
        wanted = said.next_readings[0]
        minutes = 33.0 + 3.0 * asked
        rounds.append(WatchRound(minutes, bedside.read(minutes, [(key, wanted.lane) for key in wanted.keys])))
        said = ask()
        asked += 1
    if not any(reading.key in CLAMPED for one in rounds for reading in one.readings):
        minutes = 33.0 + 3.0 * asked
        rounds.append(WatchRound(minutes, bedside.read(minutes, keys_of(size, CLAMPED, []))))
        said = ask()
    return Told(case.id, machine, first, said, asked, _blamed(baseline, rounds), case.felt, seconds)


def _blamed(baseline: WatchRound, rounds: list[WatchRound]) -> int | None:
    """The naive rule: whose own reading lies furthest from its baseline."""
    start = {(r.key, r.lane): r.value for r in baseline.readings}
    worst, who = 0.0, None
    for one in rounds[1:]:
        for reading in one.readings:
            if reading.lane is None:
                continue
            if reading.key in ("co2_curve", "chest_rises") and not reading.value:
                far = 20.0
            elif reading.key in NAIVE_SD and (reading.key, reading.lane) in start:
                usual = max(start[reading.key, reading.lane], 1.0)
                far = abs(reading.value - usual) / (NAIVE_SD[reading.key] * usual)
            else:
                continue
            if far > worst:
                worst, who = far, reading.lane
    return who


def stories(count: int, seed: int, *, quiet: bool = False, per_group: int = 40, scatter: float = 1.0) -> Iterator[Told]:
    """So many felt changes (and the others that came with them), in groups of two and three by turns; or none."""
    done = number = 0
    while done < count:
        watched, found = cases(2 + number % 2, seed + number, per_group, quiet=quiet, scatter=scatter)
        for case, bedside in found:
            told = watch_one(watched, case, bedside)
            yield told
            done += told.felt
            if done >= count:
                return
        number += 1


def quiet_rounds(count: int, seed: int, per_group: int = 40, rounds_each: int = 10, scatter: float = 1.0) -> Iterator[tuple[int, float]]:
    """Rounds of groups in which nothing changes: number of the round, probability that something did."""
    done = number = 0
    while done < count:
        watched, found = cases(2 + number % 2, seed + 500 + number, per_group, quiet=True, scatter=scatter)
        for _, bedside in found:
            size = watched.patients
            baseline = WatchRound(0.0, bedside.read(0.0, keys_of(size, MONITOR + LOOK + CLAMPED, PANEL)))
            rounds: list[WatchRound] = []
            for i in range(rounds_each):
                minutes = 15.0 * (i + 1)
                own = MONITOR + LOOK + (CLAMPED if i == 5 else [])
                rounds.append(WatchRound(minutes, bedside.read(minutes, keys_of(size, own, PANEL))))
                yield i + 1, 1.0 - suspect(watched, baseline, rounds).nobody
                done += 1
                if done >= count:
                    return
        number += 1


def rank(told: Told, said: Suspicion) -> int:
    """Place of what truly changed, 1 = first; "nothing has changed" has its place among the others."""
    order = sorted([("nobody", said.nobody), *((s.hypothesis.id, s.probability) for s in said.suspects)], key=lambda one: -one[1])
    return 1 + [name for name, _ in order].index(told.true)


def report(every: list[Told]) -> None:
    """The tables."""
    n = len(every)
    for name, ranks in (("the machine's readings alone", [rank(t, t.at_machine) for t in every]), ("after the round", [rank(t, t.at_first) for t in every]), ("at the end", [rank(t, t.at_last) for t in every])):
        print(f"{name}: first {100 * np.mean([r == 1 for r in ranks]):.1f} %, first two {100 * np.mean([r <= 2 for r in ranks]):.1f} % of {n}")
    own = [t for t in every if "." in t.true and "monitors" not in t.true]
    ours = [max(range(len(t.at_last.of_patient)), key=t.at_last.of_patient.__getitem__) == "ABCD".index(t.true[-1]) for t in own]
    naive = [t.blamed is not None and t.blamed == "ABCD".index(t.true[-1]) for t in own]
    print(f"the right patient: {100 * np.mean(ours):.1f} %, naive rule {100 * np.mean(naive):.1f} % of {len(own)}")
    right = np.array([rank(t, t.at_last) == 1 for t in every])
    lost = np.array([t.at_last.unexplained for t in every])
    print(f"said that nothing on the list fits: {100 * lost[right].mean():.1f} % of the right, {lost[~right].sum()} of {(~right).sum()} wrong ones")
    times = np.array([s for t in every for s in t.seconds])
    print(f"asked {np.mean([t.asked for t in every]):.2f} readings; answer {1000 * np.median(times):.0f} ms, 95th percentile {1000 * np.percentile(times, 95):.0f} ms")
    by: dict[str, list[Told]] = defaultdict(list)
    for t in every:
        by[t.true.split(".")[0]].append(t)
    print("| what changed | cases | first % | first two % | taken instead |\n|---|---:|---:|---:|---|")
    for cause, some in sorted(by.items(), key=lambda one: -len(one[1])):
        ranks = [rank(t, t.at_last) for t in some]
        wrong = Counter(t.at_last.first.hypothesis.id.split(".")[0] for t, r in zip(some, ranks, strict=True) if r > 1)
        words = ", ".join(f"{name} {number}" for name, number in wrong.most_common(3))
        print(f"| {cause} | {len(some)} | {100 * np.mean([r == 1 for r in ranks]):.0f} | {100 * np.mean([r <= 2 for r in ranks]):.0f} | {words} |")


def calibration(changed: list[Told], quiet: list[Told], which: str) -> list[tuple[float, float, int]]:
    """Of everything that was said with a probability in each tenth: mean said, share right, how often it was said.

    With ``quiet`` groups: both weighed as the policy says they come, one change in twenty rounds. Without: what is said
    of causes given that something changed, every case alike.
    """
    prior = SuspicionRules().change_per_round
    said, right, weight = [], [], []
    for some, mass in ((changed, prior / len(changed)), (quiet, (1.0 - prior) / max(len(quiet), 1))):
        for t in some:
            s = getattr(t, which)
            each = [(x.hypothesis.id, x.probability) for x in s.suspects]
            if quiet:
                each.append(("nobody", s.nobody))
            else:
                each = [(name, probability / max(1.0 - s.nobody, 1e-300)) for name, probability in each]
            for name, probability in each:
                said.append(probability)
                right.append(name == t.true)
                weight.append(mass)
    said_, right_, weight_ = np.array(said), np.array(right), np.array(weight)
    rows = []
    for low in np.arange(0.0, 0.95, 0.1):
        inside = (said_ >= max(low, 0.01)) & (said_ < low + 0.1 + 1e-6 * (low > 0.85))
        if inside.any():
            rows.append((*(float(np.average(one[inside], weights=weight_[inside])) for one in (said_, right_)), int(inside.sum())))
    return rows


def main() -> None:
    """Print the figures."""
    parse = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parse.add_argument("--changes", type=int, default=2000)
    parse.add_argument("--quiet", type=int, default=2000)
    parse.add_argument("--seed", type=int, default=7000)
    parse.add_argument("--scatter", type=float, default=1.0, help="times the stated scatter from reading to reading")
    asked = parse.parse_args()
    started = process_time()
    every = list(stories(asked.changes, asked.seed, scatter=asked.scatter))
    print("### Felt changes")
    report([t for t in every if t.felt])
    smaller = [t for t in every if not t.felt]
    if smaller:
        print("### Smaller changes of lungs and resistance")
        report(smaller)
    quiet = list(stories(max(asked.quiet // 2, 1), asked.seed + 300, quiet=True, scatter=asked.scatter))
    print(f"asked of quiet groups after a round: {np.mean([t.asked for t in quiet]):.2f} readings")
    for name, which in (("after the round", "at_first"), ("at the end", "at_last")):
        for words, others in (("causes, given a change", []), ("everything, changes and quiet groups weighed", quiet)):
            print(f"calibration {name}: {words}; {len(every)} changes, {len(others)} quiet groups")
            print("| mean said % | right % | said |\n|---:|---:|---:|")
            for said, right, number in calibration(every, others, which):
                print(f"| {100 * said:.0f} | {100 * right:.0f} | {number} |")
    probabilities = np.array([p for _, p in quiet_rounds(asked.quiet, asked.seed, scatter=asked.scatter)])
    print(f"nothing changed: over 0.5 in {100 * np.mean(probabilities > 0.5):.2f} % of {probabilities.size} rounds, mean {probabilities.mean():.4f}")
    print(f"{process_time() - started:.0f} s of processor time")


if __name__ == "__main__":
    main()
