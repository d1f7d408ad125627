"""Every plan of a small table of options, listed one by one: for what the best of them is said to be."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from airyoke.plan.options import Choices, Option
from referees.plan_referee import GIVEN_UP_FOR_BREAKS, millionths

Goals = tuple[int, int, int, int | None, int, int | None]


@dataclass(frozen=True)
class Listed:
    """One plan and what it reaches. Margins in millionths; ``None`` where nobody shares."""

    chosen: tuple[Option, ...]
    left: tuple[int, ...]
    couplings: int
    needs: int
    smallest: int | None
    breaks: int
    margin_sum: int | None

    @property
    def shared(self) -> frozenset[tuple[int, ...]]:
        """The beds of its shared groups."""
        return frozenset(o.beds for o in self.chosen if len(o.beds) > 1)


def every_plan(table: Choices) -> list[Listed]:
    """All of them: each bed in turn is left, or placed by one of the options that begin with it."""
    return [_listed(table, chosen) for chosen in _ways(table, 0, (), frozenset(), frozenset())]


def _ways(
    table: Choices, bed: int, chosen: tuple[Option, ...], covered: frozenset[int], machines: frozenset[int]
) -> Iterator[tuple[Option, ...]]:
    while bed in covered:
        bed += 1
    if bed >= table.beds:
        if _in_stock(table, chosen):
            yield chosen
        return
    yield from _ways(table, bed + 1, chosen, covered, machines)
    for o in table.options:
        # A bed that an earlier one passed over stays left: groups are taken up at their first bed.
        if min(o.beds) != bed or covered & set(o.beds) or o.ventilator in machines:
            continue
        used = machines | {o.ventilator} if o.ventilator >= 0 else machines
        if len(used) <= table.usable:
            yield from _ways(table, bed + 1, (*chosen, o), covered | set(o.beds), used)


def _in_stock(table: Choices, chosen: Iterable[Option]) -> bool:
    if table.stock is None:
        return True
    taken: dict[str, int] = {}
    for o in chosen:
        for name, count in o.parts:
            taken[name] = taken.get(name, 0) + count
    return all(count <= table.stock.get(name, 0) for name, count in taken.items())


def _listed(table: Choices, chosen: tuple[Option, ...]) -> Listed:
    covered = {bed for o in chosen for bed in o.beds}
    left = tuple(bed for bed in range(table.beds) if bed not in covered)
    shared = [(millionths(o.margin), len(o.beds)) for o in chosen if len(o.beds) > 1 and o.margin is not None]
    return Listed(
        chosen=chosen,
        left=left,
        couplings=sum(len(o.beds) * (len(o.beds) - 1) // 2 for o in chosen),
        needs=sum(o.needs for o in chosen),
        smallest=min((m for m, _ in shared), default=None),
        breaks=sum(o.breaks for o in chosen) + sum(table.left_breaks[bed] for bed in left),
        margin_sum=sum(m * n for m, n in shared) if shared else None,
    )


def best_goals_of(plans: Sequence[Listed], beds: int) -> Goals:
    """The goals one after another over these plans, as the tool orders them."""
    fewest = min(len(p.left) for p in plans)
    plans = [p for p in plans if len(p.left) == fewest]
    couplings = min(p.couplings for p in plans)
    plans = [p for p in plans if p.couplings == couplings]
    needs = min(p.needs for p in plans)
    plans = [p for p in plans if p.needs == needs]
    smallest = max((p.smallest for p in plans if p.smallest is not None), default=None)
    if smallest is not None:
        least = max(smallest - GIVEN_UP_FOR_BREAKS, 0)
        plans = [p for p in plans if p.smallest is not None and p.smallest >= least]
    breaks = min(p.breaks for p in plans)
    total = max((p.margin_sum for p in plans if p.breaks == breaks and p.margin_sum is not None), default=None)
    return beds - fewest, couplings, needs, smallest, breaks, total
