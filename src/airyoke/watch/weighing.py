"""Every hypothesis against every round, for each round before which the change may have begun."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.quantities.draws import uniform_draws
from airyoke.watch.expected import WatchedGroup
from airyoke.watch.likelihood import IN_TIME, Evidence, ReadingErrors, Shows, counted, shown_by
from airyoke.watch.watch_readings import WatchReading, WatchRound

Floats = NDArray[np.float64]
UNCHANGED = slice(0, 1)


class Weigher:
    """Turns readings into evidence. What does not move with time is worked out once for a reading, not once a round."""

    __slots__ = ("_errors", "_kept", "_watched")

    def __init__(self, watched: WatchedGroup, errors: ReadingErrors) -> None:
        self._watched, self._errors = watched, errors
        self._kept: dict[tuple[str, int | None, int, int], Shows] = {}

    def at_once(self, readings: Sequence[WatchReading], some: slice) -> Evidence:
        """Evidence of readings as they are right after the change."""
        evidence = Evidence()
        for one in readings:
            place = (one.key, one.lane, some.start, some.stop)
            if place not in self._kept:
                self._kept[place] = shown_by(self._watched, self._errors, one.key, one.lane, 0.0, some)
            evidence.add(self._kept[place], one.value)
        return evidence

    def later(
        self, evidence: Evidence, readings: Sequence[WatchReading], some: slice, minutes: Floats | float
    ) -> None:
        """Adds readings so many minutes after the change, one number a draw or one for all."""
        for one in readings:
            evidence.add(shown_by(self._watched, self._errors, one.key, one.lane, minutes, some), one.value)


@dataclass(frozen=True, slots=True)
class Judged:
    """One block of hypotheses. ``evidence`` and ``minutes`` (since the change, at the last round) for each onset;
    ``log_likelihood`` (onsets, hypotheses of the block, draws)."""

    some: slice
    evidence: tuple[Evidence, ...]
    minutes: tuple[Floats, ...]
    log_likelihood: Floats


def judge_block(
    weigher: Weigher, watched: WatchedGroup, baseline: WatchRound, rounds: Sequence[WatchRound],
    unchanged: Sequence[Evidence], onsets: range, some: slice,
) -> Judged:  # fmt: skip
    """The hypotheses ``some``, beginning before each of the ``onsets`` (numbers of rounds, the first is 1).

    ``unchanged[i]`` is what the baseline and the first i rounds say while nothing has changed.
    """
    part = uniform_draws("watch onset", 0, watched.group.draws, watched.group.seed)
    times = [baseline.minutes, *(one.minutes for one in rounds)]
    # Crossed monitors change nothing that is breathed: nothing moves afterwards.
    still = watched.hypotheses[some.start].cause == "monitors-crossed"
    slow = frozenset() if still else frozenset(IN_TIME)
    from_here = Evidence()
    tails: dict[int, Evidence] = {}
    for i in reversed(onsets):
        at_once = [one for one in counted(rounds[i - 1].readings) if one.key not in slow]
        from_here = from_here.joined(weigher.at_once(at_once, some))
        tails[i] = from_here
    found, elapsed = [], []
    for onset in onsets:
        began = times[onset] - part * (times[onset] - times[onset - 1])
        moving = Evidence()
        for i in range(onset, len(rounds) + 1):
            slowly = [one for one in counted(rounds[i - 1].readings) if one.key in slow]
            # Just after the change every minute counts; later on the middle of the interval will do.
            after = times[i] - (began if i == onset else 0.5 * (times[onset] + times[onset - 1]))
            weigher.later(moving, slowly, some, after)
        found.append(unchanged[onset - 1].joined(tails[onset]).joined(moving))
        elapsed.append(times[-1] - began)
    shape = (some.stop - some.start, watched.group.draws)
    logs = np.array([np.broadcast_to(one.log_likelihood(), shape) for one in found]).reshape(-1, *shape)
    return Judged(some, tuple(found), tuple(elapsed), logs)
