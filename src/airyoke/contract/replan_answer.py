"""What is answered when something happened to a ward that runs: `airyoke/replan/1`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import (
    Answer,
    FindingAnswer,
    MarginAnswer,
    NoteAnswer,
    PatientAnswer,
    SettingsAnswer,
    VentilatorAnswer,
    caution_answers,
    number,
)
from airyoke.contract.event_forms import event_words
from airyoke.contract.fields import Frozen
from airyoke.contract.plan_answer import AlarmAnswer, GoalAnswer, GroupPlan, PartCount, ReadingsAt
from airyoke.limits.answer import GroupAnswer
from airyoke.plan import at_once as plan_at_once
from airyoke.plan.plan import Alarm
from airyoke.ward import replanning as domain
from airyoke.ward.events import Event
from airyoke.watch import OffFirst, TimedStep


class EventAnswer(Frozen):
    """What happened: its kind, the bed or ventilator, and the share of the compliance where one was supposed."""

    kind: Literal["frees", "fails", "ends", "arrives", "improves", "worsens", "leaves", "dies", "off"]
    whose: str
    amount: float | None
    text: str

    @classmethod
    def of(cls, event: Event) -> EventAnswer:
        """From the domain."""
        return cls(kind=event.kind, whose=event.whose, amount=number(event.amount), text=event_words(event))


class StepAnswer(Frozen):
    """One step by the clock: when, which role, what to do, what to read."""

    at: str
    who: str
    do: str
    read: str
    source: str

    @classmethod
    def of(cls, step: TimedStep) -> StepAnswer:
        """From the domain."""
        return cls(at=step.at, who=step.who, do=step.do, read=step.read, source=step.source)


class LaneAnswer(Frozen):
    """One lane of a running circuit; ``bed`` ``null``: both ports are capped."""

    lane: str
    bed: str | None


class AnsweredAnswer(Frozen):
    """A group at one set of settings: what each gets, and how that stands to the limits."""

    settings: SettingsAnswer | None
    patients: list[PatientAnswer]
    ventilator_shows: VentilatorAnswer
    margin: MarginAnswer | None
    inside_probability: float | None
    hard_inside_probability: float | None
    draws: int

    @classmethod
    def of(cls, answer: GroupAnswer | None) -> AnsweredAnswer | None:
        """From the domain."""
        if answer is None:
            return None
        margin = answer.margin
        return cls(
            settings=SettingsAnswer.of(answer.settings),
            patients=[PatientAnswer.of(one) for one in answer.patients],
            ventilator_shows=VentilatorAnswer.of(answer.ventilator),
            margin=MarginAnswer.of(margin, answer.patients),
            inside_probability=None if margin is None else number(margin.inside_probability),
            hard_inside_probability=None if margin is None else number(margin.hard_inside_probability),
            draws=answer.draws,
        )


class AtOnceAnswer(Frozen):
    """For those who stay on one ventilator: as it runs, the best settings, which of the two to dial, its alarm limits.

    ``allowed``: inside the limits as surely as the policy asks, at what is to be dialled.
    """

    as_it_runs: AnsweredAnswer | None
    best: AnsweredAnswer | None
    dial: Literal["as_it_runs", "best"] | None
    allowed: bool
    alarms: list[AlarmAnswer]

    @classmethod
    def of(cls, one: plan_at_once.AtOnce) -> AtOnceAnswer:
        """From the domain."""
        return cls(
            as_it_runs=AnsweredAnswer.of(one.as_it_runs),
            best=AnsweredAnswer.of(one.best),
            dial=one.dial,
            allowed=one.allowed,
            alarms=[_alarm(alarm) for alarm in one.alarms],
        )


class TouchedAnswer(Frozen):
    """A running group that the event touches. ``lanes`` after it; ``off``: who left; ``failed``: its ventilator did."""

    ventilator: str
    lanes: list[LaneAnswer]
    off: list[str]
    failed: bool
    at_once: AtOnceAnswer
    steps: list[StepAnswer]

    @classmethod
    def of(cls, one: domain.Touched) -> TouchedAnswer:
        """From the domain."""
        return cls(
            ventilator=one.before.ventilator,
            lanes=_lanes(one.at_once.group.lanes),
            off=list(one.off),
            failed=one.failed,
            at_once=AtOnceAnswer.of(one.at_once),
            steps=[StepAnswer.of(step) for step in one.steps],
        )


class OffReasonAnswer(Frozen):
    """Why somebody comes off early: the sign, its number and bound, and the source of the rule."""

    sign: Literal["decided", "waking", "binding", "driving", "unstable", "margin"]
    text: str
    value: float | None
    bound: float | None
    unit: str
    source: str


class OffFirstAnswer(Frozen):
    """One place in the order of who comes off first: by fit in the group, never by worth."""

    place: int
    bed: str
    ventilator: str
    reasons: list[OffReasonAnswer]
    comes_off: bool

    @classmethod
    def of(cls, place: int, one: OffFirst, *, comes_off: bool) -> OffFirstAnswer:
        """From the domain; ``comes_off`` in this plan."""
        return cls(
            place=place,
            bed=one.bed,
            ventilator=one.ventilator,
            reasons=[
                OffReasonAnswer(sign=r.sign, text=r.text, value=number(r.value), bound=number(r.bound), unit=r.unit,
                                source=r.source)
                for r in one.reasons
            ],
            comes_off=comes_off,
        )  # fmt: skip


class ReplannedGroupAnswer(Frozen):
    """One ventilator of the new plan. ``group.breaks``: whose circuit is opened; ``lanes`` of one that runs on."""

    how: Literal["runs_on", "lanes_change", "new", "alone", "not_judged"]
    group: GroupPlan
    lanes: list[LaneAnswer]
    joins: list[str]
    comes_off: list[str]
    at_once: AtOnceAnswer | None
    steps: list[StepAnswer]

    @classmethod
    def of(cls, one: domain.ReplannedGroup) -> ReplannedGroupAnswer:
        """From the domain."""
        return cls(
            how=one.how,
            group=GroupPlan.of(one.group),
            lanes=_lanes(one.lanes),
            joins=list(one.joins),
            comes_off=list(one.comes_off),
            at_once=None if one.at_once is None else AtOnceAnswer.of(one.at_once),
            steps=[StepAnswer.of(step) for step in one.steps],
        )


class LeftOverAnswer(Frozen):
    """A bed without a ventilator under the new plan, and why."""

    bed: str
    why: list[NoteAnswer]


class ReplanAnswer(Answer):
    """At once for those who stay, who comes off first and why, and the plan that opens the fewest circuits.

    ``breaks``: every bed whose circuit is opened: put on, taken off, or moved to another machine or build.
    ``comes_off``: who shares now and leaves that circuit. ``margin_loss``: of the largest smallest margin, what may be
    given up for fewer breaks. ``parts``:
    what new circuits take from the store room. ``used``: what comes off, to be reprocessed, not back in the store room.
    ``reserve_used``: a ventilator that failed took the reserve.
    """

    schema_: Annotated[Literal["airyoke/replan/1"], Field(alias="schema")] = "airyoke/replan/1"
    version: str
    seed: int
    draws: int
    events: list[EventAnswer]
    readings_at: ReadingsAt
    touched: list[TouchedAnswer]
    off_first: list[OffFirstAnswer]
    outcome: Literal["all_placed", "some_left", "no_sharing"]
    groups: list[ReplannedGroupAnswer]
    left: list[LeftOverAnswer]
    breaks: list[str]
    comes_off: list[str]
    margin_loss: float
    reserve: list[str]
    reserve_used: bool
    proof: list[GoalAnswer]
    rounds: int
    parts: list[PartCount]
    used: list[PartCount]
    findings: list[FindingAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(cls, one: domain.Replan) -> ReplanAnswer:
        """From the domain."""
        plan, request = one.plan, one.situation.request
        oldest, newest = one.oldest_reading, one.newest_reading
        return cls(
            version=__version__,
            seed=request.seed,
            draws=request.draws,
            events=[EventAnswer.of(event) for event in one.situation.events],
            readings_at=ReadingsAt(
                oldest=None if oldest is None else oldest.isoformat(),
                newest=None if newest is None else newest.isoformat(),
            ),
            touched=[TouchedAnswer.of(group) for group in one.touched],
            off_first=[
                OffFirstAnswer.of(place, who, comes_off=who.bed in plan.comes_off)
                for place, who in enumerate(plan.order, start=1)
            ],
            outcome=plan.outcome,
            groups=[ReplannedGroupAnswer.of(group) for group in plan.groups],
            left=[
                LeftOverAnswer(bed=left.bed, why=[NoteAnswer(id=note.id, text=note.text) for note in left.why])
                for left in plan.left
            ],
            breaks=list(plan.breaks),
            comes_off=list(plan.comes_off),
            margin_loss=request.policy.break_margin_loss,
            reserve=list(plan.reserve),
            reserve_used=plan.reserve_used,
            proof=[
                GoalAnswer(goal=goal.goal, value=number(goal.value), bound=number(goal.bound), gap=number(goal.gap),
                           status=goal.status, by=goal.by)
                for goal in plan.proof
            ],
            rounds=plan.rounds,
            parts=[PartCount(part=part, count=count) for part, count in plan.parts],
            used=[PartCount(part=part, count=count) for part, count in plan.used],
            findings=[FindingAnswer.of(finding) for finding in one.findings],
            cautions=caution_answers(plan.cautions),
        )  # fmt: skip


def _lanes(lanes: tuple[str | None, ...]) -> list[LaneAnswer]:
    return [LaneAnswer(lane="ABCD"[number], bed=bed) for number, bed in enumerate(lanes)]


def _alarm(one: Alarm) -> AlarmAnswer:
    return AlarmAnswer(name=one.name, low=number(one.low), high=number(one.high), unit=one.unit, why=one.why)
