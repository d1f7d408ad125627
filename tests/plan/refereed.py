"""What the tests of the choice share: goals as whole numbers, the referee's answer, and a ward planned in full."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import datetime

import pytest

from airyoke.plan import compose, planner
from airyoke.plan.assignment import MOST_ALTERNATIVES, Assignment, assign, left_instead
from airyoke.plan.options import KEPT, Choices, Option, pool_number
from airyoke.plan.plan import Goal, Plan
from airyoke.plan.planner import Planned
from airyoke.ward.questions import plan_ward
from airyoke.ward.ward import Ward
from plan.ward_rules import WardRules
from referees.plan_referee import Best, best_plan, millionths

LONG = os.environ.get("AIRYOKE_LONG") == "1"
DRAWS = 32
# A circuit can be built without these, with a caution: the gas is sampled from the HMEF, the tube carries the filter.
CAN_DO_WITHOUT = frozenset({"capnograph-adapter", "catheter-mount"})
NOW = datetime(2026, 11, 25, 14, 0)


def plain(options: tuple[Option, ...]):
    return [(o.beds, o.ventilator, o.margin, o.needs, o.breaks, o.parts) for o in options]


def refereed(table: Choices) -> Best:
    return best_plan(table.beds, plain(table.options), table.usable, table.stock, table.left_breaks)


def assigned(table: Choices) -> Assignment:
    best = assign(table)
    instead = left_instead(best, table)
    return replace(best, alternatives=tuple(left for left, _ in instead))


def goals_of(goals: tuple[Goal, ...]):
    """Goals as whole numbers, in the order of the referee; what was not proved stands as a word."""

    def whole(goal: Goal, unit: int):
        if goal.status == "skipped":
            return None
        if goal.status != "proved" or goal.gap != 0.0 or goal.value != goal.bound or goal.value is None:
            return goal.status
        return millionths(goal.value) if unit > 1 else round(goal.value)

    of = {goal.goal: goal for goal in goals}
    whole_ones = ("placed", "couplings", "needs")
    return (
        *(whole(of[name], 1) for name in whole_ones),
        whole(of["smallest_margin"], 1_000_000),
        whole(of["breaks"], 1),
        whole(of["margin_sum"], 1_000_000),
    )


def goals_of_referee(best: Best):
    return best.placed, best.couplings, best.needs, best.smallest_margin, best.breaks, best.margin_sum


def wrong_alternatives(found: tuple[tuple[int, ...], ...], best: Best) -> bool:
    """The sets that could be left must be the referee's, or a full dozen of them."""
    real = best.may_be_left - {()}
    if len(real) <= MOST_ALTERNATIVES:
        return set(found) != real
    return not set(found) <= real or len(set(found)) != MOST_ALTERNATIVES


def wrong_choice(chosen: tuple[Option, ...], left: tuple[int, ...], table: Choices, best: Best) -> str | None:
    """Do the chosen options stand for the goals that were said, and are they a plan at all?"""
    covered = [bed for o in chosen for bed in o.beds]
    machines = [o.ventilator for o in chosen if o.ventilator >= 0]
    if sorted([*covered, *left]) != list(range(table.beds)):
        return "somebody is twice in the plan, or not at all"
    if len(machines) != len(set(machines)) or len(machines) > table.usable:
        return "a machine is given away twice, or the reserve with it"
    if table.stock is not None:
        for part in {name for o in chosen for name, _ in o.parts}:
            if sum(dict(o.parts).get(part, 0) for o in chosen) > table.stock.get(part, 0):
                return f"more {part} than there is"
    shared = [(millionths(o.margin), len(o.beds)) for o in chosen if len(o.beds) > 1 and o.margin is not None]
    reached = (
        len(covered),
        sum(len(o.beds) * (len(o.beds) - 1) // 2 for o in chosen),
        sum(o.needs for o in chosen),
        sum(o.breaks for o in chosen) + sum(table.left_breaks[bed] for bed in left),
        sum(margin * size for margin, size in shared) if shared else None,
    )
    if reached != (best.placed, best.couplings, best.needs, best.breaks, best.margin_sum):
        return f"the chosen options reach {reached}"
    if shared and best.smallest_margin is not None:
        if min(margin for margin, _ in shared) < max(best.smallest_margin - 100_000, 0):
            return "the smallest margin fell by more than may be given up"
    return None


def every_option(ward: Ward, rules: WardRules, planned: Planned) -> tuple[Option, ...]:
    """What the planner chose from, machine by machine: it offers one of those that are alike, and leaves out what
    cannot be better; here every bed is offered every machine that the raw ward allows it, and every group every machine
    of the pools it was offered on."""
    labels = [bed.label for bed in ward.beds]
    number = {label: n for n, label in enumerate(rules.free)}
    options = [o for o in planned.options if o.ventilator == KEPT]
    for i, bed in enumerate(labels):
        if bed not in rules.kept:
            for machine in rules.stays_as_it_is_on(bed):
                options.append(Option((i,), number[machine], None, 0, rules.breaks((bed,), machine)))
    pools = planned.pool.machines.pools
    offered: dict[tuple[tuple[int, ...], int, object], Option] = {}
    for o in planned.options:
        if len(o.beds) > 1:
            named = (p for p, numbers in enumerate(pools) if o.ventilator in numbers or pool_number(p) == o.ventilator)
            offered[o.beds, next(named), o.parts] = o
    for (members, pool, _), o in offered.items():
        beds = tuple(labels[i] for i in members)
        options.extend(
            replace(o, ventilator=n, breaks=rules.breaks(beds, rules.free[n])) for n in pools[pool]
        )
    return tuple(options)


def table_of(ward: Ward, rules: WardRules, planned: Planned) -> Choices:
    """What the planner chose from, with machines, reserve and breaks counted here from the raw ward."""
    left_breaks = tuple(int(b.readings is not None and b.ventilator is not None) for b in ward.beds)
    options = every_option(ward, rules, planned)
    return Choices(len(ward.beds), options, len(rules.free), rules.usable_number(), ward.stock, left_breaks)


def planned_in_full(ward: Ward, *, hints: bool = False) -> tuple[Planned, Plan]:
    """The plan of a ward, and what the planner handed on, caught on the way as data."""
    caught: list[Planned] = []
    plan_groups = planner.plan_groups

    def catching(*args, **kwargs):
        caught.append(plan_groups(*args, **kwargs))
        return caught[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planner, "plan_groups", catching)
        if not hints:
            patch.setattr(compose, "why_left", lambda *_: ((), ()))
        plan = plan_ward(ward, now=NOW, draws=DRAWS)
    return caught[0], plan
