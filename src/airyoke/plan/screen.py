"""The screen: what a group could reach on the whole grid of settings, in two milliseconds. It judges nobody in.

It works on one table a patient (closed form corrected by the engine, see ``tables``). What it leaves out: unlike
patients share the pressure drop of the trunks unequally; SpO2 follows FiO2 but not the new PaCO2; the settings between
the points of its grid.

It serves twice. It tells which groups are not worth asking the engine: its margin plus an offset (``judging``) is taken
for a bound on the margin that the engine will find, so that a group outside even so need not be judged. And what it
names is shown as what came closest for a group that it refuses. Measured, not proved: see docs/proof.md.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build
from airyoke.circuit.network import FlowNetwork
from airyoke.limits.margins import Judged, judge
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import sample_group
from airyoke.lungs.patient import Patient
from airyoke.plan.by_peep import OpenPeep, on_dial, tighten
from airyoke.plan.grid import SettingsGrid, settings_grid
from airyoke.plan.tables import (
    FIO2_GRID,
    Floats,
    Integers,
    PatientTable,
    alone_in_its_place,
    corrections,
    margins_at,
    patient_table,
    values_at,
)

SCREEN_DRAWS = 256
SCREEN_SEED_OFFSET = 7001  # added to the user's seed: the screen must not share draws with the judgement
# Fewer and fewer points get more and more draws. The best at best estimate is seldom the best with draws: the first
# look takes in the best two drives of every cell, the second three PEEPs around each point.
FIRST_LOOK = (400, 16)
SECOND_LOOK = (48, 64)
LAST_LOOK_POINTS = 16
PEEP_STEPS = np.array([0.0, -1.0, 1.0])


@dataclass(frozen=True, slots=True)
class Proposal:
    """One point of the grid. What the screen thinks of it stays here: it is no answer."""

    rate_per_min: float
    inspiratory_time_s: float
    pressure_above_peep_cmh2o: float
    peep_cmh2o: float


@dataclass(frozen=True, slots=True)
class Screened:
    """What the screen says of a group: its best margin on the grid with draws, that at best estimate, and where.

    ``proposals`` are the most promising points, best first. ``fio2`` is what would be shared.
    """

    margin: float
    at_best_estimate: float
    proposals: tuple[Proposal, ...]
    fio2: float


class Screen:
    """The screen of one ward on one class of ventilators; tables of patients are made once. Not thread-safe."""

    def __init__(self, ventilator: Ventilator, policy: Policy, seed: int) -> None:
        self.ventilator = ventilator
        self.policy = policy
        self.seed = seed
        self.grid = _coarse(settings_grid(ventilator, policy), ventilator)
        self._tables: dict[tuple[str, FlowNetwork], PatientTable] = {}

    def keeping(self, labels: Collection[str]) -> Screen:
        """A screen of its own that knows the tables of these patients: of those who are as they were."""
        other = Screen(self.ventilator, self.policy, self.seed)
        other._tables = {key: table for key, table in self._tables.items() if key[0] in labels}
        return other

    @property
    def usable(self) -> bool:
        """Whether the ventilator has any settings within the policy's ranges."""
        return self.grid.cells > 0 and len(self.grid.drives) > 0

    def prepare(self, patients: Sequence[Patient], build: Build) -> None:
        """Make the tables of many patients in one run of the engine (otherwise each is made when first needed)."""
        if self.usable:
            for member in range(build.patients):
                self._prepare(patients, build, member)

    def _prepare(self, patients: Sequence[Patient], build: Build, member: int) -> None:
        place = alone_in_its_place(build, member)
        new = [p for p in patients if (p.label, place.network) not in self._tables]
        if not new:
            return
        seed = self.seed + SCREEN_SEED_OFFSET
        groups = [sample_group([p], place, self.policy.assumptions, SCREEN_DRAWS, seed) for p in new]
        found = corrections(groups, self.grid, self.ventilator, build.patients)
        for patient, group, correction in zip(new, groups, found, strict=True):
            self._tables[patient.label, place.network] = patient_table(group, self.grid, self.policy, *correction)

    def _of(self, patients: Sequence[Patient], build: Build) -> list[PatientTable]:
        tables = []
        for member, patient in enumerate(patients):
            place = alone_in_its_place(build, member)
            if (patient.label, place.network) not in self._tables:
                self._prepare([patient], build, member)
            tables.append(self._tables[patient.label, place.network])
        return tables

    def group(
        self, patients: Sequence[Patient], build: Build, *, count: int = 8, hopeless: float = -np.inf
    ) -> Screened | None:
        """What the group could reach; ``None`` where the ventilator has no settings at all.

        Where the best estimate stays below ``hopeless`` no draws are spent and the margin is that of best estimate.
        """
        if not self.usable:
            return None
        return _screen_group(self._of(patients, build), self.grid, self.policy, count, hopeless)

    def judged_at(self, patients: Sequence[Patient], build: Build, screened: Screened) -> tuple[Judged, ...]:
        """Every limit that the screen knows, for every member, at its best point: the reasons of a refusal."""
        tables, best, grid = self._of(patients, build), screened.proposals[0], self.grid
        at_rate = np.abs(grid.rates - best.rate_per_min) < 1e-6
        cell = np.flatnonzero(at_rate & (np.abs(grid.inspiratory_times - best.inspiratory_time_s) < 1e-6))[:1]
        drive = np.flatnonzero(np.abs(grid.drives - best.pressure_above_peep_cmh2o) < 1e-6)[:1]
        found: list[Judged] = []
        for limit in self.policy.limits:
            if limit.scope == "shared" and limit.name == "fio2":
                found.append(judge(limit, None, np.full(SCREEN_DRAWS + 1, screened.fio2)))
            elif limit.scope == "pair" and limit.name == "fio2_spread":
                now = [t.present_fio2 for t in tables]
                if len(now) > 1 and np.isfinite(now).all():
                    found.append(judge(limit, None, np.full(SCREEN_DRAWS + 1, max(now) - min(now))))
        for member, table in enumerate(tables):
            values, above, filled = values_at(table, grid, cell, drive, slice(None))
            change = best.peep_cmh2o + above - table.present_total_peep_cmh2o
            values |= {
                "plateau_cmh2o": best.peep_cmh2o + filled, "total_peep_rise_cmh2o": change,
                "total_peep_fall_cmh2o": -change, "spo2_pct": _spo2(table, screened.fio2)[None, :],
            }  # fmt: skip
            found.extend(
                judge(limit, member, np.asarray(values[limit.name])[0])
                for limit in self.policy.limits
                if limit.scope == "patient" and limit.name in values and np.isfinite(values[limit.name][0, 0])
            )
        return tuple(found)


def _screen_group(
    tables: Sequence[PatientTable], grid: SettingsGrid, policy: Policy, count: int, hopeless: float
) -> Screened:
    at_best_estimate, shape = _at_best(tables), (grid.cells, len(grid.drives))
    peep = on_dial(grid.peeps, at_best_estimate.best_peep(policy))
    score = at_best_estimate.at(peep[:, None], policy).reshape(shape)
    peep = peep.reshape(shape)
    score[peep + grid.drives[None, :] > grid.highest_pressure + 1e-9] = -np.inf

    fio2 = _shared_fio2(tables, policy)
    oxygen = _oxygen(tables, policy, fio2)
    at_best = min(float(score.max()), float(oxygen[0][0]))
    drives = np.argsort(-score, axis=1, kind="stable")[:, :2]
    cell, drive = np.repeat(np.arange(grid.cells), drives.shape[1]), drives.ravel()
    order = np.argsort(-score[cell, drive], kind="stable")[: FIRST_LOOK[0]]
    cell, drive = cell[order], drive[order]
    peeps = peep[cell, drive][:, None]
    if at_best >= hopeless:
        value = _with_draws(tables, grid, policy, cell, drive, peeps, oxygen, FIRST_LOOK[1])[:, 0]
        order = np.argsort(-value, kind="stable")[: SECOND_LOOK[0]]
        cell, drive, peeps = cell[order], drive[order], peeps[order] + _peep_step(grid) * PEEP_STEPS
        value = _with_draws(tables, grid, policy, cell, drive, peeps, oxygen, SECOND_LOOK[1])
        point, column = np.divmod(np.argsort(-value.ravel(), kind="stable")[:LAST_LOOK_POINTS], len(PEEP_STEPS))
        cell, drive, peeps = cell[point], drive[point], peeps[point, column][:, None]
        value = _with_draws(tables, grid, policy, cell, drive, peeps, oxygen, SCREEN_DRAWS)[:, 0]
        order = np.argsort(-value, kind="stable")
        cell, drive, peeps = cell[order], drive[order], peeps[order]
    margin = float(value.max()) if at_best >= hopeless else at_best
    proposals = tuple(
        Proposal(float(grid.rates[c]), float(grid.inspiratory_times[c]), float(grid.drives[d]), float(p))
        for c, d, p in zip(cell[:count], drive[:count], peeps[:count, 0], strict=True)
    )
    return Screened(margin, at_best, proposals, fio2)


def _peep_step(grid: SettingsGrid) -> float:
    return float(grid.peeps[1] - grid.peeps[0]) if len(grid.peeps) > 1 else 1.0


def _at_best(tables: Sequence[PatientTable]) -> OpenPeep:
    """Best estimates at every cell and drive, one row each: (cells x drives, 1)."""
    target = np.minimum.reduce([t.best_target for t in tables]).reshape(-1, 1)
    return OpenPeep.of(
        target, np.full(target.shape, np.inf),
        [t.best_trapped_cmh2o.reshape(-1, 1) for t in tables], [t.best_filled_cmh2o.reshape(-1, 1) for t in tables],
        [t.present_total_peep_cmh2o[:1] for t in tables],
    )  # fmt: skip


def _with_draws(
    tables: Sequence[PatientTable],
    grid: SettingsGrid,
    policy: Policy,
    cell: Integers,
    drive: Integers,
    peeps: Floats,
    oxygen: tuple[Floats, Floats],
    draws: int,
) -> Floats:
    """The group's margin at points of the grid, each at several PEEPs, with the first draws; (points, PEEPs)."""
    rows = slice(0, draws + 1)
    target, hard = (np.tile(one[rows], (len(cell), 1)) for one in oxygen)
    above, filled = [], []
    for t in tables:
        own_target, own_hard, own_above, own_filled = margins_at(t, grid, policy, cell, drive, rows)
        np.minimum(target, own_target, out=target)
        np.minimum(hard, own_hard, out=hard)
        above.append(own_above)
        filled.append(own_filled)
    now = [t.present_total_peep_cmh2o[rows] for t in tables]
    value = OpenPeep.of(target, hard, above, filled, now).at(peeps, policy)
    outside = (peeps < grid.peeps[0]) | (peeps > grid.peeps[-1])
    outside |= peeps + grid.drives[drive][:, None] > grid.highest_pressure + 1e-9
    return np.where(outside, -np.inf, value)


def _shared_fio2(tables: Sequence[PatientTable], policy: Policy) -> float:
    """About what will be dialled: the largest present one, or what the aimed SpO2 needs within the limit."""
    present = [t.present_fio2 for t in tables if np.isfinite(t.present_fio2)]
    chosen = needed = max(present, default=0.21)
    for t in tables:
        at_best = t.spo2_pct[:, 0]
        if np.isfinite(at_best[0]) and _spo2(t, needed)[0] < policy.spo2_aim_pct <= at_best.max():
            chosen = max(chosen, float(np.interp(policy.spo2_aim_pct, at_best, FIO2_GRID)))
    return chosen if chosen <= policy.limit("fio2", "high").target else needed


def _spo2(table: PatientTable, fio2: float) -> Floats:
    """SpO2 of each draw at this FiO2, between the points of the table; (rows,)."""
    low = int(np.clip(np.searchsorted(FIO2_GRID, fio2) - 1, 0, len(FIO2_GRID) - 2))
    part = (fio2 - FIO2_GRID[low]) / (FIO2_GRID[low + 1] - FIO2_GRID[low])
    return np.asarray(table.spo2_pct[low] * (1.0 - part) + table.spo2_pct[low + 1] * part)


def _oxygen(tables: Sequence[PatientTable], policy: Policy, fio2: float) -> tuple[Floats, Floats]:
    """Smallest margins of everything about oxygen at the FiO2 that would be shared, (rows,) target and hard."""
    rows = tables[0].spo2_pct.shape[1]
    target, hard = np.full(rows, np.inf), np.full(rows, np.inf)
    tighten(target, hard, policy.limit("fio2", "high"), np.full(rows, fio2))
    present = np.array([t.present_fio2 for t in tables])
    if len(present) > 1 and np.isfinite(present).all():
        # The last bit of binary arithmetic must not refuse a spread that is exactly at its bound.
        tighten(target, hard, policy.limit("fio2_spread", "high"), np.full(rows, np.ptp(present) - 1e-9))
    for t in tables:
        if np.isfinite(t.spo2_pct[0, 0]):
            tighten(target, hard, policy.limit("spo2_pct", "low"), _spo2(t, fio2))
    return target, hard


def _coarse(grid: SettingsGrid, ventilator: Ventilator) -> SettingsGrid:
    """Every second inspiratory time, for the screen; the search fills in the rest."""
    number = np.round(grid.inspiratory_times / ventilator.inspiratory_time_step_s).astype(int)
    keep = number % 2 == 0
    if not keep.any():
        return grid
    return replace(grid, rates=grid.rates[keep], inspiratory_times=grid.inspiratory_times[keep])
