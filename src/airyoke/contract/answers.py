"""Answers as they leave the tool: the models of `airyoke/prediction/1` and pieces of other answers.

Every key is always there; ``null`` is not known. Numbers carry six significant digits.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from airyoke import __version__
from airyoke.breath.settings import Settings
from airyoke.contract.fields import Frozen
from airyoke.limits import answer as domain
from airyoke.limits.margins import GroupMargin
from airyoke.quantities import Finding
from airyoke.quantities.cautions import Caution

SIGNIFICANT_DIGITS = 6


def number(value: float | None) -> float | None:
    """Six significant digits, no minus zero; ``None`` where there is no finite number."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{SIGNIFICANT_DIGITS}g}") + 0.0


def known_number(value: float) -> float:
    """The same for a value that is always there. Raises ``ValueError`` where it is not finite."""
    result = number(value)
    if result is None:
        raise ValueError(f"{value} is no number to publish")
    return result


class LimitAnswer(Frozen):
    """The limit nearest to a figure: its target bound, and the scaled margin at best estimate."""

    name: str
    side: Literal["low", "high"]
    bound: float
    margin: float
    source: str


class FigureAnswer(Frozen):
    """One number: at best estimate, 5th and 95th percentile, and the limit it is nearest to."""

    value: float | None
    low: float | None
    high: float | None
    limit: LimitAnswer | None

    @classmethod
    def of(cls, figure: domain.Figure | None) -> FigureAnswer:
        """From the domain; a figure that is not there is one without a value."""
        if figure is None:
            return cls(value=None, low=None, high=None, limit=None)
        limit = figure.limit
        return cls(
            value=number(figure.value),
            low=number(figure.low),
            high=number(figure.high),
            limit=None
            if limit is None
            else LimitAnswer(
                name=limit.name,
                side="low" if limit.side == "low" else "high",
                bound=known_number(limit.bound),
                margin=known_number(limit.margin),
                source=limit.source,
            ),
        )


class PatientAnswer(Frozen):
    """What one patient gets. ``limb`` is the letter of the lane."""

    label: str
    limb: str
    tidal_volume_ml: FigureAnswer
    tidal_volume_ml_per_kg: FigureAnswer
    plateau_cmh2o: FigureAnswer
    driving_pressure_cmh2o: FigureAnswer
    total_peep_cmh2o: FigureAnswer
    intrinsic_peep_cmh2o: FigureAnswer
    end_inspiratory_flow_l_per_min: FigureAnswer
    minute_volume_l_per_min: FigureAnswer
    peak_pressure_cmh2o: FigureAnswer
    backflow_ml: FigureAnswer
    paco2_mmhg: FigureAnswer
    ph: FigureAnswer
    spo2_pct: FigureAnswer
    mechanical_power_j_per_min: FigureAnswer

    @classmethod
    def of(cls, patient: domain.PatientAnswer) -> PatientAnswer:
        """From the domain."""
        names = [name for name in cls.model_fields if name not in ("label", "limb")]
        figures = {name: FigureAnswer.of(patient.figures.get(name)) for name in names}
        return cls.model_validate({"label": patient.label, "limb": patient.lane, **figures})


class VentilatorAnswer(Frozen):
    """What the shared ventilator delivers and shows; a hold on a shared circuit is nobody's plateau.

    ``compressed_volume_ml``: exhaled gas that no patient breathed out, of which circuit compensation takes most off.
    """

    delivered_tidal_volume_ml: FigureAnswer
    displayed_tidal_volume_ml: FigureAnswer
    compressed_volume_ml: FigureAnswer
    minute_volume_l_per_min: FigureAnswer
    peak_pressure_cmh2o: FigureAnswer
    inspiratory_hold_cmh2o: FigureAnswer
    expiratory_hold_cmh2o: FigureAnswer

    @classmethod
    def of(cls, figures: dict[str, domain.Figure]) -> VentilatorAnswer:
        """From the domain."""
        return cls.model_validate({name: FigureAnswer.of(figures.get(name)) for name in cls.model_fields})


class MarginAnswer(Frozen):
    """The scaled distance that decides about a group, and the limit it comes from."""

    value: float
    at_best_estimate: float
    from_: Annotated[Literal["target", "hard", "best"], Field(alias="from")]
    limit: str
    patient: str | None
    unit: str
    bound: float
    predicted: float
    scale: float

    @classmethod
    def of(cls, margin: GroupMargin | None, patients: tuple[domain.PatientAnswer, ...]) -> MarginAnswer | None:
        """From the domain; ``None`` where nothing was judged. A margin of no end is written as 1e6."""
        if margin is None:
            return None
        return cls(
            value=_bounded(margin.value),
            at_best_estimate=_bounded(margin.at_best_estimate),
            from_=margin.came_from,
            limit=margin.limit.name,
            patient=None if margin.patient is None else patients[margin.patient].label,
            unit=margin.limit.unit,
            bound=known_number(margin.bound),
            predicted=known_number(margin.predicted),
            scale=known_number(margin.limit.scale),
        )


def _bounded(value: float) -> float:
    # A draw that did not settle counts as infinitely far outside; JSON has no infinity.
    return known_number(max(-1e6, min(1e6, value)))


class AssumedAnswer(Frozen):
    """A default of ours that went in because nothing was read or written."""

    patient: str | None
    field: str
    value: float | str
    unit: str
    why: str
    source: str


class NotComputedAnswer(Frozen):
    """A figure that could not be computed, why, and what it needs."""

    patient: str | None
    quantity: str
    why: str
    needs: str


class NoteAnswer(Frozen):
    """An id and its sentence: a source, a caution, a decision, a reason."""

    id: str
    text: str


class FindingAnswer(Frozen):
    """Something in what was typed that is refused, asked again or noted. ``row``: the header is row 1."""

    id: str
    level: Literal["refused", "ask", "note"]
    file: str | None
    sheet: str | None
    row: int | None
    column: str | None
    bed: str | None
    value: str | float | None
    reason: str
    remedy: str

    @classmethod
    def of(cls, finding: Finding) -> FindingAnswer:
        """From the domain."""
        value = finding.value
        return cls(
            id=finding.id,
            level=finding.level,
            file=finding.file,
            sheet=finding.sheet,
            row=finding.row,
            column=finding.column,
            bed=finding.bed,
            value=number(value) if isinstance(value, float | int) else value,
            reason=finding.reason,
            remedy=finding.remedy,
        )


class SettingsAnswer(Frozen):
    """Settings with the fields of a case, so that they can be put into one as they stand."""

    mode: Literal["pc", "vc"]
    rate_per_min: float
    inspiratory_time_s: float
    peep_cmh2o: float
    fio2: float
    pressure_above_peep_cmh2o: float | None
    rise_time_s: float | None
    tidal_volume_ml: float | None
    flow_shape: Literal["constant", "decelerating"] | None
    pause_s: float | None
    expiratory_pause_s: float
    circuit_compensation: Literal["on", "off"]
    pressure_limit_cmh2o: float | None
    bias_flow_l_per_min: float
    max_peak_flow_l_per_min: float | None

    @classmethod
    def of(cls, one: Settings | None) -> SettingsAnswer | None:
        """From the domain; what a mode does not use is ``null``."""
        if one is None:
            return None
        pressure, volume = one.mode == "pc", one.mode == "vc"
        return cls(
            mode=one.mode,
            rate_per_min=known_number(one.rate_per_min),
            inspiratory_time_s=known_number(one.inspiratory_time_s),
            peep_cmh2o=known_number(one.peep_cmh2o),
            fio2=known_number(one.fio2),
            pressure_above_peep_cmh2o=number(one.pressure_above_peep_cmh2o) if pressure else None,
            rise_time_s=number(one.rise_time_s) if pressure else None,
            tidal_volume_ml=number(one.tidal_volume_ml) if volume else None,
            flow_shape=one.flow_shape if volume else None,
            pause_s=number(one.pause_s) if volume else None,
            expiratory_pause_s=known_number(one.expiratory_pause_s),
            circuit_compensation=one.circuit_compensation,
            pressure_limit_cmh2o=number(one.pressure_limit_cmh2o),
            bias_flow_l_per_min=known_number(one.bias_flow_l_per_min),
            max_peak_flow_l_per_min=number(one.max_peak_flow_l_per_min),
        )


class Answer(Frozen):
    """What every answer begins with."""

    model_config = ConfigDict(serialize_by_alias=True)

    def json_text(self) -> str:
        """The answer as JSON, indented, keys in the order of the contract."""
        return self.model_dump_json(by_alias=True, indent=1)


class Prediction(Answer):
    """What each patient of one group gets through one circuit at one set of settings."""

    schema_: Annotated[Literal["airyoke/prediction/1"], Field(alias="schema")] = "airyoke/prediction/1"
    version: str
    seed: int
    draws: int
    outcome: Literal["solved", "not_converged", "impossible"]
    outcome_reason: str | None
    patients: list[PatientAnswer]
    ventilator: VentilatorAnswer
    margin: MarginAnswer | None
    inside_probability: float | None
    hard_inside_probability: float | None
    assumed: list[AssumedAnswer]
    not_computed: list[NotComputedAnswer]
    sources: list[NoteAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(cls, answer: domain.GroupAnswer, notes: tuple[Finding, ...] = ()) -> Prediction:
        """From the domain. ``notes`` (unusual values of the case) are told as cautions."""
        margin = answer.margin
        return cls(
            version=__version__,
            seed=answer.seed,
            draws=answer.draws,
            outcome=answer.outcome,
            outcome_reason=answer.outcome_reason,
            patients=[PatientAnswer.of(one) for one in answer.patients],
            ventilator=VentilatorAnswer.of(answer.ventilator),
            margin=MarginAnswer.of(margin, answer.patients),
            inside_probability=None if margin is None else number(margin.inside_probability),
            hard_inside_probability=None if margin is None else number(margin.hard_inside_probability),
            assumed=assumed_answers(answer.assumed),
            not_computed=[
                NotComputedAnswer(patient=one.patient, quantity=one.quantity, why=one.why, needs=one.needs)
                for one in answer.not_computed
            ],
            sources=[NoteAnswer(id=one.id, text=one.text) for one in answer.sources],
            cautions=[*caution_answers(answer.cautions), *note_cautions(notes)],
        )


def assumed_answers(assumed: tuple[domain.Assumed, ...]) -> list[AssumedAnswer]:
    """Each default once: of two lines about one field the first says enough."""
    seen: set[tuple[str | None, str]] = set()
    answers = []
    for one in assumed:
        if (one.patient, one.field) in seen:
            continue
        seen.add((one.patient, one.field))
        value = one.value if isinstance(one.value, str) else known_number(one.value)
        answers.append(
            AssumedAnswer(
                patient=one.patient,
                field=one.field,
                value=value,
                unit=one.unit,
                why=one.why,
                source=one.source,
            )
        )
    return answers


def caution_answers(cautions: tuple[Caution, ...]) -> list[NoteAnswer]:
    """Cautions as they are shown on every face."""
    return [NoteAnswer(id=one.id, text=one.text) for one in cautions]


def note_cautions(notes: tuple[Finding, ...]) -> list[NoteAnswer]:
    """Notes about a case, as cautions: where, what, and what to do."""
    return [
        NoteAnswer(id=one.id, text=f"{one.column}: {one.reason}; {one.remedy}" if one.column else one.reason)
        for one in notes
    ]
