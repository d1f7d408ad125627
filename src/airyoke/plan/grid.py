"""The settings that one ventilator allows and the site's policy lets the search use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy

Floats = NDArray[np.float64]

LOWEST_DRIVE_CMH2O = 5.0
HIGHEST_DRIVE_CMH2O = 25.0
HIGHEST_PEEP_CMH2O = 24.0


@dataclass(frozen=True, slots=True)
class SettingsGrid:
    """Every combination of rate and inspiratory time (``cells``), pressure above PEEP and PEEP on a ventilator.

    ``rates`` and ``inspiratory_times`` are (cells,); ``drives`` and ``peeps`` are the steps of their dials.
    """

    rates: Floats
    inspiratory_times: Floats
    drives: Floats
    peeps: Floats
    highest_pressure: float

    @property
    def cells(self) -> int:
        """How many combinations of rate and inspiratory time."""
        return len(self.rates)


def steps(low: float, high: float, step: float) -> Floats:
    """Multiples of ``step`` from ``low`` to ``high``, both included where they are multiples."""
    first = np.ceil(low / step - 1e-9)
    last = np.floor(high / step + 1e-9)
    return np.round(np.arange(first, last + 1) * step, 6) + 0.0  # no minus zero on a dial


def settings_grid(ventilator: Ventilator, policy: Policy) -> SettingsGrid:
    """The grid of a ventilator within the policy's ranges of rate and I:E."""
    v = ventilator
    rates = steps(
        max(v.min_rate_per_min, policy.limit("rate_per_min", "low").target),
        min(v.max_rate_per_min, policy.limit("rate_per_min", "high").target),
        v.rate_step_per_min,
    )
    times = steps(v.min_inspiratory_time_s, v.max_inspiratory_time_s, v.inspiratory_time_step_s)
    rate, time = (axis.ravel() for axis in np.meshgrid(rates, times, indexing="ij"))
    expiratory = 60.0 / rate - time
    low = policy.limit("inspiratory_to_expiratory_ratio", "low").target
    high = policy.limit("inspiratory_to_expiratory_ratio", "high").target
    with np.errstate(divide="ignore"):
        ratio = np.where(expiratory > 0.0, time / np.maximum(expiratory, 1e-9), np.inf)
    usable = (ratio >= low - 1e-9) & (ratio <= high + 1e-9)
    return SettingsGrid(
        rates=rate[usable],
        inspiratory_times=time[usable],
        drives=steps(LOWEST_DRIVE_CMH2O, min(HIGHEST_DRIVE_CMH2O, v.max_pressure_cmh2o), v.pressure_step_cmh2o),
        peeps=steps(0.0, min(HIGHEST_PEEP_CMH2O, v.max_peep_cmh2o), v.peep_step_cmh2o),
        highest_pressure=v.max_pressure_cmh2o,
    )
