"""Plans of invented wards, end to end, against referees that look at every way to cover the beds."""

from __future__ import annotations

from dataclasses import astuple, dataclass, replace
from itertools import combinations

import pytest

from airyoke.breath.ventilator import Ventilator
from airyoke.plan.assignment import Option
from airyoke.plan.options import Choices
from airyoke.plan.plan import Plan
from airyoke.plan.planner import Planned
from airyoke.plan.pool import Pool
from airyoke.ward.ward import Ward
from plan.refereed import (
    CAN_DO_WITHOUT,
    LONG,
    every_option,
    goals_of,
    goals_of_referee,
    plain,
    planned_in_full,
    refereed,
    table_of,
    wrong_alternatives,
    wrong_choice,
)
from plan.ward_rules import WardRules
from referees.cpsat_referee import best_goals
from referees.plan_referee import Best
from referees.ward_maker import random_ward

WARDS = 500 if LONG else 16
MOST_BEDS = 10
WARDS_OF_SIXTEEN = 20 if LONG else 1
WARDS_JUDGED_APART = 100 if LONG else 2
WITH_HINTS = 10  # one ward in so many is also asked what would change it; the plan is the same without


@dataclass(frozen=True)
class PlannedWard:
    seed: int
    ward: Ward
    rules: WardRules
    planned: Planned
    plan: Plan
    best: Best


@pytest.fixture(scope="module")
def wards():
    """The wards, planned in full."""
    result = []
    for seed in range(WARDS):
        ward = random_ward(seed, most=MOST_BEDS)
        planned, plan = planned_in_full(ward, hints=seed % WITH_HINTS == 0)
        rules = WardRules(ward)
        best = refereed(table_of(ward, rules, planned))
        result.append(PlannedWard(seed, ward, rules, planned, plan, best))
    return result


def failures(wards, check):
    """(seed, what is wrong) of every ward of which ``check`` says something."""
    found = [(one.seed, said) for one in wards for said in [check(one)] if said]
    return f"{len(found)} of {len(wards)} wards (seed, what): {found[:5]}" if found else None


def test_the_invented_wards_are_worth_planning(wards):
    assert sum(any(len(g.beds) > 1 for g in one.plan.groups) for one in wards) >= WARDS // 6
    assert sum(bool(one.plan.unplaced) for one in wards) >= WARDS // 3
    assert sum(one.plan.outcome == "all_placed" for one in wards) >= WARDS // 12
    assert sum(len(one.best.may_be_left) > 1 for one in wards) >= WARDS // 3
    assert sum(one.best.needs > 0 for one in wards) >= WARDS // 50


def test_every_goal_of_the_proof_is_the_best_of_all_ways_to_cover_the_ward(wards):
    def check(one):
        said, true = goals_of(one.plan.proof), goals_of_referee(one.best)
        return None if said == true else f"said {said}, true {true}"

    assert failures(wards, check) is None


def test_the_groups_of_the_plan_reach_the_goals_of_its_proof(wards):
    def check(one):
        numbers = {bed.label: i for i, bed in enumerate(one.ward.beds)}
        machines = {label: i for i, label in enumerate(one.rules.free)}
        chosen = [
            next(
                o for o in every_option(one.ward, one.rules, one.planned)
                if o.beds == tuple(numbers[b] for b in g.beds) and (len(g.beds) == 1 or o.parts == g.parts)
                and o.ventilator == (-1 if g.beds[0] in one.rules.kept else machines[g.ventilator])
            )
            for g in one.plan.groups
        ]  # fmt: skip
        left = tuple(numbers[u.bed] for u in one.plan.unplaced)
        return wrong_choice(tuple(chosen), left, table_of(one.ward, one.rules, one.planned), one.best)

    assert failures(wards, check) is None


def test_who_could_be_left_instead_is_exactly_who_the_referee_finds(wards):
    def check(one):
        if wrong_alternatives(one.planned.assignment.alternatives, one.best):
            return one.planned.assignment.alternatives, one.best.may_be_left
        numbers = {bed.label: i for i, bed in enumerate(one.ward.beds)}
        left = tuple(numbers[u.bed] for u in one.plan.unplaced)
        if left and left not in one.best.may_be_left:
            return "the set that is left is not one of them"
        for unplaced in one.plan.unplaced:
            shown = {tuple(numbers[b] for b in beds) for beds in unplaced.alternatives}
            if shown != set(one.planned.assignment.alternatives) - {left}:
                return unplaced.bed, shown
        return None

    assert failures(wards, check) is None


def test_the_options_are_all_that_the_raw_ward_allows_and_no_more(wards):
    def check(one):
        rules, labels = one.rules, [bed.label for bed in one.ward.beds]
        if [v.label for v in one.planned.ventilators] != rules.free:
            return "machines to give away", [v.label for v in one.planned.ventilators], rules.free
        alone = set()
        for o in every_option(one.ward, rules, one.planned):
            beds = tuple(labels[i] for i in o.beds)
            if o.ventilator < 0:
                if len(beds) > 1 or beds[0] not in rules.kept:
                    return "keeps a machine", beds
                continue
            machine = rules.free[o.ventilator]
            if len(beds) == 1:
                alone.add((beds[0], machine))
                if (o.needs, o.breaks, o.parts) != (0, rules.breaks(beds, machine), ()):
                    return "alone", o
                continue
            together = all(rules.may_be_together(a, b) for a in beds for b in beds if a < b)
            if not together or len(beds) > one.ward.policy.max_group_size:
                return "may not be together", beds
            if "pc" not in rules.machine[machine].modes or not rules.reaches(machine, beds):
                return "this machine cannot", beds, machine
            if o.margin is None or o.margin < 0.0 or one.ward.policy.sharing == "no":
                return "not allowed", o
            want = (rules.needs(beds), rules.breaks(beds, machine))
            if (o.needs, o.breaks) != want or not makes_a_circuit(dict(o.parts), rules.parts(len(beds))):
                return o, want
        wanted = {(b, v) for b in labels for v in rules.stays_as_it_is_on(b)}
        return ("alone", alone ^ wanted) if alone != wanted else None

    assert failures(wards, check) is None


def test_every_pair_that_rooms_labels_and_conditions_allow_was_screened_and_no_other(wards):
    def check(one):
        rules, labels = one.rules, [bed.label for bed in one.ward.beds]
        pool = one.planned.pool
        near = [g for g in pool.groups if len(g) == 2 and any(pool.near(number, g) for number, _ in pool.kinds())]
        judged = {tuple(labels[i] for i in members) for members in near}
        able = [v for v in rules.free if "pc" in rules.machine[v].modes]
        wanted = {p for p in rules.pairs() if any(rules.reaches(v, p) for v in able)}
        if one.ward.policy.sharing == "no":
            wanted = set()
        return judged ^ wanted or None

    assert failures(wards, check) is None


def test_nobody_is_on_two_machines_and_no_machine_serves_two_groups(wards):
    def check(one):
        named = [b for g in one.plan.groups for b in g.beds] + [u.bed for u in one.plan.unplaced]
        if sorted(named) != sorted(bed.label for bed in one.ward.beds):
            return named
        given = [g.ventilator for g in one.plan.groups if g.beds[0] not in one.rules.kept]
        if len(given) != len(set(given)) or set(given) & set(one.rules.kept.values()):
            return given
        return None

    assert failures(wards, check) is None


def test_the_reserve_is_held_back_and_named(wards):
    def check(one):
        used = {g.ventilator for g in one.plan.groups}
        usable = {v.label for v in one.ward.ventilators if v.usable}
        if not used - set(one.rules.kept.values()) <= usable or set(one.plan.reserve) != usable - used:
            return used, one.plan.reserve
        given = used - set(one.rules.kept.values())
        if given and len(usable - used) < one.ward.policy.reserve_ventilators:
            return "into the reserve", used
        return None

    assert failures(wards, check) is None


def test_nobody_shares_across_rooms_labels_positions_or_against_a_reason_to_be_alone(wards):
    def check(one):
        for g in one.plan.groups:
            if len(g.beds) > 1:
                apart = [(a, b) for a in g.beds for b in g.beds if a < b and not one.rules.may_be_together(a, b)]
                if apart or one.ward.policy.sharing == "no":
                    return g.beds, apart
                if len(g.needs) != one.rules.needs(g.beds):
                    return g.beds, g.needs
            elif g.settings is not None:
                return g.beds, "stays alone, and its settings are changed"
        return None

    assert failures(wards, check) is None


def test_the_store_room_has_what_the_plan_takes(wards):
    def check(one):
        taken: dict[str, int] = {}
        for g in one.plan.groups:
            if len(g.beds) > 1 and not makes_a_circuit(dict(g.parts), one.rules.parts(len(g.beds))):
                return g.beds, g.parts
            for part, count in g.parts:
                taken[part] = taken.get(part, 0) + count
        listed = {line.part: (line.need, line.have) for line in one.plan.pick_list}
        stock = one.ward.stock
        wanted = {p: (n, None if stock is None else stock.get(p, 0)) for p, n in taken.items()}
        if listed != wanted:
            return listed, wanted
        return None if stock is None else [p for p, n in taken.items() if n > stock.get(p, 0)]

    assert failures(wards, check) is None


def makes_a_circuit(parts: dict[str, int], usual: dict[str, int]) -> bool:
    """What the rule of the trade asks for and no more, or less of what a circuit can do without."""
    return parts.keys() <= usual.keys() and all(
        parts.get(name, 0) == count or (name in CAN_DO_WITHOUT and parts.get(name, 0) < count)
        for name, count in usual.items()
    )


def judged_apart(ward: Ward, rules: WardRules, pool: Pool) -> Choices:
    """The options of a ward from its raw cells, each group judged in a ward of its own with one machine and the parts
    of one circuit."""
    labels = [bed.label for bed in ward.beds]
    options: list[Option] = []
    for i, label in enumerate(labels):
        if label in rules.kept:
            options.append(Option((i,), -1, None, 0, 0))
        for number, machine in enumerate(rules.free):
            if machine in rules.stays_as_it_is_on(label):
                options.append(Option((i,), number, None, 0, rules.breaks((label,), machine)))
    # Machines that differ only in name and place give one and the same verdict.
    verdicts: dict[tuple[object, ...], float | None] = {}
    for size in range(2, ward.policy.max_group_size + 1 if ward.policy.sharing != "no" else 2):
        for members in combinations(range(len(labels)), size):
            beds = tuple(labels[i] for i in members)
            if not all(rules.may_be_together(a, b) for a, b in combinations(beds, 2)):
                continue
            for number, label in enumerate(rules.free):
                machine = rules.machine[label]
                if "pc" not in machine.modes or not rules.reaches(label, beds):
                    continue
                for build in pool.builds(members):
                    key = (beds, replace(machine, label="", room=None), build.parts)
                    if key not in verdicts:
                        parts = None if ward.stock is None else dict(build.parts)
                        verdicts[key] = margin_alone(ward, rules, beds, machine, parts)
                    margin = verdicts[key]
                    if margin is not None:
                        needs, breaks = rules.needs(beds), rules.breaks(beds, label)
                        options.append(Option(members, number, margin, needs, breaks, build.parts))
    left_breaks = tuple(int(b.readings is not None and b.ventilator is not None) for b in ward.beds)
    return Choices(len(labels), tuple(options), len(rules.free), rules.usable_number(), ward.stock, left_breaks)


def margin_alone(
    ward: Ward, rules: WardRules, beds: tuple[str, ...], machine: Ventilator, stock: dict[str, int] | None
) -> float | None:
    """The margin of this group where there is nothing else to choose; ``None`` where it may not be."""
    policy = replace(ward.policy, reserve_ventilators=0)
    few = tuple(rules.bed[b] for b in beds)
    # The machines they are on now stay in the ward, as their lungs were read on them; none of them is to be had.
    present = tuple(replace(v, usable=False) for v in ward.ventilators)
    small = Ward(few, (*present, replace(machine, label="the one", room=None)), policy, stock)
    _, plan = planned_in_full(small)
    for group in plan.groups:
        if len(group.beds) == len(beds):
            assert group.answer is not None
            assert group.answer.margin is not None
            return group.answer.margin.value
    return None


def test_no_group_judged_by_itself_would_make_a_better_plan(wards):
    # Whatever shortcuts the planner takes, its plan is the best of all groups, each judged in full.
    scarce = [one for one in wards if one.best.couplings or one.plan.unplaced]
    some = sorted(scarce, key=lambda one: one.best.couplings == 0)[:WARDS_JUDGED_APART]

    def check(one):
        said, true = goals_of(one.plan.proof), goals_of_referee(refereed(judged_apart(one.ward, one.rules, one.planned.pool)))
        return None if said == true else f"said {said}, true {true}"

    assert failures(some, check) is None
    assert sum(one.best.couplings > 0 for one in some) >= WARDS_JUDGED_APART // 3


def test_another_solver_finds_the_same_goals_on_wards_of_sixteen():
    wrong, shared = [], 0
    for seed in range(WARDS_OF_SIXTEEN):
        ward = random_ward(seed + 700, fewest=16, most=16)
        planned, plan = planned_in_full(ward)
        t = table_of(ward, WardRules(ward), planned)
        other = best_goals(t.beds, plain(t.options), t.usable, t.stock, t.left_breaks)
        shared += other.couplings > 0
        if goals_of(plan.proof) != astuple(other):
            wrong.append((seed + 700, goals_of(plan.proof), other))
    assert not wrong
    assert shared > WARDS_OF_SIXTEEN // 2
