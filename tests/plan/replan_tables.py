"""Invented wards that run: who is on which machine and circuit, what a group would be worth. No lungs, no engine.

Beside each: every way to go on from there, looked at one by one, with breaks counted from before and after alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from random import Random
from types import SimpleNamespace
from typing import Any

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import standard_build
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.plan.candidate import Candidate, Note
from airyoke.plan.judging import Verdict
from airyoke.plan.replan import Known
from airyoke.plan.request import Request
from airyoke.plan.running import RunningGroup
from airyoke.plan.store_room import StoreRoom

MARGINS = (-0.3, -0.1, 0.0, 0.05, 0.1, 0.15, 0.2, 0.2, 0.25, 0.3, 0.3, 0.35, 0.5)
SLACK = 0.25  # how far a bound lies above a margin that nobody has asked for


@dataclass(frozen=True)
class RunningWard:
    request: Request
    groups: tuple[RunningGroup, ...]
    order: tuple[str, ...]
    margins: dict[tuple[frozenset[int], bool], float]  # beds, and whether a lane is capped

    @property
    def known(self) -> Known:
        """What looks like an earlier plan to the planner: a judge who reads the table."""
        return Known(TableJudge(self), StoreRoom(None, 9))  # type: ignore[arg-type]


class TableJudge:
    """Says a bound of every group, and the margin once it is asked for the verdict."""

    def __init__(self, ward: RunningWard) -> None:
        self.ward = ward
        self.policy, self.draws, self.seed = ward.request.policy, ward.request.draws, ward.request.seed
        self.candidates = ward.request.candidates
        self.judged: dict[Any, Verdict] = {}

    def carried_to(self, _candidates):
        return self

    def prepare(self, _kind, _build):
        return None

    def margin(self, members, build):
        return self.ward.margins[frozenset(members), "capped" in build.name]

    def bound(self, members, kind, build):
        verdict = self.judged.get((members, kind, build.name, build.parts))
        if verdict is not None:
            return verdict.margin if verdict.allowed else float("-inf")
        return self.margin(members, build) + SLACK

    def screen(self, members, kind, build):
        return SimpleNamespace(margin=self.margin(members, build))

    def known(self, members, kind, build):
        return self.judged.get((members, kind, build.name, build.parts))

    def verdict(self, members, kind, build):
        margin = self.margin(members, build)
        answer = SimpleNamespace(
            margin=SimpleNamespace(value=margin, allowed=margin >= 0.0),
            ventilator={"displayed_tidal_volume_ml": SimpleNamespace(value=800.0)},
        )
        return self.judged.setdefault(
            (members, kind, build.name, build.parts), Verdict(members, build, None, None, answer)  # type: ignore[arg-type]
        )


def running_ward(seed: int) -> RunningWard:
    """The ward of that number, the same each time: two to six beds, some of them in running groups, one machine gone
    or come, somebody gone from a lane."""
    rng = Random(f"running {seed}")
    beds, machines = rng.randint(2, 6), rng.randint(2, 5)
    largest = rng.choice((2, 2, 3))
    labels = [f"V{k + 1}" for k in range(machines)]
    waiting = list(range(beds))
    rng.shuffle(waiting)
    on: dict[int, str | None] = {}
    groups: list[RunningGroup] = []
    failed = rng.random() < 0.25
    for number, label in enumerate(labels):
        size = rng.choice((0, 1, 1, 2, 2, 3 if largest == 3 else 2))
        here = [waiting.pop() for _ in range(min(size, len(waiting)))]
        lanes = max(len(here), rng.choice((2, 2, 3)))
        if here and (len(here) > 1 or rng.random() < 0.3):
            places: list[str | None] = [f"B{i + 1}" for i in sorted(here)] + [None] * (lanes - len(here))
            rng.shuffle(places)
            groups.append(RunningGroup(label, tuple(places), standard_build(lanes), None))
        for i in here:
            on[i] = None if failed and number == 0 else label
    candidates = tuple(
        Candidate(
            f"B{i + 1}", _patient(f"B{i + 1}"), Settings("pc", 20.0, 1.0, 8.0, 0.5, 12.0),
            never=(Note("must-come-off", "decided"),) if rng.random() < 0.08 else (),
            needs=(Note("need", "a decision"),) if rng.random() < 0.15 else (),
            infection=frozenset({"one"} if rng.random() < 0.85 else {"other"}), ventilator=on.get(i),
        )
        for i in range(beds)
    )  # fmt: skip
    ventilators = tuple(Ventilator(label, usable=not (failed and k == 0)) for k, label in enumerate(labels))
    policy = Policy(max_group_size=largest, reserve_ventilators=rng.choice((0, 0, 1)),
                    break_margin_loss=rng.choice((0.0, 0.1, 0.1, 0.3)))  # fmt: skip
    sharing = [bed for group in groups if len(group.beds) > 1 for bed in group.beds]
    rng.shuffle(sharing)
    request = Request(candidates, ventilators, policy, None)
    return RunningWard(request, tuple(groups), tuple(sharing), _margins(rng, beds))


def _patient(label: str) -> Patient:
    return Patient(label, None)  # type: ignore[arg-type]  # nobody breathes here


def _margins(rng: Random, beds: int) -> dict[tuple[frozenset[int], bool], float]:
    """One more on a circuit never raises a margin; through other hoses it is a little other."""
    found: dict[tuple[frozenset[int], bool], float] = {}
    for size in (2, 3):
        for members in combinations(range(beds), size):
            smaller = [found[frozenset(pair), False] for pair in combinations(members, 2)] if size == 3 else []
            margin = min(smaller) - rng.choice((0.0, 0.05, 0.1)) if smaller else rng.choice(MARGINS)
            found[frozenset(members), False] = margin
            found[frozenset(members), True] = margin - rng.choice((0.0, 0.0, 0.02))
    return found


Circuit = tuple[str, str]  # of a bed alone, of a running group, or a new one; and the machine it is on
Choice = tuple[tuple[int, ...], str, str, float | None, int]  # beds, machine, circuit, margin, needs


def every_way(ward: RunningWard) -> Iterator[tuple[list[Choice], list[int]]]:
    """Every way to put the beds on machines and circuits: the groups, and who is left."""
    policy, beds = ward.request.policy, ward.request.candidates
    usable = [v.label for v in ward.request.ventilators if v.usable]
    most = max(len(usable) - policy.reserve_ventilators, 0)

    def place(rest: tuple[int, ...], free: tuple[str, ...], done: list[Choice], left: list[int]):
        if not rest:
            yield list(done), list(left)
            return
        first, others = rest[0], rest[1:]
        yield from place(others, free, done, [*left, first])
        if len(done) == most:
            return
        for size in range(policy.max_group_size):
            for more in combinations(others, size):
                members = (first, *more)
                remain = tuple(i for i in others if i not in more)
                for choice in circuits(members, free):
                    yield from place(remain, tuple(m for m in free if m != choice[1]), [*done, choice], left)

    def circuits(members: tuple[int, ...], free: tuple[str, ...]) -> Iterator[Choice]:
        names = {beds[i].bed for i in members}
        if len(members) == 1:
            for machine in free:
                yield members, machine, "alone", None, 0
        elif any(beds[i].never for i in members) or len({beds[i].infection for i in members}) > 1:
            return
        else:
            margin = ward.margins[frozenset(members), False]
            if margin >= 0.0:
                for machine in free:
                    yield members, machine, "new", margin, sum(len(beds[i].needs) for i in members)
        for group in ward.groups:
            here = names & set(group.beds)
            runs_on = group.ventilator in free
            moves = group.ventilator not in usable and here == names == set(group.beds) and len(names) > 1
            if not here or len(members) > len(group.lanes) or not (runs_on or moves):
                continue
            margin = None if len(members) == 1 else ward.margins[frozenset(members), len(members) < len(group.lanes)]
            if margin is None or margin >= 0.0:
                needs = sum(len(beds[i].needs) for i in members if beds[i].bed not in here)
                for machine in (group.ventilator,) if runs_on else free:
                    yield members, machine, f"runs on {group.ventilator}", margin, needs

    yield from place(tuple(range(len(beds))), tuple(usable), [], [])


def breaks(ward: RunningWard, groups: list[Choice], left: list[int]) -> int:
    """Beds whose machine or circuit is another afterwards, or who are taken off."""
    after: dict[int, Circuit] = {i: (circuit, machine) for members, machine, circuit, _, _ in groups for i in members}
    count = 0
    for i, c in enumerate(ward.request.candidates):
        before = None if c.ventilator is None else ("alone", c.ventilator)
        for group in ward.groups:
            if c.bed in group.beds and c.ventilator is not None:
                before = (f"runs on {group.ventilator}", group.ventilator)
        count += before != after.get(i) and not (i in left and before is None)
    return count


def best_of_every_way(ward: RunningWard) -> tuple[float | None, ...]:
    """The goals of the best: placed, couplings, needs, smallest margin, breaks, place in the order, sum of margins."""
    number = {c.bed: i for i, c in enumerate(ward.request.candidates)}
    ways = []
    for groups, left in every_way(ward):
        shared = [one for one in groups if len(one[0]) > 1]
        alone = {one[0][0] for one in groups if one[2] == "alone"}
        margins = [round(one[3] * 1e6) for one in shared if one[3] is not None]
        ways.append((
            len(left), sum(len(m) * (len(m) - 1) // 2 for m, *_ in shared), sum(one[4] for one in groups),
            min(margins, default=None), breaks(ward, groups, left),
            tuple(number[bed] not in alone for bed in ward.order),
            sum(m * len(one[0]) for m, one in zip(margins, shared, strict=True)) if shared else None,
        ))  # fmt: skip
    first = min(way[:3] for way in ways)
    ways = [way for way in ways if way[:3] == first]
    smallest = max((way[3] for way in ways if way[3] is not None), default=None)
    if smallest is not None:
        lowest = max(smallest - round(ward.request.policy.break_margin_loss * 1e6), 0)
        ways = [way for way in ways if way[3] is not None and way[3] >= lowest]
    fewest = min(way[4] for way in ways)
    ways = [way for way in ways if way[4] == fewest]
    off = min(way[5] for way in ways)
    ways = [way for way in ways if way[5] == off]
    total = max((way[6] for way in ways if way[6] is not None), default=None)
    place = next((float(rank) for rank, stays in enumerate(off, start=1) if not stays), None)
    return (
        float(len(ward.request.candidates) - first[0]), float(first[1]), float(first[2]),
        None if smallest is None else smallest / 1e6, float(fewest), place, None if total is None else total / 1e6,
    )  # fmt: skip
