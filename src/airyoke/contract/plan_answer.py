"""The plan of a ward as it leaves the tool: `airyoke/plan/1`. Every key is always there; ``null`` is not known."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.breath.settings import Settings
from airyoke.contract.answers import (
    Answer,
    AssumedAnswer,
    FindingAnswer,
    MarginAnswer,
    NoteAnswer,
    PatientAnswer,
    SettingsAnswer,
    VentilatorAnswer,
    assumed_answers,
    caution_answers,
    known_number,
    number,
)
from airyoke.contract.fields import Frozen
from airyoke.plan import plan as domain
from airyoke.plan.candidate import Note
from airyoke.plan.room_left import RoomLeft


class ReadingsAt(Frozen):
    """When the readings were taken that the plan rests on (ISO 8601)."""

    oldest: str | None
    newest: str | None


class PartCount(Frozen):
    """A part by its name in the catalogue, and how many."""

    part: str
    count: int


class CircuitAnswer(Frozen):
    """The build of a group and the parts it takes."""

    build: str
    parts: list[PartCount]


class AlarmAnswer(Frozen):
    """One alarm limit to dial, and the rule behind it."""

    name: str
    low: float | None
    high: float | None
    unit: str
    why: str


class ExpectationAnswer(Frozen):
    """What one patient should show, alone at the shared settings."""

    bed: str
    quantity: str
    value: float
    low: float
    high: float


class RehearsalAnswer(Frozen):
    """Each patient alone at the shared settings before anybody is coupled: what to read, when it passes."""

    settings: SettingsAnswer
    minutes: str
    read: list[str]
    expected: list[ExpectationAnswer]
    confidence: float
    hard_confidence: float
    passes: str

    @classmethod
    def of(cls, rehearsal: domain.Rehearsal | None) -> RehearsalAnswer | None:
        """From the domain."""
        if rehearsal is None:
            return None
        return cls(
            settings=_settings(rehearsal.settings),
            minutes=rehearsal.minutes,
            read=list(rehearsal.read),
            expected=[
                ExpectationAnswer(
                    bed=one.bed,
                    quantity=one.quantity,
                    value=known_number(one.value),
                    low=known_number(one.low),
                    high=known_number(one.high),
                )
                for one in rehearsal.expected
            ],
            confidence=rehearsal.confidence,
            hard_confidence=rehearsal.hard_confidence,
            passes=rehearsal.passes,
        )


class ThenAnswer(Frozen):
    """What ends the room: a limit, its side, and whose (``null``: the whole group's)."""

    patient: str | None
    limit: str
    side: Literal["low", "high"]


class RoomLeftAnswer(Frozen):
    """How far one quantity of one patient may go, others unchanged, before somebody leaves a target limit.

    ``to`` and ``then`` are ``null`` where nothing happens within a factor of four.
    """

    patient: str
    quantity: Literal["compliance_ml_per_cmh2o", "airway_resistance"]
    direction: Literal["down", "up"]
    from_: Annotated[float, Field(alias="from", serialization_alias="from")]
    to: float | None
    then: ThenAnswer | None

    @classmethod
    def of(cls, room: RoomLeft) -> RoomLeftAnswer:
        """From the domain."""
        return cls.model_validate(
            {
                "patient": room.bed,
                "quantity": room.quantity,
                "direction": room.direction,
                "from": known_number(room.now),
                "to": number(room.at),
                "then": None
                if room.limit is None or room.side is None
                else ThenAnswer(patient=room.whose, limit=room.limit, side=room.side),
            }
        )


class GroupPlan(Frozen):
    """One ventilator and the beds on it. ``settings`` is ``null`` for a bed that stays as it is.

    ``draws`` is how many decided; ``ventilator_shows`` what the machine will show of the sum; ``switches`` what else
    is to be set or avoided on it; ``room_left`` how far each patient's lungs may change. ``breaks``: the beds whose
    ventilator changes. ``present_settings``: by bed, what is dialled now.
    """

    id: str
    ventilator: str
    beds: list[str]
    needs: list[NoteAnswer]
    circuit: CircuitAnswer
    settings: SettingsAnswer | None
    present_settings: dict[str, SettingsAnswer | None]
    alarms: list[AlarmAnswer]
    patients: list[PatientAnswer]
    margin: MarginAnswer | None
    inside_probability: float | None
    hard_inside_probability: float | None
    draws: int | None
    ventilator_shows: VentilatorAnswer | None
    switches: list[str]
    room_left: list[RoomLeftAnswer]
    status: Literal["judged", "as_read", "not_judged"]
    rehearsal: RehearsalAnswer | None
    breaks: list[str]

    @classmethod
    def of(cls, group: domain.PlannedGroup) -> GroupPlan:
        """From the domain."""
        answer = group.answer
        margin = None if answer is None else answer.margin
        return cls(
            id=group.id,
            ventilator=group.ventilator,
            beds=list(group.beds),
            needs=_notes(group.needs),
            circuit=CircuitAnswer(build=group.build, parts=[PartCount(part=p, count=n) for p, n in group.parts]),
            settings=SettingsAnswer.of(group.settings),
            present_settings={bed: SettingsAnswer.of(one) for bed, one in group.present_settings.items()},
            alarms=[
                AlarmAnswer(name=one.name, low=number(one.low), high=number(one.high), unit=one.unit, why=one.why)
                for one in group.alarms
            ],
            patients=[] if answer is None else [PatientAnswer.of(one) for one in answer.patients],
            margin=None if answer is None else MarginAnswer.of(margin, answer.patients),
            inside_probability=None if margin is None else number(margin.inside_probability),
            hard_inside_probability=None if margin is None else number(margin.hard_inside_probability),
            draws=None if answer is None else answer.draws,
            ventilator_shows=None if answer is None else VentilatorAnswer.of(answer.ventilator),
            switches=list(group.switches),
            room_left=[RoomLeftAnswer.of(one) for one in group.room_left],
            status=group.status,
            rehearsal=RehearsalAnswer.of(group.rehearsal),
            breaks=list(group.breaks),
        )


class UnplacedAnswer(Frozen):
    """A bed without a ventilator. ``alternatives``: other sets of beds to leave, equal at the first two goals."""

    bed: str
    why: list[NoteAnswer]
    would_change: list[NoteAnswer]
    alternatives: list[list[str]]


class GoalAnswer(Frozen):
    """One goal of the plan: what was reached, the proved bound, the gap, who proved it.

    ``off_first`` stands in a plan for what runs only: the place in the order of who comes off first.
    """

    goal: Literal["placed", "couplings", "needs", "smallest_margin", "breaks", "off_first", "margin_sum"]
    value: float | None
    bound: float | None
    gap: float | None
    status: Literal["proved", "open", "skipped"]
    by: str


class RunnerUpGroupAnswer(Frozen):
    """One ventilator of the runner-up and the beds on it; ``margin`` of a shared group."""

    ventilator: str
    beds: list[str]
    margin: float | None


class WorseByAnswer(Frozen):
    """How much worse the runner-up is in one goal (below zero: better, after being worse in an earlier one)."""

    goal: Literal["placed", "couplings", "needs", "smallest_margin", "breaks", "margin_sum"]
    by: float


class RunnerUpAnswer(Frozen):
    """The best plan that differs in a shared group, or, with the same groups, in who is left."""

    differs: Literal["group", "left"]
    groups: list[RunnerUpGroupAnswer]
    unplaced: list[str]
    worse_by: list[WorseByAnswer]

    @classmethod
    def of(cls, other: domain.RunnerUp | None) -> RunnerUpAnswer | None:
        """From the domain."""
        if other is None:
            return None
        return cls(
            differs=other.differs,
            groups=[
                RunnerUpGroupAnswer(ventilator=one.ventilator, beds=list(one.beds), margin=number(one.margin))
                for one in other.groups
            ],
            unplaced=list(other.unplaced),
            worse_by=[WorseByAnswer.model_validate({"goal": goal, "by": by}) for goal, by in other.worse_by],
        )


class RefusedLimitAnswer(Frozen):
    """One limit that keeps a pair apart, and the best that the bed could get there."""

    limit: str
    bed: str | None
    bound: float
    best: float
    unit: str


class RefusedPairAnswer(Frozen):
    """Two beds that may not share, and why. ``by``: who judged."""

    beds: list[str]
    limits: list[RefusedLimitAnswer]
    reasons: list[NoteAnswer]
    settings_tried: SettingsAnswer | None
    by: Literal["engine", "screen", "readings", "rules"]


class PickAnswer(Frozen):
    """One line of the pick list; ``have`` is ``null`` where no stock sheet was given."""

    part: str
    need: int
    have: int | None
    substitute: str | None


class PlanAnswer(Answer):
    """Who shares with whom on which ventilator, what each gets, who is left and why, and the proof."""

    schema_: Annotated[Literal["airyoke/plan/1"], Field(alias="schema")] = "airyoke/plan/1"
    version: str
    seed: int
    draws: int
    outcome: Literal["all_placed", "some_left", "no_sharing"]
    outcome_reason: str | None
    readings_at: ReadingsAt
    rounds: int
    groups: list[GroupPlan]
    unplaced: list[UnplacedAnswer]
    reserve: list[str]
    proof: list[GoalAnswer]
    runner_up: RunnerUpAnswer | None
    refused_pairs: list[RefusedPairAnswer]
    findings: list[FindingAnswer]
    pick_list: list[PickAnswer]
    assumed: list[AssumedAnswer]
    sources: list[NoteAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(cls, plan: domain.Plan) -> PlanAnswer:
        """From the domain."""
        oldest, newest = plan.oldest_reading, plan.newest_reading
        return cls(
            version=__version__,
            seed=plan.seed,
            draws=plan.draws,
            outcome=plan.outcome,
            outcome_reason=plan.outcome_reason,
            readings_at=ReadingsAt(
                oldest=None if oldest is None else oldest.isoformat(),
                newest=None if newest is None else newest.isoformat(),
            ),
            rounds=plan.rounds,
            groups=[GroupPlan.of(one) for one in plan.groups],
            unplaced=[
                UnplacedAnswer(
                    bed=one.bed,
                    why=_notes(one.why),
                    would_change=_notes(one.would_change),
                    alternatives=[list(beds) for beds in one.alternatives],
                )
                for one in plan.unplaced
            ],
            reserve=list(plan.reserve),
            proof=[
                GoalAnswer(
                    goal=one.goal,
                    value=number(one.value),
                    bound=number(one.bound),
                    gap=number(one.gap),
                    status=one.status,
                    by=one.by,
                )
                for one in plan.proof
            ],
            runner_up=RunnerUpAnswer.of(plan.runner_up),
            refused_pairs=[_refused_pair(one) for one in plan.refused_pairs],
            findings=[FindingAnswer.of(one) for one in plan.findings],
            pick_list=[
                PickAnswer(part=one.part, need=one.need, have=one.have, substitute=one.substitute)
                for one in plan.pick_list
            ],
            assumed=assumed_answers(plan.assumed),
            sources=[NoteAnswer(id=one.id, text=one.text) for one in plan.sources],
            cautions=caution_answers(plan.cautions),
        )


def _refused_pair(pair: domain.RefusedPair) -> RefusedPairAnswer:
    return RefusedPairAnswer(
        beds=list(pair.beds),
        limits=[
            RefusedLimitAnswer(
                limit=one.limit,
                bed=one.bed,
                bound=known_number(one.bound),
                best=known_number(one.best),
                unit=one.unit,
            )
            for one in pair.limits
        ],
        reasons=_notes(pair.reasons),
        settings_tried=SettingsAnswer.of(pair.settings_tried),
        by=pair.by,
    )


def _notes(notes: tuple[Note, ...]) -> list[NoteAnswer]:
    return [NoteAnswer(id=one.id, text=one.text) for one in notes]


def _settings(settings: Settings) -> SettingsAnswer:
    answer = SettingsAnswer.of(settings)
    assert answer is not None, "only no settings give no answer"
    return answer
