"""A circuit as it leaves the tool: `airyoke/circuit/1`; and the parts catalogue: `airyoke/parts/1`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.bench_check import CircuitReport, Effect, Suspect
from airyoke.bench_check.checks import Check
from airyoke.circuit.choice import CannotBuild, GoalReached
from airyoke.circuit.from_stock import PickLine
from airyoke.circuit.needs import CircuitNeeds
from airyoke.circuit.network import Element
from airyoke.circuit.part import Part
from airyoke.contract.answers import (
    Answer,
    FindingAnswer,
    NoteAnswer,
    SettingsAnswer,
    caution_answers,
    known_number,
    number,
)
from airyoke.contract.fields import Frozen
from airyoke.quantities.cautions import Caution


class ElementAnswer(Frozen):
    """A resistance: pressure drop = ``linear`` Q + ``quadratic`` Q|Q|, cmH2O with Q in L/s."""

    linear: float
    quadratic: float

    @classmethod
    def of(cls, element: Element) -> ElementAnswer:
        """From the domain."""
        return cls(linear=known_number(element.linear), quadratic=known_number(element.quadratic))


class PartAnswer(Frozen):
    """One kind of part of the catalogue with typical data; ``ends`` as written, ``22M/15F``."""

    part: str
    meaning: str
    kind: str
    ends: list[str]
    resistance: ElementAnswer
    drop_30_cmh2o: float
    drop_60_cmh2o: float
    compliance_ml_per_cmh2o: float
    volume_ml: float
    dead_space_ml: float
    cracking_cmh2o: float
    use: str
    confidence: str
    source: str

    @classmethod
    def of(cls, part: Part) -> PartAnswer:
        """From the domain."""
        return cls(
            part=part.name,
            meaning=part.meaning,
            kind=part.kind,
            ends=[f"{one.name} {one.written}" for one in part.ends],
            resistance=ElementAnswer.of(part.element),
            drop_30_cmh2o=known_number(part.element.drop_cmh2o(0.5)),
            drop_60_cmh2o=known_number(part.element.drop_cmh2o(1.0)),
            compliance_ml_per_cmh2o=known_number(part.compliance_ml_per_cmh2o),
            volume_ml=known_number(part.volume_ml),
            dead_space_ml=known_number(part.dead_space_ml),
            cracking_cmh2o=known_number(part.cracking_cmh2o),
            use=part.use,
            confidence=part.confidence,
            source=part.source,
        )


class PartsAnswer(Answer):
    """The parts catalogue."""

    schema_: Annotated[Literal["airyoke/parts/1"], Field(alias="schema")] = "airyoke/parts/1"
    version: str
    parts: list[PartAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(cls, parts: Iterable[Part], cautions: Sequence[Caution]) -> PartsAnswer:
        """From the domain."""
        return cls(
            version=__version__,
            parts=[PartAnswer.of(part) for part in parts],
            cautions=caution_answers(tuple(cautions)),
        )


class PickAnswer(Frozen):
    """One line of the pick list; ``have`` is ``null`` where nothing was counted, ``instead`` what it stands for."""

    part: str
    need: int
    have: int | None
    instead: str | None


class MissingAnswer(Frozen):
    """A part that the stock lacks, how many, and what could be ordered in its place."""

    part: str
    count: int
    others: list[str]


class PieceAnswer(Frozen):
    """One piece of the circuit, by the id on its label."""

    id: str
    part: str
    setting: float | None


class JointAnswer(Frozen):
    """Two ends pushed together: [piece id, end name] each."""

    upstream: list[str]
    downstream: list[str]


class StepAnswer(Frozen):
    """One joint of the assembly, in words."""

    step: int
    do: str
    cones: str
    direction: str | None
    checked_by: str


class LaneAnswer(Frozen):
    """One patient: what the lane costs, and volume and trapped pressure against an ideal circuit on the bench."""

    lane: str
    inspiratory: ElementAnswer
    expiratory: ElementAnswer
    patient: ElementAnswer
    valve_cracking_cmh2o: list[float]
    compressible_ml_per_cmh2o: float
    dead_space_ml: float
    test_lung_compliance_ml_per_cmh2o: float
    ideal_tidal_volume_ml: float
    tidal_volume_ml: float
    ideal_trapped_cmh2o: float
    trapped_cmh2o: float
    without_valves_backflow_ml: float | None


class TotalsAnswer(Frozen):
    """What is shared and what it all comes to; drops with everybody at 30 and at 60 L/min, in and out."""

    inspiratory_trunk: ElementAnswer
    expiratory_trunk: ElementAnswer
    compliance_ml_per_cmh2o: float
    gas_volume_ml: float
    drop_30_cmh2o: list[float]
    drop_60_cmh2o: list[float]


class RuleAnswer(Frozen):
    """The trade's rule for what to order beside the count of the build (common practice, no source)."""

    item: str
    rule: int
    build: int
    covered: bool
    why: str


class CheckLine(Frozen):
    """One bench check. ``read_value`` and ``accepted`` are there where a reading was typed back."""

    id: str
    do: str
    read: str
    expected: float | None
    low: float | None
    high: float | None
    unit: str
    why: str
    read_value: float | None
    accepted: bool | None


class SuspectAnswer(Frozen):
    """One mistake in the build and what it would do."""

    piece: str
    mistake: Literal["missing", "reversed", "wrong"]
    instead: str | None
    text: str
    readings: dict[str, float]
    backflow_ml: dict[str, float]

    @classmethod
    def of(cls, one: Suspect) -> SuspectAnswer:
        """From the domain."""
        return cls(
            piece=one.piece,
            mistake=one.mistake,
            instead=one.slip.instead,
            text=one.words,
            readings={name: known_number(value) for name, value in one.readings.items()},
            backflow_ml={lane: known_number(value) for lane, value in one.backflow_ml.items()},
        )


class ProofAnswer(Frozen):
    """One goal of the choice of parts: reached, bound, proved or open."""

    goal: str
    value: float
    bound: float | None
    status: Literal["proved", "open"]


class CircuitAnswer(Answer):
    """What to build: joints in order, parts, what is missing, what it costs, what the bench should show."""

    schema_: Annotated[Literal["airyoke/circuit/1"], Field(alias="schema")] = "airyoke/circuit/1"
    version: str
    outcome: Literal["built", "cannot_build"]
    outcome_reason: str | None
    patients: int
    layout: Literal["tree", "chain"] | None
    humidification: Literal["hme", "heated"] | None
    pick_list: list[PickAnswer]
    missing: list[MissingAnswer]
    pieces: list[PieceAnswer]
    joints: list[JointAnswer]
    steps: list[StepAnswer]
    lanes: list[LaneAnswer]
    totals: TotalsAnswer | None
    order_rule: list[RuleAnswer]
    bench_settings: SettingsAnswer | None
    bench: list[CheckLine]
    findings: list[FindingAnswer]
    answered: list[SuspectAnswer]
    suspects: list[SuspectAnswer]
    proof: list[ProofAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(
        cls,
        report: CircuitReport,
        needs: CircuitNeeds | None,
        picks: Sequence[PickLine],
        goals: Sequence[GoalReached],
        cautions: Sequence[Caution],
    ) -> CircuitAnswer:
        """A circuit; ``needs`` is ``None`` where it was typed back and not planned."""
        assembly = report.path.assembly
        read = {check.id: (value, accepted) for check, value, accepted in report.judged}
        return cls(
            version=__version__,
            outcome="built",
            outcome_reason=None,
            patients=len(report.path.lanes),
            layout=None if needs is None else needs.layout,
            humidification=None if needs is None else needs.humidification,
            pick_list=_picks(picks),
            missing=[],
            pieces=[PieceAnswer(id=one.id, part=one.part, setting=number(one.setting)) for one in assembly.pieces],
            joints=[
                JointAnswer(upstream=list(one.upstream), downstream=list(one.downstream)) for one in assembly.joints
            ],
            steps=[
                StepAnswer(
                    step=one.number,
                    do=one.sentence,
                    cones=one.cones,
                    direction=one.direction or None,
                    checked_by=one.checked_by,
                )
                for one in report.steps
            ],
            lanes=_lanes(report),
            totals=_totals(report),
            order_rule=[
                RuleAnswer(item=one.item, rule=one.rule, build=one.build, covered=one.covered, why=one.why)
                for one in report.order
            ],
            bench_settings=SettingsAnswer.of(report.settings),
            bench=[_check(one, read.get(one.id)) for one in report.checks],
            findings=[FindingAnswer.of(one) for one in report.findings],
            answered=[SuspectAnswer.of(one) for one in report.answered],
            suspects=[SuspectAnswer.of(one) for one in report.suspects],
            proof=_proof(goals),
            cautions=caution_answers(tuple(cautions)),
        )

    @classmethod
    def not_built(cls, cannot: CannotBuild, goals: Sequence[GoalReached], cautions: Sequence[Caution]) -> CircuitAnswer:
        """Why it cannot be built, and the smallest set of parts that is missing."""
        return cls(
            version=__version__,
            outcome="cannot_build",
            outcome_reason=cannot.reason,
            patients=cannot.needs.size,
            layout=cannot.needs.layout,
            humidification=cannot.needs.humidification,
            pick_list=[],
            missing=[
                MissingAnswer(part=part, count=count, others=list(cannot.others[part]))
                for part, count in cannot.missing
            ],
            pieces=[],
            joints=[],
            steps=[],
            lanes=[],
            totals=None,
            order_rule=[],
            bench_settings=None,
            bench=[],
            findings=[],
            answered=[],
            suspects=[],
            proof=_proof(goals),
            cautions=caution_answers(tuple(cautions)),
        )


def _picks(picks: Sequence[PickLine]) -> list[PickAnswer]:
    return [PickAnswer(part=one.part, need=one.need, have=one.have, instead=one.instead or None) for one in picks]


def _proof(goals: Sequence[GoalReached]) -> list[ProofAnswer]:
    return [
        ProofAnswer(
            goal=one.goal,
            value=known_number(one.value),
            bound=number(one.bound),
            status="proved" if one.proved else "open",
        )
        for one in goals
    ]


def _lanes(report: CircuitReport) -> list[LaneAnswer]:
    bare: dict[str, Effect] = {one.lane: one for one in report.bare}
    return [
        LaneAnswer(
            lane=cost.lane,
            inspiratory=ElementAnswer.of(cost.inspiratory),
            expiratory=ElementAnswer.of(cost.expiratory),
            patient=ElementAnswer.of(cost.patient),
            valve_cracking_cmh2o=[known_number(value) for value in cost.valve_cracking_cmh2o],
            compressible_ml_per_cmh2o=known_number(cost.compressible_ml_per_cmh2o),
            dead_space_ml=known_number(cost.dead_space_ml),
            test_lung_compliance_ml_per_cmh2o=known_number(lung.compliance_ml_per_cmh2o),
            ideal_tidal_volume_ml=known_number(effect.ideal_tidal_volume_ml),
            tidal_volume_ml=known_number(effect.tidal_volume_ml),
            ideal_trapped_cmh2o=known_number(effect.ideal_trapped_cmh2o),
            trapped_cmh2o=known_number(effect.trapped_cmh2o),
            without_valves_backflow_ml=number(bare[effect.lane].backflow_ml) if effect.lane in bare else None,
        )
        for cost, effect, lung in zip(report.costs.lanes, report.effect, report.lungs, strict=True)
    ]


def _totals(report: CircuitReport) -> TotalsAnswer:
    costs = report.costs
    return TotalsAnswer(
        inspiratory_trunk=ElementAnswer.of(costs.inspiratory_trunk),
        expiratory_trunk=ElementAnswer.of(costs.expiratory_trunk),
        compliance_ml_per_cmh2o=known_number(costs.compliance_ml_per_cmh2o),
        gas_volume_ml=known_number(costs.gas_volume_ml),
        drop_30_cmh2o=[known_number(value) for value in costs.drop_cmh2o(0.5)],
        drop_60_cmh2o=[known_number(value) for value in costs.drop_cmh2o(1.0)],
    )


def _check(check: Check, read: tuple[float, bool] | None) -> CheckLine:
    return CheckLine(
        id=check.id,
        do=check.do,
        read=check.read,
        expected=number(check.expected),
        low=number(check.low),
        high=number(check.high),
        unit=check.unit,
        why=check.why,
        read_value=None if read is None else number(read[0]),
        accepted=None if read is None else read[1],
    )
