"""The settings of one group: the screen says where to look, the engine decides.

Each stage has draws of its own, so that a lucky setting is not judged by the luck that chose it: the screen on the
whole grid; the engine on what the screen proposes; from the best of them uphill over the neighbouring dials. The winner
is then judged elsewhere on judging draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import QUICK
from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build
from airyoke.limits.margins import GroupMargin, Judged, group_margin, order_statistic
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, judge_group, predict, sample_group, spo2_by_fio2
from airyoke.lungs.patient import Patient
from airyoke.plan.grid import settings_grid
from airyoke.plan.screen import Proposal, Screened

SEARCH_DRAWS = 256  # for the finalists
CLOSE_DRAWS = 512  # for what ends near the threshold
CLIMB_DRAWS = 64  # the first of the search draws: enough to tell which neighbour is better
NEIGHBOURS_WITH_DRAWS = 8
NEIGHBOURS_WHEN_CLOSE = 16
CLOSE = (-0.20, 0.10)  # a margin of the search between these: it matters whether there is something a little better
ROUNDS = 4
FINALISTS = 3
SEARCH_SEED_OFFSET = 9001  # added to the user's seed: the search shares draws neither with the screen nor the judgement
HOPELESS_MARGIN = -0.5  # at best estimate: no draws are spent on it
FIO2_STEP = 0.01
TIE = 1e-3  # margins closer than this are equal: the settings nearest the present ones win


@dataclass(frozen=True, slots=True)
class Found:
    """The best settings that the search knows for a group, and the margin of its search draws (not the verdict)."""

    settings: Settings
    search_margin: GroupMargin
    judged: tuple[Judged, ...]


class SettingsSearch:
    """Searches for the groups of one ward on one class of ventilators.

    ``policy``, ``ventilator`` and ``seed`` are fixed for its life.
    """

    def __init__(self, ventilator: Ventilator, policy: Policy, seed: int) -> None:
        self.ventilator = ventilator
        self.policy = policy
        self.seed = seed
        self.grid = settings_grid(ventilator, policy)

    def best(
        self,
        patients: Sequence[Patient],
        present: Sequence[Settings | None],
        build: Build,
        screened: Screened,
    ) -> Found:
        """The best settings of a group, from those that the screen proposes."""
        group = sample_group(patients, build, self.policy.assumptions, CLOSE_DRAWS, self.seed + SEARCH_SEED_OFFSET)
        proposals = screened.proposals
        fio2 = shared_fio2(group, settings_of(proposals[0], 0.21, self.ventilator), self.policy)
        starts = [settings_of(p, fio2, self.ventilator) for p in proposals]
        at_best = self._values(group, starts, 0)
        if at_best.max() < HOPELESS_MARGIN:
            return self._found(group, starts[int(at_best.argmax())], draws=False)
        return self._climb(group, starts, present)

    def _climb(self, group: SampledGroup, starts: list[Settings], present: Sequence[Settings | None]) -> Found:
        """From the best start uphill over the dials until no neighbour is better; where that ends near the threshold,
        on from there with more draws and a wider eye, before a group is cut for want of better settings."""
        known = dict(zip(starts, self._values(group, starts, CLIMB_DRAWS), strict=True))
        self._uphill(group, known, present, CLIMB_DRAWS, NEIGHBOURS_WITH_DRAWS, (1,))
        finalists = sorted(known, key=lambda one: _rank(one, known, present))[:FINALISTS]
        last = dict(zip(finalists, self._values(group, finalists, SEARCH_DRAWS), strict=True))
        if CLOSE[0] < max(last.values()) < CLOSE[1]:
            last = dict(zip(last, self._values(group, list(last), CLOSE_DRAWS), strict=True))
            self._uphill(group, last, present, CLOSE_DRAWS, NEIGHBOURS_WHEN_CLOSE, (1, 2))
        return self._found(group, min(last, key=lambda one: _rank(one, last, present)))

    def _uphill(
        self,
        group: SampledGroup,
        known: dict[Settings, float],
        present: Sequence[Settings | None],
        draws: int,
        neighbours: int,
        reaches: tuple[int, ...],
    ) -> None:
        """Add better and better settings to ``known`` with their margins, until no neighbour of the best is better."""
        seen = set(known)
        here = min(known, key=lambda one: _rank(one, known, present))
        for _ in range(ROUNDS):
            new = [one for reach in reaches for one in self._around(here, reach) if one not in seen]
            new = list(dict.fromkeys(new))
            seen.update(new)
            # A margin with draws is never above the one at best estimate: most neighbours need no draws.
            at_best = self._values(group, new, 0)
            hopeful = [i for i in np.argsort(-at_best, kind="stable") if at_best[i] > known[here] + TIE]
            tried = [new[i] for i in hopeful[:neighbours]]
            known.update(zip(tried, self._values(group, tried, draws), strict=True))
            best = min(known, key=lambda one: _rank(one, known, present))
            if best == here:
                return
            here = best

    def _found(self, group: SampledGroup, settings: Settings, *, draws: bool = True) -> Found:
        rows = np.arange(SEARCH_DRAWS + 1) if draws else np.zeros(1, np.int64)
        outcome = predict(group, [settings], rows=rows, accuracy=QUICK)
        judged = judge_group(group, outcome, self.policy)
        return Found(settings, group_margin(judged, self.policy), tuple(judged))

    def _values(self, group: SampledGroup, candidates: list[Settings], draws: int) -> NDArray[np.float64]:
        """The group's margin at each candidate by the engine: at best estimate and on the first ``draws`` draws."""
        if not candidates:
            return np.zeros(0)
        rows = draws + 1
        outcome = predict(
            group,
            candidates,
            rows=np.tile(np.arange(rows), len(candidates)),
            settings_of=np.repeat(np.arange(len(candidates)), rows),
            accuracy=QUICK,
        )
        judged = judge_group(group, outcome, self.policy)
        target = _smallest([one.target for one in judged], outcome.breath.settled, rows)
        value: NDArray[np.float64] = target[:, 0]
        if draws:
            hard = _smallest([one.hard for one in judged if one.hard is not None], outcome.breath.settled, rows)
            value = np.minimum(value, order_statistic(target[:, 1:], 1.0 - self.policy.planning_confidence))
            value = np.minimum(value, order_statistic(hard[:, 1:], 1.0 - self.policy.hard_confidence))
        return value

    def _around(self, settings: Settings, reach: int) -> list[Settings]:
        """Neighbours that differ by ``reach`` steps of one dial, or of two dials that can stand for each other."""
        v, s = self.ventilator, settings
        moves = [tuple(reach * sign * (i == dial) for i in range(4)) for dial in range(4) for sign in (-1, 1)] + [
            tuple(reach * sign * (i == one) - reach * sign * same * (i == other) for i in range(4))
            for one, other in ((0, 1), (2, 3), (0, 2), (1, 2))
            for sign in (-1, 1)
            for same in (-1, 1)
        ]
        around = [
            replace(
                s,
                rate_per_min=round(s.rate_per_min + rate * v.rate_step_per_min, 6),
                inspiratory_time_s=round(s.inspiratory_time_s + time * v.inspiratory_time_step_s, 6),
                pressure_above_peep_cmh2o=round((s.pressure_above_peep_cmh2o or 0) + drive * v.pressure_step_cmh2o, 6),
                peep_cmh2o=round(s.peep_cmh2o + peep * v.peep_step_cmh2o, 6),
            )
            for rate, time, drive, peep in moves
        ]
        return [one for one in around if self.allows(one)]

    def allows(self, settings: Settings) -> bool:
        """Whether this class of ventilators can be set so within the policy's ranges."""
        g, s = self.grid, settings
        drive = s.pressure_above_peep_cmh2o
        if drive is None or s.peep_cmh2o + drive > g.highest_pressure + 1e-9:
            return False
        timed = (np.abs(g.rates - s.rate_per_min) < 1e-6) & (np.abs(g.inspiratory_times - s.inspiratory_time_s) < 1e-6)
        on_the_dials = np.any(np.abs(g.drives - drive) < 1e-6) and np.any(np.abs(g.peeps - s.peep_cmh2o) < 1e-6)
        return bool(timed.any() and on_the_dials)


def _smallest(margins: list[NDArray[np.float64]], settled: NDArray[np.bool_], rows: int) -> NDArray[np.float64]:
    """Smallest margin of every run, (candidates, rows); a run that did not settle is outside everything."""
    smallest = np.where(settled, np.min(margins, axis=0), -np.inf)
    return np.asarray(smallest.reshape(-1, rows))


def _rank(
    settings: Settings, known: dict[Settings, float], present: Sequence[Settings | None]
) -> tuple[float, float]:
    """The largest margin first; of equal ones the nearest to what the patients have now."""
    return (-round(known[settings] / TIE), distance(settings, present))


def settings_of(proposal: Proposal, fio2: float, ventilator: Ventilator) -> Settings:
    """What would be dialled at a point of the screen's grid."""
    return Settings(
        mode="pc",
        rate_per_min=proposal.rate_per_min,
        inspiratory_time_s=proposal.inspiratory_time_s,
        peep_cmh2o=proposal.peep_cmh2o,
        fio2=fio2,
        pressure_above_peep_cmh2o=proposal.pressure_above_peep_cmh2o,
        max_peak_flow_l_per_min=ventilator.max_peak_flow_l_per_min,
    )


def distance(settings: Settings, present: Sequence[Settings | None]) -> float:
    """How far settings are from what the patients have now, in comfortable steps; 0 where nothing is known."""
    total = 0.0
    for now in present:
        if now is None:
            continue
        total += abs(settings.rate_per_min - now.rate_per_min) / 2.0
        total += abs(settings.inspiratory_time_s - now.inspiratory_time_s) / 0.1
        total += abs(settings.peep_cmh2o - now.peep_cmh2o)
        if now.pressure_above_peep_cmh2o is not None and settings.pressure_above_peep_cmh2o is not None:
            total += abs(settings.pressure_above_peep_cmh2o - now.pressure_above_peep_cmh2o) / 2.0
    return total


def shared_fio2(group: SampledGroup, settings: Settings, policy: Policy) -> float:
    """The smallest FiO2 that is at least every present one and predicts the aimed SpO2 for all, up to the limit.

    Where none does, the largest present one. The aim is no bound: excess oxygen is a cost, not a harm here.
    """
    now = group.present.fio2[0]
    needed = float(np.nanmax(now)) if np.isfinite(now).any() else 0.21
    highest = policy.limit("fio2", "high").target
    tried = np.round(np.arange(needed, max(highest, needed) + 1e-9, FIO2_STEP), 2)
    best = predict(group, [settings], rows=np.zeros(1, np.int64), accuracy=QUICK)
    spo2 = spo2_by_fio2(group, best, tried)
    enough = np.all(~(spo2 < policy.spo2_aim_pct), axis=1)
    return float(tried[int(enough.argmax())]) if enough.any() else needed
