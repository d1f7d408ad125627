"""The groups that may be: offered with a bound on their margin, judged when they are chosen.

Two judges. The screen gives every permitted group a bound on its margin (see ``screen``); the best plan is chosen
with those; the engine judges its groups and its margins are written back; and so on, until a plan is chosen in which
every group is judged. No group left out can then be better: its bound was already too low for it to be chosen. That
plan is the best for judged margins.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build
from airyoke.plan.candidate import Permitted
from airyoke.plan.judging import Judge, Verdict, ventilator_class
from airyoke.plan.options import Machines, Offers, Option, in_reach
from airyoke.plan.request import Progress, Request, Stop
from airyoke.plan.store_room import Parts, StoreRoom

MOST_ROUNDS = 50
# Verdicts spent on one plan: about 40 s on two cores. Counted, not timed, so that the same ward gives the same plan on
# every machine; only a hall of more than a hundred beds comes near it.
MOST_JUDGED = 400
MORE_JUDGED = 100  # for each question after the plan: the runner-up, who else could be left, what would change it
MOST_LARGER_GROUPS = 4000  # triples and quads offered where pairs do not place everybody; more: the goals stay open

Chosen = TypeVar("Chosen")


class Pool:
    """The groups that may be, what is known of their margins, and the machines that they may be on."""

    def __init__(
        self, request: Request, offers: Offers, judge: Judge, permitted: Permitted, store: StoreRoom, stop: Stop
    ) -> None:
        self.request = request
        self.offers = offers
        self.judge = judge
        self.permitted = permitted
        self.store = store
        self.stop = stop
        self.groups: list[tuple[int, ...]] = []
        self.cut_short = False  # not every larger group was offered
        self._kinds = [
            (number, ventilator_class(offers.machines.ventilators[machines[0]]))
            for number, machines in enumerate(offers.machines.pools)
            if "pc" in offers.machines.ventilators[machines[0]].modes
        ]
        self._offered: dict[tuple[tuple[int, ...], int, Parts], list[Option]] = {}

    @property
    def machines(self) -> Machines:
        """The machines that may be given away."""
        return self.offers.machines

    def kinds(self) -> list[tuple[int, Ventilator]]:
        """Pools of machines that can share, and the class of each."""
        return self._kinds

    def builds(self, members: Sequence[int]) -> tuple[Build, ...]:
        """The builds that a group may have, best first."""
        heated = all(self.request.candidates[i].humidification == "heated" for i in members)
        return self.store.builds(len(members), heated=heated)

    def add_pairs(self, tell: Progress) -> None:
        """Offer every permitted pair, screened on every build."""
        self.groups = self.permitted.groups(2)
        self.screen_pairs(tell)

    def screen_pairs(self, tell: Progress) -> None:
        """Screen every pair on every build of the store room that it has not been screened on."""
        pairs, kinds = [g for g in self.groups if len(g) == 2], self.kinds()
        for kind in dict.fromkeys(kind for _, kind in kinds):
            for build in dict.fromkeys(build for members in pairs for build in self.builds(members)):
                self.judge.prepare(kind, build)
        for number, members in enumerate(pairs):
            if number % 32 == 0:
                tell("screening pairs", number, len(pairs))
            for pool, kind in kinds:
                if self.near(pool, members):
                    for build in self.builds(members):
                        self.judge.screen(members, kind, build)
        tell("screening pairs", len(pairs), len(pairs))

    def with_store(self, store: StoreRoom) -> Pool:
        """The same groups with another store room's builds; verdicts are shared."""
        other = Pool(self.request, self.offers, self.judge, self.permitted, store, self.stop)
        other.groups = self.groups
        other.screen_pairs(lambda _what, _done, _of: None)
        return other

    def add_larger(self, size: int) -> None:
        """Offer groups of one more than before: those of which every smaller part could be allowed."""
        hopeful = {g for g in self.groups if len(g) == size - 1 and self._could_be(g)}
        larger = [
            g
            for g in self.permitted.groups_from(hopeful, size)
            if all(g[:k] + g[k + 1 :] in hopeful for k in range(size))
        ]
        if len(larger) > MOST_LARGER_GROUPS:
            self.cut_short = True
            larger = sorted(larger, key=lambda g: -self._highest_bound(g))[:MOST_LARGER_GROUPS]
        self.groups = [*self.groups, *sorted(larger)]

    def bound(self, members: tuple[int, ...], kind: Ventilator, build: Build) -> float:
        """What the margin of a group on this class and build will not exceed, as far as is known."""
        own = self.judge.bound(members, kind, build)
        if own is not None:
            return own
        # One more member never raises a margin: the least of the smaller groups, each on its best build, is a bound.
        return min(self._on_best_build(members[:k] + members[k + 1 :], kind) for k in range(len(members)))

    def _on_best_build(self, members: tuple[int, ...], kind: Ventilator) -> float:
        return max((self.bound(members, kind, build) for build in self.builds(members)), default=float("-inf"))

    def options(self, *, judged_only: bool = False) -> list[Option]:
        """Every bed alone, and every group that is allowed as far as is known."""
        options = self.offers.alone()
        for members in self.groups:
            for pool, kind in self.kinds():
                if not self.near(pool, members):
                    continue
                for build in self.builds(members):
                    verdict = self.judge.known(members, kind, build)
                    if verdict is not None and not self.usable(verdict, pool):
                        continue
                    if verdict is None and judged_only:
                        continue
                    margin = self.bound(members, kind, build)
                    if margin >= 0.0:
                        options.extend(self._offer(members, pool, build, margin))
        return options

    def _offer(self, members: tuple[int, ...], pool: int, build: Build, margin: float) -> list[Option]:
        """The options of a group, made anew only when its margin has become another."""
        key = (members, pool, build.parts)
        offered = self._offered.get(key)
        if offered is None:
            offered = self.offers.shared(members, pool, build)
        if offered and offered[0].margin != margin:
            offered = [replace(option, margin=margin) for option in offered]
        self._offered[key] = offered
        return offered

    def waiting(self, chosen: Sequence[Option]) -> list[tuple[tuple[int, ...], Ventilator, Build]]:
        """The shared groups among these that the engine has not judged on their class and build."""
        groups = dict.fromkeys(
            (o.beds, ventilator_class(self.machines.one_of(o.ventilator)), o.build)
            for o in chosen
            if o.build is not None
        )
        return [one for one in groups if self.judge.known(*one) is None]

    def to_fixed_point(
        self,
        choose: Callable[[list[Option]], tuple[Chosen, Sequence[Option]]],
        tell: Progress | None = None,
        more: int = MORE_JUDGED,
    ) -> tuple[Chosen, int, bool]:
        """Choose and judge in turn, with at most so many more verdicts.

        Returns the choice, the rounds, and whether every chosen group is judged.
        """
        spent = 0
        for number in range(1, MOST_ROUNDS + 1):
            result, chosen = choose(self.options())
            waiting = self.waiting(chosen)
            if not waiting:
                return result, number, True
            for done, (beds, kind, build) in enumerate(waiting):
                if self.stop() or spent >= more:
                    return result, number, False
                if tell is not None:
                    tell(f"judging, round {number}", done, len(waiting))
                self.judge.verdict(beds, kind, build)
                spent += 1
        return result, MOST_ROUNDS, False

    def pair_verdicts(self) -> list[tuple[Verdict, Ventilator]]:
        """Of every permitted pair the best verdict that is known: judged, or left outside by the screen."""
        found: list[tuple[Verdict, Ventilator]] = []
        for members in self.permitted.groups(2):
            verdicts = [
                (verdict, kind)
                for pool, kind in self.kinds()
                if self.near(pool, members)
                for build in self.builds(members)
                if (verdict := self.judge.known(members, kind, build)) is not None
            ]
            if verdicts:
                found.append(max(verdicts, key=lambda v: (v[0].allowed, v[0].margin)))
        return found

    def judge_pairs_of(self, bed: int) -> None:
        """Make the verdict on every pair that one bed could be in."""
        for members in self.permitted.groups(2):
            if bed in members:
                for pool, kind in self.kinds():
                    if self.near(pool, members):
                        for build in self.builds(members):
                            self.judge.verdict(members, kind, build)

    def near(self, pool: int, members: Sequence[int]) -> bool:
        """Whether machines of the pool may stand where these beds are."""
        return in_reach(self.machines.ventilators[self.machines.pools[pool][0]], members, self.request.candidates)

    def _could_be(self, members: tuple[int, ...]) -> bool:
        return self._highest_bound(members) >= 0.0

    def _highest_bound(self, members: tuple[int, ...]) -> float:
        near = [self._on_best_build(members, kind) for pool, kind in self.kinds() if self.near(pool, members)]
        return max(near, default=float("-inf"))

    def usable(self, verdict: Verdict, pool: int) -> bool:
        """Allowed, and the machine could show, and alarm on, what all of them exhale."""
        if not verdict.allowed or verdict.answer is None:
            return False
        shown = verdict.answer.ventilator["displayed_tidal_volume_ml"].value
        return (shown or 0.0) <= self.machines.ventilators[self.machines.pools[pool][0]].max_tidal_volume_ml
