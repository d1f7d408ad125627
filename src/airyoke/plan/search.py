"""The settings of one group: the engine is asked where its own answers say that the best must be.

A surface over the dials (see ``surface``) is reckoned from closed forms and corrected by every answer of the engine.
Each turn the most promising place of the surface is asked; where no place promises more than is known, the search ends.
It has draws of its own, so that lucky settings are not judged by the luck that chose them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from airyoke.breath.engine import QUICK
from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build
from airyoke.limits.margins import GroupMargin, Judged, group_margin
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, judge_group, predict, sample_group, spo2_by_fio2
from airyoke.lungs.patient import Patient
from airyoke.plan.grid import settings_grid
from airyoke.plan.screen import Proposal, Screened
from airyoke.plan.surface import GroupSurface, Place

# The first look is with few draws; with more, the best of it and wherever they then point. The smallest of 5 % of 256
# draws is off by some 0.1 of margin, of 1,024 by half as much.
FIRST_DRAWS, SEARCH_DRAWS = 256, 1024
CLEARLY_OUTSIDE = -0.35  # by the first look: what more draws could change does not matter
MOST_ASKED = 16
FINALISTS = 3
SEARCH_SEED_OFFSET = 9001  # added to the user's seed: the search shares draws neither with the screen nor the judgement
HOPELESS_MARGIN = -0.4  # of the surface at best estimate: no draws are spent on it
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
        """The best settings of a group on the dials; the screen says at which FiO2 to look."""
        group = self._group(patients, build, FIRST_DRAWS)
        at_screens = settings_of(screened.proposals[0], 0.21, self.ventilator)
        fio2 = shared_fio2(group, at_screens, self.policy)
        surface = GroupSurface(group, self.grid, self.policy, self.ventilator, fio2)
        hopeful = surface.most_promising_at_best_estimate()
        if hopeful.margin < HOPELESS_MARGIN:
            return self._found(group, surface.settings(hopeful), draws=False)
        self._ask(surface)
        if surface.best.margin > CLEARLY_OUTSIDE:
            finalists = surface.finalists(FINALISTS)
            group = self._group(patients, build, SEARCH_DRAWS)
            surface = GroupSurface(group, self.grid, self.policy, self.ventilator, fio2)
            self._ask(surface, finalists)
        settings = [surface.settings(place) for place in surface.within(TIE)]
        return self._found(group, min(settings, key=lambda one: distance(one, present)))

    def _group(self, patients: Sequence[Patient], build: Build, draws: int) -> SampledGroup:
        return sample_group(patients, build, self.policy.assumptions, draws, self.seed + SEARCH_SEED_OFFSET)

    def _ask(self, surface: GroupSurface, first: Iterable[Place] = ()) -> None:
        """Ask the engine at the first places, then wherever the surface promises most, until nothing is better."""
        for place in first:
            surface.ask(place)
        for _ in range(MOST_ASKED):
            promising = surface.most_promising()
            if promising is None or promising.margin <= surface.best.margin + TIE:
                return
            surface.ask(promising)

    def _found(self, group: SampledGroup, settings: Settings, *, draws: bool = True) -> Found:
        rows = np.arange(FIRST_DRAWS + 1) if draws else np.zeros(1, np.int64)
        outcome = predict(group, [settings], rows=rows, accuracy=QUICK)
        judged = judge_group(group, outcome, self.policy)
        return Found(settings, group_margin(judged, self.policy), tuple(judged))


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
