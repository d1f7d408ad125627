"""The readings of a round beside what they should be if nothing has changed, and what the act rules say of each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.watch.act import ActRules, act_thresholds, volume_band_ml
from airyoke.watch.expected import WatchedGroup
from airyoke.watch.likelihood import Evidence, ReadingErrors, shown_by
from airyoke.watch.watch_readings import BY_KEY, DRIVING_PRESSURE, WatchReading, WatchRound

Floats = NDArray[np.float64]
Rule = Literal["inside", "ask", "act", "no rule"]
_NO_IS_EXPECTED = frozenset({"effort_seen"})
_WITHIN_90_PCT = 1.645


@dataclass(frozen=True, slots=True)
class Compared:
    """One reading. ``value``, ``low``, ``high``: where it should lie if nothing has changed, with 90 % of readings
    inside; for yes and no the expected answer and ``None``. ``rule``: what the act rules say, and by which ``bound``.
    """

    reading: WatchReading
    value: float
    low: float | None
    high: float | None
    rule: Rule
    bound: float | None

    @property
    def inside(self) -> bool:
        """Whether it lies where it should."""
        if self.low is None or self.high is None:
            return self.reading.value == self.value
        return self.low <= self.reading.value <= self.high


def compare(
    watched: WatchedGroup, errors: ReadingErrors, rules: ActRules, baseline: WatchRound, last: WatchRound,
    before: Evidence,
) -> tuple[Compared, ...]:  # fmt: skip
    """Every reading of the round; ``before`` is what was read until then."""
    logs = np.broadcast_to(before.log_likelihood(), (1, watched.group.draws))
    usable = np.where(watched.expected.settled[0], logs[0], -np.inf)
    weights = np.exp(usable - usable.max())
    weights /= weights.sum()
    each = [_one(watched, errors, rules, baseline, reading, before, weights) for reading in last.readings]
    return (*each, *_driving(rules, each))


def _driving(rules: ActRules, each: Sequence[Compared]) -> Iterator[Compared]:
    """The driving pressure of everybody whose plateau and total PEEP were read together."""
    of = {(one.reading.key, one.reading.lane): one for one in each}
    for (key, lane), plateau in of.items():
        total_peep = of.get(("total_peep_cmh2o", lane))
        if key != "plateau_cmh2o" or total_peep is None or plateau.high is None or total_peep.high is None:
            continue
        read = plateau.reading.value - total_peep.reading.value
        value = plateau.value - total_peep.value
        half = float(np.hypot(plateau.high - plateau.value, total_peep.high - total_peep.value))
        high = rules.driving_pressure_cmh2o
        rule: Rule = "act" if read > high else "inside"
        bound = high if read > high else None
        reading = WatchReading(DRIVING_PRESSURE.key, read, lane)
        yield Compared(reading, value, max(value - half, 0.0), value + half, rule, bound)


def _one(
    watched: WatchedGroup, errors: ReadingErrors, rules: ActRules, baseline: WatchRound, reading: WatchReading,
    before: Evidence, weights: Floats,
) -> Compared:  # fmt: skip
    if BY_KEY[reading.key].kind == "yes or no":
        expected = 0.0 if reading.key in _NO_IS_EXPECTED else 1.0
        missing = reading.value != expected
        return Compared(reading, expected, None, None, "act" if missing else "inside", None)
    shows = shown_by(watched, errors, reading.key, reading.lane, 0.0, slice(0, 1))
    mean, variance = before.lasting_error(shows.channel)
    values = (shows.value + shows.loading * mean)[0]
    spread = np.square(shows.scatter) + np.square(shows.loading) * variance
    value = float(weights @ values)
    sd = float(np.sqrt(weights @ (spread[0] + np.square(values - value))))
    low, high = value - _WITHIN_90_PCT * sd, value + _WITHIN_90_PCT * sd
    rule, bound = _rule(watched, rules, baseline, reading, value)
    return Compared(reading, value, max(low, 0.0), high, rule, bound)


def _rule(
    watched: WatchedGroup, rules: ActRules, baseline: WatchRound, reading: WatchReading, expected: float
) -> tuple[Rule, float | None]:
    """What the team's own rules say, whoever is suspected. Bounds of the sum are those of one patient's volume."""
    value, lane = reading.value, reading.lane
    if reading.key == "displayed_tidal_volume_ml":
        low, high = volume_band_ml(expected, rules)
        return ("act", low) if value < low else ("act", high) if value > high else ("inside", None)
    settings = watched.settings
    if lane is None:
        if reading.key == "rate_per_min":
            return ("act", settings.rate_per_min) if value > settings.rate_per_min + 0.5 else ("inside", None)
        return "no rule", None
    own_valve = watched.group.build.network.limbs[lane].peep_valve_cmh2o
    thresholds = act_thresholds(
        tidal_volume_ml=expected, peep_cmh2o=settings.peep_cmh2o + own_valve, rate_per_min=settings.rate_per_min,
        rules=rules,
    )  # fmt: skip
    one = next((each for each in thresholds if each.quantity == reading.key), None)
    if one is None:
        return "no rule", None
    if one.change is not None:
        start = next((r.value for r in baseline.readings if (r.key, r.lane) == (reading.key, lane)), None)
        if start is None:
            return "no rule", None
        for bound, beyond in ((start - one.change, value < start - one.change),
                              (start + one.change, value > start + one.change)):  # fmt: skip
            if beyond:
                return "act", bound
        return "inside", None
    if one.low is not None and value < one.low:
        return "act", one.low
    if one.high is not None and value > one.high:
        return "act", one.high
    if one.ask is not None and value > one.ask:
        return "ask", one.ask
    return "inside", None
