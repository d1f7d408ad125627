"""The goals of a plan in plain words, on any face."""

from __future__ import annotations

from typing import Final

from airyoke.contract.words import plain
from airyoke.plan.plan import Goal

GOALS: Final = {
    "placed": ("beds with a ventilator", "no plan gives more"),
    "couplings": ("couplings, pairs of patients on one ventilator", "none that places as many has fewer"),
    "needs": ("decisions that the plan depends on", "none so far equal has fewer"),
    "smallest_margin": ("smallest margin of a shared group", "none so far equal has a larger one"),
    "breaks": ("patients taken off or put on a ventilator", "none so far equal has fewer"),
    "off_first": ("place in the order of the first to come off", "none so far equal takes off one before that"),
    "margin_sum": ("sum of the margins", "none so far equal has a larger one"),
}
"""Goal -> what is counted, and what the proof says about every other plan."""


def goal_words(goal: Goal) -> str:
    """Whether it is known that no plan does better in this goal."""
    if goal.status == "proved":
        return f"proved: {GOALS[goal.goal][1]}"
    if goal.status == "skipped":
        return "not worked out"
    bound = "" if goal.bound is None else f": {plain(round(goal.bound, 3))} is not ruled out"
    return f"open{bound}"
