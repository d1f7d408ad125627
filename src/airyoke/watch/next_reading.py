"""What to read next: how much each look, value or hold is expected to tell about what changed, and how to take it.

Expected information is the mutual information, in bits, between "which hypothesis" and what would be read: the mean
fall of uncertainty. It is estimated over a fixed set of imagined outcomes, drawn from the hypotheses as they stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.quantities.draws import normal_draws, uniform_draws
from airyoke.watch.expected import WatchedGroup
from airyoke.watch.hypotheses import LANES
from airyoke.watch.likelihood import Evidence, ReadingErrors, shown_by
from airyoke.watch.watch_readings import BY_KEY

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Way = Literal["look", "monitor", "machine", "clamp-one", "press-one"]

OUTCOMES: Final = 96  # imagined outcomes; the error of the mean is a few hundredths of a bit
LEAST_BITS: Final = 0.05  # less than this is not worth the walk; judgement
ENOUGH: Final = 0.6  # of the most that any reading tells: the cheapest that reaches it comes first; judgement
_FAINT: Final = 0.02  # of the heaviest draw of a hypothesis: what weighs less is left to the others
_LEAST_PROBABILITY: Final = 5e-4  # a hypothesis less likely than this is no reason to read anything

WAYS: Final[tuple[tuple[Way, int, tuple[str, ...]], ...]] = (
    ("look", 15, ("chest_rises", "co2_curve", "joints_tight", "effort_seen")),
    ("monitor", 20, ("etco2_mmhg", "inspired_co2_mmhg", "spo2_pct")),
    ("machine", 40, ("displayed_tidal_volume_ml", "peak_pressure_cmh2o", "peep_cmh2o", "rate_per_min", "leak_pct",
                     "fio2", "dials_as_planned")),
    ("press-one", 45, ("own_curve_answers",)),
    ("clamp-one", 150, ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o", "own_curve_answers")),
)  # fmt: skip
"""How things are read together, how many seconds that takes (judgement, no source), and what it gives."""


@dataclass(frozen=True, slots=True)
class Block:
    """Hypotheses ``some`` as they stand: probability of each with each draw, the readings so far, and minutes since
    the change, one a draw."""

    some: slice
    weights: Floats
    evidence: Evidence
    minutes: Floats


@dataclass(frozen=True, slots=True)
class NextReading:
    """One thing to do. ``lane``: at whom, ``None`` at the machine; ``bits``: what it is expected to tell."""

    way: Way
    lane: int | None
    keys: tuple[str, ...]
    bits: float
    seconds: int
    steps: tuple[str, ...]

    @property
    def id(self) -> str:
        """``clamp-one.B``, ``machine``."""
        return self.way if self.lane is None else f"{self.way}.{LANES[self.lane]}"


def next_readings(watched: WatchedGroup, errors: ReadingErrors, state: Sequence[Block]) -> tuple[NextReading, ...]:
    """What is worth reading: first the cheapest that tells nearly as much as any, then the others by their cost.

    Empty where nothing would tell ``LEAST_BITS``.
    """
    entries = _Entries.of(watched, state)
    found = []
    for way, seconds, keys in WAYS:
        for lane in (None,) if way == "machine" else range(watched.patients):
            if way == "press-one" and watched.patients < 2:
                continue
            bits = entries.bits(watched, errors, keys, lane)
            steps = steps_of(way, lane, watched.patients, watched.settings.mode)
            found.append(NextReading(way, lane, keys, bits, seconds, steps))
    worth = [one for one in found if one.bits >= LEAST_BITS]
    worth.sort(key=lambda one: (one.seconds, -one.bits))
    most = max((one.bits for one in worth), default=0.0)
    first = next((one for one in worth if one.bits >= ENOUGH * most), None)
    return tuple(worth) if first is None else (first, *(one for one in worth if one is not first))


@dataclass(frozen=True, slots=True)
class _Entries:
    """Every (hypothesis, draw) that still has probability, flat; and which of them each imagined outcome comes from."""

    state: tuple[Block, ...]
    kept: tuple[tuple[Integers, Integers], ...]  # (rows, draws) of each block
    belongs: Floats  # (entries, hypotheses): the probability of each in the column of its hypothesis
    chosen: Integers

    @classmethod
    def of(cls, watched: WatchedGroup, state: Sequence[Block]) -> _Entries:
        kept, probability, hypothesis = [], [], []
        for block in state:
            of_each = block.weights.sum(axis=1, keepdims=True)
            heavy = (block.weights > _FAINT * block.weights.max(axis=1, keepdims=True)) & (of_each > _LEAST_PROBABILITY)
            thinned = np.where(heavy, block.weights, 0.0)
            thinned *= of_each / np.maximum(thinned.sum(axis=1, keepdims=True), 1e-300)
            rows, draws = np.nonzero(heavy)
            kept.append((rows, draws))
            probability.append(thinned[rows, draws])
            hypothesis.append(rows + block.some.start)
        mass = np.concatenate(probability)
        mass = mass / mass.sum()
        # Systematic: outcomes are spread evenly over the probability, so that none is left to luck.
        places = (np.arange(OUTCOMES) + 0.5) / OUTCOMES
        chosen = np.searchsorted(np.cumsum(mass), places).clip(max=mass.size - 1)
        every, column = np.unique(np.concatenate(hypothesis), return_inverse=True)
        belongs = np.zeros((mass.size, every.size))
        belongs[np.arange(mass.size), column] = mass
        return cls(tuple(state), tuple(kept), belongs, chosen)

    def bits(self, watched: WatchedGroup, errors: ReadingErrors, keys: Sequence[str], lane: int | None) -> float:
        """Mutual information of the hypotheses and all of ``keys`` read together."""
        log_density = np.zeros((OUTCOMES, self.belongs.shape[0]))
        for number, key in enumerate(keys):
            value, spread = self._shown(watched, errors, key, lane)
            if BY_KEY[key].kind == "yes or no":
                answers = uniform_draws(f"watch outcome {key}", number, OUTCOMES) < value[self.chosen]
                log_density += np.where(answers[:, None], np.log(value), np.log(1.0 - value))
            else:
                noise = normal_draws(f"watch outcome {key}", number, OUTCOMES)
                read = value[self.chosen] + spread[self.chosen] * noise
                apart = read[:, None] / spread - value / spread
                log_density -= 0.5 * apart * apart + np.log(spread)
        return self._information(log_density)

    def _information(self, log_density: Floats) -> float:
        highest = log_density.max(axis=1, keepdims=True)
        # One column a hypothesis: density of the outcome together with that hypothesis.
        joint = np.exp(log_density - highest) @ self.belongs
        prior = self.belongs.sum(axis=0)
        after = joint / joint.sum(axis=1, keepdims=True)
        return max(0.0, float(_entropy(prior[None, :])[0]) - float(_entropy(after).mean()))

    def _shown(
        self, watched: WatchedGroup, errors: ReadingErrors, key: str, lane: int | None
    ) -> tuple[Floats, Floats]:
        values, spreads = [], []
        for block, (rows, draws) in zip(self.state, self.kept, strict=True):
            if not rows.size:
                continue
            shows = shown_by(watched, errors, key, lane, block.minutes, block.some)
            mean, variance = block.evidence.lasting_error(shows.channel)
            shape = block.weights.shape
            value = np.broadcast_to(shows.value + shows.loading * mean, shape)[rows, draws]
            spread = np.sqrt(np.square(shows.scatter) + np.square(shows.loading) * variance)
            values.append(value)
            spreads.append(np.broadcast_to(spread, shape)[rows, draws])
        return np.concatenate(values), np.concatenate(spreads)


def _entropy(probability: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(probability > 0.0, -probability * np.log2(probability), 0.0)
    return np.asarray(terms.sum(axis=1))


def steps_of(way: Way, lane: int | None, patients: int, mode: Literal["pc", "vc"]) -> tuple[str, ...]:
    """How it is taken, step by step. Judgement and common practice, no source; local protocol comes first."""
    x = "" if lane is None else LANES[lane]
    others = " and ".join(LANES[one] for one in range(patients) if one != lane)
    match way:
        case "look":
            return (
                f"Look at {x}: do both sides of the chest rise as before?",
                f"{x}'s CO2 curve: is it there?",
                f"{x}'s tube and hoses: joined? Listen for a hiss at the joints and at the mouth",
                f"{x}'s effort, cough, depth of block",
            )
        case "monitor":
            return (f"Read {x}'s own monitor: end-tidal CO2, inspired CO2, SpO2",)
        case "machine":
            return (
                "Read the machine over at least six breaths: displayed volume, peak, PEEP, rate, leak, FiO2",
                "Compare every dial with the plan",
            )
        case "press-one":
            return (
                f"Press gently on {x}'s chest, or clamp {x} for one breath: does the curve with {x}'s label answer?",
                f"If another one answers, monitors or labels are crossed: {x} is treated by what {x} itself shows",
            )
        case _:
            return _clamp_one(x, others, mode)


def _clamp_one(x: str, others: str, mode: Literal["pc", "vc"]) -> tuple[str, ...]:
    if not others:
        return (f"Read {x}'s volume, then an inspiratory hold (plateau) and an expiratory hold (total PEEP)",)
    for_one = () if mode == "pc" else (
        f"Before anything is clamped dial the volume down to {x}'s own: {x} would get everybody's",
    )  # fmt: skip
    back = () if mode == "pc" else ("Dial the volume for all before the others are opened",)
    return (
        f"A hand on every clamp, bag at every bed; say aloud: {others} will not breathe for at most 20 s",
        *for_one,
        f"At an expiratory hold clamp {others}: the tube, or the flexible mount where it is wire-reinforced",
        f"{x}'s own curve goes on and the others are flat: if not, monitors are crossed",
        f"Let {x} breathe three breaths: read the displayed volume",
        "Inspiratory hold: plateau. Expiratory hold: total PEEP",
        *back,
        f"At an expiratory hold open {others}; every chest rises, every CO2 curve is back",
    )
