"""What a machine with real sensors displays, breath by breath, while patients scatter from breath to breath.

Scatter comes from seeded numbers (PCG64) that every fault shares, so that two faults, and two sets of limits, differ by
what they are and not by luck. It is independent from breath to breath and from patient to patient: the sum of several
patients therefore scatters less than any of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.displayed import displayed_volume_ml
from airyoke.breath.settings import Settings
from airyoke.faults.shown import Shown
from airyoke.plan.alarm_system import AlarmCondition, AlarmSystem, Side

Floats = NDArray[np.float64]

WITHIN_95_PCT = 1.96
LEAST_BREATH_ML = 50.0  # less than this is no breath to a machine that waits for one; judgement


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviations from breath to breath.

    patient_volume
        Of each patient's volume where the pressure is set, as a part of it: 0.056 is the largest of four patients in
        two shared pairs (Levin 2020, Anesthesiology, 10.1097/ALN.0000000000003473).
    peak_pressure
        Of the peak, as a part of it: 0.021, the largest of the same patients. Where the volume is set, what each
        patient's scatter does to the pressure of all comes on top.
    machine_volume
        Of the volume that the machine delivers where it is set: 0.022 (Savary 2020, 10.1186/s13613-020-00782-5).
    volume_sensor, peep_cmh2o, rate_per_min, fio2
        What one reading of the sensor adds (volume as a part of it): judgement, no source.
    """

    patient_volume: float = 0.056
    peak_pressure: float = 0.021
    machine_volume: float = 0.022
    volume_sensor: float = 0.01
    peep_cmh2o: float = 0.3
    rate_per_min: float = 1.0
    fio2: float = 0.01


@dataclass(frozen=True, slots=True)
class Drift:
    """How far what is shown may wander in some hours although nothing is wrong; no best limit stands nearer.

    Patients turn, sensors warm up, lungs get a little better: not scatter, and no alarm for it is wanted.
    ``patient_volume`` is that of each patient, as a part of it, and independent of the others', so that the sum drifts
    less. All of it judgement, no source.
    """

    patient_volume: float = 0.10
    pressure_cmh2o: float = 2.0
    peep_cmh2o: float = 1.0
    rate_per_min: float = 2.0
    leak_pct: float = 5.0
    fio2: float = 0.03
    apnoea_s: float = 7.0

    def room(self, name: str, shown: float, patients_ml: Floats) -> float:
        """The nearest that a limit of this alarm may stand to what is ``shown`` of these patients, in its unit."""
        if name in ("exhaled_tidal_volume", "exhaled_minute_volume"):
            return self.patient_volume * shown * float(np.sqrt((patients_ml**2).sum()) / patients_ml.sum())
        return {
            "airway_pressure": self.pressure_cmh2o, "peep": self.peep_cmh2o, "rate": self.rate_per_min,
            "leak": self.leak_pct, "fio2": self.fio2, "apnoea": self.apnoea_s,
        }[name]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Watch:
    """One machine as it watches one group.

    limits_from
        ``measured``: limits stand as far from what this machine shows of this group before the fault as from what is
        predicted (they are set again from the measured baseline); ``predicted``: as printed, whatever it shows.
    paths
        Courses of scatter for each draw of lungs.
    """

    settings: Settings
    circuit_compliance_ml_per_cmh2o: float
    system: AlarmSystem = field(default_factory=AlarmSystem)
    scatter: Scatter = field(default_factory=Scatter)
    drift: Drift = field(default_factory=Drift)
    limits_from: Literal["measured", "predicted"] = "measured"
    paths: int = 4
    seed: int = 0

    def averages(self, condition: AlarmCondition) -> int:
        """Breaths in one value of the condition, at the set rate."""
        return condition.averages(self.settings.period_s)

    def beyond(self, condition: AlarmCondition) -> int:
        """Values in a row beyond the limit, at the set rate."""
        return condition.beyond(self.settings.period_s)

    @property
    def history(self) -> int:
        """Breaths before the fault that some condition still remembers."""
        return max(self.averages(c) + self.beyond(c) for c in self.system.conditions)


@dataclass(frozen=True, slots=True)
class Sensors:
    """Errors of one machine's sensors, one row a machine: gain and offset of each."""

    exhaled: tuple[Floats, Floats]
    inspired: tuple[Floats, Floats]
    pressure: tuple[Floats, Floats]

    @classmethod
    def drawn(cls, watch: Watch, rows: int) -> Sensors:
        """Normal, with 95 % inside the claimed accuracy."""
        random = np.random.Generator(np.random.PCG64([watch.seed, 1]))
        s = watch.system

        def one(fraction: float, offset: float) -> tuple[Floats, Floats]:
            z = random.standard_normal((2, rows)) / WITHIN_95_PCT
            return np.maximum(1.0 + fraction * z[0], 0.0)[:, None], (offset * z[1])[:, None]

        return cls(
            one(s.volume_error_fraction, s.volume_error_ml),
            one(s.volume_error_fraction, s.volume_error_ml),
            one(s.pressure_error_fraction, s.pressure_error_cmh2o),
        )

    @classmethod
    def perfect(cls) -> Sensors:
        """No error: what is predicted."""
        none = (np.ones((1, 1)), np.zeros((1, 1)))
        return cls(none, none, none)


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard normal numbers, (rows, breaths) each; ``patients`` (rows, breaths, patients)."""

    patients: Floats
    machine: Floats
    exhaled: Floats
    inspired: Floats
    peak: Floats
    peep: Floats
    rate: Floats
    fio2: Floats

    @classmethod
    def drawn(cls, watch: Watch, rows: int, breaths: int, patients: int) -> Noise:
        """Seeded: the same for every fault of the same number of rows; a longer course only goes on."""
        z = _standard_normal(watch.seed, rows, breaths, patients + 7)
        return cls(z[:, :, 7:], *(z[:, :, i] for i in range(7)))

    @classmethod
    def none(cls, rows: int, breaths: int, patients: int) -> Noise:
        """No scatter."""
        zero = np.zeros((rows, breaths))
        return cls(np.zeros((rows, breaths, patients)), *(zero for _ in range(7)))


@lru_cache(maxsize=8)
def _standard_normal(seed: int, rows: int, breaths: int, columns: int) -> Floats:
    z = np.empty((rows, breaths, columns))
    for breath in range(breaths):
        random = np.random.Generator(np.random.PCG64([seed, 2, breath]))
        z[:, breath] = random.standard_normal((rows, columns))
    z.setflags(write=False)
    return z


@dataclass(frozen=True, slots=True)
class Displayed:
    """What the machine's own display gives for each breath, (rows, breaths); not yet averaged."""

    starts_s: Floats
    periods_s: Floats
    exhaled_ml: Floats  # as displayed
    passed_out_ml: Floats  # with the gas that circuit compensation takes off the display
    passed_in_ml: Floats
    peak_cmh2o: Floats
    peep_cmh2o: Floats
    scatter_per_min: Floats
    fio2: Floats
    lasts_s: float


def displayed(shown: Shown, watch: Watch, rows: NDArray[np.int64], noise: Noise, sensors: Sensors) -> Displayed:
    """What machines with these sensors display of the draws ``rows`` under this scatter.

    Raises ``ValueError`` where the noise is of another shape.
    """
    settings, s = watch.settings, watch.scatter
    exhaled, inspired = shown.exhaled_ml[rows], shown.inspired_ml[rows]
    if noise.peak.shape != exhaled.shape:
        raise ValueError(f"noise of {noise.peak.shape} for breaths of {exhaled.shape}")
    patients = np.nan_to_num(shown.patients_ml[rows])
    total = np.maximum(patients.sum(axis=2), 1e-9)
    wobble = (patients * noise.patients).sum(axis=2)
    if settings.mode == "pc":
        moved = s.patient_volume * wobble * np.minimum(exhaled / total, 1.0)
        stiffer: Floats | float = 0.0
    else:
        moved = s.machine_volume * exhaled * noise.machine
        # Volume is given: where a lung takes more at the same pressure, the pressure of all is lower by its share.
        stiffer = -s.patient_volume * wobble / total
    gain, offset = sensors.exhaled
    out = np.maximum(gain * (exhaled + moved) * (1.0 + s.volume_sensor * noise.exhaled) + offset, 0.0)
    gain, offset = sensors.inspired
    into = np.maximum(gain * (inspired + moved) * (1.0 + s.volume_sensor * noise.inspired) + offset, 0.0)
    peak = shown.peak_cmh2o[rows]
    swing = np.maximum(peak - settings.peep_cmh2o, 0.0)
    gain, offset = sensors.pressure
    starts = shown.starts_s[rows]
    return Displayed(
        starts_s=starts,
        periods_s=_periods(starts, shown.lasts_s, settings.period_s),
        exhaled_ml=displayed_volume_ml(out, peak, settings, watch.circuit_compliance_ml_per_cmh2o),
        passed_out_ml=out,
        passed_in_ml=into,
        peak_cmh2o=gain * (peak * (1.0 + s.peak_pressure * noise.peak) + swing * stiffer) + offset,
        peep_cmh2o=gain * (shown.peep_cmh2o[rows] + s.peep_cmh2o * noise.peep) + offset,
        scatter_per_min=s.rate_per_min * noise.rate,
        fio2=shown.fio2[rows] + s.fio2 * noise.fio2,
        lasts_s=shown.lasts_s,
    )


def _periods(starts: Floats, lasts_s: float, period_s: float) -> Floats:
    """From one start to the next; the last breath takes a set period, or what is left where it is cut off."""
    periods = np.empty_like(starts)
    periods[:, :-1] = np.diff(starts, axis=1)
    periods[:, -1] = period_s
    last = np.isfinite(starts) & ~np.isfinite(periods)
    return np.where(last, period_s, periods)


def watched(shown: Displayed, condition: AlarmCondition, watch: Watch) -> Floats:
    """The values that a condition compares with its limit, (rows, breaths), averaged as it averages.

    The first ``averages - 1`` of a row are NaN: there is no full window yet. Apnoea is not a value of a breath: see
    :func:`longest_gaps_s`.
    """
    n = watch.averages(condition)
    name = condition.name
    if name == "exhaled_tidal_volume":
        return mean_of(shown.exhaled_ml, n)
    if name == "exhaled_minute_volume":
        return mean_of(shown.exhaled_ml, n) * 0.06 / mean_of(shown.periods_s, n)
    if name == "airway_pressure":
        return mean_of(shown.peak_cmh2o, n)
    if name == "peep":
        return mean_of(shown.peep_cmh2o, n)
    if name in ("obstruction", "sustained_pressure"):
        return mean_of(shown.peep_cmh2o - watch.settings.peep_cmh2o, n)
    if name == "rate":
        return 60.0 / mean_of(shown.periods_s, n) + mean_of(shown.scatter_per_min, n)
    if name in ("leak", "disconnection"):
        went_in, came_out = mean_of(shown.passed_in_ml, n), mean_of(shown.passed_out_ml, n)
        # Where next to nothing goes in nothing can leak.
        return 100.0 * (went_in - came_out) / np.maximum(went_in, LEAST_BREATH_ML)
    if name == "fio2":
        return mean_of(shown.fio2, n)
    raise ValueError(f"nothing that is displayed is watched by {name}")


def mean_of(values: Floats, n: int) -> Floats:
    """Running mean over the last ``n`` breaths; NaN before the first full window."""
    if n == 1:
        return values
    out = np.full_like(values, np.nan)
    if values.shape[1] >= n:
        total = np.cumsum(values, axis=1)
        out[:, n - 1] = total[:, n - 1]
        out[:, n:] = total[:, n:] - total[:, :-n]
        out /= n
    return out


def nearest_inside(values: Floats, n: int, side: Side) -> Floats:
    """Of the last ``n`` values the one that is nearest to being inside a limit on that side; NaN before that many."""
    nearest = np.minimum if side == "high" else np.maximum
    out = values.copy()
    for back in range(1, n):
        out[:, back:] = nearest(out[:, back:], values[:, :-back])
    out[:, : n - 1] = np.nan
    return out


def gaps_s(shown: Displayed) -> tuple[Floats, Floats]:
    """Gaps without a breath: when each began, and how long it was, (rows, breaths + 1), s.

    A gap runs from the start of one breath that brings back at least ``LEAST_BREATH_ML`` to the start of the next, or
    to the end of the course. What is no breath begins no gap (length 0).
    """
    good = shown.exhaled_ml >= LEAST_BREATH_ML
    rows, breaths = good.shape
    following = np.full((rows, breaths + 1), shown.lasts_s)
    began = np.zeros((rows, breaths + 1))
    for b in range(breaths - 1, -1, -1):
        following[:, b] = np.where(good[:, b], shown.starts_s[:, b], following[:, b + 1])
    lengths = np.zeros((rows, breaths + 1))
    began[:, 1:] = np.where(good, shown.starts_s, 0.0)
    lengths[:, 1:] = np.where(good, following[:, 1:] - shown.starts_s, 0.0)
    return began, lengths
