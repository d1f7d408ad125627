"""Where a figure stands between its bounds: what a limit track shows, on any face."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from airyoke.contract.words import amount_words, name_words, number_words
from airyoke.limits.answer import Figure, GroupAnswer
from airyoke.limits.policy import Policy
from airyoke.limits.table import Limit

State = Literal["inside", "near", "outside", "not known"]

# Inside, but with less than this share of a comfortable distance left, counts as near.
NEAR_MARGIN = 0.2
# The open end of a one-sided track lies this many comfortable distances from the bound.
OPEN_END_SCALES = 3.0
# The figure that each limit on another quantity is drawn on.
_DRAWN_ON = {
    "trapped_peep_cmh2o": "intrinsic_peep_cmh2o",
    "total_peep_fall_cmh2o": "total_peep_cmh2o",
    "total_peep_rise_cmh2o": "total_peep_cmh2o",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """One figure against its target bounds, in the unit of the figure.

    ``low_bound``, ``high_bound``: ``None`` where no limit stands on that side. ``start``, ``end``: ends of
    the track, equal to the bounds where there are any. ``state``: ``near`` is inside at best estimate, but
    the range passes a bound or little is left.
    """

    figure: Figure
    low_bound: float | None
    high_bound: float | None
    start: float
    end: float
    state: State


def standing(name: str, figure: Figure, policy: Policy) -> Standing | None:
    """Where ``figure`` of the quantity ``name`` stands; ``None`` where no limit speaks about it."""
    limits = [one for one in policy.limits if one.scope == "patient" and _DRAWN_ON.get(one.name, one.name) == name]
    if not limits:
        return None
    low = high = None
    for one in limits:
        bound = _bound_on_figure(one, figure, policy)
        if bound is None:
            continue
        if one.side == "low" or one.name == "total_peep_fall_cmh2o":
            low = bound
        else:
            high = bound
    scale = limits[0].scale
    if low is None and high is None:
        return None
    start = low if low is not None else max(0.0, (high or 0.0) - OPEN_END_SCALES * scale)
    end = high if high is not None else (low or 0.0) + OPEN_END_SCALES * scale
    return Standing(figure, low, high, start, end, _state(figure, low, high, scale))


def _bound_on_figure(limit: Limit, figure: Figure, policy: Policy) -> float | None:
    """The target bound on the scale of the figure it is drawn on; ``None`` where that is not known."""
    if limit.name not in ("total_peep_fall_cmh2o", "total_peep_rise_cmh2o"):
        return limit.target
    present = _present_total_peep_cmh2o(figure, policy)
    if present is None:
        return None
    return present - limit.target if limit.name == "total_peep_fall_cmh2o" else present + limit.target


def _present_total_peep_cmh2o(figure: Figure, policy: Policy) -> float | None:
    """The present value that a predicted total PEEP was judged against.

    The figure's nearest limit tells it: margin times scale is what is left of the change at best estimate.
    """
    nearest = figure.limit
    if nearest is None or figure.value is None:
        return None
    limit = policy.limit(nearest.name, nearest.side)
    change = limit.target - nearest.margin * limit.scale
    return figure.value + change if limit.name == "total_peep_fall_cmh2o" else figure.value - change


def _state(figure: Figure, low: float | None, high: float | None, scale: float) -> State:
    if figure.value is None:
        return "not known"
    slack = 1e-6 * scale
    left = min(
        figure.value - low if low is not None else float("inf"),
        high - figure.value if high is not None else float("inf"),
    )
    if left < -slack:
        return "outside"
    passes = (low is not None and figure.low is not None and figure.low < low - slack) or (
        high is not None and figure.high is not None and figure.high > high + slack
    )
    return "near" if passes or left < NEAR_MARGIN * scale else "inside"


def binding_words(answer: GroupAnswer, labels: str = "") -> str | None:
    """The binding limit in words: ``driving pressure of B: 14.6 of at most 15.0, 0.4 cmH2O left``.

    ``labels`` goes before the label of a patient (``bed ``). ``None`` where nothing was judged.
    """
    margin = answer.margin
    if margin is None:
        return None
    limit = margin.limit
    who = "the group" if margin.patient is None else f"{labels}{answer.patients[margin.patient].label}"
    left = margin.predicted - limit.target if limit.side == "low" else limit.target - margin.predicted
    # The track beside it ends at the target: the words name the same bound, and the hard one where that decided.
    hard = f"; its hard bound {number_words(margin.bound, limit.unit)} decides" if margin.came_from == "hard" else ""
    word = "left at best estimate" if left >= 0.0 else "beyond it"
    distance = amount_words(abs(left), limit.unit)
    predicted, bound = number_words(margin.predicted, limit.unit), number_words(limit.target, limit.unit)
    side = "at least" if limit.side == "low" else "at most"
    return f"{name_words(limit.name)} of {who}: {predicted} of {side} {bound}, {distance} {word}{hard}"


def verdict_words(answer: GroupAnswer, policy: Policy, readings: str) -> str:
    """Whether the group is within the stated limits with the chance that the policy asks for.

    ``readings`` says what it rests on ("readings of 14:10").
    """
    if answer.outcome != "solved" or answer.margin is None:
        return f"Not judged: {answer.outcome_reason or 'no limit could be applied'}."
    margin = answer.margin
    asked, hard_asked = percent(policy.planning_confidence), percent(policy.hard_confidence)
    place = "Within the stated limits" if margin.allowed else "Not within the stated limits"
    return (
        f"{place}, on {readings}. All targets hold in {percent(margin.inside_probability)} of draws "
        f"({asked} asked), all hard bounds in {percent(margin.hard_inside_probability)} ({hard_asked} asked)."
    )


def percent(share: float) -> str:
    """``84 %``, rounded down: a chance just short of what is asked must not look like it."""
    return f"{int(100.0 * share + 1e-9)} %"
