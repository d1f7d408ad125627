"""Outside check of the choice of a plan: every way to cover the beds counts, none is searched for.

Nothing here comes from the package under test. An option is a plain tuple

    (beds, ventilator, margin or None, needs, breaks, parts)

with beds as numbers from 0, the ventilator's number (-1: a machine that is not given away), the margin of a
shared group, and parts as (name, count) pairs. The goals come one after another: most beds placed, fewest
couplings (pairs of patients on one machine), fewest needs, largest smallest margin of the shared groups, fewest
breaks among the plans whose smallest margin is at most 0.10 below the best (and not below zero), largest sum of
margin x size. Everything is counted in whole numbers; a margin in millionths.

Machine by machine a table keeps, for every set of beds covered so far, number of machines used and circuits built,
the least that has to be paid: ways that agree in these can never differ later. So no way is left out, and ten beds
take less than a second. `by_sheer_listing` lists every subset of the options instead, for a dozen of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

Parts = tuple[tuple[str, int], ...]
Option = tuple[tuple[int, ...], int, float | None, int, int, Parts]
Costs = NDArray[np.int64]

MOST_BEDS = 10
MILLION = 1_000_000
GIVEN_UP_FOR_BREAKS = MILLION // 10
NEVER = np.int64(1) << 61  # the price of what cannot be

# The goals of one stage as one whole number, the earlier goal always outweighing the later ones.
A_COUPLING = 1_000  # needs are fewer
A_BREAK = 1_000_000_000  # sums of margins are smaller
A_FIRST_GOAL = 100 * A_BREAK  # breaks are fewer than a hundred


@dataclass(frozen=True)
class Best:
    """The best that can be had, goal by goal. Margins in millionths; ``None`` where no group is shared.

    ``may_be_left``: every set of beds that can be left without a place with the first two goals at their best.
    """

    placed: int
    couplings: int
    needs: int
    smallest_margin: int | None
    breaks: int
    margin_sum: int | None
    may_be_left: frozenset[tuple[int, ...]]


def best_plan(
    beds: int,
    options: Sequence[Option],
    usable: int,
    stock: dict[str, int] | None,
    left_breaks: Sequence[int],
) -> Best:
    """The best over every way to cover the beds; at most ``usable`` machines, parts within ``stock``."""
    if beds > MOST_BEDS:
        raise ValueError(f"{beds} beds: the table would be too large")
    left = np.array([beds - mask.bit_count() for mask in range(1 << beds)])

    def first_goals(among: Sequence[Option]) -> Costs:
        return _least_to_pay(beds, among, [_couplings(o) * A_COUPLING + o[3] for o in among], usable, stock)

    paid = first_goals(options)
    fewest_left = int(left[paid < NEVER].min())
    paid = np.where(left == fewest_left, paid, NEVER)
    first = int(paid.min())
    couplings = first // A_COUPLING
    may_be_left = frozenset(
        tuple(bed for bed in range(beds) if not mask >> bed & 1)
        for mask in np.flatnonzero(paid // A_COUPLING == couplings)
    )

    shared = [o for o in options if len(o[0]) > 1]
    smallest = None
    kept = list(options)
    if couplings:
        levels = sorted({millionths(_margin(o)) for o in shared})
        low, high = 0, len(levels) - 1  # at the lowest level nothing is taken away
        while low < high:
            middle = (low + high + 1) // 2
            paid = first_goals(_at_least(options, levels[middle]))
            if np.any(paid[left == fewest_left] == first):
                low = middle
            else:
                high = middle - 1
        smallest = levels[low]
        kept = _at_least(options, max(smallest - GIVEN_UP_FOR_BREAKS, 0))
    last = _least_to_pay(
        beds,
        kept,
        [(_couplings(o) * A_COUPLING + o[3]) * A_FIRST_GOAL + o[4] * A_BREAK - _sum_of_margins(o) for o in kept],
        usable,
        stock,
    )
    of_left = [sum(left_breaks[b] for b in range(beds) if not m >> b & 1) for m in range(1 << beds)]
    last = np.where(left == fewest_left, last + np.array(of_left) * A_BREAK, NEVER)
    rest = int(last.min()) - first * A_FIRST_GOAL
    breaks = -(-rest // A_BREAK)
    return Best(
        placed=beds - fewest_left,
        couplings=couplings,
        needs=first % A_COUPLING,
        smallest_margin=smallest,
        breaks=breaks,
        margin_sum=breaks * A_BREAK - rest if couplings else None,
        may_be_left=may_be_left,
    )


def _least_to_pay(
    beds: int, options: Sequence[Option], costs: Sequence[int], usable: int, stock: dict[str, int] | None
) -> Costs:
    """For every set of beds that can be covered (as bits) the least sum of costs; ``NEVER`` where it cannot."""
    scarce = _may_run_short(beds, options, stock)

    def counted(option: Option) -> Parts:
        return tuple((name, count) for name, count in option[5] if name in scarce)

    circuits = sorted({counted(o) for o in options if counted(o)})
    most = [
        min(
            max(beds // len(o[0]) for o in options if counted(o) == circuit),
            *(scarce[name] // count for name, count in circuit),
        )
        for circuit in circuits
    ]
    machines = sorted({o[1] for o in options if o[1] >= 0})
    # Axes: machines used, circuits built of each kind, beds covered.
    paid = np.full((min(usable, len(machines)) + 1, *(m + 1 for m in most), 1 << beds), NEVER)
    paid[(0,) * (1 + len(most)) + (0,)] = 0
    everyone = np.arange(1 << beds)
    slots = [[k for k, o in enumerate(options) if o[1] == machine] for machine in machines]
    slots += [[k] for k, o in enumerate(options) if o[1] < 0]
    for slot in slots:
        before, paid = paid, paid.copy()
        for k in slot:
            members, machine = options[k][:2]
            covers = sum(1 << bed for bed in members)
            adds = [int(machine >= 0), *(int(counted(options[k]) == circuit) for circuit in circuits)]
            source = tuple(slice(None, size - add) for size, add in zip(before.shape, adds, strict=False))
            target = tuple(slice(add, None) for add in adds)
            free = everyone[everyone & covers == 0]
            come = before[source][..., free] + costs[k]
            paid[target][..., free | covers] = np.minimum(paid[target][..., free | covers], come)
    for numbers in product(*(range(m + 1) for m in most)):
        needed = dict.fromkeys(scarce, 0)
        for circuit, n in zip(circuits, numbers, strict=True):
            for name, count in circuit:
                needed[name] += n * count
        if any(needed[name] > have for name, have in scarce.items()):
            paid[(slice(None), *numbers)] = NEVER
    least: Costs = paid.reshape(-1, 1 << beds).min(axis=0)
    return np.where(least < NEVER // 2, least, NEVER)


def _may_run_short(beds: int, options: Sequence[Option], stock: dict[str, int] | None) -> dict[str, int]:
    """The parts of which a ward of so many beds could take more than there are, and how many there are."""
    if stock is None:
        return {}
    most: dict[str, int] = {}
    for o in options:
        for name, count in o[5]:
            most[name] = max(most.get(name, 0), -(-count * beds // len(o[0])))  # so many a bed, for every bed
    return {name: stock.get(name, 0) for name, count in most.items() if count > stock.get(name, 0)}


def millionths(margin: float) -> int:
    """A margin as a whole number, the nearest."""
    return int(np.floor(margin * MILLION + 0.5))


def _couplings(option: Option) -> int:
    return len(option[0]) * (len(option[0]) - 1) // 2


def _margin(option: Option) -> float:
    assert option[2] is not None
    return option[2]


def _sum_of_margins(option: Option) -> int:
    return millionths(_margin(option)) * len(option[0]) if len(option[0]) > 1 else 0


def _at_least(options: Sequence[Option], level: int) -> list[Option]:
    """Every option without the shared groups whose margin is smaller."""
    return [o for o in options if len(o[0]) < 2 or millionths(_margin(o)) >= level]


def by_sheer_listing(
    beds: int,
    options: Sequence[Option],
    usable: int,
    stock: dict[str, int] | None,
    left_breaks: Sequence[int],
) -> Best:
    """The same by listing every subset of the options: for a dozen options, to check the walk itself."""
    plans = []
    for size in range(beds + 1):
        for chosen in combinations(options, size):
            covered = [bed for o in chosen for bed in o[0]]
            machines = [o[1] for o in chosen if o[1] >= 0]
            if len(covered) != len(set(covered)) or len(machines) != len(set(machines)):
                continue
            if len(machines) > usable:
                continue
            needed: dict[str, int] = {}
            for o in chosen:
                for name, count in o[5]:
                    needed[name] = needed.get(name, 0) + count
            if stock is not None and any(count > stock.get(name, 0) for name, count in needed.items()):
                continue
            left = tuple(bed for bed in range(beds) if bed not in covered)
            margins = [(millionths(o[2]), len(o[0])) for o in chosen if len(o[0]) > 1 and o[2] is not None]
            plans.append(
                (
                    len(left),
                    sum(len(o[0]) * (len(o[0]) - 1) // 2 for o in chosen),
                    sum(o[3] for o in chosen),
                    min((m for m, _ in margins), default=None),
                    sum(o[4] for o in chosen) + sum(left_breaks[bed] for bed in left),
                    sum(m * n for m, n in margins) if margins else None,
                    left,
                )
            )
    fewest_left = min(p[0] for p in plans)
    plans = [p for p in plans if p[0] == fewest_left]
    couplings = min(p[1] for p in plans)
    plans = [p for p in plans if p[1] == couplings]
    may_be_left = frozenset(p[6] for p in plans)
    needs = min(p[2] for p in plans)
    plans = [p for p in plans if p[2] == needs]
    smallest = max((p[3] for p in plans if p[3] is not None), default=None)
    if smallest is not None:
        at_least = max(smallest - GIVEN_UP_FOR_BREAKS, 0)
        plans = [p for p in plans if p[3] is not None and p[3] >= at_least]
    breaks = min(p[4] for p in plans)
    total = max((p[5] for p in plans if p[4] == breaks and p[5] is not None), default=None)
    return Best(beds - fewest_left, couplings, needs, smallest, breaks, total, may_be_left)
