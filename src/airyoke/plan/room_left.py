"""Room left: how far one patient's lungs may change, one quantity at a time, before somebody leaves a limit.

By the engine at the group's settings and at best estimate: a coarse scan outward finds the first step at which the
smallest margin is below zero, bisection narrows it. Everybody of the group is judged at every step: stiff lungs of one
may be another's harm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import NUMBERS, LungMechanics
from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.limits.margins import Judged
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, judge_group, predict, sample_group
from airyoke.lungs.patient import Patient

Floats = NDArray[np.float64]
Quantity = Literal["compliance_ml_per_cmh2o", "airway_resistance"]
Direction = Literal["down", "up"]

FARTHEST = 4.0  # changes are looked at up to a factor of four either way
SCAN_STEPS = 16
BISECTIONS = 5  # the crossing is then known to 0.3 %: 4 ** (1 / (16 x 2 ** 5))


@dataclass(frozen=True, slots=True)
class RoomLeft:
    """How far one quantity of one patient may go in one direction.

    ``airway_resistance`` moves resistance in and out together; its value is the one in, cmH2O·s/L. ``at`` is where
    somebody leaves a limit, ``None``: not within a factor of four. ``limit``, its ``side`` and ``whose`` (``None``: the
    group's) say which.
    """

    bed: str
    quantity: Quantity
    direction: Direction
    now: float
    at: float | None
    limit: str | None
    side: Literal["low", "high"] | None
    whose: str | None


@dataclass(frozen=True, slots=True)
class _Way:
    member: int
    quantity: Quantity
    direction: Direction

    def factor(self, share: Floats) -> Floats:
        """What the quantity is multiplied by at a share (0 to 1) of the way to the farthest change."""
        sign = 1.0 if self.direction == "up" else -1.0
        return np.asarray(FARTHEST ** (sign * share))


def room_left(
    beds: Sequence[str], patients: Sequence[Patient], build: Build, settings: Settings, policy: Policy
) -> tuple[RoomLeft, ...]:
    """Room left of a group, in the order of its beds: compliance down and up, resistance down and up.

    Settings at which somebody is outside a target already leave no room: each then ends where it is now.
    """
    group = sample_group(patients, build, policy.assumptions, 0, 0)
    ways = [
        _Way(member, quantity, direction)
        for member in range(len(beds))
        for quantity in ("compliance_ml_per_cmh2o", "airway_resistance")
        for direction in ("down", "up")
    ]

    def smallest(shares: Floats) -> tuple[Floats, list[Judged]]:
        judged = _judge(group, settings, policy, ways, shares)
        return np.stack([one.target for one in judged]).min(axis=0).reshape(shares.shape), judged

    scan = np.broadcast_to(np.linspace(0.0, 1.0, SCAN_STEPS + 1), (len(ways), SCAN_STEPS + 1))
    margins, _ = smallest(np.ascontiguousarray(scan))
    outside = margins < 0.0
    crossing = np.asarray(outside.any(axis=1))
    first = np.maximum(outside.argmax(axis=1), 1)
    high = scan[0, first]
    low = scan[0, first - 1]
    for _ in range(BISECTIONS):
        middle = (low + high) / 2.0
        beyond = smallest(middle[:, None])[0][:, 0] < 0.0
        high, low = np.where(beyond, middle, high), np.where(beyond, low, middle)
    high = np.where(outside[:, 0], 0.0, high)
    _, judged = smallest(high[:, None])
    binding = np.stack([one.target for one in judged]).argmin(axis=0)

    found: list[RoomLeft] = []
    for number, way in enumerate(ways):
        value = _now(group, way)
        limit = judged[int(binding[number])]
        found.append(
            RoomLeft(
                beds[way.member], way.quantity, way.direction, value,
                value * float(way.factor(high[number])) if crossing[number] else None,
                limit.limit.name if crossing[number] else None,
                limit.limit.side if crossing[number] else None,
                beds[limit.patient] if crossing[number] and limit.patient is not None else None,
            )
        )  # fmt: skip
    return tuple(found)


def _now(group: SampledGroup, way: _Way) -> float:
    lungs = group.lungs
    if way.quantity == "compliance_ml_per_cmh2o":
        return float(lungs.compliance_ml_per_cmh2o[0, way.member])
    return float(lungs.inspiratory_resistance_cmh2o_s_per_l[0, way.member])


def _judge(
    group: SampledGroup, settings: Settings, policy: Policy, ways: Sequence[_Way], shares: Floats
) -> list[Judged]:
    """Everybody's margins with each way gone to each share, in one run of the engine; rows (way, share)."""
    steps = shares.shape[1]
    lungs = group.lungs.rows(np.zeros(len(ways) * steps, np.int64))
    columns = {name: np.array(getattr(lungs, name)) for name in NUMBERS}
    for number, way in enumerate(ways):
        rows, factor = slice(number * steps, (number + 1) * steps), way.factor(shares[number])
        if way.quantity == "compliance_ml_per_cmh2o":
            columns["compliance_ml_per_cmh2o"][rows, way.member] *= factor
        else:
            for name in ("inspiratory_resistance_cmh2o_s_per_l", "expiratory_resistance_cmh2o_s_per_l"):
                columns[name][rows, way.member] *= factor
    changed = LungMechanics(*(columns[name] for name in NUMBERS))
    outcome = predict(group, [settings], rows=np.zeros(len(ways) * steps, np.int64), lungs=changed)
    return judge_group(group, outcome, policy)
