"""For those who stay when somebody comes off or has changed: what they get as it runs, and the best to dial instead.

Needs no new plan: settings and alarm limits of one running group from the engine, in the same minute.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit import Build
from airyoke.limits.answer import GroupAnswer
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.plan.alarm_system import alarm_system_of
from airyoke.plan.alarms import alarms_of
from airyoke.plan.candidate import Candidate
from airyoke.plan.coupling import Coupling
from airyoke.plan.judging import Judge, ventilator_class
from airyoke.plan.plan import Alarm
from airyoke.plan.running import RunningGroup, alike, on_lanes
from airyoke.plan.search import settings_of
from airyoke.plan.what_if import Question, predict_coupling

Dial = Literal["as_it_runs", "best"]


@dataclass(frozen=True, slots=True)
class AtOnce:
    """One running group with some lanes capped.

    as_it_runs
        Its patients at the settings that are dialled now; ``None`` where those are not known.
    best
        At the best settings that the search knows; ``None`` where nothing better than what runs is known.
    dial
        Which of the two to dial: what runs is left alone while it is allowed and within the policy's loss of margin of
        the best. ``None``: neither is known.
    settings, alarms
        What is dialled then, and the alarm limits that belong to it.
    """

    group: RunningGroup
    as_it_runs: GroupAnswer | None
    best: GroupAnswer | None
    dial: Dial | None
    settings: Settings | None
    alarms: tuple[Alarm, ...]

    @property
    def answer(self) -> GroupAnswer | None:
        """What everybody gets at the settings to dial."""
        return self.best if self.dial == "best" else self.as_it_runs

    @property
    def allowed(self) -> bool:
        """Whether that is inside the limits as surely as the policy asks."""
        answer = self.answer
        return answer is not None and answer.margin is not None and answer.margin.allowed


class AtOnceDesk:
    """Answers for running groups of one ward, each worked out once."""

    def __init__(self, candidates: Sequence[Candidate], policy: Policy, judge: Judge) -> None:
        self.policy = policy
        self.judge = judge
        self._number = {c.bed: i for i, c in enumerate(candidates)}
        self._candidates = tuple(candidates)
        self._runs: dict[tuple[RunningGroup, Ventilator], GroupAnswer | None] = {}

    def build_of(self, group: RunningGroup) -> Build:
        """What its patients breathe through: the lanes of nobody capped."""
        return on_lanes(group.build, [bed is not None for bed in group.lanes])

    def members(self, group: RunningGroup) -> tuple[int, ...]:
        """Its beds by number, in the order in which they are judged: of the limbs, or where those are alike, of beds,
        so that the verdict on the same beds through the same parts is the same."""
        order = [self._number[bed] for bed in group.beds]
        return tuple(sorted(order) if alike(self.build_of(group)) else order)

    def as_it_runs(self, group: RunningGroup, ventilator: Ventilator) -> GroupAnswer | None:
        """What everybody gets now; ``None`` where settings or somebody's lungs are not known."""
        key = group, ventilator
        if key not in self._runs:
            self._runs[key] = self._predicted(group, ventilator)
        return self._runs[key]

    def _predicted(self, group: RunningGroup, ventilator: Ventilator) -> GroupAnswer | None:
        patients = self._patients(group)
        if group.settings is None or patients is None:
            return None
        settings = replace(group.settings, circuit_compensation=ventilator.circuit_compensation)
        question = Question(self.policy, self.judge.draws, self.judge.seed, hold_sensor=ventilator.hold_sensor)
        answer = predict_coupling(Coupling(tuple(patients), self.build_of(group), settings), question).answer
        return _by_lane(answer, group)

    def at_once(self, group: RunningGroup, ventilator: Ventilator) -> AtOnce:
        """What to dial for those who are still on it."""
        runs = self.as_it_runs(group, ventilator)
        best = self._best(group, ventilator)
        if runs is not None and best is not None and margin_of(best) <= margin_of(runs):
            best = None
        dial = self._dial(runs, best)
        answer = best if dial == "best" else runs
        alarms = () if answer is None else alarms_of(answer, alarm_system_of(ventilator))
        settings = None if answer is None else answer.settings
        return AtOnce(group, runs, best, dial, settings, alarms)

    def _dial(self, runs: GroupAnswer | None, best: GroupAnswer | None) -> Dial | None:
        if runs is None or best is None:
            return "best" if best is not None else None if runs is None else "as_it_runs"
        now, could = margin_of(runs), margin_of(best)
        stays = now >= 0.0 and now >= could - self.policy.break_margin_loss
        return "as_it_runs" if stays else "best"

    def _best(self, group: RunningGroup, ventilator: Ventilator) -> GroupAnswer | None:
        if self._patients(group) is None or "pc" not in ventilator.modes:
            return None
        members, build = self.members(group), self.build_of(group)
        kind = ventilator_class(ventilator)
        verdict = self.judge.verdict(members, kind, build)
        if verdict.found is not None:
            settings = verdict.found.settings
        elif verdict.screened is not None:  # outside everywhere: where it comes closest is better than nothing
            settings = settings_of(verdict.screened.proposals[0], round(verdict.screened.fio2, 2), kind)
        else:
            return None
        settings = replace(settings, circuit_compensation=ventilator.circuit_compensation)
        draws = self.judge.draws if verdict.answer is None else verdict.answer.draws
        answer = self.judge.answer(members, build, settings, draws=draws, shown_by=ventilator)
        return _by_lane(answer, group)

    def _patients(self, group: RunningGroup) -> list[Patient] | None:
        found = [self._candidates[self._number[bed]].patient for bed in group.beds if bed in self._number]
        known = [p for p in found if p is not None]
        return known if known and len(known) == len(group.beds) else None


def _by_lane(answer: GroupAnswer, group: RunningGroup) -> GroupAnswer:
    """The same with its patients in the order of the lanes, each under the letter that is on its hoses."""
    beds = [one.label for one in answer.patients]
    order = [beds.index(bed) for bed in group.beds]
    margin = answer.margin
    if margin is not None and margin.patient is not None:
        margin = replace(margin, patient=order.index(margin.patient))
    patients = tuple(replace(answer.patients[k], lane=group.lane_of(beds[k])) for k in order)
    return replace(answer, patients=patients, margin=margin)


def margin_of(answer: GroupAnswer) -> float:
    """The judged margin; minus infinity where there is none."""
    return float("-inf") if answer.margin is None else answer.margin.value
