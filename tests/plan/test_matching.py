"""Matching against the solver: where it answers it must be right, where it does not there must be a reason."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from random import Random

import pytest

from airyoke.plan.assignment import BREAK_TOLERANCE, Assignment, assign
from airyoke.plan.matching import Matched, match
from airyoke.plan.options import KEPT, MARGIN_UNIT, Option
from plan.machine_tables import MachineWard, build_of, choices, machine_ward, parts_of
from plan.option_tables import TIED_MARGINS
from plan.refereed import LONG, goals_of, goals_of_referee, plain
from referees.plan_referee import best_plan

WARDS = 3000 if LONG else 160
MOST_BEDS = 9
TOLERANCE = round(BREAK_TOLERANCE * MARGIN_UNIT)


def ward_of(seed: int) -> MachineWard:
    """One pool of machines, nobody shares now, and often a few machines short."""
    ward = machine_ward(seed, alike=True, largest=2, most=MOST_BEDS)
    assert ward.offers.alike
    rng = Random(f"short {seed}")
    machines = len(ward.machines.ventilators)
    beds = sum(not c.keeps_ventilator for c in ward.candidates)
    usable = min(max(beds - rng.randint(0, 3), 0), machines)
    stock = ward.stock
    kind = rng.random()
    if kind < 0.4:  # plenty of everything, or of what every circuit takes only
        stock = {name: (9 if kind < 0.25 or k < 2 else 1) * need for k, (name, need) in enumerate(parts_of(2))}
    return replace(ward, usable=usable, stock=stock)


def options_of(ward: MachineWard, seed: int) -> list[Option]:
    """Its options; some circuits take fewer parts than others."""
    rng = Random(f"parts {seed}")
    few = rng.choice((0.0, 0.1, 0.7))
    return [replace(o, parts=o.parts[:2]) if o.parts and rng.random() < few else o for o in ward.offered()]


def matched(ward: MachineWard, options: list[Option], highest: int | None = None) -> Matched | None:
    return match(choices(ward, options), TOLERANCE, highest)


def solved(ward: MachineWard, options: list[Option]) -> Assignment:
    return assign(choices(ward, options))


def machines_short(ward: MachineWard) -> int:
    return max(sum(not c.keeps_ventilator for c in ward.candidates) - ward.usable, 0)


def larger_groups(ward: MachineWard, seed: int) -> list[Option]:
    """Triples and quads that look better than any pair: no needs, a large margin."""
    rng = Random(f"larger {seed}")
    free = [i for i, c in enumerate(ward.candidates) if not c.keeps_ventilator]
    return [
        replace(o, margin=rng.choice((*TIED_MARGINS, 5.0)), needs=0)
        for size in (3, 4)
        for members in combinations(free, size)
        if rng.random() < 0.5 and ward.machines.pools
        for o in ward.offers.shared(members, 0, build_of(len(members)))
    ]


@pytest.fixture(scope="module")
def wards():
    found = []
    for seed in range(WARDS):
        ward = ward_of(seed)
        options = options_of(ward, seed)
        found.append((seed, ward, options, matched(ward, options), solved(ward, options)))
    return found


def test_the_tables_are_worth_matching(wards):
    answers = [one for one in wards if one[3] is not None]
    assert len(answers) > WARDS // 4
    assert len(wards) - len(answers) > WARDS // 4
    pairs = [(m, s) for _, _, _, m, s in answers if any(len(o.beds) == 2 for o in m.chosen)]
    assert len(pairs) > WARDS // 6
    assert sum(any(o.needs for o in m.chosen) for m, _ in pairs) > WARDS // 20  # needs cannot always be avoided
    given_up = [m for m, _ in pairs if min(o.units for o in m.chosen if o.margin is not None) < _level(m)]
    assert len(given_up) > WARDS // 100  # some margin was given up for fewer breaks


def _level(found: Matched) -> int:
    value = next(g.value for g in found.goals if g.goal == "smallest_margin")
    assert value is not None
    return round(value * MARGIN_UNIT)


def test_where_matching_answers_every_goal_is_the_solvers(wards):
    wrong = [
        (seed, goals_of(m.goals), goals_of(s.goals))
        for seed, _, _, m, s in wards
        if m is not None and goals_of(m.goals) != goals_of(s.goals)
    ]
    assert not wrong, f"{len(wrong)} (seed, matched, solved): {wrong[:5]}"


def test_where_matching_answers_every_goal_is_that_of_all_ways_to_cover_the_beds(wards):
    wrong = []
    for seed, ward, options, m, _ in wards[: WARDS // 3]:
        if m is None:
            continue
        # The referee knows machines by name only: each pair on the machines of the pool, with breaks of its own count.
        known = {o.beds: o for o in options if len(o.beds) == 2}
        named = [replace(o, parts=known[o.beds].parts) if len(o.beds) == 2 else o for o in ward.by_name()]
        best = best_plan(ward.beds, plain(tuple(named)), ward.usable, ward.stock, ward.left_breaks)
        if goals_of(m.goals) != goals_of_referee(best):
            wrong.append((seed, goals_of(m.goals), goals_of_referee(best)))
    assert not wrong, f"{len(wrong)} (seed, matched, true): {wrong[:5]}"


def test_the_matched_pairs_are_a_plan_that_reaches_its_goals(wards):
    wrong = []
    for seed, ward, options, m, _ in wards:
        if m is None:
            continue
        placed = ward.machines.on_machines(m.chosen)
        numbers = [o.ventilator for o in placed if o.ventilator != KEPT]
        shared = [o for o in m.chosen if len(o.beds) == 2]
        goals = goals_of(m.goals)
        reached = (
            sum(len(o.beds) for o in m.chosen), len(shared), sum(o.needs for o in m.chosen),
            min((o.units for o in m.witness), default=None), sum(o.breaks for o in m.chosen),
            sum(2 * o.units for o in shared) if shared else None,
        )  # fmt: skip
        if sorted(b for o in m.chosen for b in o.beds) != list(range(ward.beds)):
            wrong.append((seed, "not everybody once"))
        if not set(m.chosen) | set(m.witness) <= set(options):
            wrong.append((seed, "not among the options"))
        if len(numbers) != len(set(numbers)) or len(numbers) > ward.usable:
            wrong.append((seed, "machines", numbers))
        if reached != goals:
            wrong.append((seed, "reached", reached, goals))
        if shared and min(o.units for o in shared) < max(_level(m) - TOLERANCE, 0):
            wrong.append((seed, "more margin given up than may be"))
        if len(m.witness) != len(shared) or sum(o.needs for o in m.witness) != goals[2]:
            wrong.append((seed, "the witness of the margin is no plan of the first three goals"))
    assert not wrong, f"{len(wrong)}: {wrong[:5]}"


def test_where_matching_has_no_answer_somebody_is_left_or_more_couplings_are_needed_or_a_part_is_scarce(wards):
    wrong, because = [], {"left": 0, "scarce": 0}
    for seed, ward, options, m, s in wards:
        if m is not None:
            continue
        short = machines_short(ward)
        needed = {}
        for o in options:
            for name, count in o.parts:
                needed[name] = max(needed.get(name, 0), count)
        scarce = ward.stock is not None and any(ward.stock.get(p, 0) < short * n for p, n in needed.items())
        left = bool(s.left) or sum(o.couplings for o in s.chosen) > short
        because["left"] += left
        because["scarce"] += scarce and not left
        if not scarce and not left:
            wrong.append((seed, short, goals_of(s.goals)))
    assert not wrong, f"{len(wrong)} tables without an answer and without a reason: {wrong[:5]}"
    assert because["left"] > WARDS // 5
    assert because["scarce"] > 0


def test_a_ceiling_of_the_smallest_margin_that_is_known_changes_nothing(wards):
    wrong, tried = [], 0
    for seed, ward, options, m, _ in wards:
        if m is None or not m.witness:
            continue
        rng, level = Random(f"ceiling {seed}"), _level(m)
        for highest in (level, level + 1, level + rng.randint(0, 400_000), 2 * MARGIN_UNIT):
            tried += 1
            if goals_of(matched(ward, options, highest).goals) != goals_of(m.goals):
                wrong.append((seed, highest, level))
    assert not wrong, f"{len(wrong)} of {tried}: {wrong[:5]}"
    assert tried > WARDS // 3


def test_where_matching_answers_no_larger_group_could_make_a_better_plan(wards):
    # The pairs-first certificate: everybody placed with as few couplings as machines are short.
    wrong, offered = [], 0
    for seed, ward, options, m, _ in wards if LONG else wards[: WARDS // 2]:
        if m is None or machines_short(ward) == 0:
            continue
        more = [*options, *larger_groups(ward, seed)]
        offered += len(more) > len(options)
        stock = None if ward.stock is None else dict.fromkeys(ward.stock, 99)
        plenty = replace(ward, stock=stock)
        for among in (options, more):
            again = matched(ward, among)
            if again is None or goals_of(again.goals) != goals_of(m.goals):
                wrong.append((seed, "matching looked at them"))
        if goals_of(solved(plenty, more).goals) != goals_of(m.goals):
            wrong.append((seed, goals_of(solved(plenty, more).goals), goals_of(m.goals)))
    assert not wrong, f"{len(wrong)}: {wrong[:5]}"
    assert offered > WARDS // 20


def test_one_pair_taken_away_would_be_noticed(wards):
    # Negative control: without one of the matched pairs the goals often change.
    noticed = 0
    for _, ward, options, m, s in wards[:150]:
        pairs = [] if m is None else [o for o in m.chosen if len(o.beds) == 2]
        if pairs:
            again = matched(ward, [o for o in options if o != pairs[0]])
            noticed += again is None or goals_of(again.goals) != goals_of(s.goals)
    assert noticed >= 10
