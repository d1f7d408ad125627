"""Plans from small stocks against every way to cover the ward and every way to fill its circuits.

An invented judge allows or refuses a group whatever circuit it has; which circuits a stock gives together is counted
here by trying every way to share out the filters, without a solver and without the planner's list of builds.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import count, islice, product
from random import Random

import pytest

from airyoke.circuit.needs import Stock
from airyoke.circuit.parts import PARTS
from airyoke.plan.planner import Planned
from circuit.recheck import faults_of
from plan.listing import Goals, best_goals_of, every_plan
from plan.refereed import LONG, goals_of
from plan.test_rounds import Case, case_of, planned

WARDS = 300 if LONG else 25
MOST_BEDS = 6
# For every part a stock may hold: how many of it one circuit for two takes at most.
FOR_TWO = {
    "y-piece": 4, "t-piece": 4, "sleeve-22f-22f": 2, "tube-22mm-300mm": 2, "one-way-valve": 4,
    "one-way-valve-spring": 4, "tube-22mm-1500mm": 4, "hmef": 2, "filter-pleated": 3, "hme-without-filter": 2,
    "expiratory-filter": 1, "capnograph-adapter": 2, "capnograph-cuvette": 2, "catheter-mount": 2, "elbow": 2,
    "humidifier-chamber": 1,
}  # fmt: skip
# What most circuits are short of in these stocks, so that something stands in for it.
SCARCE = (
    "one-way-valve", "hmef", "filter-pleated", "expiratory-filter", "sleeve-22f-22f", "y-piece", "humidifier-chamber",
)  # fmt: skip


@dataclass(frozen=True)
class Circuit:
    """What one shared group breathes through."""

    size: int
    heated: bool


def gives(stock: Stock, circuits: Sequence[Circuit]) -> bool:
    """Whether the stock gives all these circuits at once. Substitutes by common practice, no source: T- for Y-pieces,
    a short tube for a sleeve, spring for flap valves, filter and HME for an HMEF, a pleated filter for the expiratory
    one, a cuvette or the HMEF's own port for the gas sample; a catheter mount can be done without."""

    def have(*names: str) -> int:
        return sum(stock.get(name, 0) for name in names)

    people = sum(c.size for c in circuits)
    warm = sum(c.size for c in circuits if c.heated)
    fittings = sum(2 * (c.size - 1) + c.size for c in circuits)
    bridges = sum(2 * (c.size - 1) + c.heated for c in circuits)
    if fittings > have("y-piece", "t-piece") or bridges > have("sleeve-22f-22f", "tube-22mm-300mm"):
        return False
    if 2 * people > min(have("one-way-valve", "one-way-valve-spring"), have("tube-22mm-1500mm")):
        return False
    if sum(c.heated for c in circuits) > have("humidifier-chamber"):
        return False
    for hmefs, of_their_own in product(range(have("hmef") + 1), range(have("expiratory-filter") + 1)):
        two_parts = people - warm - hmefs
        pleated = two_parts + warm + len(circuits) - of_their_own
        if (
            two_parts >= 0
            and of_their_own <= len(circuits)
            and two_parts <= have("hme-without-filter")
            and pleated <= have("filter-pleated")
            and people - hmefs <= have("capnograph-adapter", "capnograph-cuvette")
        ):
            return True
    return False


def random_stock(rng: Random) -> dict[str, int]:
    """Parts for one or two circuits; of some so few that others have to stand in."""
    circuits = rng.choice((1, 1, 1, 2))
    stock = {part: circuits * need + rng.randint(0, 2) for part, need in FOR_TWO.items()}
    for part in rng.sample(SCARCE, rng.randint(1, 5)):
        stock[part] = rng.randint(0, stock[part] // 2)
    return {part: held for part, held in stock.items() if held and rng.random() > 0.03}


@dataclass(frozen=True)
class Tried:
    """A ward with its stock, what was planned, and the goals of the best of all plans."""

    seed: int
    case: Case
    found: Planned
    best: Goals
    without_stock: Goals

    @property
    def circuits(self) -> list[Circuit]:
        made = [self.found.pool.store.made(o.parts) for o in self.found.assignment.chosen if len(o.beds) > 1]
        return [Circuit(one.needs.size, one.needs.humidification == "heated") for one in made]


def tried(seed: int) -> Tried | None:
    """The ward of that number; ``None`` where nobody would share with everything in store."""
    rng = Random(f"stock {seed}")
    case = case_of(seed, MOST_BEDS)
    case = replace(case, table=replace(case.table, stock=None))
    plans = every_plan(case.table)
    without_stock = best_goals_of(plans, case.table.beds)
    if not without_stock[1]:
        return None
    candidates = tuple(
        replace(c, humidification=rng.choice(("hme", "heated", None))) for c in case.request.candidates
    )
    stock = random_stock(rng)
    case = replace(case, request=replace(case.request, candidates=candidates, stock=stock))

    def can_be_built(chosen) -> bool:
        shared = [o.beds for o in chosen if len(o.beds) > 1]
        ways = [
            (False, True) if all(candidates[i].humidification == "heated" for i in beds) else (False,)
            for beds in shared
        ]
        return any(
            gives(stock, [Circuit(len(beds), heated) for beds, heated in zip(shared, way, strict=True)])
            for way in product(*ways)
        )

    within = [one for one in plans if can_be_built(one.chosen)]
    return Tried(seed, case, planned(case), best_goals_of(within, case.table.beds), without_stock)


@pytest.fixture(scope="module")
def wards() -> list[Tried]:
    found = (one for seed in count() if (one := tried(seed)) is not None)
    return list(islice(found, WARDS))


def test_no_plan_whose_circuits_the_stock_gives_is_better(wards):
    wrong = [
        (one.seed, goals_of(one.found.assignment.goals), one.best)
        for one in wards
        if goals_of(one.found.assignment.goals) != one.best
    ]
    assert not wrong, f"{len(wrong)} of {len(wards)} (seed, found, true): {wrong[:5]}"


def test_the_stocks_decide_and_other_parts_stand_in(wards):
    assert sum(one.best != one.without_stock for one in wards) > WARDS // 4
    shared = [one for one in wards if one.circuits]
    assert len(shared) > WARDS // 3
    made = [one.found.pool.store.made(o.parts) for one in shared for o in one.found.assignment.chosen if o.build]
    assert sum(bool(built.substitutes) for built in made) > len(made) // 4
    assert any(circuit.heated for one in wards for circuit in one.circuits) or not LONG


def test_the_circuits_of_a_plan_take_no_more_than_there_is_and_fit_together(wards):
    for one in wards:
        taken: Counter[str] = Counter()
        for o in one.found.assignment.chosen:
            if len(o.beds) > 1:
                built = one.found.pool.store.made(o.parts)
                assert built.needs.size == len(o.beds), one.seed
                assert built.build.parts == o.parts, one.seed
                assert faults_of(built.assembly, PARTS) == [], one.seed
                if built.needs.humidification == "heated":
                    assert all(one.case.request.candidates[i].humidification == "heated" for i in o.beds), one.seed
                taken.update(dict(o.parts))
        assert all(number <= one.case.request.stock.get(part, 0) for part, number in taken.items()), one.seed
        assert gives(one.case.request.stock, one.circuits), one.seed
