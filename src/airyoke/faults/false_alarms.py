"""How often alarms sound although nothing is wrong: from scatter alone, in closed form.

Values that scatter independently and normally with standard deviation 1 pass a limit at distance z

- ``k`` in a row for the first time (1 - p) p^k times a breath, p = Phi(-z);
- as the running mean of ``m`` breaths, whose neighbours are correlated by (m - 1)/m, 2 T(z sqrt(m), 1/sqrt(2m - 1))
  times a breath, T Owen's function (Owen 1956, Ann Math Stat 27:1075): the mean is inside and then outside.

Each passing is one false alarm. Of several alarms that sound at once each counts.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from airyoke.faults.alarms import Before
from airyoke.plan.alarm_system import AlarmCondition, Key, Limits

Floats = NDArray[np.float64]

HOURS = 12.0


def episodes_per_breath(distance: Floats, averages: int, beyond: int) -> Floats:
    """Expected false alarms a breath at a limit ``distance`` standard deviations of one breath from the mean.

    Raises ``ValueError`` for a condition that both averages and waits: that has no closed form.
    """
    from scipy.special import ndtr, owens_t  # takes a while to import

    z = np.asarray(distance, dtype=np.float64)
    if averages == 1:
        p = ndtr(-z)
        return np.asarray((1.0 - p) * p**beyond)
    if beyond > 1:
        raise ValueError("no closed form for a condition that averages and then waits for several values")
    return np.asarray(2.0 * owens_t(z * np.sqrt(averages), 1.0 / np.sqrt(2.0 * averages - 1.0)))


def scatter_of(before: Before, condition: AlarmCondition) -> Floats:
    """Standard deviation of one breath's value of the condition while nothing is wrong, (rows,)."""
    s, rows, shown, settings = before.watch.scatter, before.rows, before.shown, before.watch.settings
    patients = shown.patients_ml[rows, 0]
    exhaled = shown.exhaled_ml[rows, 0]
    spread = np.sqrt((patients**2).sum(axis=1))
    name = condition.name
    if name in ("exhaled_tidal_volume", "exhaled_minute_volume"):
        moved = s.patient_volume * spread if settings.mode == "pc" else s.machine_volume * exhaled
        volume = before.sensors.exhaled[0][:, 0] * np.hypot(moved, s.volume_sensor * exhaled)
        return np.asarray(volume if name == "exhaled_tidal_volume" else volume * 0.06 / settings.period_s)
    if name == "airway_pressure":
        peak = shown.peak_cmh2o[rows, 0]
        stiffer = 0.0 if settings.mode == "pc" else s.patient_volume * spread / patients.sum(axis=1)
        own = np.hypot(s.peak_pressure * peak, stiffer * np.maximum(peak - settings.peep_cmh2o, 0.0))
        return np.asarray(before.sensors.pressure[0][:, 0] * own)
    if name in ("peep", "obstruction", "sustained_pressure"):
        return np.asarray(before.sensors.pressure[0][:, 0] * s.peep_cmh2o)
    if name == "rate":
        return np.full(len(rows), s.rate_per_min)
    if name in ("leak", "disconnection"):
        ratio = 1.0 - before.reference[condition.key][:, 0] / 100.0
        return np.asarray(100.0 * ratio * s.volume_sensor * np.sqrt(2.0))
    if name == "fio2":
        return np.full(len(rows), s.fio2)
    return np.zeros(len(rows))


def false_alarms(before: Before, condition: AlarmCondition, limits: Floats) -> Floats:
    """Expected false alarms of one condition in 12 h at each of the limits, the mean over the rows.

    Apnoea has none: a passive patient's machine does not miss a breath.
    """
    watch = before.watch
    limits = np.asarray(limits, dtype=np.float64)
    if condition.name == "apnoea":
        return np.where(limits > watch.settings.period_s, 0.0, HOURS * 3600.0 / watch.settings.period_s)
    scatter = scatter_of(before, condition)[:, None]
    centre = before.reference[condition.key] + before.stands_off(condition)
    away = limits[None, :] - centre if condition.side == "high" else centre - limits[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(scatter > 0.0, away / scatter, np.where(away >= 0.0, np.inf, -np.inf))
    # On the wrong side of the mean it sounds nearly all the time, with few passings: counted once a breath.
    each = np.where(z > 0.0, episodes_per_breath(z, watch.averages(condition), watch.beyond(condition)), 1.0)
    return np.asarray(each.mean(axis=0) * HOURS * 3600.0 / watch.settings.period_s)


def false_alarms_of(before: Before, limits: Limits) -> dict[Key, float]:
    """Expected false alarms in 12 h of each condition at these limits."""
    return {
        key: float(false_alarms(before, before.watch.system.condition(*key), np.array([value]))[0])
        for key, value in limits.items()
    }
