"""Who most likely changed, as it leaves the tool: `airyoke/watch/1`."""

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
    number,
)
from airyoke.contract.fields import Frozen
from airyoke.contract.watch_words import drift_words, summary_words, way_words
from airyoke.limits.answer import Assumed
from airyoke.quantities import Finding
from airyoke.quantities.cautions import Caution
from airyoke.watch.compared import Compared
from airyoke.watch.drift import Drift
from airyoke.watch.expected import WatchedGroup
from airyoke.watch.hypotheses import LANES
from airyoke.watch.next_reading import NextReading
from airyoke.watch.suspicion import Suspect, Suspicion
from airyoke.watch.watch_readings import BY_KEY, WatchReading, WatchRound


def _lane(lane: int | None) -> str | None:
    return None if lane is None else LANES[lane]


class WatchReadingAnswer(Frozen):
    """One reading as it was taken. ``lane`` ``null``: the machine's; yes and no are 1 and 0."""

    quantity: str
    lane: str | None
    value: float

    @classmethod
    def of(cls, one: WatchReading) -> WatchReadingAnswer:
        """From the domain."""
        return cls(quantity=one.key, lane=_lane(one.lane), value=known_number(one.value))


class WatchRoundAnswer(Frozen):
    """What was read together, minutes after the baseline."""

    minutes: float
    readings: list[WatchReadingAnswer]

    @classmethod
    def of(cls, one: WatchRound) -> WatchRoundAnswer:
        """From the domain."""
        return cls(minutes=known_number(one.minutes), readings=[WatchReadingAnswer.of(each) for each in one.readings])


class ComparedAnswer(Frozen):
    """A reading of the last round beside where it should lie if nothing has changed (9 of 10 readings between ``low``
    and ``high``), and what the rules for acting say of it."""

    quantity: str
    words: str
    unit: str
    lane: str | None
    read: float
    value: float
    low: float | None
    high: float | None
    inside: bool
    rule: Literal["inside", "ask", "act", "no rule"]
    bound: float | None

    @classmethod
    def of(cls, one: Compared) -> ComparedAnswer:
        """From the domain."""
        what = BY_KEY[one.reading.key]
        return cls(
            quantity=what.key,
            words=what.words,
            unit=what.unit,
            lane=_lane(one.reading.lane),
            read=known_number(one.reading.value),
            value=known_number(one.value),
            low=number(one.low),
            high=number(one.high),
            inside=one.inside,
            rule=one.rule,
            bound=number(one.bound),
        )


class SuspectAnswer(Frozen):
    """One thing that may have changed. ``since_minutes``: between which rounds it most likely began."""

    id: str
    cause: str
    lanes: list[str]
    words: str
    probability: float
    since_minutes: tuple[float, float] | None

    @classmethod
    def of(cls, one: Suspect) -> SuspectAnswer:
        """From the domain."""
        return cls(
            id=one.hypothesis.id,
            cause=one.hypothesis.cause,
            lanes=[LANES[lane] for lane in one.hypothesis.lanes],
            words=one.hypothesis.words,
            probability=known_number(one.probability),
            since_minutes=one.since_minutes,
        )


class NextReadingAnswer(Frozen):
    """Something to read next. ``bits``: mean fall of uncertainty; ``seconds``: about how long it takes."""

    id: str
    way: Literal["look", "monitor", "machine", "clamp-one", "press-one"]
    lane: str | None
    words: str
    quantities: list[str]
    bits: float
    seconds: int
    steps: list[str]

    @classmethod
    def of(cls, one: NextReading) -> NextReadingAnswer:
        """From the domain."""
        return cls(
            id=one.id,
            way=one.way,
            lane=_lane(one.lane),
            words=way_words(one),
            quantities=list(one.keys),
            bits=known_number(one.bits),
            seconds=one.seconds,
            steps=list(one.steps),
        )


class DriftAnswer(Frozen):
    """One series of readings by the sequential test: it is told to drift from ``threshold`` on."""

    quantity: str
    lane: str | None
    words: str
    told: bool
    direction: Literal["up", "down"]
    statistic: float
    threshold: float
    readings: int
    since_minutes: float

    @classmethod
    def of(cls, one: Drift) -> DriftAnswer:
        """From the domain."""
        return cls(
            quantity=one.key,
            lane=_lane(one.lane),
            words=drift_words(one),
            told=one.told,
            direction=one.direction,
            statistic=known_number(one.statistic),
            threshold=known_number(one.threshold),
            readings=one.rounds,
            since_minutes=known_number(one.since_minutes),
        )


class WatchAnswer(Answer):
    """What was read, what it says about who changed, and what to read next, cheapest first."""

    schema_: Annotated[Literal["airyoke/watch/1"], Field(alias="schema")] = "airyoke/watch/1"
    version: str
    seed: int
    draws: int
    minutes: float
    baseline: WatchRoundAnswer
    rounds: list[WatchRoundAnswer]
    summary: str
    compared: list[ComparedAnswer]
    nobody: float
    of_patient: dict[str, float]
    shared: float
    suspects: list[SuspectAnswer]
    unexplained: bool
    next_readings: list[NextReadingAnswer]
    drifts: list[DriftAnswer]
    not_counted: list[WatchReadingAnswer]
    not_judged: list[str]
    assumed: list[AssumedAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(
        cls, said: Suspicion, watched: WatchedGroup, baseline: WatchRound, rounds: tuple[WatchRound, ...],
        assumed: tuple[Assumed, ...], cautions: tuple[Caution, ...], notes: tuple[Finding, ...],
    ) -> WatchAnswer:  # fmt: skip
        """From the domain."""
        return cls(
            version=__version__,
            seed=watched.group.seed,
            draws=watched.group.draws,
            minutes=known_number(said.minutes),
            baseline=WatchRoundAnswer.of(baseline),
            rounds=[WatchRoundAnswer.of(one) for one in rounds],
            summary=summary_words(said),
            compared=[ComparedAnswer.of(one) for one in said.compared],
            nobody=known_number(said.nobody),
            of_patient={LANES[lane]: known_number(p) for lane, p in enumerate(said.of_patient)},
            shared=known_number(said.shared),
            suspects=[SuspectAnswer.of(one) for one in said.suspects],
            unexplained=said.unexplained,
            next_readings=[NextReadingAnswer.of(one) for one in said.next_readings],
            drifts=[DriftAnswer.of(one) for one in said.drifts],
            not_counted=[WatchReadingAnswer.of(one) for one in said.not_counted],
            not_judged=[one.id for one in watched.not_computed],
            assumed=assumed_answers(assumed),
            cautions=[*caution_answers(cautions), *note_cautions(notes)],
        )
