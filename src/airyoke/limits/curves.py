"""One settled breath of a group as curves: each patient at best estimate with the range of the draws, and the sum.

Volumes are counted from the end of expiration, so that the tidal volume is the height at the end of inspiration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.course import Course, run_course
from airyoke.breath.settings import Settings
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup

Floats = NDArray[np.float64]
RANGE_PCT = (5.0, 95.0)


@dataclass(frozen=True, slots=True)
class Curve:
    """One quantity at every time: at best estimate, and 5-95 % of the draws at each moment."""

    best: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class PatientCurves:
    """The breath of one patient; the three numbers are those of an answer, at best estimate.

    ``volume_bounds_ml`` are the targets for volume per kg at this patient's predicted body weight; ``None`` where that
    weight is not known, or no limit is set.
    """

    label: str
    volume_ml: Curve
    wye_cmh2o: Curve
    lungs_cmh2o: Curve
    flow_l_per_min: Curve
    tidal_volume_ml: float
    plateau_cmh2o: float
    total_peep_cmh2o: float
    volume_bounds_ml: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class GroupCurves:
    """Everybody's breath and the sum that the ventilator sees, all on ``times_s`` from 0 to the end of expiration.

    ``ventilator_volume_ml`` is what has gone in less what has come back: the patients and what the circuit holds.
    """

    times_s: Floats
    inspiratory_time_s: float
    patients: tuple[PatientCurves, ...]
    ventilator_volume_ml: Curve
    ventilator_cmh2o: Curve
    ventilator_flow_l_per_min: Curve
    inspired_ml: float
    plateau_bound_cmh2o: float | None
    draws: int

    @property
    def end_of_inspiration(self) -> int:
        """The index of the last time of inspiration."""
        return int(np.searchsorted(self.times_s, self.inspiratory_time_s + 1e-9, "right")) - 1


def group_curves(group: SampledGroup, settings: Settings, policy: Policy) -> GroupCurves:
    """The settled breath of every draw of the group. Raises ``ValueError`` where the best estimate does not settle."""
    course = run_course(
        group.networks, settings, group.lungs, settings.period_s + 1e-6, network_of=group.network_of, curves=True
    )  # fmt: skip
    if course.failed[0] or course.curves is None:
        raise ValueError(course.failed[0] or "the breath is too short to be drawn")
    kept = np.array([not words for words in course.failed])
    curves = course.curves
    times_s = np.concatenate([[0.0], curves.times_s])
    net = curves.inspiratory_flow_l_per_min - curves.expiratory_flow_l_per_min
    patients = tuple(_patient(group, course, kept, i, policy) for i in range(len(group.patients)))
    plateau = [one.target for one in policy.limits if one.name == "plateau_cmh2o" and one.side == "high"]
    moved_ml = _moved_ml(net, curves.times_s, settings.inspiratory_time_s)
    return GroupCurves(
        times_s, settings.inspiratory_time_s, patients, _curve(moved_ml, kept),
        _curve(curves.port_cmh2o, kept), _curve(net, kept), float(course.machine.inspired_ml[0, 0]),
        plateau[0] if plateau else None, group.draws,
    )  # fmt: skip


def _patient(group: SampledGroup, course: Course, kept: NDArray[np.bool_], i: int, policy: Policy) -> PatientCurves:
    curves = course.curves
    assert curves is not None, "they were asked for"
    volume_ml = curves.volume_ml[:, :, i]
    weight_kg = float(group.body_weight_kg[i])
    bounds: dict[str, float | None] = {"low": None, "high": None}
    if not np.isnan(weight_kg):
        for one in policy.limits:
            if one.name == "tidal_volume_ml_per_kg":
                bounds[one.side] = one.target * weight_kg
    return PatientCurves(
        group.patients[i].label, _curve(volume_ml - volume_ml[:, -1:], kept), _curve(curves.wye_cmh2o[:, :, i], kept),
        _curve(curves.alveolar_cmh2o[:, :, i], kept), _curve(curves.flow_l_per_min[:, :, i], kept),
        float(course.tidal_volume_ml[0, 0, i]), float(course.plateau_cmh2o[0, 0, i]),
        float(course.total_peep_cmh2o[0, 0, i]), (bounds["low"], bounds["high"]),
    )  # fmt: skip


def _moved_ml(flow_l_per_min: Floats, times_s: Floats, inspiratory_time_s: float) -> Floats:
    """What a flow has moved since the breath began, by the trapezium rule; it jumps where expiration begins.

    A settled breath gives back what it took: that closes it, and tells what went before the first sample.
    """
    steps_s = np.diff(times_s, prepend=0.0)
    before = np.concatenate([flow_l_per_min[:, :1], flow_l_per_min[:, :-1]], axis=1)
    jump = int(np.searchsorted(times_s, inspiratory_time_s + 1e-9, "right"))
    before[:, jump] = flow_l_per_min[:, jump]
    moved = np.cumsum((flow_l_per_min + before) / 2.0 * steps_s * (1000.0 / 60.0), axis=1)
    return np.asarray(moved - moved[:, -1:])


def _curve(values: Floats, kept: NDArray[np.bool_]) -> Curve:
    """A settled breath begins where it ends."""
    whole = np.concatenate([values[:, -1:], values], axis=1)
    low, high = np.percentile(whole[kept], RANGE_PCT, axis=0)
    return Curve(whole[0], low, high)
