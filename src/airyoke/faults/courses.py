"""The runs of one fault read: what the machine shows for two minutes, each breath on the way, and how they end up.

A course is breathed until its breaths repeat, or for a minute; the last one then stands for every further one. Where
something goes on without end (efforts, coughs, water in a loop) the breaths do not repeat, and the last stretch of them
is taken again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.course import Course
from airyoke.breath.engine import Breath
from airyoke.breath.settings import Settings
from airyoke.faults.shown import Shown

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]

LASTS_S: Final = 120.0  # how long a fault is looked at
INSTANT_S: Final = 1e-6
AS_DIALLED: Final = 0.005  # a rate within this part of the dialled one is that


@dataclass(frozen=True, slots=True)
class Way:
    """Every breath that was computed, nan after the last of a draw: (draws, breaths), of patients one more axis.

    ``filled_s``: when its inspiration ends, ``ends_s``: when the breath does; both from the fault on.
    """

    filled_s: Floats
    ends_s: Floats
    tidal_volume_ml: Floats
    plateau_cmh2o: Floats
    total_peep_cmh2o: Floats

    def seconds_until(self, broken: Flags, at_s: Floats) -> Floats:
        """When the first of the breaths that are ``broken`` (draws, breaths) is there, (draws,); infinite: never."""
        return np.asarray(np.where(broken & np.isfinite(at_s), at_s, np.inf).min(axis=1, initial=np.inf))


@dataclass(frozen=True, slots=True)
class FaultCourse:
    """One fault's runs of a course. ``settings``: one for each draw where they breathe at other rates than dialled."""

    breath: Breath
    settings: tuple[Settings, ...]
    shown: Shown
    way: Way


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Which breaths of each run stand for all that follow: the last ``length`` of ``count``."""

    count: Integers
    length: Integers
    lasts_s: Floats  # of those together
    ends_s: Floats  # when the last whole breath ends

    @property
    def period_s(self) -> Floats:
        return self.lasts_s / self.length


def read_course(
    course: Course, rows: slice, settings: Settings, *, again_from_s: float | None, lasts_s: float = LASTS_S
) -> FaultCourse:
    """Runs ``rows`` of a course, each a draw of the group, at ``settings``.

    ``again_from_s``: what goes on without end has been going on as it will since then.
    """
    pattern = _pattern(course, rows, settings, again_from_s)
    dialled = 60.0 / pattern.period_s
    as_dialled = np.all(np.abs(dialled - settings.rate_per_min) <= AS_DIALLED * settings.rate_per_min)
    return FaultCourse(
        _ending(course, rows, pattern),
        (settings,) if as_dialled else tuple(replace(settings, rate_per_min=float(rate)) for rate in dialled),
        _shown(course, rows, settings, pattern, lasts_s),
        _way(course, rows, pattern),
    )


def _pattern(course: Course, rows: slice, settings: Settings, again_from_s: float | None) -> _Pattern:
    starts, count = course.starts_s[rows], course.breaths[rows]
    last = np.maximum(count - 1, 0)
    each = np.arange(len(starts))
    before = starts[each, np.maximum(last - 1, 0)]
    period = np.where(last > 0, starts[each, last] - before, settings.period_s)
    length = np.ones(len(starts), np.int64)
    if again_from_s is not None:
        length = np.maximum((starts >= again_from_s).sum(axis=1), 1)
        first = np.maximum(count - length, 0)
        several = length > 1
        mean = (starts[each, last] - starts[each, first]) / np.maximum(length - 1, 1)
        period = np.where(several, mean, period)
    return _Pattern(count, length, np.asarray(length * period), np.asarray(starts[each, last] + period))


def _shown(course: Course, rows: slice, settings: Settings, pattern: _Pattern, lasts_s: float) -> Shown:
    count, length = pattern.count[:, None], pattern.length[:, None]
    left = np.maximum(lasts_s - pattern.ends_s, 0.0) / pattern.period_s
    number = np.arange(int(np.nanmax(pattern.count + np.ceil(left))))[None, :]
    beyond = np.maximum(number - count, 0)
    from_breath = np.clip(np.where(number < count, number, count - length + beyond % length), 0, None)
    from_breath = np.minimum(from_breath, course.starts_s.shape[1] - 1)
    rounds = np.where(number < count, 0, 1 + beyond // length)
    each = np.arange(len(count))[:, None]
    starts = course.starts_s[rows][each, from_breath] + rounds * pattern.lasts_s[:, None]
    there = starts < lasts_s - INSTANT_S
    used = there.any(axis=0)
    starts, there, from_breath = starts[:, used], there[:, used], from_breath[:, used]
    machine = course.machine

    def taken(values: Floats) -> Floats:
        return np.where(there, values[rows][each, from_breath], np.nan)

    return Shown(
        starts_s=np.where(there, starts, np.nan),
        inspired_ml=taken(machine.inspired_ml),
        exhaled_ml=taken(machine.exhaled_ml),
        peak_cmh2o=taken(machine.splitter_peak_cmh2o),
        peep_cmh2o=taken(machine.peep_cmh2o),
        mean_cmh2o=taken(machine.mean_cmh2o),
        triggered=there & course.triggered[rows][each, from_breath],
        cut_short=there & course.cut_short[rows][each, from_breath],
        fio2=np.where(there, settings.fio2, np.nan),
        patients_ml=np.where(there[:, :, None], course.tidal_volume_ml[rows][each, from_breath], np.nan),
        lasts_s=lasts_s,
    )


def _ending(course: Course, rows: slice, pattern: _Pattern) -> Breath:
    """The breath that every further one is, or the mean of those that are taken again."""
    number = np.arange(course.starts_s.shape[1])[None, :]
    among = (number >= (pattern.count - pattern.length)[:, None]) & (number < pattern.count[:, None])

    def mean(values: Floats) -> Floats:
        mine = values[rows]
        among_mine = among if mine.ndim == 2 else among[:, :, None]
        total = np.where(among_mine, mine, 0.0).sum(axis=1)
        return np.asarray(total / (pattern.length if mine.ndim == 2 else pattern.length[:, None]))

    volume = mean(course.tidal_volume_ml)
    good = np.array([name == "" for name in course.failed[rows]]) & (pattern.count > 0)
    return Breath(
        tidal_volume_ml=volume,
        plateau_cmh2o=mean(course.plateau_cmh2o),
        total_peep_cmh2o=mean(course.total_peep_cmh2o),
        end_inspiratory_flow_l_per_min=np.full(volume.shape, np.nan),
        peak_pressure_cmh2o=mean(course.peak_cmh2o),
        backflow_ml=mean(course.backflow_ml),
        delivered_ml=mean(course.machine.inspired_ml),
        exhaled_ml=mean(course.machine.exhaled_ml),
        ventilator_peak_cmh2o=mean(course.machine.splitter_peak_cmh2o),
        settled=good,
        breaths=course.breaths[rows],
        steps=course.steps[rows],
        leaked_ml=mean(course.leaked_ml),
        patient_leaked_ml=mean(course.patient_leaked_ml),
        end=course.end[rows],
    )


def _way(course: Course, rows: slice, pattern: _Pattern) -> Way:
    starts = course.starts_s[rows]
    ends = np.full_like(starts, np.nan)
    ends[:, :-1] = starts[:, 1:]
    each, last = np.arange(len(starts)), np.maximum(pattern.count - 1, 0)
    ends[each, last] = pattern.ends_s
    return Way(
        starts + course.inspiratory_time_s[rows], ends, course.tidal_volume_ml[rows], course.plateau_cmh2o[rows],
        course.total_peep_cmh2o[rows],
    )  # fmt: skip
