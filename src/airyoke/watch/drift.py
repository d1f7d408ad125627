"""Slow drifts that no single round shows: a sequential test of each series of readings, with a stated false-alarm rate.

Each series is made into numbers that are standard normal while nothing drifts, whatever its level was: every reading
against the mean of those before it (self-starting; Hawkins 1987, The Statistician 36:299). Two cumulative sums, one up
and one down (Page 1954, Biometrika 41:100), tell a drift when one of them passes a threshold. The threshold follows
from the mean number of rounds between false alarms by the Markov chain of Brook and Evans (1972, Biometrika 59:539).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.watch.expected import WatchedGroup
from airyoke.watch.likelihood import ReadingErrors, shown_by
from airyoke.watch.watch_readings import WatchRound

Floats = NDArray[np.float64]

WATCHED: Final = ("displayed_tidal_volume_ml", "etco2_mmhg", "tidal_volume_ml", "plateau_cmh2o")
_STATES: Final = 60  # of the Markov chain; 1 % of the run length at the thresholds used here


@dataclass(frozen=True, slots=True)
class DriftRules:
    """rounds_between_false_alarms
        Mean number of rounds until one series tells a drift that is none.
    shift
        The drift that is looked for, in standard deviations of one reading: the sums count what exceeds half of it.
    """

    rounds_between_false_alarms: float = 500.0
    shift: float = 1.0


@dataclass(frozen=True, slots=True)
class Drift:
    """One series after the last round. ``statistic``: the larger of its two sums, told from ``threshold`` on;
    ``direction``: which one; ``since_minutes``: when that sum last stood at nothing."""

    key: str
    lane: int | None
    rounds: int
    statistic: float
    threshold: float
    direction: Literal["up", "down"]
    since_minutes: float
    first_value: float
    last_value: float

    @property
    def told(self) -> bool:
        """Whether it has drifted by this test."""
        return self.statistic >= self.threshold


def drifts_of(
    watched: WatchedGroup, errors: ReadingErrors, rules: DriftRules, baseline: WatchRound, rounds: Sequence[WatchRound]
) -> tuple[Drift, ...]:
    """Every series that was read at least twice; those that drift first."""
    found = []
    threshold = threshold_of(rules.rounds_between_false_alarms, rules.shift / 2.0)
    lanes: tuple[int | None, ...] = (None, *range(watched.patients))
    for key in WATCHED:
        for lane in lanes:
            series = list(_series(key, lane, (baseline, *rounds)))
            if len(series) < 2:
                continue
            shows = shown_by(watched, errors, key, lane, 0.0, slice(0, 1))
            # Without what is said of a change: what nothing but scatter makes of two readings of one sensor.
            relative = float(np.median(shows.scatter / np.maximum(shows.value, 1.0)))
            found.append(_drift(key, lane, series, relative, threshold, rules.shift / 2.0))
    return tuple(sorted(found, key=lambda one: (not one.told, -one.statistic)))


def _series(key: str, lane: int | None, rounds: Sequence[WatchRound]) -> Iterator[tuple[float, float]]:
    for one in rounds:
        for reading in one.readings:
            # A flat curve or no volume is no drift.
            if (reading.key, reading.lane) == (key, lane) and reading.value > 0.0:
                yield one.minutes, reading.value


def _drift(
    key: str, lane: int | None, series: Sequence[tuple[float, float]], relative: float, threshold: float,
    allowance: float,
) -> Drift:  # fmt: skip
    values = np.array([value for _, value in series])
    up, down = cumulative_sums(standardised(np.log(values), relative), allowance)
    larger, direction = (up, "up") if up[-1] >= down[-1] else (down, "down")
    at_nothing = np.flatnonzero(np.concatenate([[0.0], larger]) <= 0.0)
    return Drift(
        key, lane, len(series), float(larger[-1]), threshold, direction,  # type: ignore[arg-type]
        series[int(at_nothing[-1])][0], float(values[0]), float(values[-1]),
    )  # fmt: skip


def standardised(values: Floats, sd: float) -> Floats:
    """Each value but the first against the mean of those before it, in standard deviations of that difference.

    Independent and standard normal where the values are independent and normal with that ``sd`` and any mean.
    """
    before = np.arange(1, values.size)
    mean = np.cumsum(values)[:-1] / before
    return np.asarray((values[1:] - mean) * np.sqrt(before / (before + 1.0)) / sd)


def cumulative_sums(z: Floats, allowance: float) -> tuple[Floats, Floats]:
    """Page's sums upwards and downwards, each never below 0."""
    up, down = np.zeros(z.size), np.zeros(z.size)
    high = low = 0.0
    for i, one in enumerate(z):
        high, low = max(0.0, high + one - allowance), max(0.0, low - one - allowance)
        up[i], down[i] = high, low
    return up, down


def run_length(threshold: float, allowance: float, mean: float = 0.0) -> float:
    """Mean number of values until one sum, from 0, passes ``threshold``: a Markov chain over its values.

    The values are normal with this mean and standard deviation 1.
    """
    width = 2.0 * threshold / (2 * _STATES - 1)
    cdf = NormalDist(mean, 1.0).cdf
    # Step from the middle of state i to state j: all that leads below 0 ends in state 0.
    edges = np.array([cdf((k + 0.5) * width + allowance) for k in range(-_STATES, _STATES)])
    i, j = np.indices((_STATES, _STATES))
    upper = edges[j - i + _STATES]
    lower = np.where(j == 0, 0.0, edges[np.maximum(j - i + _STATES - 1, 0)])
    moves = upper - lower
    lengths = np.linalg.solve(np.eye(_STATES) - moves, np.ones(_STATES))
    return float(lengths[0])


@lru_cache(maxsize=16)
def threshold_of(rounds_between_false_alarms: float, allowance: float) -> float:
    """The threshold at which both sums together give one false alarm in so many values, by bisection."""
    low, high = 0.1, 20.0
    for _ in range(24):
        middle = 0.5 * (low + high)
        # 1/L = 1/L_up + 1/L_down for two sums that restart together (Lucas and Crosier 1982; from memory).
        if 0.5 * run_length(middle, allowance) < rounds_between_false_alarms:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
