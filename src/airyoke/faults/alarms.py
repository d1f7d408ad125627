"""Which alarm a fault sets off, after how many seconds and how likely: by seeded draws of lungs, sensors and scatter.

An alarm sounds at the end of the first breath at which its condition has been beyond the limit long enough; one on
high pressure at the end of that breath's inspiration; one on apnoea when the time is up. Seconds count from the fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from airyoke.faults.shown import Shown
from airyoke.faults.watching import Displayed, Noise, Sensors, Watch, displayed, gaps_s, nearest_inside, watched
from airyoke.plan.alarm_system import AlarmCondition, Key, Limits

Floats = NDArray[np.float64]

SILENT_BELOW = 0.05  # an alarm this unlikely is none to rely on; judgement
SURE_FROM = 0.95
POWER_FAILURE: Key = ("power_failure", "low")
LOW_PERCENTILE, HIGH_PERCENTILE = 5.0, 95.0


@dataclass(frozen=True, slots=True)
class Firing:
    """One condition after a fault. ``seconds``: median over the courses in which it sounds, ``None`` where it never
    does."""

    name: str
    side: str
    probability: float
    seconds: float | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the alarms make of one fault.

    probability
        That any alarm sounds within the time looked at, ``looked_s``.
    seconds, seconds_low, seconds_high
        To the first alarm, where one sounds: median, 5th and 95th percentile; ``None`` where none does.
    first
        What sounds first most often; ``None`` where nothing does.
    firings
        Every condition that may sound, the likeliest and then the quickest first.
    """

    probability: float
    seconds: float | None
    seconds_low: float | None
    seconds_high: float | None
    first: Key | None
    firings: tuple[Firing, ...]
    looked_s: float

    @property
    def silent(self) -> bool:
        """No alarm to rely on at all."""
        return self.probability < SILENT_BELOW

    @property
    def sure(self) -> bool:
        """Nearly every course sets one off."""
        return self.probability >= SURE_FROM


@dataclass(frozen=True, slots=True)
class Before:
    """The machine before anything goes wrong, one row a course (a draw of lungs with sensors and scatter of its own).

    centre
        What the condition is predicted to watch, at best estimate and with perfect sensors.
    reference
        What each row's own machine shows of it without scatter, (rows, 1); what ``measured`` limits stand from.
    """

    shown: Shown
    watch: Watch
    rows: NDArray[np.int64]
    sensors: Sensors
    centre: Mapping[Key, float]
    reference: Mapping[Key, Floats]

    @classmethod
    def of(cls, baseline: Shown, watch: Watch) -> Before:
        """From a group without a fault, whose breaths are all alike."""
        first = 1 if baseline.draws > 1 else 0  # row 0 is the best estimate, no draw
        rows = np.repeat(np.arange(first, baseline.draws), watch.paths)
        sensors = Sensors.drawn(watch, len(rows))
        best = np.zeros(1, np.int64)
        steady = _steady(baseline, watch)
        predicted = _clean(steady, watch, best, Sensors.perfect())
        own = _clean(steady, watch, rows, sensors)
        centre, reference = {}, {}
        for one in watch.system.conditions:
            if one.name == "apnoea":
                centre[one.key], reference[one.key] = watch.settings.period_s, np.full((len(rows), 1), np.nan)
                continue
            centre[one.key] = float(watched(predicted, one, watch)[0, -1])
            reference[one.key] = watched(own, one, watch)[:, -1:]
        return cls(baseline, watch, rows, sensors, centre, reference)

    def stands_off(self, condition: AlarmCondition) -> Floats | float:
        """What is added to a row's values before they are compared with limits as printed, (rows, 1)."""
        if self.watch.limits_from == "predicted" or condition.name == "apnoea":
            return 0.0
        return self.centre[condition.key] - self.reference[condition.key]

    def after(self, fault: Shown) -> After:
        """The same machines after a fault. Raises ``ValueError`` where the draws are not those of the baseline."""
        if fault.draws != self.shown.draws:
            raise ValueError(f"{fault.draws} draws of a fault beside {self.shown.draws} of the baseline")
        history = self.watch.history
        both = _joined(self.shown, fault, history, self.watch)
        breaths, patients = both.patients_ml.shape[1:]
        noise = Noise.drawn(self.watch, len(self.rows), breaths, patients)
        display = displayed(both, self.watch, self.rows, noise, self.sensors)
        ended = both.cut_short[self.rows]
        courses = {one.key: self._course(display, one, history, ended) for one in self.watch.system.conditions}
        return After(display, courses)

    def _course(
        self, display: Displayed, condition: AlarmCondition, history: int, ended: NDArray[np.bool_]
    ) -> Course:
        watch = self.watch
        if condition.name == "apnoea":
            began, lengths = gaps_s(display)
            return Course(lengths, began)
        values = watched(display, condition, watch) + self.stands_off(condition)
        values = nearest_inside(values, watch.beyond(condition), condition.side)
        early = condition.key == ("airway_pressure", "high")
        if early:
            values = np.where(ended, np.inf, values)  # the alarm has ended these breaths itself
        known = display.starts_s + (watch.settings.inspiratory_time_s if early else display.periods_s)
        return Course(values[:, history:], known[:, history:])


@dataclass(frozen=True, slots=True)
class Course:
    """What limits as printed are compared with, and when that is known, (rows, breaths) each, s after the fault.

    A condition that asks for several values in a row has the one nearest to being inside. Apnoea has gaps without a
    breath instead, and when each began.
    """

    values: Floats
    known_s: Floats


@dataclass(frozen=True, slots=True)
class After:
    """What the machines display after a fault, and the course of every condition."""

    display: Displayed
    courses: Mapping[Key, Course]

    def fires_at_s(self, condition: AlarmCondition, limit: float) -> Floats:
        """When the condition sounds, (rows,), s after the fault; infinite where it does not."""
        course = self.courses[condition.key]
        values, known = course.values, course.known_s
        if condition.name == "apnoea":
            at = np.where(values > limit, known + limit, np.inf)
            return np.asarray(np.where(at > 0.0, at, np.inf).min(axis=1))
        beyond = values > limit if condition.side == "high" else values < limit
        at = np.where(beyond & self._seen(known, np.inf), known, np.inf)
        return np.asarray(at.min(axis=1, initial=np.inf))

    def critical(self, condition: AlarmCondition, within_s: float) -> Floats:
        """The limit at which each row just does not sound within the time, (rows,).

        It sounds at every lower limit of the high side, at every higher one of the low side; infinite on the side
        that never sounds.
        """
        course = self.courses[condition.key]
        values, known = course.values, course.known_s
        if condition.name == "apnoea":
            # A gap of this length sounds at a limit that is shorter, and in time.
            return np.asarray(np.minimum(values, min(within_s, self.display.lasts_s) - known).max(axis=1))
        seen = self._seen(known, within_s) & np.isfinite(values)
        if condition.side == "high":
            return np.asarray(np.where(seen, values, -np.inf).max(axis=1, initial=-np.inf))
        return np.asarray(np.where(seen, values, np.inf).min(axis=1, initial=np.inf))

    def _seen(self, known: Floats, within_s: float) -> NDArray[np.bool_]:
        return np.asarray((known > 0.0) & (known <= min(within_s, self.display.lasts_s) + 1e-9))


def verdict(before: Before, fault: Shown, limits: Limits, *, after: After | None = None) -> Verdict:
    """Which alarms of the machine sound after the fault, at these limits (built-in ones come on top).

    ``after``: ``before.after(fault)`` where it is at hand already. Raises ``Refused`` for limits
    that the machine cannot be set to.
    """
    system = before.watch.system
    every = system.checked(limits)
    if not fault.powered:
        # ISO 80601-2-12 asks for an alarm of the power failure; from memory.
        name, side = POWER_FAILURE
        return Verdict(1.0, 0.0, 0.0, 0.0, POWER_FAILURE, (Firing(name, side, 1.0, 0.0),), fault.lasts_s)
    after = after or before.after(fault)
    conditions = [one for one in system.conditions if one.key in every]
    if not conditions:
        return Verdict(0.0, None, None, None, None, (), fault.lasts_s)
    at = np.stack([after.fires_at_s(one, every[one.key]) for one in conditions])
    earliest = at.min(axis=0)
    rang = np.isfinite(earliest)
    firings = []
    for one, times in zip(conditions, at, strict=True):
        sounds = np.isfinite(times)
        if sounds.any():
            firings.append(Firing(one.name, one.side, float(sounds.mean()), float(np.median(times[sounds]))))
    firings.sort(key=lambda f: (-round(f.probability, 2), f.seconds))
    if not rang.any():
        return Verdict(0.0, None, None, None, None, (), fault.lasts_s)
    quickest = np.bincount(at[:, rang].argmin(axis=0), minlength=len(conditions)).argmax()
    low, middle, high = np.percentile(earliest[rang], [LOW_PERCENTILE, 50.0, HIGH_PERCENTILE])
    return Verdict(
        float(rang.mean()), float(middle), float(low), float(high), conditions[int(quickest)].key, tuple(firings),
        fault.lasts_s,
    )  # fmt: skip


def verdicts(faults: Mapping[str, Shown], before: Before, limits: Limits) -> dict[str, Verdict]:
    """The verdict on each fault. Raises ``Refused`` for limits that the machine cannot be set to."""
    return {name: verdict(before, fault, limits) for name, fault in faults.items()}


def _steady(baseline: Shown, watch: Watch) -> Shown:
    """The first breath of the baseline as many times as conditions look back."""
    return _repeated(baseline, watch.history, watch.settings.period_s)


def _repeated(shown: Shown, times: int, period_s: float) -> Shown:
    starts = np.broadcast_to(np.arange(-times, 0) * period_s, (shown.draws, times))
    again: dict[str, Any] = {name: np.repeat(getattr(shown, name)[:, :1], times, axis=1) for name in _PER_BREATH}
    return replace(shown, starts_s=np.asarray(starts), lasts_s=0.0, **again)


_PER_BREATH = (
    "inspired_ml", "exhaled_ml", "peak_cmh2o", "peep_cmh2o", "mean_cmh2o", "triggered", "cut_short", "fio2",
    "patients_ml",
)  # fmt: skip


def _clean(shown: Shown, watch: Watch, rows: NDArray[np.int64], sensors: Sensors) -> Displayed:
    breaths, patients = shown.patients_ml.shape[1:]
    return displayed(shown, watch, rows, Noise.none(len(rows), breaths, patients), sensors)


def _joined(baseline: Shown, fault: Shown, history: int, watch: Watch) -> Shown:
    """Breaths of the baseline before the first that the fault's course has, then that course."""
    before = _repeated(baseline, history, watch.settings.period_s)
    starts = np.concatenate((before.starts_s + np.nan_to_num(fault.starts_s[:, :1]), fault.starts_s), axis=1)
    joined: dict[str, Any] = {
        name: np.concatenate((getattr(before, name), getattr(fault, name)), axis=1) for name in _PER_BREATH
    }
    return replace(fault, starts_s=starts, **joined)
