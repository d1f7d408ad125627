"""What was found in a ward, and what its readings say of each patient's lungs: `airyoke/check/1`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import Answer, FindingAnswer, NoteAnswer, known_number, number
from airyoke.contract.fields import Frozen
from airyoke.lungs.patient import Lungs, Patient
from airyoke.lungs.reasons import CannotEstimate
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.quantities import Estimate, Finding, quantity
from airyoke.ward.candidates import BedAssessment
from airyoke.ward.ward import Ward


class SpreadAnswer(Frozen):
    """How far an estimate may be off. ``sd`` of ln(value) where ``kind`` is ``lognormal``, else in its unit."""

    kind: Literal["none", "lognormal", "normal", "uniform"]
    sd: float
    low: float | None
    high: float | None


class InputAnswer(Frozen):
    """One reading that an estimate came from."""

    quantity: str
    value: float | str


class EstimateAnswer(Frozen):
    """One quantity of one patient with its spread, the rule it came from, and the readings that went in."""

    quantity: str
    value: float
    unit: str
    spread: SpreadAnswer
    basis: str
    inputs: list[InputAnswer]
    assumed: bool

    @classmethod
    def of(cls, estimate: Estimate) -> EstimateAnswer:
        """From the domain."""
        spread = estimate.spread
        return cls(
            quantity=estimate.quantity,
            value=known_number(estimate.value),
            unit=quantity(estimate.quantity).unit,
            spread=SpreadAnswer(
                kind=spread.kind, sd=known_number(spread.sd), low=number(spread.low), high=number(spread.high)
            ),
            basis=estimate.basis,
            inputs=[
                InputAnswer(quantity=name, value=value if isinstance(value, str) else known_number(value))
                for name, value in estimate.inputs
            ],
            assumed=estimate.assumed,
        )


class BedAnswer(Frozen):
    """One bed: whether it may share, why not, what it would need, and its lungs.

    ``lungs`` is empty where the readings were refused or do not give them; ``reasons`` say so then.
    """

    bed: str
    code: str | None
    read_at: str | None
    read_by: str | None
    ventilator: str | None
    may_share: bool
    reasons: list[NoteAnswer]
    would_change: list[NoteAnswer]
    needs: list[NoteAnswer]
    predicted_body_weight_kg: float | None
    lungs: list[EstimateAnswer]

    @classmethod
    def of(cls, assessed: BedAssessment) -> BedAnswer:
        """From the domain."""
        bed, may, lungs = assessed.bed, assessed.eligibility, assessed.lungs
        readings = bed.readings
        reasons = [] if may is None else list(may.reasons)
        if isinstance(lungs, CannotEstimate):
            reasons += [one for one in lungs.reasons if one not in reasons]
        weight = None
        if isinstance(lungs, Patient) and lungs.sex is not None and lungs.height_cm is not None:
            weight = number(predicted_body_weight_kg(lungs.sex, lungs.height_cm))
        read_at = None if readings is None or readings.read_at is None else readings.read_at.isoformat()
        return cls(
            bed=bed.label,
            code=bed.code,
            read_at=read_at,
            read_by=None if readings is None else readings.read_by,
            ventilator=bed.ventilator,
            may_share=may is not None and not reasons,
            reasons=[NoteAnswer(id=one.id, text=one.text) for one in reasons],
            would_change=[NoteAnswer(id=one.id, text=one.would_change) for one in reasons],
            needs=[] if may is None else [NoteAnswer(id=one.id, text=one.text) for one in may.needs],
            predicted_body_weight_kg=weight,
            lungs=[EstimateAnswer.of(one) for one in estimates_of(lungs.lungs)] if isinstance(lungs, Patient) else [],
        )


class Counts(Frozen):
    """How many findings of each level."""

    refused: int
    ask: int
    note: int


class CheckAnswer(Answer):
    """``outcome``: ``refused`` something cannot be used · ``ask`` something is to be confirmed · ``clear``."""

    schema_: Annotated[Literal["airyoke/check/1"], Field(alias="schema")] = "airyoke/check/1"
    version: str
    file: str | None
    outcome: Literal["clear", "ask", "refused"]
    counts: Counts
    findings: list[FindingAnswer]
    beds: list[BedAnswer]

    @classmethod
    def of(cls, ward: Ward, findings: tuple[Finding, ...], assessed: tuple[BedAssessment, ...]) -> CheckAnswer:
        """From the domain."""
        levels = [one.level for one in findings]
        counts = Counts(refused=levels.count("refused"), ask=levels.count("ask"), note=levels.count("note"))
        return cls(
            version=__version__,
            file=ward.file,
            outcome="refused" if counts.refused else "ask" if counts.ask else "clear",
            counts=counts,
            findings=[FindingAnswer.of(one) for one in findings],
            beds=[BedAnswer.of(one) for one in assessed],
        )


def estimates_of(lungs: Lungs) -> list[Estimate]:
    """What is known of these lungs, mechanics first."""
    every = (
        lungs.compliance,
        lungs.inspiratory_resistance,
        lungs.expiratory_resistance,
        lungs.quadratic_resistance,
        lungs.airway_dead_space,
        lungs.alveolar_dead_space_fraction,
        lungs.vco2,
        lungs.bicarbonate,
        lungs.shunt,
        lungs.haemoglobin,
    )
    return [one for one in every if one is not None]
