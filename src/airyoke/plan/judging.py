"""The verdict on a group: settings found by the search, judged by the engine on judging draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build
from airyoke.limits.answer import GroupAnswer
from airyoke.limits.answering import answer_group
from airyoke.limits.margins import Judged, group_margin, margin_to
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import predict, sample_group
from airyoke.lungs.patient import Patient
from airyoke.plan.candidate import Candidate, Note
from airyoke.plan.plan import RefusedLimit, RefusedPair
from airyoke.plan.screen import Screen, Screened
from airyoke.plan.search import Found, SettingsSearch, settings_of, shared_fio2

MORE_DRAWS = 1024
NEAR_TARGET, NEAR_HARD = 0.05, 0.03  # this near to a threshold 256 draws do not decide


# With these the screen's margin bounds the judged one: measured on some invented wards, tested on others (``screen``).
# Three and four share the trunks in ways that the table of a patient alone tells less well.
PAIR_OFFSET, LARGER_OFFSET = 0.25, 0.50


def screen_offset(size: int) -> float:
    """What is added to the screen's margin of a group of so many before it is taken for a bound."""
    return PAIR_OFFSET if size <= 2 else LARGER_OFFSET


@dataclass(frozen=True, slots=True)
class Verdict:
    """A group at its best settings on one build.

    ``found`` is what the engine's search knows, ``answer`` the engine's answer on judging draws: both ``None`` where
    the screen, with its offset, already leaves the group outside; ``answer`` alone where the best estimate does.
    """

    members: tuple[int, ...]
    build: Build
    screened: Screened | None
    found: Found | None = None
    answer: GroupAnswer | None = None

    @property
    def margin(self) -> float:
        """The judged margin; where the engine was not asked that of the screen; minus infinity without settings."""
        if self.answer is not None and self.answer.margin is not None:
            return self.answer.margin.value
        if self.found is not None:
            return self.found.search_margin.value
        return float("-inf") if self.screened is None else self.screened.margin

    @property
    def allowed(self) -> bool:
        """Judged by the engine with draws and inside."""
        return self.answer is not None and self.answer.margin is not None and self.answer.margin.allowed


Asked = tuple[tuple[int, ...], Ventilator, str, tuple[tuple[str, int], ...]]


def _asked(members: tuple[int, ...], kind: Ventilator, build: Build) -> Asked:
    """What a verdict is known by: the name and the parts of a build stand for it."""
    return members, kind, build.name, build.parts


class Judge:
    """Verdicts on groups of one ward; one screen and one search per class of ventilators, every verdict kept.

    A class is what decides: ranges, steps and flow of the machine, not its label or room. A group is judged on one
    build, with its members on the lanes in the order of the beds.
    """

    def __init__(self, candidates: Sequence[Candidate], policy: Policy, draws: int, seed: int) -> None:
        self.candidates = tuple(candidates)
        self.policy = policy
        self.draws = draws
        self.seed = seed
        self._screens: dict[Ventilator, Screen] = {}
        self._searches: dict[Ventilator, SettingsSearch] = {}
        self._screened: dict[Asked, Screened | None] = {}
        self._verdicts: dict[Asked, Verdict] = {}

    def carried_to(self, candidates: Sequence[Candidate]) -> Judge:
        """A judge of the ward as it is now that knows every verdict on beds whose patient and settings are as they
        were; where they are in the list does not matter, nor which ventilator they are on."""
        other = Judge(candidates, self.policy, self.draws, self.seed)
        now = {c.bed: i for i, c in enumerate(candidates)}
        moved = {
            i: now[c.bed]
            for i, c in enumerate(self.candidates)
            if c.bed in now
            and (c.patient, c.present_settings)
            == (candidates[now[c.bed]].patient, candidates[now[c.bed]].present_settings)
        }
        same = {self.candidates[i].bed for i in moved}
        other._screens = {kind: screen.keeping(same) for kind, screen in self._screens.items()}
        other._searches = dict(self._searches)
        for (members, *asked), screened in self._screened.items():
            if moved.keys() >= set(members):
                other._screened[tuple(moved[i] for i in members), *asked] = screened  # type: ignore[index]
        for (members, *asked), verdict in self._verdicts.items():
            if moved.keys() >= set(members):
                there = tuple(moved[i] for i in members)
                other._verdicts[there, *asked] = replace(verdict, members=there)  # type: ignore[index]
        return other

    def prepare(self, kind: Ventilator, build: Build) -> None:
        """Make the screen's tables of everybody who may share, on this build, in one run of the engine."""
        patients = [c.patient for c in self.candidates if c.may_share and c.patient is not None]
        self._screen(kind).prepare(patients, build)

    def bound(self, members: tuple[int, ...], kind: Ventilator, build: Build) -> float | None:
        """What the judged margin of the group will not exceed: judged already, or the screen's with its offset;
        ``None`` where it has not been screened."""
        key = _asked(members, kind, build)
        known = self._verdicts.get(key)
        if known is not None:
            return known.margin if known.allowed else float("-inf")
        if key not in self._screened:
            return None
        screened = self._screened[key]
        return float("-inf") if screened is None else screened.margin + screen_offset(len(members))

    def known(self, members: tuple[int, ...], kind: Ventilator, build: Build) -> Verdict | None:
        """The verdict on the group, if it has been made."""
        return self._verdicts.get(_asked(members, kind, build))

    def verdict(self, members: tuple[int, ...], kind: Ventilator, build: Build) -> Verdict:
        """The verdict on these beds on a ventilator of this class, through this build."""
        key = _asked(members, kind, build)
        if key not in self._verdicts:
            screened = self.screen(members, kind, build)
            if key not in self._verdicts and screened is not None:
                self._verdicts[key] = self._judge(members, kind, build, screened)
        return self._verdicts[key]

    def screen_reasons(self, verdict: Verdict, kind: Ventilator) -> tuple[Judged, ...]:
        """Every limit at the screen's best settings, for a group that the engine was not asked about."""
        if verdict.screened is None:
            return ()
        return self._screen(kind).judged_at(self._patients(verdict.members), verdict.build, verdict.screened)

    def _screen(self, kind: Ventilator) -> Screen:
        return self._screens.setdefault(kind, Screen(kind, self.policy, self.seed))

    def _patients(self, members: Sequence[int]) -> list[Patient]:
        return [p for i in members if (p := self.candidates[i].patient) is not None]

    def screen(self, members: tuple[int, ...], kind: Ventilator, build: Build) -> Screened | None:
        """What the screen says of the group; one that it leaves outside has its verdict with that."""
        key = _asked(members, kind, build)
        if key not in self._screened:
            offset = screen_offset(len(members))
            screened = self._screen(kind).group(self._patients(members), build, hopeless=-offset)
            self._screened[key] = screened
            if screened is None or screened.margin + offset < 0.0:
                self._verdicts[key] = Verdict(members, build, screened)
        return self._screened[key]

    def _judge(self, members: tuple[int, ...], kind: Ventilator, build: Build, screened: Screened) -> Verdict:
        search = self._searches.setdefault(kind, SettingsSearch(kind, self.policy, self.seed))
        present = [self.candidates[i].present_settings for i in members]
        found = search.best(self._patients(members), present, build, screened)
        if found.search_margin.at_best_estimate < 0.0:
            return Verdict(members, build, screened, found)
        answer = self.answer(members, build, found.settings, draws=self.draws)
        if self.draws < MORE_DRAWS and self._near_threshold(answer):
            answer = self.answer(members, build, found.settings, draws=MORE_DRAWS)
        return Verdict(members, build, screened, found, answer)

    def _near_threshold(self, answer: GroupAnswer) -> bool:
        margin = answer.margin
        return margin is not None and (
            abs(margin.inside_probability - self.policy.planning_confidence) < NEAR_TARGET
            or abs(margin.hard_inside_probability - self.policy.hard_confidence) < NEAR_HARD
        )

    def answer(
        self,
        members: tuple[int, ...],
        build: Build,
        settings: Settings,
        *,
        draws: int,
        shown_by: Ventilator | None = None,
    ) -> GroupAnswer:
        """The engine's answer at these settings, with the shared FiO2 chosen again at exactly them.

        ``shown_by`` adds what this ventilator would show in a hold.
        """
        sampled = sample_group(self._patients(members), build, self.policy.assumptions, draws, self.seed)
        chosen = replace(settings, fio2=shared_fio2(sampled, settings, self.policy))
        outcome = predict(sampled, [chosen], holds=shown_by is not None)
        sensor = "inspiratory" if shown_by is None else shown_by.hold_sensor
        return answer_group(sampled, outcome, self.policy, self.seed, hold_sensor=sensor)


def ventilator_class(ventilator: Ventilator) -> Ventilator:
    """What of a ventilator can change a verdict in pressure control: ranges, steps and flow; the rest is set equal."""
    return replace(
        ventilator,
        label="",
        room=None,
        usable=True,
        modes=tuple(sorted(ventilator.modes)),
        pressure_reference="above_peep",
        circuit_compensation="off",
        hold_sensor="inspiratory",
        min_tidal_volume_ml=0.0,
        max_tidal_volume_ml=0.0,
    )


def refused_pair(verdict: Verdict, kind: Ventilator, judge: Judge) -> RefusedPair:
    """Why a pair may not share: the limits outside at the settings that came closest."""
    beds = tuple(judge.candidates[i].bed for i in verdict.members)
    if verdict.screened is None:
        note = Note("no-settings", "the ventilator has no settings within the policy's ranges")
        return RefusedPair((beds[0], beds[1]), (), (note,), None, None, "rules")
    limits: list[RefusedLimit] = []
    by_readings = False
    worst: list[tuple[float, RefusedLimit]] = []
    found = judge.screen_reasons(verdict, kind) if verdict.found is None else verdict.found.judged
    for one in found:
        best = float(one.values[0])
        bed = None if one.patient is None else beds[one.patient]
        row = RefusedLimit(one.limit.name, bed, one.limit.target, best, one.limit.unit)
        worst.append((_reach(one), row))
        if margin_to(one.limit.target, one.limit.side, one.limit.scale, one.values[:1])[0] < 0.0:
            limits.append(row)
            by_readings = by_readings or one.limit.scope == "pair"
    # The FiO2 window decides more refusals than anything else: it is shown first when it binds.
    limits.sort(key=lambda row: row.limit != "fio2_spread")
    reasons: tuple[Note, ...] = ()
    if not limits:
        limits = [row for _, row in sorted(worst, key=lambda w: w[0])[:2]]
        reasons = (_not_sure_enough(verdict, found, judge.policy),)
    by: Literal["engine", "readings", "screen"] = (
        "readings" if by_readings else "screen" if verdict.found is None else "engine"
    )
    return RefusedPair((beds[0], beds[1]), tuple(limits), reasons, _tried(verdict, kind), verdict.margin, by)


def _tried(verdict: Verdict, kind: Ventilator) -> Settings | None:
    if verdict.found is not None:
        return verdict.found.settings
    if verdict.screened is None:
        return None
    return settings_of(verdict.screened.proposals[0], round(verdict.screened.fio2, 2), kind)


def _reach(one: Judged) -> float:
    """The low end of a limit's target margin over its draws: which limits are most often missed."""
    ordered = sorted(float(m) for m in one.target)
    return ordered[len(ordered) // 5]


def _not_sure_enough(verdict: Verdict, judged: Sequence[Judged], policy: Policy) -> Note:
    margin = verdict.answer.margin if verdict.answer is not None else None
    margin = margin if margin is not None else group_margin(list(judged), policy)
    return Note(
        "not-sure-enough",
        f"inside every target at best estimate, but in only {100 * margin.inside_probability:.0f} % of the draws "
        f"({100 * margin.hard_inside_probability:.0f} % inside every hard bound)",
    )
