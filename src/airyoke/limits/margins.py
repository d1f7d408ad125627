"""Margins: signed, scaled distances to the limits, and the one number that decides whether a group is allowed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.limits.policy import Policy
from airyoke.limits.table import Limit

Floats = NDArray[np.float64]

# Differences of readings carry the last bit of binary arithmetic: 0.45 - 0.25 is not 0.20. A bound touched exactly is
# kept, so margins are rounded to a millionth before anybody compares them with zero.
MARGIN_DECIMALS = 6


@dataclass(frozen=True, slots=True)
class Judged:
    """One limit applied to one patient (or to the group): margins over the draws; row 0 is the best estimate."""

    limit: Limit
    patient: int | None
    values: Floats  # (draws + 1,)
    target: Floats  # (draws + 1,) margins to the target
    hard: Floats | None  # margins to the hard bound; None where the limit has none


@dataclass(frozen=True, slots=True)
class GroupMargin:
    """The margin of a group, and the limit that it comes from.

    ``value`` = min( (1 - confidence) quantile over draws of the smallest target margin, (1 - hard_confidence)
    quantile of the smallest hard margin, smallest target margin at best estimate ). At least 0 means allowed.
    ``came_from`` names which of the three it is; ``limit``, ``patient`` and ``predicted`` (at best estimate) belong to
    the limit that is smallest there most often.
    """

    value: float
    at_best_estimate: float
    came_from: Literal["target", "hard", "best"]
    limit: Limit
    patient: int | None
    bound: float
    predicted: float
    inside_probability: float
    hard_inside_probability: float

    @property
    def allowed(self) -> bool:
        """Whether the group may be planned."""
        return self.value >= 0.0


def margin_to(bound: float, side: str, scale: float, values: Floats) -> Floats:
    """Signed distance from ``values`` to ``bound`` in units of ``scale``; positive is inside."""
    distance = values - bound if side == "low" else bound - values
    return np.round(distance / scale, MARGIN_DECIMALS)


def judge(limit: Limit, patient: int | None, values: Floats) -> Judged:
    """Margins of one limit over the draws."""
    hard = None if limit.hard is None else margin_to(limit.hard, limit.side, limit.scale, values)
    return Judged(limit, patient, values, margin_to(limit.target, limit.side, limit.scale, values), hard)


def order_statistic(samples: Floats, q: float) -> Floats:
    """The floor(q n) + 1-th smallest of n numbers along the last axis: so that 'at least 70 %' is exact."""
    n = samples.shape[-1]
    rank = min(math.floor(q * n + 1e-9), n - 1)
    return np.asarray(np.partition(samples, rank, axis=-1)[..., rank])


def lower_quantile(sample: Floats, q: float) -> float:
    """:func:`order_statistic` of one sample."""
    return float(order_statistic(sample, q))


def group_margin(judged: list[Judged], policy: Policy, confidence: float | None = None) -> GroupMargin:
    """The margin of a group from all its judged limits.

    Row 0 of every array is the best estimate, the rest are draws; with no draws the best estimate alone decides.
    ``confidence`` replaces the policy's planning confidence (a coupling after the rehearsal asks for more).
    """
    confidence = policy.planning_confidence if confidence is None else confidence
    target = np.stack([one.target for one in judged])
    best = float(target[:, 0].min())
    candidates: list[tuple[float, Literal["target", "hard", "best"], NDArray[np.int64]]] = [
        (best, "best", np.array([int(target[:, 0].argmin())]))
    ]
    inside = hard_inside = 1.0 if best >= 0.0 else 0.0
    with_hard = [index for index, one in enumerate(judged) if one.hard is not None]
    hard = np.stack([one.hard for one in judged if one.hard is not None])
    if target.shape[1] > 1:
        smallest = target[:, 1:].min(axis=0)
        at_quantile = lower_quantile(smallest, 1.0 - confidence)
        inside = float((smallest >= 0.0).mean())
        binding = target[:, 1:].argmin(axis=0)[smallest <= at_quantile]
        candidates.append((at_quantile, "target", binding))
        hard_smallest = hard[:, 1:].min(axis=0)
        hard_quantile = lower_quantile(hard_smallest, 1.0 - policy.hard_confidence)
        hard_inside = float((hard_smallest >= 0.0).mean())
        hard_binding = np.array(with_hard)[hard[:, 1:].argmin(axis=0)[hard_smallest <= hard_quantile]]
        candidates.append((hard_quantile, "hard", hard_binding))
    value, came_from, binding = min(candidates, key=lambda c: c[0])
    worst = judged[int(np.bincount(binding).argmax())]
    bound = worst.limit.hard if came_from == "hard" and worst.limit.hard is not None else worst.limit.target
    return GroupMargin(
        value=value,
        at_best_estimate=best,
        came_from=came_from,
        limit=worst.limit,
        patient=worst.patient,
        bound=bound,
        predicted=float(worst.values[0]),
        inside_probability=inside,
        hard_inside_probability=hard_inside,
    )
