"""The faults of one group as they leave the tool: `airyoke/faults/1`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import (
    Answer,
    AssumedAnswer,
    FigureAnswer,
    NoteAnswer,
    SettingsAnswer,
    assumed_answers,
    caution_answers,
    known_number,
    note_cautions,
    number,
)
from airyoke.contract.fault_words import card_words, harm_words
from airyoke.contract.fields import Frozen
from airyoke.contract.words import unit_words
from airyoke.faults.alarm_report import AlarmReport, LimitSet
from airyoke.faults.alarms import Verdict
from airyoke.faults.catalogue import LANES
from airyoke.faults.gas_reserve import Seconds
from airyoke.faults.harm import Harm
from airyoke.faults.report import FaultFinding, FaultReport
from airyoke.limits.answer import Assumed
from airyoke.limits.answering import figures, patient_rows
from airyoke.limits.prediction import GroupOutcome
from airyoke.quantities import Finding
from airyoke.quantities.cautions import Caution

Standing = Literal["silent", "uncertain", "late", "told", "no alarm known", "harmless", "not computed"]
Priority = Literal["high", "medium", "low"]


class RangeAnswer(Frozen):
    """A number at best estimate with the 5th and 95th percentile; ``null``: longer than was looked at."""

    value: float | None
    low: float | None
    high: float | None

    @classmethod
    def of(cls, one: Seconds | None) -> RangeAnswer | None:
        """From the domain."""
        return None if one is None else cls(value=number(one.value), low=number(one.low), high=number(one.high))


class HarmAnswer(Frozen):
    """One patient hurt in one way; ``probability`` is the share of draws. ``seconds`` ``null``: not computed."""

    lane: str
    kind: str
    words: str
    probability: float
    quantity: str
    unit: str
    value: float
    bound: float
    result: Literal["life", "injury", "minor"]
    onset: Literal["immediate", "prompt", "delayed"]
    priority: Priority
    seconds: RangeAnswer | None
    paco2_rise_mmhg_per_min: RangeAnswer | None

    @classmethod
    def of(cls, harm: Harm) -> HarmAnswer:
        """From the domain."""
        return cls(
            lane=LANES[harm.lane],
            kind=harm.kind,
            words=harm_words(harm),
            probability=known_number(harm.probability),
            quantity=harm.quantity,
            unit=unit_words(harm.quantity),
            value=known_number(harm.value),
            bound=known_number(harm.bound),
            result=harm.result,
            onset=harm.onset,
            priority=harm.priority,
            seconds=RangeAnswer.of(harm.seconds),
            paco2_rise_mmhg_per_min=RangeAnswer.of(harm.co2_mmhg_per_min),
        )


class FaultPatientAnswer(Frozen):
    """What one patient gets once the breaths with the fault repeat."""

    lane: str
    tidal_volume_ml: FigureAnswer
    tidal_volume_ml_per_kg: FigureAnswer
    plateau_cmh2o: FigureAnswer
    driving_pressure_cmh2o: FigureAnswer
    total_peep_cmh2o: FigureAnswer
    peak_pressure_cmh2o: FigureAnswer
    backflow_ml: FigureAnswer
    paco2_mmhg: FigureAnswer
    ph: FigureAnswer
    spo2_pct: FigureAnswer

    @classmethod
    def of(cls, outcome: GroupOutcome, lane: int) -> FaultPatientAnswer:
        """From the domain."""
        names = [name for name in cls.model_fields if name != "lane"]
        rows = {name: values for name, values in patient_rows(outcome, lane).items() if name in names}
        told = figures(rows, outcome.breath.settled)
        return cls.model_validate({"lane": LANES[lane], **{name: FigureAnswer.of(told[name]) for name in names}})


class ShownAnswer(Frozen):
    """What the machine's sensors show in a breath; nothing is taken off for the compliance of the circuit."""

    inspired_ml: FigureAnswer
    exhaled_ml: FigureAnswer
    peak_cmh2o: FigureAnswer

    @classmethod
    def of(cls, outcome: GroupOutcome) -> ShownAnswer:
        """From the domain."""
        breath = outcome.breath
        rows = {
            "inspired_ml": breath.delivered_ml,
            "exhaled_ml": breath.exhaled_ml,
            "peak_cmh2o": breath.ventilator_peak_cmh2o,
        }
        told = figures(rows, breath.settled)
        return cls.model_validate({name: FigureAnswer.of(one) for name, one in told.items()})


class FiringAnswer(Frozen):
    """One alarm condition after a fault: how likely it sounds, and after how many seconds where it does."""

    name: str
    side: str
    probability: float
    seconds: float | None


class AlarmVerdictAnswer(Frozen):
    """What the alarms make of a fault. ``first``: what sounds first most often."""

    probability: float
    seconds: RangeAnswer | None
    first: FiringAnswer | None
    firings: list[FiringAnswer]

    @classmethod
    def of(cls, verdict: Verdict | None) -> AlarmVerdictAnswer | None:
        """From the domain."""
        if verdict is None:
            return None
        firings = [
            FiringAnswer(name=f.name, side=f.side, probability=known_number(f.probability), seconds=number(f.seconds))
            for f in verdict.firings
        ]
        first = next((one for one in firings if (one.name, one.side) == verdict.first), None)
        seconds = None
        if verdict.seconds is not None:
            seconds = RangeAnswer(
                value=number(verdict.seconds), low=number(verdict.seconds_low), high=number(verdict.seconds_high)
            )
        return cls(probability=known_number(verdict.probability), seconds=seconds, first=first, firings=firings)


class ReasonedAnswer(Frozen):
    """A consequence that was not computed: how bad and how soon by judgement."""

    words: str
    result: Literal["life", "injury", "minor"]
    onset: Literal["immediate", "prompt", "delayed"]


class FaultAnswer(Frozen):
    """One fault. ``lane``: whose place it is in, ``null`` where it is shared. ``best_limits_catch``: how likely an
    alarm sounds in time at the best limits."""

    id: str
    also: list[str]
    lane: str | None
    words: str
    standing: Standing
    priority: Priority | None
    from_engine: bool
    harms: list[HarmAnswer]
    reasoned: ReasonedAnswer | None
    alarm: AlarmVerdictAnswer | None
    best_limits_catch: float | None
    watch_instead: str
    patients: list[FaultPatientAnswer]
    machine_shows: ShownAnswer | None
    source: str

    @classmethod
    def of(cls, one: FaultFinding, patients: int) -> FaultAnswer:
        """From the domain."""
        fault, outcome = one.run.fault, one.run.outcome
        reasoned = fault.reasoned
        return cls(
            id=fault.id,
            also=list(fault.also),
            lane=None if fault.lane is None else LANES[fault.lane],
            words=fault.words,
            standing=one.standing,
            priority=one.priority,
            from_engine=fault.from_engine,
            harms=[HarmAnswer.of(harm) for harm in one.harms],
            reasoned=None
            if reasoned is None
            else ReasonedAnswer(words=reasoned.words, result=reasoned.result, onset=reasoned.onset),
            alarm=AlarmVerdictAnswer.of(one.verdict),
            best_limits_catch=number(one.best_caught),
            watch_instead=fault.monitor,
            patients=[] if outcome is None else [FaultPatientAnswer.of(outcome, lane) for lane in range(patients)],
            machine_shows=None if outcome is None else ShownAnswer.of(outcome),
            source=fault.source,
        )


class AlarmLimitsAnswer(Frozen):
    """One alarm: what the machine should show of the group as it is, and the limit as planned, as is usual for one
    patient, and the best on this machine's dials."""

    name: str
    side: Literal["low", "high"]
    unit: str
    expected: float | None
    planned: float | None
    usual: float | None
    best: float | None


class LimitSetAnswer(Frozen):
    """What one set of limits is worth: share of the harm that it catches in time, false alarms in 12 h."""

    catches: float | None
    false_alarms_per_12_h: float

    @classmethod
    def of(cls, one: LimitSet | None) -> LimitSetAnswer | None:
        """From the domain."""
        if one is None:
            return None
        return cls(catches=number(one.caught), false_alarms_per_12_h=known_number(one.false_alarms_in_all))


class AlarmsAnswer(Frozen):
    """The shared machine's alarms, three sets side by side. ``noisy``: planned limits inside the scatter."""

    limits: list[AlarmLimitsAnswer]
    planned: LimitSetAnswer | None
    usual: LimitSetAnswer | None
    best: LimitSetAnswer | None
    noisy: list[str]

    @classmethod
    def of(cls, report: AlarmReport) -> AlarmsAnswer:
        """From the domain."""
        return cls(
            limits=[
                AlarmLimitsAnswer(
                    name=row.name,
                    side=row.side,
                    unit=row.unit,
                    expected=number(row.expected),
                    planned=number(row.planned),
                    usual=number(row.usual),
                    best=number(row.best),
                )
                for row in report.rows
            ],
            planned=LimitSetAnswer.of(report.planned),
            usual=LimitSetAnswer.of(report.usual),
            best=LimitSetAnswer.of(report.best),
            noisy=list(report.noisy),
        )


class LaneAnswer(Frozen):
    """Who lies in which lane, and what this patient gets while nothing is wrong."""

    lane: str
    label: str
    as_it_should_be: FaultPatientAnswer


class FaultsAnswer(Answer):
    """Every fault of one group: whom it hurts, how soon, which alarm tells. Silent and harmful ones come first."""

    schema_: Annotated[Literal["airyoke/faults/1"], Field(alias="schema")] = "airyoke/faults/1"
    version: str
    seed: int
    draws: int
    outcome: Literal["solved"]
    circuit: str
    settings: SettingsAnswer | None
    patients: list[LaneAnswer]
    machine_shows: ShownAnswer
    faults: list[FaultAnswer]
    alarms: AlarmsAnswer
    card: list[str]
    assumed: list[AssumedAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(
        cls,
        report: FaultReport,
        findings: Sequence[FaultFinding],
        assumed: tuple[Assumed, ...],
        cautions: tuple[Caution, ...],
        notes: tuple[Finding, ...] = (),
    ) -> FaultsAnswer:
        """From the domain; ``findings`` are the faults asked for, in their order."""
        count = len(report.patients)
        base = report.runs.baseline
        return cls(
            version=__version__,
            seed=report.seed,
            draws=report.draws,
            outcome="solved",
            circuit=report.build,
            settings=SettingsAnswer.of(report.settings),
            patients=[
                LaneAnswer(lane=LANES[i], label=patient.label, as_it_should_be=FaultPatientAnswer.of(base, i))
                for i, patient in enumerate(report.patients)
            ],
            machine_shows=ShownAnswer.of(base),
            faults=[FaultAnswer.of(one, count) for one in findings],
            alarms=AlarmsAnswer.of(report.alarms),
            card=list(card_words(report.card)),
            assumed=assumed_answers(assumed),
            cautions=[*caution_answers(cautions), *note_cautions(notes)],
        )
