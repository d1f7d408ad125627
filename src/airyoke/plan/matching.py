"""Pairs by matching: the same goals as the solver's, proved by another means and in milliseconds for hundreds of beds.

It certifies where machines are alike and no part is scarce. With n beds and m machines at least n - m patients must be
saved; a group of s saves s - 1 and costs s (s - 1) / 2 couplings, which is the least for pairs only. So if n - m
disjoint pairs exist, everybody is placed with n - m couplings, no larger group can do better, and the plans that reach
it are the perfect matchings of the beds with each other and with n - 2 (n - m) places of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from airyoke.plan.options import MARGIN_UNIT, Choices, Option
from airyoke.plan.plan import Goal

MATCHING = "maximum weight matching (blossom algorithm, exact)"
BY_MATCHING = f"{MATCHING}, by bisection"

# Digits of one integer weight, least first: order of the beds, margins, breaks, needs.
_RANK, _MARGIN, _COUNT = 1 << 30, 1 << 36, 1 << 16


@dataclass(frozen=True, slots=True)
class Matched:
    """The chosen options, the goals with their proof, and the shared groups that reach the largest smallest margin."""

    chosen: tuple[Option, ...]
    goals: tuple[Goal, ...]
    witness: tuple[Option, ...] = ()


def match(choices: Choices, tolerance: int, highest: int | None = None) -> Matched | None:
    """The best plan of pairs that places everybody, or ``None`` where matching does not certify one.

    The options hold at most one choice for every pair (one build) and every bed alone (machines alike, see
    ``Offers.alike``); larger groups are passed over: where this answers they cannot be in a best plan. ``tolerance`` in
    units of margin may be given up for fewer breaks. ``highest``: the largest smallest margin
    is known not to exceed this.
    """
    beds, options = choices.beds, choices.options
    alone = {o.beds[0]: o for o in options if len(o.beds) == 1}
    kept = {i for i, o in alone.items() if o.ventilator == -1}
    free = [i for i in range(beds) if i not in kept]
    pairs: dict[tuple[int, ...], Option] = {o.beds: o for o in options if len(o.beds) == 2}
    saved = max(len(free) - choices.usable, 0)
    if 2 * saved > len(free) or not _enough(pairs.values(), saved, choices.stock):
        return None
    problem = _Problem(free, alone, pairs, len(free) - 2 * saved)
    free_of_needs = problem.covers(0)  # the fastest question; often its answer is yes
    first = free_of_needs or problem.solve(0)
    if first is None:
        return None

    def goal(name: str, value: float, by: str = MATCHING) -> Goal:
        return Goal(name, value, value, 0.0, "proved", by)  # type: ignore[arg-type]

    placed = float(sum(i in alone for i in kept) + len(free))
    if placed < beds:
        return None
    needs = _needs(first)
    goals = [goal("placed", placed), goal("couplings", float(saved)), goal("needs", float(needs))]
    if not saved:
        alone_only = problem.solve(0)
        assert alone_only is not None, "the first question was answered with yes"
        goals.append(Goal("smallest_margin", None, None, None, "skipped", "no shared group"))
        goals.append(goal("breaks", float(sum(o.breaks for o in alone_only))))
        goals.append(Goal("margin_sum", None, None, None, "skipped", "no shared group"))
        return Matched((*alone_only, *(alone[i] for i in kept)), tuple(goals))

    def reached(level: int) -> list[Option] | None:
        if needs == 0:
            return problem.covers(level)
        found = problem.solve(level)
        return found if found is not None and _needs(found) == needs else None

    level, at_level = _largest_smallest_margin(first, pairs.values(), reached, highest)
    goals.append(goal("smallest_margin", level / MARGIN_UNIT, BY_MATCHING))
    best = problem.solve(max(level - tolerance, 0))
    assert best is not None, "the level was reached with this"
    goals.append(goal("breaks", float(sum(o.breaks for o in best))))
    goals.append(goal("margin_sum", sum(o.units * len(o.beds) for o in best) / MARGIN_UNIT))
    witness = tuple(o for o in at_level if len(o.beds) == 2)
    return Matched((*best, *(alone[i] for i in sorted(kept))), tuple(goals), witness)


def _largest_smallest_margin(
    first: list[Option],
    pairs: Iterable[Option],
    reached: Callable[[int], list[Option] | None],
    highest: int | None,
) -> tuple[int, list[Option]]:
    """The largest level of margin that a plan reaches, and such a plan; ``first`` is one without regard to margins."""
    smallest = min(o.units for o in first if len(o.beds) == 2)
    levels = sorted({o.units for o in pairs if o.units >= smallest and (highest is None or o.units <= highest)})
    levels = levels or [smallest]
    found = {0: first}

    def reaches(number: int) -> bool:
        plan = reached(levels[number])
        if plan is not None:
            found[number] = plan
        return plan is not None

    low, high, step = 0, len(levels) - 1, 1
    if highest is not None:
        # The answer is often near the highest: margins only fall from one round of judging to the next.
        low = high
        while low > 0 and not reaches(low):
            high, low, step = low - 1, max(low - step, 0), 2 * step
    while low < high:
        middle = (low + high + 1) // 2
        if reaches(middle):
            low = middle
        else:
            high = middle - 1
    return levels[low], found[low]


def _needs(chosen: Sequence[Option]) -> int:
    return sum(o.needs for o in chosen)


def _enough(pairs: Iterable[Option], saved: int, stock: Mapping[str, int] | None) -> bool:
    """Whether the store room has the parts of that many pairs, whichever they are."""
    if stock is None:
        return True
    needed: dict[str, int] = {}
    for option in pairs:
        for part, count in option.parts:
            needed[part] = max(needed.get(part, 0), count)
    return all(stock.get(part, 0) >= saved * count for part, count in needed.items())


@dataclass(frozen=True)
class _Problem:
    """Beds to be matched with each other or with ``places`` of their own."""

    free: list[int]
    alone: dict[int, Option]
    pairs: dict[tuple[int, ...], Option]
    places: int

    @cached_property
    def node(self) -> dict[int, int]:
        """The node of each bed."""
        return {bed: k for k, bed in enumerate(self.free)}

    def solve(self, at_least: int) -> list[Option] | None:
        """Fewest needs, then fewest breaks, then the largest sum of margins, then the first in the order of the beds,
        among pairs with at least so many units of margin; ``None`` where not everybody can be matched."""
        most = _COUNT * _COUNT * _MARGIN * _RANK
        edges: list[tuple[int, int, int]] = []
        chosen: dict[tuple[int, int], Option] = {}
        for rank, (pair, option) in enumerate(sorted(self.pairs.items())):
            if option.units >= at_least and pair[0] in self.node and pair[1] in self.node:
                one, other = self.node[pair[0]], self.node[pair[1]]
                chosen[one, other] = option
                cost = ((option.needs * _COUNT + option.breaks) * _MARGIN - 2 * option.units) * _RANK + rank
                edges.append((one, other, most - cost))
        edges.extend(self._to_places(lambda bed: most - self.alone[bed].breaks * _MARGIN * _RANK))
        return self._options(self._perfect(edges), chosen)

    def covers(self, at_least: int) -> list[Option] | None:
        """Any way to match everybody with pairs without needs and with at least so many units of margin."""
        edges: list[tuple[int, int, int]] = []
        chosen: dict[tuple[int, int], Option] = {}
        for pair, option in self.pairs.items():
            if option.needs == 0 and option.units >= at_least and pair[0] in self.node and pair[1] in self.node:
                chosen[self.node[pair[0]], self.node[pair[1]]] = option
                edges.append((self.node[pair[0]], self.node[pair[1]], 1))
        edges.extend(self._to_places(lambda _bed: 1))
        return self._options(self._perfect(edges), chosen)

    def _to_places(self, weight: Callable[[int], int]) -> list[tuple[int, int, int]]:
        people = len(self.free)
        return [
            (k, place, weight(bed))
            for bed, k in self.node.items()
            if bed in self.alone
            for place in range(people, people + self.places)
        ]

    def _options(
        self, matched: set[tuple[int, int]] | None, chosen: dict[tuple[int, int], Option]
    ) -> list[Option] | None:
        if matched is None:
            return None
        people = len(self.free)
        found = [
            chosen[min(pair), max(pair)] if max(pair) < people else self.alone[self.free[min(pair)]]
            for pair in matched
        ]
        return sorted(found, key=lambda o: o.beds)

    def _perfect(self, edges: list[tuple[int, int, int]]) -> set[tuple[int, int]] | None:
        """A matching of all nodes with the largest weight, or ``None``."""
        import rustworkx

        nodes = len(self.free) + self.places
        graph = rustworkx.PyGraph(multigraph=False)
        graph.add_nodes_from(range(nodes))
        graph.add_edges_from(edges)
        matched: set[tuple[int, int]] = rustworkx.max_weight_matching(graph, max_cardinality=True, weight_fn=int)
        return matched if 2 * len(matched) == nodes else None
