"""When somebody at the bed acts: bounds around what was predicted, and around what was measured at the start.

Every share and distance here is a judgement that a site may change; the bounds on pressures are those of the limits.
"""

from __future__ import annotations

from dataclasses import dataclass

from airyoke.limits.table import LIMITS
from airyoke.watch.sources import JUDGEMENT


def _target(name: str) -> float:
    return next(limit.target for limit in LIMITS if limit.name == name)


@dataclass(frozen=True, slots=True)
class ActRules:
    """The numbers behind the thresholds. Pressures default to the targets of the limits; a site gives its own.

    ``volume_share`` of the predicted tidal volume either side; ``etco2_mmhg`` either side of the value when the group
    was coupled; ``plateau_ask_cmh2o`` below the plateau limit somebody is asked.
    """

    volume_share: float = 0.15
    etco2_mmhg: float = 8.0
    driving_pressure_cmh2o: float = _target("driving_pressure_cmh2o")
    plateau_cmh2o: float = _target("plateau_cmh2o")
    plateau_ask_cmh2o: float = 2.0
    trapped_peep_cmh2o: float = _target("trapped_peep_cmh2o")
    spo2_pct: float = _target("spo2_pct")


@dataclass(frozen=True, slots=True)
class Threshold:
    """One quantity of one patient. Act below ``low`` or above ``high``; ask somebody above ``ask``.

    ``change`` instead: act when it has moved that far, up or down, from what it was when the group was coupled.
    """

    quantity: str
    unit: str
    low: float | None = None
    high: float | None = None
    ask: float | None = None
    change: float | None = None
    source: str = JUDGEMENT


def volume_band_ml(volume_ml: float, rules: ActRules) -> tuple[float, float]:
    """The exhaled volumes between which nobody needs to act."""
    return volume_ml * (1.0 - rules.volume_share), volume_ml * (1.0 + rules.volume_share)


def act_thresholds(
    *, tidal_volume_ml: float, peep_cmh2o: float, rate_per_min: float, rules: ActRules
) -> tuple[Threshold, ...]:
    """When to act for one patient of a group.

    ``tidal_volume_ml`` as predicted, ``peep_cmh2o`` as set for this patient (in-line valve included), ``rate_per_min``
    as set.
    """
    low, high = volume_band_ml(tidal_volume_ml, rules)
    return (
        Threshold("tidal_volume_ml", "mL", low, high),
        Threshold("plateau_cmh2o", "cmH2O", high=rules.plateau_cmh2o,
                  ask=rules.plateau_cmh2o - rules.plateau_ask_cmh2o),
        Threshold("driving_pressure_cmh2o", "cmH2O", high=rules.driving_pressure_cmh2o),
        Threshold("total_peep_cmh2o", "cmH2O", high=peep_cmh2o + rules.trapped_peep_cmh2o),
        Threshold("spo2_pct", "%", low=rules.spo2_pct),
        Threshold("etco2_mmhg", "mmHg", change=rules.etco2_mmhg),
        Threshold("inspired_co2_mmhg", "mmHg", high=0.0),
        Threshold("rate_per_min", "/min", high=rate_per_min),
    )  # fmt: skip
