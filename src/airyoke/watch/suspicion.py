"""Who most likely changed when the sum moved: the probability of every cause in every patient, round by round.

Bayes over what the engine predicts. The draws of the group are first weighted by what it showed when it had settled;
then each round says how well each cause, beginning before this round or an earlier one, explains what was read. One
change at a time: two at once are not among the hypotheses, and ``unexplained`` says when nothing on the list fits.

This is no monitor. The thresholds at which a team acts (:mod:`airyoke.watch.act`) stand beside it and are never
replaced by it: a patient below a threshold is helped first, whoever is suspected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.limits.policy import Policy
from airyoke.watch.act import ActRules
from airyoke.watch.compared import Compared, compare
from airyoke.watch.drift import Drift, DriftRules, drifts_of
from airyoke.watch.expected import WatchedGroup
from airyoke.watch.hypotheses import NOBODY, WEIGHTS, Cause, Hypothesis, log_prior
from airyoke.watch.likelihood import Evidence, ReadingErrors, counted, shown_by
from airyoke.watch.next_reading import Block, NextReading, next_readings
from airyoke.watch.watch_readings import WatchReading, WatchRound, check_rounds
from airyoke.watch.weighing import UNCHANGED, Judged, Weigher, judge_block

Floats = NDArray[np.float64]

LOOKED_BACK: Final = 6
"""Rounds before which a change may have begun; what was so for longer is part of the baseline."""


@dataclass(frozen=True, slots=True)
class SuspicionRules:
    """What is believed before anything is read. Every value is a judgement that a site may change.

    change_per_round
        Probability that something changes between one round and the next.
    weights
        How often each cause is what changed, against the others.
    errors, drift, act
        What readings may be off by; slow drifts; the thresholds at which a team acts.
    """

    change_per_round: float = 0.05
    weights: tuple[tuple[Cause, float], ...] = WEIGHTS
    errors: ReadingErrors = field(default_factory=ReadingErrors)
    drift: DriftRules = field(default_factory=DriftRules)
    act: ActRules = field(default_factory=ActRules)

    @classmethod
    def of(cls, policy: Policy) -> SuspicionRules:
        """As a site's policy has them."""
        return cls(
            change_per_round=policy.change_per_round,
            errors=ReadingErrors(breaths=policy.watch_breaths_read),
            drift=DriftRules(rounds_between_false_alarms=policy.drift_rounds_between_false_alarms),
        )


@dataclass(frozen=True, slots=True)
class Suspect:
    """One hypothesis after the readings. ``since_minutes``: the interval in which it most likely began, from the round
    before to the round at which it first shows; ``None`` for "nothing has changed"."""

    hypothesis: Hypothesis
    probability: float
    since_minutes: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What the readings so far say.

    nobody
        Probability that nothing has changed since the baseline.
    suspects
        Every hypothesis but that, likeliest first.
    of_patient, shared
        Probability that what changed is this patient's own (crossed monitors count for both), or what all share.
    compared
        The readings of the last round beside what they should be if nothing had changed, and what the rules say.
    unexplained
        Nothing on the list explains the last round well: look for what is not on it, or read again.
    next_readings
        What to read next, cheapest first; empty where nothing would tell more.
    drifts
        Slow movements of each series of readings.
    not_counted
        Readings of the last round that add nothing to the others.
    """

    minutes: float
    nobody: float
    suspects: tuple[Suspect, ...]
    of_patient: tuple[float, ...]
    shared: float
    compared: tuple[Compared, ...]
    unexplained: bool
    next_readings: tuple[NextReading, ...]
    drifts: tuple[Drift, ...]
    not_counted: tuple[WatchReading, ...]

    @property
    def first(self) -> Suspect:
        """The likeliest of all, "nothing has changed" among them."""
        if not self.suspects or self.nobody >= self.suspects[0].probability:
            return Suspect(NOBODY, self.nobody, None)
        return self.suspects[0]

    def probability(self, hypothesis_id: str) -> float:
        """Of one hypothesis by its id; 0 where it is not on the list."""
        if hypothesis_id == NOBODY.id:
            return self.nobody
        return next((one.probability for one in self.suspects if one.hypothesis.id == hypothesis_id), 0.0)


def suspect(
    watched: WatchedGroup, baseline: WatchRound, rounds: Sequence[WatchRound], rules: SuspicionRules | None = None,
    *, now_minutes: float | None = None,
) -> Suspicion:  # fmt: skip
    """Who or what most likely changed.

    ``watched`` from :func:`airyoke.watch.expected.watch_group`; ``baseline`` what was read when the group had settled
    (may be empty: then common errors do not cancel, and little can be said); ``rounds`` in the order of their times.
    Raises ``Refused`` for readings that cannot be (:func:`check_rounds`).
    """
    rules = SuspicionRules() if rules is None else rules
    check_rounds(baseline, rounds, watched.patients, now_minutes)
    blocks = _blocks(watched)
    weigher = Weigher(watched, rules.errors)
    before = [weigher.at_once(counted(baseline.readings), UNCHANGED)]
    for one in rounds:
        before.append(before[-1].joined(weigher.at_once(counted(one.readings), UNCHANGED)))
    onsets = range(max(1, len(rounds) - LOOKED_BACK + 1), len(rounds) + 1)
    judged = [judge_block(weigher, watched, baseline, rounds, before, onsets, some) for some in blocks]
    log_nobody, log_changed = _log_posterior(watched, rules, before[-1], judged, onsets, len(rounds))
    mass = np.exp(log_changed)  # (hypotheses, onsets)
    total = mass.sum(axis=1)
    nobody = float(np.exp(log_nobody))
    times = [baseline.minutes, *(one.minutes for one in rounds)]
    suspects = [
        Suspect(one, float(total[number]), _since(mass[number], onsets, times))
        for number, one in enumerate(watched.hypotheses)
        if number > 0
    ]
    suspects.sort(key=lambda one: -one.probability)
    last = rounds[-1] if rounds else baseline
    state = _state(watched, judged, before[-1], mass, nobody)
    earlier = before[-2] if rounds else Evidence()
    return Suspicion(
        minutes=last.minutes,
        nobody=nobody,
        suspects=tuple(suspects),
        of_patient=tuple(_of_patient(suspects, lane) for lane in range(watched.patients)),
        shared=sum(one.probability for one in suspects if not one.hypothesis.lanes),
        compared=compare(watched, rules.errors, rules.act, baseline, last, earlier),
        unexplained=bool(rounds) and _unexplained(watched, rules, state, last),
        next_readings=next_readings(watched, rules.errors, state),
        drifts=drifts_of(watched, rules.errors, rules.drift, baseline, rounds),
        not_counted=tuple(one for one in last.readings if one not in counted(last.readings)),
    )


def _blocks(watched: WatchedGroup) -> list[slice]:
    """Hypotheses that can be worked out together; each crossing of monitors by itself, as it exchanges sensors."""
    count = len(watched.hypotheses)
    crossed = [n for n, one in enumerate(watched.hypotheses) if one.cause == "monitors-crossed"]
    together = min(crossed, default=count)
    return [slice(0, together), *(slice(n, n + 1) for n in range(together, count))]


def _log_posterior(
    watched: WatchedGroup, rules: SuspicionRules, unchanged: Evidence, judged: Sequence[Judged], onsets: range,
    count: int,
) -> tuple[float, Floats]:  # fmt: skip
    """ln of the probability that nothing changed, and of each hypothesis beginning at each onset."""
    settled = watched.expected.settled
    stay, go = np.log1p(-rules.change_per_round), np.log(rules.change_per_round)
    shape = (1, watched.group.draws)
    log_nobody = count * stay + _mean_over_draws(np.broadcast_to(unchanged.log_likelihood(), shape), settled[:1])[0]
    prior = log_prior(watched.hypotheses, rules.weights)
    log_changed = np.full((len(watched.hypotheses), len(onsets)), -np.inf)
    for one in judged:
        for place, onset in enumerate(onsets):
            fit = _mean_over_draws(one.log_likelihood[place], settled[one.some])
            log_changed[one.some, place] = prior[one.some] + (onset - 1) * stay + go + fit
    highest = max(float(log_nobody), float(log_changed.max(initial=-np.inf)))
    total = highest + np.log(np.exp(log_nobody - highest) + np.exp(log_changed - highest).sum())
    return float(log_nobody - total), np.asarray(log_changed - total)


def _mean_over_draws(log_likelihood: Floats, settled: NDArray[np.bool_]) -> Floats:
    """ln of the mean likelihood over the draws that settled, (hypotheses,)."""
    logs = np.where(settled, log_likelihood, -np.inf)
    highest = logs.max(axis=1, keepdims=True)
    highest = np.where(np.isfinite(highest), highest, 0.0)
    with np.errstate(divide="ignore"):
        mean = np.log(np.exp(logs - highest).sum(axis=1) / settled.sum(axis=1))
    return np.asarray(highest[:, 0] + mean)


def _state(
    watched: WatchedGroup, judged: Sequence[Judged], unchanged: Evidence, mass: Floats, nobody: float
) -> tuple[Block, ...]:
    """Every hypothesis and draw with its probability now, each as it stands at the onset that is likeliest overall."""
    settled = watched.expected.settled
    found = []
    place = int(mass.sum(axis=0).argmax()) if mass.size else 0
    for one in judged:
        if not mass.size:
            shape = (one.some.stop - one.some.start, watched.group.draws)
            logs, evidence, minutes = np.zeros(shape), unchanged, np.zeros(watched.group.draws)
        else:
            logs, evidence, minutes = one.log_likelihood[place], one.evidence[place], one.minutes[place]
        weights = np.zeros(logs.shape)
        share = mass[one.some].sum(axis=1) if mass.size else np.zeros(logs.shape[0])
        if one.some.start == 0:
            share = np.concatenate([[nobody], share[1:]])
        for row in range(logs.shape[0]):
            inside = np.where(settled[one.some.start + row], logs[row], -np.inf)
            top = inside.max()
            if np.isfinite(top):
                part = np.exp(inside - top)
                weights[row] = share[row] * part / part.sum()
        found.append(Block(one.some, weights, evidence, minutes))
    return tuple(found)


def _since(mass: Floats, onsets: range, times: Sequence[float]) -> tuple[float, float] | None:
    if not mass.size or mass.sum() <= 0.0:
        return None
    onset = onsets[int(mass.argmax())]
    return times[onset - 1], times[onset]


def _of_patient(suspects: Sequence[Suspect], lane: int) -> float:
    return sum(one.probability for one in suspects if lane in one.hypothesis.lanes)


_UNEXPLAINED_Z: Final = 4.5  # a reading that far from what the likeliest hypothesis shows is not explained; judgement


def _unexplained(watched: WatchedGroup, rules: SuspicionRules, state: Sequence[Block], last: WatchRound) -> bool:
    """Whether some reading lies far from what the likeliest hypothesis, with its likeliest sizes, makes of it."""
    block, row = max(
        ((block, row) for block in state for row in range(block.weights.shape[0])),
        key=lambda one: float(one[0].weights[one[1]].sum()),
    )
    number = block.some.start + row
    some = slice(number, number + 1)
    weights = block.weights[row]
    if weights.sum() <= 0.0:
        return True
    best = int(weights.argmax())
    for reading in counted(last.readings):
        shows = shown_by(watched, rules.errors, reading.key, reading.lane, block.minutes, some)
        if not np.any(shows.scatter):
            continue
        mean, variance = block.evidence.lasting_error(shows.channel)
        mean, variance = (_entry(one, row, best) for one in (mean, variance))
        value = shows.value[0, best] + shows.loading[0, best] * mean
        spread = np.hypot(shows.scatter[0, best], shows.loading[0, best] * np.sqrt(variance))
        if abs(reading.value - value) > _UNEXPLAINED_Z * spread:
            return True
    return False


def _entry(values: Floats | float, row: int, draw: int) -> float:
    if isinstance(values, float):
        return values
    return float(values[row if values.shape[0] > 1 else 0, draw])
