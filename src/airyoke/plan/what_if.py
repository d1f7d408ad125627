"""Before and after a change: what each patient gets in both, and how far each figure moves on the same draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from airyoke.limits.answer import Assumed, Figure, GroupAnswer
from airyoke.limits.answering import answer_group, figures, patient_rows
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import GroupOutcome, SampledGroup, predict, sample_group
from airyoke.plan.alarms import alarms_of
from airyoke.plan.changes import Change, apply_all
from airyoke.plan.coupling import Coupling
from airyoke.plan.plan import Alarm

QUICK_DRAWS = 64  # for a page that answers while somebody types; 256 stand in an answer that is kept
DRAWS = 256


@dataclass(frozen=True, slots=True)
class Question:
    """How a coupling is asked: limits, draws and seed. The same for before and after.

    ``structural`` false leaves out the spread that gas exchange always carries; ``hold_sensor`` is where the machine
    reads a hold, ``None``: holds are not worked out.
    """

    policy: Policy = field(default_factory=Policy)
    draws: int = DRAWS
    seed: int = 0
    structural: bool = True
    hold_sensor: Literal["inspiratory", "expiratory", "wye"] | None = None


@dataclass(frozen=True, slots=True)
class Predicted:
    """A coupling and its prediction, draws included; worth keeping while several changes are asked of it."""

    coupling: Coupling
    question: Question
    group: SampledGroup
    outcome: GroupOutcome
    answer: GroupAnswer
    alarms: tuple[Alarm, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """One figure of one patient, before and after. ``change`` = after - before with its range, draw by draw.

    ``before`` is ``None`` for who comes in, ``after`` for who is taken off; then there is no change either.
    """

    patient: str
    quantity: str
    before: Figure | None
    after: Figure | None
    change: Figure


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The answer to one what-if."""

    changes: tuple[Change, ...]
    before: Predicted
    after: Predicted
    moved: tuple[Moved, ...]


def predict_coupling(coupling: Coupling, question: Question, assumed: tuple[Assumed, ...] = ()) -> Predicted:
    """What everybody gets as coupled."""
    group = sample_group(
        coupling.patients, coupling.fitted, question.policy.assumptions, question.draws, question.seed,
        structural=question.structural,
    )  # fmt: skip
    outcome = predict(group, [coupling.settings], holds=question.hold_sensor is not None)
    answer = answer_group(
        group, outcome, question.policy, question.seed, assumed=assumed,
        hold_sensor=question.hold_sensor or "inspiratory",
    )  # fmt: skip
    return Predicted(coupling, question, group, outcome, answer, alarms_of(answer))


def what_if(before: Predicted, changes: Sequence[Change]) -> WhatIf:
    """The changes made one after the other on what was predicted. Raises ``Refused`` where one cannot be made."""
    coupling = apply_all(before.coupling, changes)
    assumed = tuple(one for one in before.answer.assumed if one.patient is None or one.patient in coupling.labels)
    return side_by_side(before, predict_coupling(coupling, before.question, assumed), tuple(changes))


def side_by_side(before: Predicted, after: Predicted, changes: tuple[Change, ...] = ()) -> WhatIf:
    """Two predictions of the same question, figure by figure."""
    if before.question != after.question:
        raise ValueError("before and after were asked differently: their draws cannot be compared")
    return WhatIf(changes, before, after, _moved(before, after))


def compare(
    coupling: Coupling, changes: Sequence[Change], question: Question, assumed: tuple[Assumed, ...] = ()
) -> WhatIf:
    """Before and after on the same draws, every patient. Raises ``Refused`` where a change cannot be made."""
    return what_if(predict_coupling(coupling, question, assumed), changes)


def _moved(before: Predicted, after: Predicted) -> tuple[Moved, ...]:
    labels = dict.fromkeys((*before.coupling.labels, *after.coupling.labels))
    return tuple(row for label in labels for row in _moved_of(label, before, after))


def _moved_of(label: str, before: Predicted, after: Predicted) -> list[Moved]:
    places = [one.coupling.labels.index(label) if label in one.coupling.labels else None for one in (before, after)]
    then, now = (
        None if place is None else one.answer.patients[place].figures
        for one, place in zip((before, after), places, strict=True)
    )
    names = tuple(then or now or ())
    nothing = dict.fromkeys(names, Figure(None))
    change = nothing
    solved = before.answer.outcome == after.answer.outcome == "solved"
    if solved and places[0] is not None and places[1] is not None:
        settled = before.outcome.breath.settled & after.outcome.breath.settled
        old, new = patient_rows(before.outcome, places[0]), patient_rows(after.outcome, places[1])
        change = figures({name: np.asarray(new[name] - old[name]) for name in names}, settled)
    return [
        Moved(label, name, None if then is None else then[name], None if now is None else now[name], change[name])
        for name in names
    ]
