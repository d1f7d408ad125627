"""The answer of `airyoke predict CASE --trim`: which piece on whose limb, what everybody gets, what it forgives."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import (
    Answer,
    AssumedAnswer,
    NoteAnswer,
    assumed_answers,
    caution_answers,
    known_number,
    note_cautions,
)
from airyoke.contract.fields import Frozen
from airyoke.contract.what_if_answer import MovedAnswer, SideAnswer
from airyoke.plan import trims as domain
from airyoke.plan.trim_sensitivity import Variant, sensitivity
from airyoke.plan.trim_steps import fitting_words, steps
from airyoke.quantities import Finding

Found = Literal["none_needed", "found", "better_but_outside", "none_helps"]


class FittingAnswer(Frozen):
    """One piece: ``size`` in mm of the hole, cmH2O of the valve, mL of dead space. ``part``: name in the catalogue."""

    patient: str
    kind: Literal["restrictor", "peep_valve", "dead_space"]
    size: float
    unit: Literal["mm", "cmH2O", "mL"]
    part: str | None
    restrictor_cmh2o_s2_per_l2: float
    peep_valve_cmh2o: float
    added_dead_space_ml: float
    text: str

    @classmethod
    def of(cls, one: domain.Fitting) -> FittingAnswer:
        """From the domain."""
        units: dict[str, Literal["mm", "cmH2O", "mL"]] = {"restrictor": "mm", "peep_valve": "cmH2O", "dead_space": "mL"}
        return cls(
            patient=one.patient,
            kind=one.kind,
            size=known_number(one.size),
            unit=units[one.kind],
            part=one.part,
            restrictor_cmh2o_s2_per_l2=known_number(one.trim.restrictor_cmh2o_s2_per_l2),
            peep_valve_cmh2o=known_number(one.trim.peep_valve_cmh2o),
            added_dead_space_ml=known_number(one.trim.added_dead_space_ml),
            text=fitting_words(one),
        )


class VolumeAnswer(Frozen):
    """Tidal volume of one patient at best estimate."""

    patient: str
    tidal_volume_ml: float


class VariantAnswer(Frozen):
    """One thing that may be off, at best estimate: what everybody gets, the smallest margin and where it stands."""

    what: str
    tidal_volumes: list[VolumeAnswer]
    margin: float
    limit: str
    patient: str | None

    @classmethod
    def of(cls, one: Variant, labels: tuple[str, ...]) -> VariantAnswer:
        """From the domain."""
        return cls(
            what=one.what,
            tidal_volumes=[
                VolumeAnswer(patient=label, tidal_volume_ml=known_number(volume))
                for label, volume in zip(labels, one.tidal_volumes_ml, strict=True)
            ],
            margin=known_number(one.margin),
            limit=one.limit,
            patient=one.whose,
        )


class ProposalAnswer(Frozen):
    """One trim. ``fittings`` may be empty where other settings alone are better than any piece."""

    settings_kept: bool
    fittings: list[FittingAnswer]
    after: SideAnswer
    moved: list[MovedAnswer]
    sensitivity: list[VariantAnswer]
    steps: list[str]

    @classmethod
    def of(cls, one: domain.Proposal) -> ProposalAnswer:
        """From the domain; the sensitivity is asked of the engine here."""
        labels = one.after.coupling.labels
        return cls(
            settings_kept=one.what_if.before.coupling.settings == one.after.coupling.settings,
            fittings=[FittingAnswer.of(fitting) for fitting in one.fittings],
            after=SideAnswer.of(one.after),
            moved=[MovedAnswer.of(row) for row in one.what_if.moved],
            sensitivity=[VariantAnswer.of(row, labels) for row in sensitivity(one)],
            steps=list(steps(one)),
        )


class TrimAnswer(Answer):
    """Trims for one group.

    ``outcome``: ``none_needed`` everybody is inside already · ``found`` a proposal brings everybody inside ·
    ``better_but_outside`` the best one does not · ``none_helps``. The last proposal is the best.
    """

    schema_: Annotated[Literal["airyoke/trim/1"], Field(alias="schema")] = "airyoke/trim/1"
    version: str
    seed: int
    draws: int
    outcome: Found
    stock_known: bool
    tried: Annotated[int, Field(description="pieces, limbs and settings that were put to the engine")]
    before: SideAnswer
    proposals: list[ProposalAnswer]
    assumed: list[AssumedAnswer]
    sources: list[NoteAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(cls, found: domain.TrimSearch, *, stock_known: bool, notes: tuple[Finding, ...] = ()) -> TrimAnswer:
        """From the domain. ``notes`` (unusual values of the case) are told as cautions."""
        before = found.before.answer
        return cls(
            version=__version__,
            seed=before.seed,
            draws=before.draws,
            outcome=outcome_of(found),
            stock_known=stock_known,
            tried=found.tried,
            before=SideAnswer.of(found.before),
            proposals=[ProposalAnswer.of(one) for one in found.proposals],
            assumed=assumed_answers(before.assumed),
            sources=[NoteAnswer(id=one.id, text=one.text) for one in before.sources],
            cautions=[*caution_answers(before.cautions), *note_cautions(notes)],
        )


def outcome_of(found: domain.TrimSearch) -> Found:
    """What the search came to."""
    if found.before.answer.margin is not None and found.before.answer.margin.allowed:
        return "none_needed"
    if not found.proposals:
        return "none_helps"
    return "found" if found.proposals[-1].margin >= 0.0 else "better_but_outside"
