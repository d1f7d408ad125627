"""What is dialled on the ventilator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Settings:
    """One set of ventilator settings, for one patient or for a group.

    mode
        ``pc`` pressure control: ``pressure_above_peep_cmh2o`` with a linear ramp over ``rise_time_s``.
        ``vc`` volume control: ``tidal_volume_ml`` is what the machine delivers in all (every patient together),
        ``flow_shape`` constant or linear to zero, ``pause_s`` inside ``inspiratory_time_s``.
    expiratory_pause_s
        Inside 60/rate, at the end of expiration: both valves of the machine shut, no flow.
    circuit_compensation
        ``on``: the machine subtracts circuit compliance x (peak - PEEP) from what it displays, in either mode; in
        ``vc`` it has added as much to what it delivers.
    pressure_limit_cmh2o
        Absolute; the machine does not push above it in ``vc``.
    max_peak_flow_l_per_min
        ``None`` = unlimited.
    """

    mode: Literal["pc", "vc"]
    rate_per_min: float
    inspiratory_time_s: float
    peep_cmh2o: float
    fio2: float = 0.21
    pressure_above_peep_cmh2o: float | None = None
    rise_time_s: float = 0.0
    tidal_volume_ml: float | None = None
    flow_shape: Literal["constant", "decelerating"] = "constant"
    pause_s: float = 0.0
    expiratory_pause_s: float = 0.0
    circuit_compensation: Literal["on", "off"] = "off"
    pressure_limit_cmh2o: float | None = None
    bias_flow_l_per_min: float = 0.0
    max_peak_flow_l_per_min: float | None = None

    @property
    def period_s(self) -> float:
        """Length of one breath, s."""
        return 60.0 / self.rate_per_min

    @property
    def expiratory_time_s(self) -> float:
        """Everything of the breath that is not inspiratory time, s."""
        return self.period_s - self.inspiratory_time_s
