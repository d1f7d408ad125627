"""The verdict on a group: settings found by the search, judged by the engine on judging draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import standard_build
from airyoke.limits.answer import GroupAnswer
from airyoke.limits.answering import answer_group
from airyoke.limits.margins import Judged, margin_to
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import predict, sample_group
from airyoke.plan.candidate import Candidate, Note
from airyoke.plan.plan import RefusedLimit, RefusedPair
from airyoke.plan.search import Found, SettingsSearch, shared_fio2

MORE_DRAWS = 1024
NEAR_TARGET, NEAR_HARD = 0.05, 0.03  # this near to a threshold 256 draws do not decide


@dataclass(frozen=True, slots=True)
class Verdict:
    """A group at its best settings: ``answer`` of the engine with draws, or ``None`` where best estimate already
    failed; ``found`` what the search knew."""

    members: tuple[int, ...]
    found: Found | None
    answer: GroupAnswer | None

    @property
    def margin(self) -> float:
        """The judged margin; minus infinity where nothing was found."""
        if self.answer is not None and self.answer.margin is not None:
            return self.answer.margin.value
        return float("-inf") if self.found is None else self.found.search_margin.value

    @property
    def allowed(self) -> bool:
        """Judged by the engine with draws and inside."""
        return self.answer is not None and self.answer.margin is not None and self.answer.margin.allowed


class Judge:
    """Verdicts on groups of one ward; one search per class of ventilators, every verdict kept.

    A class is what decides: ranges, steps and flow of the machine, not its label or room.
    """

    def __init__(self, candidates: Sequence[Candidate], policy: Policy, draws: int, seed: int) -> None:
        self.candidates = tuple(candidates)
        self.policy = policy
        self.draws = draws
        self.seed = seed
        self._searches: dict[Ventilator, SettingsSearch] = {}
        self._verdicts: dict[tuple[tuple[int, ...], Ventilator], Verdict] = {}

    def verdict(self, members: tuple[int, ...], ventilator: Ventilator) -> Verdict:
        """The verdict on these beds on a ventilator of this class."""
        kind = ventilator_class(ventilator)
        key = (members, kind)
        if key not in self._verdicts:
            self._verdicts[key] = self._judge(members, kind)
        return self._verdicts[key]

    def _judge(self, members: tuple[int, ...], kind: Ventilator) -> Verdict:
        search = self._searches.setdefault(kind, SettingsSearch(kind, self.policy, self.seed))
        group = [self.candidates[i] for i in members]
        patients = [c.patient for c in group if c.patient is not None]
        build = standard_build(len(members))
        spread = _entry_spread(group, self.policy)
        found = search.best(patients, [c.present_settings for c in group], build)
        if found is None or found.search_margin.at_best_estimate < 0.0 or spread < 0.0:
            return Verdict(members, found, None)
        answer = self.answer(members, found.settings)
        return Verdict(members, found, answer)

    def answer(
        self,
        members: tuple[int, ...],
        settings: Settings,
        *,
        draws: int | None = None,
        shown_by: Ventilator | None = None,
    ) -> GroupAnswer:
        """The engine's answer at these settings, with the shared FiO2 chosen again at exactly them.

        ``draws`` fixes their number (else 256, and more near a threshold); ``shown_by`` adds what this ventilator
        would show in a hold.
        """
        patients = [p for i in members if (p := self.candidates[i].patient) is not None]
        build = standard_build(len(members))

        def with_draws(count: int) -> GroupAnswer:
            sampled = sample_group(patients, build, self.policy.assumptions, count, self.seed)
            chosen = replace(settings, fio2=shared_fio2(sampled, settings, self.policy))
            outcome = predict(sampled, [chosen], holds=shown_by is not None)
            sensor = "inspiratory" if shown_by is None else shown_by.hold_sensor
            return answer_group(sampled, outcome, self.policy, self.seed, hold_sensor=sensor)

        if draws is not None:
            return with_draws(draws)
        answer = with_draws(self.draws)
        if self.draws < MORE_DRAWS and answer.margin is not None:
            near = (
                abs(answer.margin.inside_probability - self.policy.planning_confidence) < NEAR_TARGET
                or abs(answer.margin.hard_inside_probability - self.policy.hard_confidence) < NEAR_HARD
            )
            if near:
                answer = with_draws(MORE_DRAWS)
        return answer


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


def _entry_spread(group: Sequence[Candidate], policy: Policy) -> float:
    """Margin of the spread of the present FiO2: a limit on readings that no setting can change."""
    limit = policy.limit("fio2_spread", "high")
    present = [c.patient.present.fio2 for c in group if c.patient is not None and c.patient.present is not None]
    return (limit.target - (max(present) - min(present))) / limit.scale + 1e-9


def refused_pair(verdict: Verdict, candidates: Sequence[Candidate]) -> RefusedPair:
    """Why a judged pair may not share: the limits outside at the settings that came closest."""
    beds = tuple(candidates[i].bed for i in verdict.members)
    if verdict.found is None:
        note = Note("no-settings", "the ventilator has no settings within the policy's ranges")
        return RefusedPair((beds[0], beds[1]), (), (note,), None, None, "rules")
    limits: list[RefusedLimit] = []
    by_readings = False
    worst: list[tuple[float, RefusedLimit]] = []
    for one in verdict.found.judged:
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
        reasons = (_not_sure_enough(verdict),)
    return RefusedPair(
        (beds[0], beds[1]), tuple(limits), reasons, verdict.found.settings, verdict.margin,
        "readings" if by_readings else "engine",
    )  # fmt: skip


def _reach(one: Judged) -> float:
    """The low end of a limit's target margin over its draws: which limits are most often missed."""
    ordered = sorted(float(m) for m in one.target)
    return ordered[len(ordered) // 5]


def _not_sure_enough(verdict: Verdict) -> Note:
    margin = verdict.answer.margin if verdict.answer is not None else None
    margin = margin if margin is not None else (verdict.found.search_margin if verdict.found else None)
    if margin is None:
        return Note("not-judged", "nothing could be judged")
    return Note(
        "not-sure-enough",
        f"inside every target at best estimate, but in only {100 * margin.inside_probability:.0f} % of the draws "
        f"({100 * margin.hard_inside_probability:.0f} % inside every hard bound)",
    )
