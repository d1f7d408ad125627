"""Outside check of the choice of a plan: every way to cover the beds is looked at, one after another.

Nothing here comes from the package under test. An option is a plain tuple

    (beds, ventilator, margin or None, needs, breaks, parts)

with beds as numbers from 0, the ventilator's number (-1: a machine that is not given away), the margin of a
shared group, and parts as (name, count) pairs. The goals come one after another: most beds placed, fewest
couplings (pairs of patients on one machine), fewest needs, largest smallest margin of the shared groups, fewest
breaks among the plans whose smallest margin is at most 0.10 below the best (and not below zero), largest sum of
margin x size. Everything is counted in whole numbers; a margin in millionths.

Only two things shorten the walk: a machine takes one option or none, so that ways are walked machine by machine;
and a way is left once more beds must stay without a place than in the best way so far. For tiny wards
`by_sheer_listing` takes neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numba import njit

Parts = tuple[tuple[str, int], ...]
Option = tuple[tuple[int, ...], int, float | None, int, int, Parts]

MOST_BEDS = 8
MILLION = 1_000_000
GIVEN_UP_FOR_BREAKS = MILLION // 10
NO_GROUP = 1 << 60


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
        raise ValueError(f"{beds} beds: too many ways to look at them all")
    machines = sorted({o[1] for o in options if o[1] >= 0})
    kept = [o for o in options if o[1] < 0]
    slots = [[o for o in options if o[1] == machine] for machine in machines] + [[o] for o in kept]
    given_away = [True] * len(machines) + [False] * len(kept)
    table = [o for slot in slots for o in slot]
    starts = np.cumsum([0] + [len(slot) for slot in slots])
    names = sorted({name for o in table for name, _ in o[5]}) if stock is not None else []
    have = np.array([0 if stock is None else stock.get(name, 0) for name in names], np.int64)
    parts = np.array([[dict(o[5]).get(name, 0) for name in names] for o in table], np.int64)
    columns = np.array([_columns(o) for o in table], np.int64).reshape(len(table), 6)
    reach = np.zeros(len(slots) + 1, np.int64)  # beds that the slots from here on can still cover
    for s in range(len(slots) - 1, -1, -1):
        reach[s] = reach[s + 1] | _mask({bed for o in slots[s] for bed in o[0]})
    first, left_sets = _walk(
        beds, starts, np.array(given_away, np.bool_), columns, parts.reshape(len(table), len(names)), have,
        reach, usable, np.array(left_breaks, np.int64), np.zeros(4, np.int64), False,
    )  # fmt: skip
    threshold = first.copy()
    shared = first[3] < NO_GROUP
    threshold[3] = max(first[3] - GIVEN_UP_FOR_BREAKS, 0) if shared else NO_GROUP
    last, _ = _walk(
        beds, starts, np.array(given_away, np.bool_), columns, parts.reshape(len(table), len(names)), have,
        reach, usable, np.array(left_breaks, np.int64), threshold, True,
    )  # fmt: skip
    return Best(
        placed=beds - int(first[0]),
        couplings=int(first[1]),
        needs=int(first[2]),
        smallest_margin=int(first[3]) if shared else None,
        breaks=int(last[0]),
        margin_sum=int(-last[1]) if shared else None,
        may_be_left=frozenset(_beds(mask) for mask in range(1 << beds) if left_sets[mask]),
    )


def millionths(margin: float) -> int:
    """A margin as a whole number, the nearest."""
    return int(np.floor(margin * MILLION + 0.5))


def _mask(beds: set[int] | tuple[int, ...]) -> int:
    return sum(1 << bed for bed in beds)


def _beds(mask: int) -> tuple[int, ...]:
    return tuple(bed for bed in range(MOST_BEDS) if mask >> bed & 1)


def _columns(option: Option) -> tuple[int, int, int, int, int, int]:
    beds, _, margin, needs, breaks, _ = option
    size = len(beds)
    if size < 2 or margin is None:
        return _mask(beds), size * (size - 1) // 2, needs, NO_GROUP, breaks, 0
    return _mask(beds), size * (size - 1) // 2, needs, millionths(margin), breaks, millionths(margin) * size


@njit
def _count(mask):
    bits = 0
    while mask:
        bits += mask & 1
        mask >>= 1
    return bits


@njit
def _walk(beds, starts, given_away, columns, parts, have, reach, usable, left_breaks, fixed, last_goals):
    """Every way, slot by slot. First goals: left, couplings, needs, smallest margin (and who may be left);
    ``last_goals``: breaks and minus the sum, among the ways that keep to ``fixed``."""
    slots = len(starts) - 1
    everybody = (1 << beds) - 1
    best = np.full(4, np.int64(1) << 61)
    best_left = fixed[0] if last_goals else np.int64(beds)
    left_sets = np.zeros(1 << beds, np.bool_)
    couplings_of_sets = np.int64(1) << 61
    left_of_sets = np.int64(beds + 1)
    pick = np.full(slots + 1, -1, np.int64)  # option of each slot; one below its first: none
    covered = np.zeros(slots + 1, np.int64)
    used = np.zeros(slots + 1, np.int64)
    taken = np.zeros((slots + 1, len(have)), np.int64)
    for s in range(slots):
        pick[s] = -2
    s = 0
    while s >= 0:
        if s == slots:
            left_mask = everybody & ~covered[s]
            left = _count(left_mask)
            couplings = needs = breaks = total = np.int64(0)
            smallest = np.int64(1) << 60
            for t in range(slots):
                if pick[t] >= 0:
                    row = columns[pick[t]]
                    couplings += row[1]
                    needs += row[2]
                    smallest = min(smallest, row[3])
                    breaks += row[4]
                    total += row[5]
            for bed in range(beds):
                if left_mask >> bed & 1:
                    breaks += left_breaks[bed]
            if last_goals:
                if left == fixed[0] and couplings == fixed[1] and needs == fixed[2] and smallest >= fixed[3]:
                    if breaks < best[0] or (breaks == best[0] and -total < best[1]):
                        best[0] = breaks
                        best[1] = -total
            else:
                if left < left_of_sets or (left == left_of_sets and couplings < couplings_of_sets):
                    left_of_sets, couplings_of_sets = left, couplings
                    left_sets[:] = False
                if left == left_of_sets and couplings == couplings_of_sets:
                    left_sets[left_mask] = True
                better = (
                    left < best[0]
                    or (left == best[0] and couplings < best[1])
                    or (left == best[0] and couplings == best[1] and needs < best[2])
                    or (left == best[0] and couplings == best[1] and needs == best[2] and smallest > best[3])
                )
                if better:
                    best[0], best[1], best[2], best[3] = left, couplings, needs, smallest
                    best_left = left
            s -= 1
            continue
        # The next option of this slot that fits; after the last one: none; after none: back.
        moved = False
        if pick[s] == -2:
            k = starts[s]
        elif pick[s] == -1:
            pick[s] = -2
            s -= 1
            continue
        else:
            k = pick[s] + 1
        while k < starts[s + 1]:
            fits = columns[k, 0] & covered[s] == 0 and not (given_away[s] and used[s] >= usable)
            for p in range(len(have)):
                fits = fits and taken[s, p] + parts[k, p] <= have[p]
            if fits:
                pick[s] = k
                covered[s + 1] = covered[s] | columns[k, 0]
                used[s + 1] = used[s] + (1 if given_away[s] else 0)
                taken[s + 1] = taken[s] + parts[k]
                moved = True
                break
            k += 1
        if not moved:
            pick[s] = -1
            covered[s + 1], used[s + 1] = covered[s], used[s]
            taken[s + 1] = taken[s]
        if beds - _count(covered[s + 1] | reach[s + 1]) <= best_left:
            s += 1
            if s < slots:
                pick[s] = -2
    return best, left_sets


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
