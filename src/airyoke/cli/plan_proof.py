"""Why this plan and no other: refused pairs, parts, and how far the goals are proved."""

from __future__ import annotations

from collections import Counter
from typing import Final

from airyoke.cli.page import Column, Page, short
from airyoke.contract.goals import GOALS, goal_words
from airyoke.contract.words import amount_words, name_words, number_words, plain
from airyoke.limits.policy import Policy
from airyoke.plan.plan import Plan, RefusedLimit, RefusedPair

SHORT_LIST: Final = 8


def proof_part(page: Page, plan: Plan) -> None:
    """Each goal in its order, in plain words."""
    page.part("How it is known that no plan is better, goal by goal")
    page.table(
        [Column("", right=True), Column("", wrap=True), Column("", wrap=True)],
        [
            ["-" if one.value is None else plain(round(one.value, 3)), GOALS[one.goal][0], goal_words(one)]
            for one in plan.proof
        ],
    )
    judges = list(dict.fromkeys(one.by for one in plan.proof if one.by))
    if judges:
        page.text(f"by {'; '.join(judges)}", 2)


def runner_up_part(page: Page, plan: Plan) -> None:
    """The best plan that is not this one, and what choosing it would cost."""
    other = plan.runner_up
    if other is None:
        return
    page.part("The best other plan")
    shared = [
        f"{' + '.join(short(bed) for bed in one.beds)} on {one.ventilator}"
        for one in other.groups
        if one.margin is not None
    ]
    words = f"Shared: {', '.join(shared)}." if shared else "Nobody shares."
    if other.unplaced:
        words += f" Without a ventilator: {', '.join(other.unplaced)}."
    page.text(words, 2)
    if not other.worse_by:
        page.text("Equal in every goal: people may choose it as well.", 2)
        return
    goal, by = other.worse_by[0]
    page.text(f"First difference: worse by {plain(round(abs(by), 3))} in {GOALS[goal][0]}.", 2)


def refused_pairs_part(page: Page, plan: Plan, policy: Policy, *, everything: bool) -> None:
    """Pairs kept apart: the closest first; all of them on request."""
    if not plan.refused_pairs:
        return
    page.part("Pairs kept apart")
    physiology = sorted(
        (one for one in plan.refused_pairs if one.by != "rules"),
        key=lambda one: -float("inf") if one.margin is None else one.margin,
        reverse=True,
    )
    rules = [one for one in plan.refused_pairs if one.by == "rules"]
    shown = [*physiology, *rules] if everything else physiology[:SHORT_LIST]
    page.table(
        [Column("pair"), Column("margin", right=True), Column("why", wrap=True), Column("judged by")],
        [
            [
                " + ".join(short(bed) for bed in one.beds),
                "-" if one.margin is None else f"{one.margin:.2f}",
                _why(one, policy),
                one.by,
            ]
            for one in shown
        ],
    )
    if not everything:
        left = len(physiology) - len(shown)
        if left > 0:
            page.text(f"and {_pairs(left)} further away", 2)
        if rules:
            kinds = Counter(reason.id for one in rules for reason in one.reasons)
            counts = ", ".join(f"{kind} {count}" for kind, count in kinds.most_common())
            page.text(f"and {_pairs(len(rules))} kept apart by rules before any physiology ({counts})", 2)
        if left > 0 or rules:
            page.text("--all-pairs lists every one", 2)


def _pairs(number: int) -> str:
    return "1 more pair" if number == 1 else f"{number} more pairs"


def _why(pair: RefusedPair, policy: Policy) -> str:
    words = [reason.text for reason in pair.reasons]
    limits = [_limit_words(one, policy) for one in pair.limits]
    if limits:
        where = "nearest bounds at best estimate" if pair.reasons else "at the best settings found"
        words.append(f"{where}: {'; '.join(limits)}")
    return "; ".join(words)


def _limit_words(one: RefusedLimit, policy: Policy) -> str:
    side = next((x.side for x in policy.limits if x.name == one.limit and one.bound in (x.target, x.hard)), "high")
    who = "" if one.bed is None else f" of {one.bed}"
    word = "at least" if side == "low" else "at most"
    best, bound = number_words(one.best, one.unit), amount_words(one.bound, one.unit)
    if best == number_words(one.bound, one.unit) and one.best != one.bound:
        best = f"a hair {'below' if one.best < one.bound else 'above'} {best}"  # rounded they look alike
    return f"{name_words(one.limit)}{who} {best}, {word} {bound}"


def pick_list_part(page: Page, plan: Plan) -> None:
    """Parts for all shared circuits together, counted against the stock."""
    if not plan.pick_list:
        return
    page.part("Parts for the shared circuits")
    rows = []
    for one in plan.pick_list:
        short = "" if one.have is None or one.have >= one.need else f"short by {one.need - one.have}"
        have = "not counted" if one.have is None else str(one.have)
        rows.append([one.part, str(one.need), have, short or (one.substitute or "")])
    page.table([Column("part"), Column("need", right=True), Column("have", right=True), Column("")], rows)
