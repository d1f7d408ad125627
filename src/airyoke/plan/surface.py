"""What a group would get all over the dials, known where the engine was asked and reckoned in between.

Closed forms of each lung in its place of the circuit give the shape; the engine's answers for the whole group, draw by
draw, correct it. Where the engine was asked the surface is the engine; near it the error is that of the closed form's
slope. Each further question makes it better where it was asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import QUICK
from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import GroupOutcome, SampledGroup, carbon_dioxide, judge_group, predict
from airyoke.plan.by_peep import MOVED_BY_PEEP, OpenPeep, on_dial, tighten
from airyoke.plan.grid import SettingsGrid
from airyoke.plan.tables import alone_in_its_place, build_factor, design, fitted, openings, shares

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# Distances between settings are taken in logarithms of rate and time and in shares of this drive: about one step of the
# dial is one step for all three.
DRIVE_SCALE_CMH2O = 15.0
NEAR = 1e-4  # squared distance below which two places count as one
# The first look takes in places so far apart on the dials, or the next that there is; the second all around the best.
STRIDE_RATE_PER_MIN, STRIDE_TIME_S, STRIDE_DRIVE_CMH2O = 2.0, 0.1, 2.0
# Fewer and fewer places are reckoned with more and more draws; what is left at last with all.
FIRST_LOOK, FIRST_DRAWS = 600, 48
SECOND_LOOK, SECOND_DRAWS = 10, 192
LAST_LOOK = 16
PEEP_STEPS = np.arange(-1.0, 2.0)  # around what suits the best estimates; the engine's answer has every PEEP
OXYGEN = frozenset({"spo2_pct", "fio2", "fio2_spread"})


@dataclass(frozen=True, slots=True)
class Place:
    """A rate and inspiratory time (number of the cell) and a drive (number of its step) with the best PEEP there.

    ``margin`` is what is known or to be expected of the group there.
    """

    cell: int
    drive: int
    peep_cmh2o: float
    margin: float


NOWHERE = Place(0, 0, 0.0, float("-inf"))


@dataclass(frozen=True, slots=True)
class Asked:
    """The engine's answer at one place, and how far the closed form was from it, draw by draw."""

    cell: int
    drive: int
    peeps: Floats  # of the dial, as far as the machine's highest pressure allows
    margins: Floats  # the group's, at these PEEPs
    tidal_error: Floats  # (rows, patients), of the logarithm of the tidal share
    trapped_error: Floats  # (rows, patients), of the trapped share
    oxygen_target: Floats  # (rows,)
    oxygen_hard: Floats

    @property
    def best(self) -> Place:
        """The place with its best PEEP."""
        return Place(self.cell, self.drive, float(self.peeps[self.margins.argmax()]), float(self.margins.max()))


class GroupSurface:
    """The margins of one group all over the dials of one class of ventilators, at one FiO2."""

    def __init__(
        self, group: SampledGroup, grid: SettingsGrid, policy: Policy, ventilator: Ventilator, fio2: float
    ) -> None:
        self.group, self.grid, self.policy = group, grid, policy
        self.ventilator, self.fio2 = ventilator, fio2
        self.asked: dict[tuple[int, int], Asked] = {}
        members = range(len(group.patients))
        network = group.build.network.merged()
        self._places = [alone_in_its_place(group.build, i).network for i in members]
        self._openings = [openings(network, i) for i in members]
        self._own_valve = [limb.peep_valve_cmh2o for limb in group.build.network.limbs]
        all_over, few = (grid.rates, grid.inspiratory_times), slice(0, SECOND_DRAWS + 1)
        self._closed = [self._shares(i, *all_over, few) for i in members]
        self._fits = self._fit()
        self._where = np.stack([np.log(grid.rates), np.log(grid.inspiratory_times)], axis=1)
        self._dials = Dials.of(grid, ventilator)

    def _fit(self) -> list[tuple[Floats, Floats]]:
        """The engine's correction at best estimate all over the grid, one pair of surfaces a patient."""
        points = design(self.grid)
        rate, time, drive = points
        outcome = predict(
            self.group, [self._dialled(r, t, d, 0.0) for r, t, d in zip(rate, time, drive, strict=True)],
            rows=np.zeros(len(rate), np.int64), settings_of=np.arange(len(rate)), accuracy=QUICK,
        )  # fmt: skip
        found = []
        for i, (opening, raised) in enumerate(self._openings):
            effective = drive - opening
            closed = self._shares(i, rate, time, slice(0, 1))
            found.append(fitted(
                self.grid, points, outcome.breath.driving_pressure_cmh2o[:, i] / effective,
                (outcome.breath.total_peep_cmh2o[:, i] - raised) / effective, closed[0][:, 0], closed[1][:, 0],
            ))  # fmt: skip
        return found

    def _shares(self, member: int, rate: Floats, time: Floats, rows: slice) -> tuple[Floats, Floats]:
        group = self.group
        return shares(self._places[member], group.columns[member], build_factor(group, rows), rate, time, rows)

    def _dialled(self, rate: float, time: float, drive: float, peep: float) -> Settings:
        return Settings(
            mode="pc", rate_per_min=float(rate), inspiratory_time_s=float(time), peep_cmh2o=float(peep),
            fio2=self.fio2, pressure_above_peep_cmh2o=float(drive),
            max_peak_flow_l_per_min=self.ventilator.max_peak_flow_l_per_min,
        )  # fmt: skip

    def settings(self, place: Place) -> Settings:
        """What would be dialled."""
        g = self.grid
        return self._dialled(
            g.rates[place.cell], g.inspiratory_times[place.cell], g.drives[place.drive], place.peep_cmh2o
        )

    @property
    def best(self) -> Place:
        """The best place that the engine was asked about; of margin minus infinity before it was asked anything."""
        return max((one.best for one in self.asked.values()), key=lambda place: place.margin, default=NOWHERE)

    def finalists(self, count: int) -> list[Place]:
        """The best places that the engine was asked about, the best first."""
        return sorted((one.best for one in self.asked.values()), key=lambda place: -place.margin)[:count]

    def within(self, tie: float) -> list[Place]:
        """Every place and PEEP that the engine knows to be as good as the best, up to a tie."""
        least = self.best.margin - tie
        return [
            Place(one.cell, one.drive, float(peep), float(margin))
            for one in self.asked.values()
            for peep, margin in zip(one.peeps, one.margins, strict=True)
            if margin >= least
        ]

    def ask(self, place: Place) -> None:
        """Breathe for every draw at this place and keep the answer, for every PEEP."""
        if (place.cell, place.drive) in self.asked:
            return
        settings = self.settings(Place(place.cell, place.drive, 0.0, 0.0))
        outcome = predict(self.group, [settings], rows=np.arange(self.group.draws + 1), accuracy=QUICK)
        cell, drive = np.array([place.cell]), np.array([place.drive])
        tidal, trapped = [], []
        for i, (opening, raised) in enumerate(self._openings):
            closed_tidal, closed_trapped = self._closed_shares(i, cell, drive, self.group.draws)
            effective = max(float(self.grid.drives[place.drive]) - opening, LEAST_EFFECTIVE_CMH2O)
            share = np.maximum(outcome.breath.driving_pressure_cmh2o[:, i] / effective, 1e-6)
            tidal.append(np.log(share / closed_tidal[0]))
            trapped.append((outcome.breath.total_peep_cmh2o[:, i] - raised) / effective - closed_trapped[0])
        open_peep, oxygen = _judged(self.group, outcome, self.policy)
        highest = self.grid.highest_pressure - self.grid.drives[place.drive]
        peeps = self.grid.peeps[self.grid.peeps <= highest + 1e-9]
        self.asked[place.cell, place.drive] = Asked(
            place.cell, place.drive, peeps, open_peep.at(peeps[None, :], self.policy)[0],
            np.stack(tidal, axis=1), np.stack(trapped, axis=1), *oxygen,
        )  # fmt: skip

    def most_promising_at_best_estimate(self) -> Place:
        """Where the best estimates alone would be best."""
        return self._best_of(*self._dials.strided, 0)

    def most_promising(self) -> Place | None:
        """The place with the best margin to be expected of those not asked yet; ``None`` where none can be better.

        A margin with draws is never above that at best estimate: what is no better even there is left out.
        """
        cell, drive = self._dials.strided
        least = self.best.margin
        at_best = self._margins(cell, drive, 0)
        order = np.argsort(-at_best, kind="stable")[:FIRST_LOOK]
        order = order[at_best[order] > least]
        if len(order):
            order = order[np.argsort(-self._margins(cell[order], drive[order], FIRST_DRAWS), kind="stable")]
        best = order[:SECOND_LOOK]
        around = [(int(cell[k]), int(drive[k])) for k in best] + [(one.cell, one.drive) for one in self.finalists(1)]
        new = sorted({near for one in around for near in self._dials.around(*one)} - self.asked.keys())
        if not new:
            return None
        cell, drive = (np.array(one) for one in zip(*new, strict=True))
        order = np.argsort(-self._margins(cell, drive, SECOND_DRAWS), kind="stable")[:LAST_LOOK]
        return self._best_of(cell[order], drive[order], self.group.draws)

    def _best_of(self, cell: Integers, drive: Integers, draws: int) -> Place:
        peeps, margins = self._by_peep(cell, drive, draws)
        place, peep = np.unravel_index(int(margins.argmax()), margins.shape)
        return Place(int(cell[place]), int(drive[place]), float(peeps[place, peep]), float(margins[place, peep]))

    def _margins(self, cell: Integers, drive: Integers, draws: int) -> Floats:
        return np.asarray(self._by_peep(cell, drive, draws)[1].max(axis=1))

    def _by_peep(self, cell: Integers, drive: Integers, draws: int) -> tuple[Floats, Floats]:
        """PEEPs around the one that suits best, and the margins to be expected at each, (places, PEEPs)."""
        g = self.grid
        open_peep = self.reckon(cell, drive, draws)
        best = on_dial(g.peeps, open_peep.best_peep(self.policy))
        peeps = best[:, None] + (PEEP_STEPS if draws else np.zeros(1)) * self._dials.peep_step
        outside = (peeps < g.peeps[0]) | (peeps > g.peeps[-1])
        outside |= peeps + g.drives[drive][:, None] > g.highest_pressure + 1e-9
        return peeps, np.where(outside, -np.inf, open_peep.at(peeps, self.policy))

    def reckon(self, cell: Integers, drive: Integers, draws: int) -> OpenPeep:
        """The margins that are to be expected at these places, with the first draws, (places, draws + 1)."""
        rows = slice(0, draws + 1)
        weights = self._weights(cell, drive)
        asked = list(self.asked.values())
        shape = (len(cell), draws + 1)
        target, hard = np.full(shape, np.inf), np.full(shape, np.inf)
        if asked:
            target = weights @ np.stack([one.oxygen_target[rows] for one in asked])
            hard = weights @ np.stack([one.oxygen_hard[rows] for one in asked])
        above, filled = [], []
        for i, (opening, raised) in enumerate(self._openings):
            tidal, trapped = self._closed_shares(i, cell, drive, draws)
            if asked:
                tidal = tidal * np.exp(weights @ np.stack([one.tidal_error[rows, i] for one in asked]))
                trapped = trapped + weights @ np.stack([one.trapped_error[rows, i] for one in asked])
            effective = np.maximum(self.grid.drives[drive] - opening, LEAST_EFFECTIVE_CMH2O)[:, None]
            driving = effective * tidal
            above.append(effective * np.maximum(trapped, 0.0) + raised)
            filled.append(above[-1] + driving)
            self._tighten(i, target, hard, cell, driving, above[-1] - self._own_valve[i], rows)
        now = [self.group.present.total_peep_cmh2o[rows, i] for i in range(len(self._openings))]
        return OpenPeep.of(target, hard, above, filled, now)

    def _closed_shares(self, member: int, cell: Integers, drive: Integers, draws: int) -> tuple[Floats, Floats]:
        """Tidal and trapped shares by closed form and the correction at best estimate, (places, draws + 1)."""
        rows = slice(0, draws + 1)
        if draws > SECOND_DRAWS:  # at few places only
            g = self.grid
            tidal, trapped = self._shares(member, g.rates[cell], g.inspiratory_times[cell], rows)
        else:
            tidal, trapped = (one[cell, rows] for one in self._closed[member])
        factor, added = self._fits[member]
        correction = factor[cell, drive][:, None], added[cell, drive][:, None]
        return tidal * correction[0], trapped + correction[1]

    def _tighten(
        self, member: int, target: Floats, hard: Floats, cell: Integers, driving: Floats, trapped: Floats, rows: slice
    ) -> None:
        """Lower the smallest margins, in place, by the limits on one patient that PEEP does not move."""
        group = self.group
        volume = driving * group.columns[member].compliance_ml_per_cmh2o[rows]
        values = {"driving_pressure_cmh2o": driving, "trapped_peep_cmh2o": trapped}
        if np.isfinite(group.body_weight_kg[member]):
            values["tidal_volume_ml_per_kg"] = volume / group.body_weight_kg[member]
        ph = carbon_dioxide(group, member, volume, self.grid.rates[cell][:, None], rows)[1]
        if np.isfinite(ph[0, 0]):
            values["ph"] = ph
        for limit in self.policy.limits:
            if limit.scope == "patient" and limit.name in values:
                tighten(target, hard, limit, values[limit.name])

    def _weights(self, cell: Integers, drive: Integers) -> Floats:
        """How much each answer of the engine says about each place: by the inverse of the distance to the fourth."""
        if not self.asked:
            return np.zeros((len(cell), 0))
        cells, drives = (np.array(one) for one in zip(*self.asked, strict=True))
        g = self.grid
        apart = ((self._where[cell][:, None, :] - self._where[cells][None, :, :]) ** 2).sum(axis=2)
        apart += ((g.drives[drive][:, None] - g.drives[drives][None, :]) / DRIVE_SCALE_CMH2O) ** 2
        weights = 1.0 / (apart + NEAR) ** 2
        return np.asarray(weights / weights.sum(axis=1, keepdims=True))


LEAST_EFFECTIVE_CMH2O = 0.1  # what is left of a drive that valves nearly use up


@dataclass(frozen=True, slots=True)
class Dials:
    """Places of the grid as steps of the dials: which to look at first, and which are around one."""

    steps: tuple[tuple[int, int], ...]  # of rate and inspiratory time, for each cell
    cells: dict[tuple[int, int], int]
    strides: tuple[int, int, int]
    drives: int
    strided: tuple[Integers, Integers]  # cells and drives of the first look
    peep_step: float

    @classmethod
    def of(cls, grid: SettingsGrid, ventilator: Ventilator) -> Dials:
        """Strides are whole steps of the machine's dials."""
        v = ventilator
        rate, time, drive = (
            max(1, round(wanted / step))
            for wanted, step in (
                (STRIDE_RATE_PER_MIN, v.rate_step_per_min),
                (STRIDE_TIME_S, v.inspiratory_time_step_s),
                (STRIDE_DRIVE_CMH2O, v.pressure_step_cmh2o),
            )
        )
        rates, times = (
            np.rint(values / step).astype(int)
            for values, step in ((grid.rates, v.rate_step_per_min), (grid.inspiratory_times, v.inspiratory_time_step_s))
        )
        steps = tuple(zip(rates.tolist(), times.tolist(), strict=True))
        every = np.flatnonzero((rates % rate == 0) & (times % time == 0))
        every = every if len(every) else np.arange(grid.cells)
        cell, at_drive = np.meshgrid(every, np.arange(0, len(grid.drives), drive), indexing="ij")
        return cls(
            steps, {step: number for number, step in enumerate(steps)}, (rate, time, drive), len(grid.drives),
            (cell.ravel(), at_drive.ravel()), v.peep_step_cmh2o,
        )  # fmt: skip

    def around(self, cell: int, drive: int) -> list[tuple[int, int]]:
        """Every place within half a stride, and one step at least."""
        (rate, time), (far_rate, far_time, far_drive) = self.steps[cell], self.strides
        reach = [range(-max(far // 2, 1), max(far // 2, 1) + 1) for far in (far_rate, far_time, far_drive)]
        found = []
        for by_rate, by_time in product(*reach[:2]):
            near = self.cells.get((rate + by_rate, time + by_time))
            if near is not None:
                found += [(near, drive + by) for by in reach[2] if 0 <= drive + by < self.drives]
        return found


def _judged(group: SampledGroup, outcome: GroupOutcome, policy: Policy) -> tuple[OpenPeep, tuple[Floats, Floats]]:
    """The engine's margins at one place with PEEP left open, and those of everything about oxygen."""
    settled = outcome.breath.settled
    target, hard, oxygen, oxygen_hard = (np.full(len(settled), np.inf) for _ in range(4))
    for one in judge_group(group, outcome, policy):
        if one.limit.name in MOVED_BY_PEEP:
            continue
        np.minimum(target, one.target, out=target)
        if one.hard is not None:
            np.minimum(hard, one.hard, out=hard)
        if one.limit.name in OXYGEN:
            np.minimum(oxygen, one.target, out=oxygen)
            if one.hard is not None:
                np.minimum(oxygen_hard, one.hard, out=oxygen_hard)
    members = range(len(group.patients))
    open_peep = OpenPeep.of(
        np.where(settled, target, -np.inf)[None, :],
        np.where(settled, hard, -np.inf)[None, :],
        [outcome.breath.total_peep_cmh2o[None, :, i] for i in members],
        [outcome.breath.plateau_cmh2o[None, :, i] for i in members],
        [group.present.total_peep_cmh2o[:, i] for i in members],
    )
    return open_peep, (oxygen, oxygen_hard)
