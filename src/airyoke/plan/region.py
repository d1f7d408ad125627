"""Room left of two at once: compliance of one patient against that of another, as far as nobody leaves a limit.

By the engine at the group's settings and at best estimate, along rays from where the two are now: on each ray a coarse
scan finds the first step outside, bisection narrows it; where the binding limit changes from one ray to the next, rays
are added between them. Compliances are moved by factors, so that halving and doubling are equally far.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, judge_group, predict, sample_group
from airyoke.plan.coupling import Coupling
from airyoke.plan.room_left import BISECTIONS, FARTHEST, SCAN_STEPS

Floats = NDArray[np.float64]
Limited = tuple[str, Literal["low", "high"], str | None]  # limit, side, whose (None: the group's)

RAYS = 48
CORNER_HALVINGS = 5
RANGE_DRAWS = 256  # for the range of the present compliances


@dataclass(frozen=True, slots=True)
class BoundaryPoint:
    """Where a ray leaves the limits: both compliances, mL/cmH2O, and the limit that is left.

    ``limit`` is ``None`` where nothing is left within a factor of four.
    """

    first: float
    second: float
    limit: str | None
    side: Literal["low", "high"] | None
    whose: str | None

    @property
    def left(self) -> tuple[str | None, str | None, str | None]:
        """What is left here: points of one edge have it in common."""
        return self.limit, self.side, self.whose


@dataclass(frozen=True, slots=True)
class Region:
    """The room of one pair. ``now`` and ``ranges`` (5-95 %) are the present compliances; ``points`` run round it once.

    No points: somebody is outside already, there is no room; ``outside`` then names who and what.
    """

    first: str
    second: str
    lanes: tuple[str, str]
    now: tuple[float, float]
    ranges: tuple[tuple[float, float], tuple[float, float]]
    points: tuple[BoundaryPoint, ...]
    outside: Limited | None = None

    def edges(self) -> tuple[tuple[BoundaryPoint, ...], ...]:
        """Runs of neighbouring points that leave the same limit, beginning where one does."""
        if not self.points:
            return ()
        turn = next(
            (i for i, (one, other) in enumerate(pairwise((self.points[-1], *self.points))) if one.left != other.left), 0
        )
        runs: list[list[BoundaryPoint]] = []
        for point in (*self.points[turn:], *self.points[:turn]):
            if runs and runs[-1][-1].left == point.left:
                runs[-1].append(point)
            else:
                runs.append([point])
        return tuple(tuple(run) for run in runs)


def regions(coupling: Coupling, policy: Policy, seed: int = 0) -> tuple[Region, ...]:
    """The region of every pair of the group. Empty for one patient, or where nothing can be judged."""
    number = len(coupling.patients)
    group = sample_group(coupling.patients, coupling.fitted, policy.assumptions, 0, seed)
    drawn = sample_group(coupling.patients, coupling.fitted, policy.assumptions, RANGE_DRAWS, seed)
    if not judge_group(group, predict(group, [coupling.settings]), policy):
        return ()
    low, high = np.percentile(drawn.lungs.compliance_ml_per_cmh2o[1:], [5.0, 95.0], axis=0)
    ranges = [(float(one), float(other)) for one, other in zip(low, high, strict=True)]
    return tuple(
        _region(_Rays(group, coupling, policy, i, j), (ranges[i], ranges[j])) for i, j in combinations(range(number), 2)
    )


class _Rays:
    """Where rays from the present pair of compliances leave the limits."""

    def __init__(self, group: SampledGroup, coupling: Coupling, policy: Policy, first: int, second: int) -> None:
        self.group, self.coupling, self.policy, self.first, self.second = group, coupling, policy, first, second

    def ends(self, angles: Floats) -> tuple[Floats, list[Limited | None]]:
        """Share of the way to the farthest change at which each ray leaves, and which limit; ``None``: none."""
        scan = np.tile(np.linspace(0.0, 1.0, SCAN_STEPS + 1), (len(angles), 1))
        outside = self._smallest(angles, scan)[0] < 0.0
        crossing = np.asarray(outside.any(axis=1))
        first = np.maximum(outside.argmax(axis=1), 1)
        rows = np.arange(len(angles))
        low, high = scan[rows, first - 1], np.where(crossing, scan[rows, first], 1.0)
        for _ in range(BISECTIONS):
            middle = (low + high) / 2.0
            beyond = self._smallest(angles, middle[:, None])[0][:, 0] < 0.0
            high, low = np.where(beyond & crossing, middle, high), np.where(beyond, low, middle)
        _, left = self._smallest(angles, high[:, None])
        return high, [one if crossed else None for one, crossed in zip(left, crossing, strict=True)]

    def now(self) -> tuple[float, Limited]:
        """Smallest margin where the two are, and of which limit."""
        margins, left = self._smallest(np.zeros(1), np.zeros((1, 1)))
        return float(margins[0, 0]), left[0]

    def factors(self, angles: Floats, shares: Floats) -> tuple[Floats, Floats]:
        """What both compliances are multiplied by; a whole share ends on the square of a factor of four."""
        across, up = np.cos(angles), np.sin(angles)
        reach = 1.0 / np.maximum(np.abs(across), np.abs(up))
        return tuple(FARTHEST ** (shares * reach[:, None] * way[:, None]) for way in (across, up))  # type: ignore[return-value]

    def _smallest(self, angles: Floats, shares: Floats) -> tuple[Floats, list[Limited]]:
        """Smallest margins, shaped as ``shares`` (rays, steps), and the limits of the last column."""
        factors = self.factors(angles, shares)
        rows = np.zeros(shares.size, np.int64)
        lungs = self.group.lungs.rows(rows)
        compliance = np.array(lungs.compliance_ml_per_cmh2o)
        for member, factor in zip((self.first, self.second), factors, strict=True):
            compliance[:, member] *= factor.ravel()
        outcome = predict(
            self.group, [self.coupling.settings], rows=rows, lungs=replace(lungs, compliance_ml_per_cmh2o=compliance)
        )
        judged = judge_group(self.group, outcome, self.policy)
        target = np.stack([one.target for one in judged])
        binding = target.argmin(axis=0).reshape(shares.shape)[:, -1]
        labels = self.coupling.labels
        left: list[Limited] = []
        for number in binding:
            one = judged[int(number)]
            side: Literal["low", "high"] = "low" if one.limit.side == "low" else "high"
            left.append((one.limit.name, side, None if one.patient is None else labels[one.patient]))
        return target.min(axis=0).reshape(shares.shape), left


def _region(rays: _Rays, ranges: tuple[tuple[float, float], tuple[float, float]]) -> Region:
    labels = rays.coupling.labels
    compliance = rays.group.lungs.compliance_ml_per_cmh2o[0]
    now = (float(compliance[rays.first]), float(compliance[rays.second]))
    lanes = ("ABCD"[rays.first], "ABCD"[rays.second])
    empty = Region(labels[rays.first], labels[rays.second], lanes, now, ranges, ())
    margin, of = rays.now()
    if margin < 0.0:
        return replace(empty, outside=of)
    angles = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    shares, left = rays.ends(angles)
    for _ in range(CORNER_HALVINGS):
        following = np.append(angles[1:], angles[0] + 2.0 * np.pi)
        corners = [i for i in range(len(angles)) if left[i] != left[(i + 1) % len(left)]]
        if not corners:
            break
        between = (angles[corners] + following[corners]) / 2.0
        more, of_more = rays.ends(between)
        order = np.argsort(np.append(angles, between), kind="stable")
        angles, shares = np.append(angles, between)[order], np.append(shares, more)[order]
        both = [*left, *of_more]
        left = [both[int(i)] for i in order]
    first, second = rays.factors(angles, shares[:, None])
    points = tuple(
        BoundaryPoint(now[0] * float(a), now[1] * float(b), *((None, None, None) if one is None else one))
        for a, b, one in zip(first[:, 0], second[:, 0], left, strict=True)
    )
    return replace(empty, points=points)
