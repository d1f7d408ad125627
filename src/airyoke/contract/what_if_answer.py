"""The answer of a what-if: `airyoke/what_if/1`, and the list of the forms that a change can take."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import (
    Answer,
    AssumedAnswer,
    FigureAnswer,
    MarginAnswer,
    NotComputedAnswer,
    NoteAnswer,
    PatientAnswer,
    SettingsAnswer,
    VentilatorAnswer,
    assumed_answers,
    caution_answers,
    note_cautions,
    number,
)
from airyoke.contract.change_forms import FORMS, change_words
from airyoke.contract.fields import Frozen
from airyoke.contract.plan_answer import AlarmAnswer
from airyoke.limits.answer import Figure
from airyoke.plan import changes as domain
from airyoke.plan.what_if import Moved, Predicted, WhatIf
from airyoke.quantities import Finding


class ChangeAnswer(Frozen):
    """One change that was made, and what it means in words."""

    kind: str
    whose: str | None
    amount: float | None
    relative: bool
    patient: Annotated[str | None, Field(description="who came in")]
    text: str

    @classmethod
    def of(cls, change: domain.Change) -> ChangeAnswer:
        """From the domain."""
        return cls(
            kind=change.kind,
            whose=change.whose,
            amount=number(change.amount),
            relative=change.relative,
            patient=None if change.patient is None else change.patient.label,
            text=change_words(change),
        )


class SideAnswer(Frozen):
    """Before or after: settings, what each patient gets, margin, and the alarm limits that belong to it.

    ``alarms`` is empty where the rule for them does not apply (volume control).
    """

    outcome: Literal["solved", "not_converged", "impossible"]
    outcome_reason: str | None
    circuit: str
    settings: SettingsAnswer
    patients: list[PatientAnswer]
    ventilator: VentilatorAnswer
    margin: MarginAnswer | None
    inside_probability: float | None
    hard_inside_probability: float | None
    alarms: list[AlarmAnswer]
    not_computed: list[NotComputedAnswer]

    @classmethod
    def of(cls, side: Predicted) -> SideAnswer:
        """From the domain."""
        answer, margin = side.answer, side.answer.margin
        settings = SettingsAnswer.of(answer.settings)
        assert settings is not None
        return cls(
            outcome=answer.outcome,
            outcome_reason=answer.outcome_reason,
            circuit=answer.build,
            settings=settings,
            patients=[PatientAnswer.of(one) for one in answer.patients],
            ventilator=VentilatorAnswer.of(answer.ventilator),
            margin=MarginAnswer.of(margin, answer.patients),
            inside_probability=None if margin is None else number(margin.inside_probability),
            hard_inside_probability=None if margin is None else number(margin.hard_inside_probability),
            alarms=[
                AlarmAnswer(name=one.name, low=number(one.low), high=number(one.high), unit=one.unit, why=one.why)
                for one in side.alarms
            ],
            not_computed=[
                NotComputedAnswer(patient=one.patient, quantity=one.quantity, why=one.why, needs=one.needs)
                for one in answer.not_computed
            ],
        )


class MovedAnswer(Frozen):
    """One figure of one patient: before, after, and the signed change with its range, draw by draw.

    ``before`` is ``null`` for who comes in, ``after`` for who is taken off; then all of ``change`` is ``null``.
    """

    patient: str
    quantity: str
    before: FigureAnswer | None
    after: FigureAnswer | None
    change: FigureAnswer

    @classmethod
    def of(cls, moved: Moved) -> MovedAnswer:
        """From the domain."""

        def figure(one: Figure | None) -> FigureAnswer | None:
            return None if one is None else FigureAnswer.of(one)

        return cls(
            patient=moved.patient,
            quantity=moved.quantity,
            before=figure(moved.before),
            after=figure(moved.after),
            change=FigureAnswer.of(moved.change),
        )


class WhatIfAnswer(Answer):
    """What everybody gets before and after the changes, on the same draws."""

    schema_: Annotated[Literal["airyoke/what_if/1"], Field(alias="schema")] = "airyoke/what_if/1"
    version: str
    seed: int
    draws: int
    changes: list[ChangeAnswer]
    before: SideAnswer
    after: SideAnswer
    moved: list[MovedAnswer]
    assumed: list[AssumedAnswer]
    sources: list[NoteAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(cls, answer: WhatIf, notes: tuple[Finding, ...] = ()) -> WhatIfAnswer:
        """From the domain. ``notes`` (unusual values of the case) are told as cautions."""
        before, after = answer.before.answer, answer.after.answer
        return cls(
            version=__version__,
            seed=after.seed,
            draws=after.draws,
            changes=[ChangeAnswer.of(one) for one in answer.changes],
            before=SideAnswer.of(answer.before),
            after=SideAnswer.of(answer.after),
            moved=[MovedAnswer.of(one) for one in answer.moved],
            assumed=assumed_answers((*before.assumed, *after.assumed)),
            sources=[NoteAnswer(id=one.id, text=one.text) for one in after.sources],
            cautions=[
                *caution_answers(tuple(dict.fromkeys((*before.cautions, *after.cautions)))),
                *note_cautions(notes),
            ],
        )


class FormAnswer(Frozen):
    """One form of a change."""

    word: str
    kind: str
    whose: Literal["nobody", "one", "one or all"]
    takes: str
    example: str
    meaning: str


class FormsAnswer(Answer):
    """Every change that can be asked."""

    schema_: Annotated[Literal["airyoke/change_forms/1"], Field(alias="schema")] = "airyoke/change_forms/1"
    version: str
    forms: list[FormAnswer]

    @classmethod
    def make(cls) -> FormsAnswer:
        """The list."""
        return cls(
            version=__version__,
            forms=[
                FormAnswer(
                    word=one.word, kind=one.kind, whose=one.who, takes=one.takes, example=one.example,
                    meaning=one.meaning,
                )
                for one in FORMS
            ],
        )  # fmt: skip
