"""Is the screen one-sided? Its margin plus the offset must not be below the margin that the engine judges.

``python -m tests.plan.screen_property --groups 5000 --seed N``

Groups of invented wards, pairs, triples and quads; each is screened, its settings are searched, and the engine judges
it at the settings that were found, on judging draws, whatever the screen says. Groups far outside (below -0.6) are not
searched. A violation is printed with its size; one *matters* where the screen would have kept an allowed group away
from the engine.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from time import perf_counter

import numpy as np

if __package__ == "tests.plan":
    import tests.studies  # noqa: F401  (puts this folder on the path, as the test run does)

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import standard_build
from airyoke.limits.policy import Policy
from airyoke.plan.candidate import permitted_pairs
from airyoke.plan.judging import Judge, screen_offset, ventilator_class
from airyoke.plan.search import SettingsSearch
from airyoke.ward.candidates import assess_ward, candidate
from studies.wards import study_ward

FAR_OUTSIDE = -0.6
DRAWS = 256
KIND = ventilator_class(Ventilator("V1"))
SHARES = {2: 0.6, 3: 0.25, 4: 0.15}  # of the groups of a ward


@dataclass(frozen=True)
class Compared:
    """One group: the screen's margin without its offset, and the engine's at the settings that the search found."""

    seed: int
    members: tuple[int, ...]
    screen: float
    judged: float

    @property
    def above(self) -> float:
        """By how much the judged margin is above the screen's with its offset; over zero is a violation."""
        return self.judged - self.screen - screen_offset(len(self.members))

    @property
    def matters(self) -> bool:
        """The screen would have kept an allowed group away from the engine."""
        return self.judged >= 0.0 > self.screen + screen_offset(len(self.members))


def compared(seed: int, wanted: dict[int, int], beds: int = 40) -> Iterator[Compared]:
    """Groups of the ward of that number, so many of each size as far as it has them."""
    ward = study_ward(seed, beds, policy=Policy(sharing="last-resort-accepted", reserve_ventilators=0))
    candidates = tuple(candidate(a, ward.policy) for a in assess_ward(ward))
    permitted = permitted_pairs(candidates, ward.policy)
    judge = Judge(candidates, ward.policy, DRAWS, seed)
    search = SettingsSearch(KIND, ward.policy, seed)
    rng = Random(f"groups {seed}")
    hopeful: list[tuple[int, ...]] = permitted.groups(2)
    for size, count in wanted.items():
        groups = hopeful if size == 2 else permitted.groups_from(_inside(judge, hopeful), size)
        if not groups:
            return
        judge.prepare(KIND, standard_build(size))
        found = 0
        for members in rng.sample(groups, min(len(groups), 4 * count)):
            if found == count:
                break
            screened = judge.screen(members, KIND, standard_build(len(members)))
            if screened is None or screened.margin < FAR_OUTSIDE:
                continue
            found += 1
            patients = [p for i in members if (p := candidates[i].patient) is not None]
            present = [candidates[i].present_settings for i in members]
            settings = search.best(patients, present, standard_build(size), screened).settings
            margin = judge.answer(members, standard_build(size), settings, draws=DRAWS).margin
            assert margin is not None
            yield Compared(seed, members, screened.margin, margin.value)
        hopeful = groups


def _inside(judge: Judge, groups: list[tuple[int, ...]]) -> set[tuple[int, ...]]:
    """Groups that a larger one could be made of: the screen, with its offset, does not leave them outside."""
    found = set()
    for members in groups:
        screened = judge.screen(members, KIND, standard_build(len(members)))
        if screened is not None and screened.margin + screen_offset(len(members)) >= 0.0:
            found.add(members)
    return found


def report(found: list[Compared], seconds: float) -> str:
    """The table that stands for the property."""
    lines = []
    for size in sorted({len(one.members) for one in found}):
        some = [one for one in found if len(one.members) == size]
        over = np.array([one.judged - one.screen for one in some])
        quantiles = ", ".join(f"{q:g}: {np.quantile(over, q):+.3f}" for q in (0, 0.01, 0.05, 0.5, 0.95, 0.99, 0.999, 1))
        violations = [one for one in some if one.above > 0.0]
        lines += [
            f"groups of {size}: {len(some)}; judged - screen, quantiles {quantiles}",
            f"  violations of screen + {screen_offset(size)} >= judged: {len(violations)}, of which {sum(o.matters for o in some)} "
            "keep an allowed group from the engine",
        ]  # fmt: skip
        lines += [
            f"    ward {o.seed}, beds {o.members}: screen {o.screen:+.3f}, judged {o.judged:+.3f}, by {o.above:.3f}"
            for o in sorted(violations, key=lambda o: -o.above)[:10]
        ]
    seeds = [one.seed for one in found]
    lines.append(f"wards {min(seeds)} to {max(seeds)}; {len(found)} groups; {seconds:.0f} s")
    return "\n".join(lines)


def main() -> None:
    made = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    made.add_argument("--groups", type=int, default=5000, help="how many groups to compare")
    made.add_argument("--seed", type=int, default=90_000, help="number of the first ward")
    made.add_argument("--minutes", type=float, default=60.0, help="say what is known by then")
    a = made.parse_args()
    started, found, seed = perf_counter(), list[Compared](), a.seed
    wanted = {size: round(100 * share) for size, share in SHARES.items()}
    while len(found) < a.groups:
        for one in compared(seed, wanted):
            found.append(one)
            if len(found) >= a.groups or perf_counter() - started > 60.0 * a.minutes:
                print(report(found, perf_counter() - started))
                return
        seed += 1


if __name__ == "__main__":
    main()
