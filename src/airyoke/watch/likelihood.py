"""How well each hypothesis explains the readings: probability of what was read, given what it makes the readings show.

One reading is what the hypothesis predicts, plus an error of its sensor that stays (calibration, the step from arterial
to end-tidal CO2), plus what differs from reading to reading (scatter over the breaths read, small wandering, rounding).
The lasting error is shared by all readings of one sensor, the baseline's among them: it is normal, and is integrated
out in closed form, so that it cancels against the baseline as far as the baseline tells it, and no further.

For one sensor with readings y, predictions p, loadings l (standard deviation of the lasting error, as it acts on each)
and scatter s: ln N(y; p, s² + l lᵀ) by the matrix determinant and inverse lemmas for rank one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.faults.watching import WITHIN_95_PCT, Scatter
from airyoke.plan.alarm_system import AlarmSystem
from airyoke.watch.expected import Expected, WatchedGroup
from airyoke.watch.gas_after import at_minutes
from airyoke.watch.hypotheses import Hypothesis
from airyoke.watch.watch_readings import BY_KEY, WatchReading

Floats = NDArray[np.float64]
Channel = tuple[str, int | None]

IN_TIME: Final = ("etco2_mmhg", "spo2_pct")
"""Readings that go on moving after the change; the others follow it within breaths."""
_MONITORED: Final = (*IN_TIME, "inspired_co2_mmhg", "co2_curve")
_SENSOR: Final = {
    "displayed_tidal_volume_ml": "volume", "minute_volume_l_per_min": "volume",
    "peak_pressure_cmh2o": "pressure", "peep_cmh2o": "pressure", "plateau_cmh2o": "pressure",
    "total_peep_cmh2o": "pressure",
}  # fmt: skip
_ANSWERS: Final = frozenset(key for key, one in BY_KEY.items() if one.kind == "yes or no")


@dataclass(frozen=True, slots=True)
class ReadingErrors:
    """What keeps a reading from what it should be. Relative ones are parts of the value; standard deviations.

    breaths
        Breaths averaged in one reading of what scatters from breath to breath (policy ``watch_breaths_read``).
    scatter, machine
        From breath to breath, and the claimed accuracies of the machine's sensors: those of the alarms.
    volume_wander
        How far a patient's volume wanders between rounds although nothing is wrong. Judgement, no source.
    clamped_apart
        How far a volume or pressure with all others clamped may lie from that while all share. Judgement, no source.
    etco2_ratio, etco2_mmhg, etco2_wander
        Lasting difference of end-tidal from arterial CO2, scatter of one reading, wandering with CO2 output. From
        memory, low confidence.
    paco2_known, paco2_unknown
        How far the arterial CO2 that is predicted may be off where it was measured before, and where not. Judgement.
    spo2_offset_pct, spo2_pct
        Lasting difference of an oximeter from what is predicted, and scatter of one reading (ISO 80601-2-61 allows 4
        points root mean square; from memory).
    change_volume, change_pressure, change_gas
        How far a predicted change may be off, as a part of it: bench volumes of shared circuits are predicted to 4 %
        on average, 9 % at worst (Plummer 2020, PLoS One 15:e0242123); the others are judgement, no source.
    wrong_answer
        How often a yes or no is wrong. Judgement, no source.
    """

    breaths: float = 6.0
    scatter: Scatter = field(default_factory=Scatter)
    machine: AlarmSystem = field(default_factory=AlarmSystem)
    volume_wander: float = 0.03
    volume_rounding_ml: float = 3.0
    pressure_rounding_cmh2o: float = 0.4
    hold_cmh2o: float = 0.5
    clamped_apart: float = 0.02
    leak_pct: float = 0.7
    etco2_ratio: float = 0.15
    paco2_known: float = 0.10
    paco2_unknown: float = 0.40
    etco2_mmhg: float = 1.5
    etco2_wander: float = 0.04
    inspired_co2_mmhg: float = 0.7
    spo2_offset_pct: float = 4.0
    spo2_pct: float = 1.4
    change_volume: float = 0.06
    change_pressure: float = 0.08
    change_gas: float = 0.15
    change_spo2: float = 0.6
    wrong_answer: float = 0.02
    # The share of its dead space that a breath must reach for a CO2 curve, and the one at which the curve is full.
    curve_from: float = 0.7
    curve_full: float = 1.2


@dataclass(frozen=True, slots=True)
class Shows:
    """What hypotheses make one reading show: arrays that broadcast to (hypotheses, draws).

    ``loading`` is the standard deviation of the sensor's lasting error as it acts here, ``scatter`` the rest. For yes
    or no ``value`` is the probability of yes, and the other two are 0.
    """

    channel: Channel
    value: Floats
    loading: Floats
    scatter: Floats


def channel_of(key: str, lane: int | None) -> Channel:
    """Which lasting error a reading shares: that of the machine's volumes, of its pressures, else the patient's own.

    A volume with all others clamped has one of its own although the sensor is the machine's: whether the gas that the
    circuit takes up was taken off it differs from bed to bed, and stays as it is there.
    """
    sensor = _SENSOR.get(key)
    return (key, lane) if sensor is None else (sensor, None)


def shown_by(
    watched: WatchedGroup, errors: ReadingErrors, key: str, lane: int | None, minutes: Floats | float, some: slice
) -> Shows:
    """What the hypotheses ``some`` make the reading ``key`` of ``lane`` show, so many minutes after the change."""
    e = watched.expected
    first = watched.hypotheses[some.start]
    if first.cause == "monitors-crossed" and lane in first.lanes and key in _MONITORED:
        # A crossed monitor shows the other patient, through the other's sensors.
        lane = first.lanes[0] if lane == first.lanes[1] else first.lanes[1]
    value, loading, scatter = _Showing(watched, e, errors, some).of(key, lane, minutes)
    return Shows(channel_of(key, lane), value, loading, scatter)


@dataclass(frozen=True, slots=True)
class _Showing:
    """One reading under some hypotheses, quantity by quantity."""

    watched: WatchedGroup
    e: Expected
    errors: ReadingErrors
    some: slice

    def of(self, key: str, lane: int | None, minutes: Floats | float) -> tuple[Floats, Floats, Floats]:
        """Value, loading, scatter."""
        if BY_KEY[key].kind == "yes or no":
            yes = self._yes(key, 0 if lane is None else lane)
            return yes, np.zeros_like(yes), np.zeros_like(yes)
        if lane is None:
            return self._of_group(key)
        if key in ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o"):
            return self._clamped(key, lane)
        return self._of_monitor(key, lane, minutes)

    def _of_group(self, key: str) -> tuple[Floats, Floats, Floats]:
        e, r, some = self.e, self.errors, self.some
        settings, each = self.watched.settings, e.shared_volume_ml
        rate = e.rate_per_min[some]
        match key:
            case "displayed_tidal_volume_ml" | "minute_volume_l_per_min":
                value, before = e.displayed_ml[some], e.displayed_ml[:1]
                wobble = np.sqrt((each[some] ** 2).sum(axis=2))
                if settings.mode == "pc":
                    scatter = wobble * np.hypot(r.scatter.patient_volume / np.sqrt(r.breaths), r.volume_wander)
                else:
                    scatter = r.scatter.machine_volume * value / np.sqrt(r.breaths)
                own = r.scatter.volume_sensor * value / np.sqrt(r.breaths)
                scatter = _together(scatter, own, r.volume_rounding_ml, r.change_volume * (value - before))
                loading = value * r.machine.volume_error_fraction / WITHIN_95_PCT
                if key == "minute_volume_l_per_min":
                    per_ml = rate / 1000.0
                    return value * per_ml, loading * per_ml, scatter * per_ml
                return value, loading, scatter
            case "peak_pressure_cmh2o":
                value, before = e.peak_cmh2o[some], e.peak_cmh2o[:1]
                swing = np.maximum(value - settings.peep_cmh2o, 0.0)
                stiffer = 0.0 if settings.mode == "pc" else swing * r.volume_wander
                own = r.scatter.peak_pressure * value / np.sqrt(r.breaths)
                return self._pressure(value, before, _together(own, stiffer))
            case "peep_cmh2o":
                return self._pressure(e.peep_cmh2o[some], e.peep_cmh2o[:1], np.array(r.scatter.peep_cmh2o))
            case "rate_per_min":
                own = r.scatter.rate_per_min / np.sqrt(r.breaths)
                return rate, np.zeros_like(rate), np.full_like(rate, np.hypot(own, 0.3))
            case "leak_pct":
                value, before = e.leak_pct[some], e.leak_pct[:1]
                sensors = 100.0 * np.sqrt(2.0) / WITHIN_95_PCT * r.machine.volume_error_fraction
                own = 100.0 * np.sqrt(2.0 / r.breaths) * r.scatter.volume_sensor
                # What the machine makes of its two sensors is cut off at 0: below that nothing is told.
                loading = np.full_like(value, min(sensors, 3.0))
                return value, loading, _together(own, r.leak_pct, 0.15 * (value - before))
            case _:
                value = e.fio2[some]
                return value, np.full_like(value, 0.02), np.full_like(value, r.scatter.fio2)

    def _pressure(self, value: Floats, before: Floats, own: Floats) -> tuple[Floats, Floats, Floats]:
        r, m = self.errors, self.errors.machine
        lasting = np.hypot(m.pressure_error_cmh2o, m.pressure_error_fraction * before.mean()) / WITHIN_95_PCT
        scatter = _together(own, r.pressure_rounding_cmh2o, r.change_pressure * (value - before))
        return value, np.full_like(value, lasting), np.broadcast_to(scatter, value.shape)

    def _clamped(self, key: str, lane: int) -> tuple[Floats, Floats, Floats]:
        e, r, some = self.e, self.errors, self.some
        if key == "tidal_volume_ml":
            value, before = e.tidal_volume_ml[some, :, lane], e.tidal_volume_ml[:1, :, lane]
            wobble = value * np.hypot(r.scatter.patient_volume / np.sqrt(r.breaths), r.volume_wander)
            scatter = _together(
                wobble, r.clamped_apart * value, r.volume_rounding_ml, r.change_volume * (value - before)
            )
            return value, value * r.machine.volume_error_fraction / WITHIN_95_PCT, scatter
        values = e.plateau_cmh2o if key == "plateau_cmh2o" else e.total_peep_cmh2o
        value, before = values[some, :, lane], values[:1, :, lane]
        apart = r.clamped_apart * (value - self.watched.settings.peep_cmh2o)
        return self._pressure(value, before, _together(r.hold_cmh2o, apart))

    def _of_monitor(self, key: str, lane: int, minutes: Floats | float) -> tuple[Floats, Floats, Floats]:
        e, r, gas, some = self.e, self.errors, self.watched.gas, self.some
        if key == "spo2_pct":
            moved = at_minutes(e.spo2_moved[some, :, lane], minutes) + e.spo2_shift_pct[some, :, lane]
            value = np.clip(gas.spo2_pct[lane] + moved, 0.0, 100.0)
            scatter = _together(r.spo2_pct, r.change_spo2 * moved)
            return value, np.full_like(value, r.spo2_offset_pct), scatter
        ratio = at_minutes(e.paco2_ratio[some, :, lane], minutes)
        full = self._curve(lane)
        alveolar = gas.paco2_mmhg[lane] * _ENDTIDAL * ratio
        if key == "inspired_co2_mmhg":
            value = alveolar * e.rebreathed_share[some, :, lane]
            return value, np.zeros_like(value), _together(r.inspired_co2_mmhg, 0.5 * value)
        value = alveolar * full
        off = r.change_gas * gas.paco2_mmhg[lane] * _ENDTIDAL * (ratio - 1.0) * full
        # Half a curve shows anything between nothing and the alveolar value.
        uneven = alveolar * np.minimum(full, 1.0 - full) * 0.6
        present = self.watched.group.patients[lane].present
        known = present is not None and present.paco2_mmhg is not None
        lasting = np.hypot(r.etco2_ratio, r.paco2_known if known else r.paco2_unknown)
        return value, lasting * value, _together(r.etco2_mmhg, r.etco2_wander * value, off, uneven)

    def _curve(self, lane: int) -> Floats:
        """How much of a CO2 curve comes past the dead space, 0 to 1; before anything changed it is there in full."""
        past, r = self.e.flow_past_dead_space[self.some, :, lane], self.errors
        past = past * np.maximum(r.curve_full / self.e.flow_past_dead_space[:1, :, lane], 1.0)
        return np.asarray(np.clip((past - r.curve_from) / (r.curve_full - r.curve_from), 0.0, 1.0))

    def _yes(self, key: str, lane: int) -> Floats:
        e, some, wrong = self.e, self.some, self.errors.wrong_answer
        shape = e.displayed_ml[some].shape
        every = self.watched.hypotheses[some]
        if key == "co2_curve":
            yes = self._curve(lane)
        elif key == "chest_rises":
            volume, before = e.shared_volume_ml[some, :, lane], e.shared_volume_ml[:1, :, lane]
            # Eyes tell none from some, and hardly a half from the whole. Judgement, no source.
            yes = np.clip((volume / np.maximum(before, 1.0) - 0.15) / 0.35, 0.0, 1.0)
        elif key == "effort_seen":
            yes = np.broadcast_to(_where(every, lambda one: one.cause == "effort" and lane in one.lanes, 0.8), shape)
        elif key == "joints_tight":
            off = _where(every, lambda one: one.cause == "tube-off" and lane in one.lanes, 0.97)
            # A leak at the cuff is heard in one of two. Judgement, no source.
            hiss = _where(every, lambda one: one.cause == "leak" and lane in one.lanes, 0.5)
            yes = np.broadcast_to(1.0 - off - hiss, shape)
        elif key == "dials_as_planned":
            # One dial in ten that stands wrong is overlooked. Judgement, no source.
            yes = np.broadcast_to(1.0 - _where(every, lambda one: one.cause == "settings", 0.9), shape)
        else:
            crossed = _where(every, lambda one: one.cause == "monitors-crossed" and lane in one.lanes, 1.0)
            yes = np.broadcast_to(1.0 - crossed, shape)
        return np.asarray(wrong + (1.0 - 2.0 * wrong) * yes)


_ENDTIDAL: Final = 0.85  # end-tidal over arterial CO2 before anything is read; from memory, low confidence


def _where(every: tuple[Hypothesis, ...], rule: Callable[[Hypothesis], bool], value: float) -> Floats:
    return np.array([value if rule(one) else 0.0 for one in every])[:, None]


def _together(*scatters: Floats | float) -> Floats:
    """Standard deviation of a sum of independent parts."""
    total: Floats | float = 0.0
    for one in scatters:
        total = total + np.square(one)
    return np.asarray(np.sqrt(total))


class Evidence:
    """Readings summed up, sensor by sensor, for (hypotheses, draws): what the closed form needs and no more."""

    __slots__ = ("answers", "sums")

    def __init__(self) -> None:
        self.sums: dict[Channel, Floats] = {}  # (4, hypotheses, draws): r²/s², r l/s², l²/s², ln s
        self.answers: Floats | float = 0.0

    def add(self, shows: Shows, value: float) -> None:
        """One more reading."""
        if shows.channel[0] in _ANSWERS:
            self.answers = self.answers + np.log(shows.value if value else 1.0 - shows.value)
            return
        weight = 1.0 / np.square(shows.scatter)
        residual = value - shows.value
        terms = np.stack(
            np.broadcast_arrays(
                residual * residual * weight, residual * shows.loading * weight,
                shows.loading * shows.loading * weight, np.log(shows.scatter),
            )
        )  # fmt: skip
        before = self.sums.get(shows.channel)
        self.sums[shows.channel] = terms if before is None else before + terms

    def joined(self, other: Evidence) -> Evidence:
        """Both together."""
        both = Evidence()
        both.answers = self.answers + other.answers
        both.sums = dict(self.sums)
        for channel, sums in other.sums.items():
            both.sums[channel] = both.sums[channel] + sums if channel in both.sums else sums
        return both

    def log_likelihood(self) -> Floats:
        """ln of the probability density of all readings, up to a constant that every hypothesis shares."""
        total: Floats | float = self.answers
        for rr, rl, ll, ln_s in self.sums.values():
            total = total - 0.5 * (rr - rl * rl / (1.0 + ll)) - ln_s - 0.5 * np.log1p(ll)
        return np.asarray(total)

    def lasting_error(self, channel: Channel) -> tuple[Floats | float, Floats | float]:
        """Mean and variance of a sensor's lasting error, in its own standard deviations, after these readings."""
        sums = self.sums.get(channel)
        if sums is None:
            return 0.0, 1.0
        return sums[1] / (1.0 + sums[2]), 1.0 / (1.0 + sums[2])


def counted(readings: tuple[WatchReading, ...]) -> tuple[WatchReading, ...]:
    """The readings that count. A minute volume beside the displayed volume says the same again with the same scatter:
    it is left out; so is an end-tidal value of a monitor that shows no curve."""
    keys = {(one.key, one.lane) for one in readings}
    flat = {one.lane for one in readings if one.key == "co2_curve" and one.value == 0.0}
    return tuple(
        one
        for one in readings
        if not (one.key == "minute_volume_l_per_min" and ("displayed_tidal_volume_ml", None) in keys)
        and not (one.key in ("etco2_mmhg", "inspired_co2_mmhg") and one.lane in flat)
    )
