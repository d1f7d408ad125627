"""One machine of the ward: what it can be set to, in which steps, and what its sensors are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Ventilator:
    """A ventilator as the ward sheet describes it. Defaults are stated in the template and by ``airyoke limits``.

    ``room`` ``None`` = can be rolled to any room. ``pressure_reference``: does its dial read pressure above PEEP
    or absolute. ``hold_sensor``: where the pressure shown during a hold is measured.
    """

    label: str
    room: str | None = None
    usable: bool = True
    modes: tuple[str, ...] = ("vc", "pc")
    pressure_reference: Literal["above_peep", "absolute"] = "above_peep"
    circuit_compensation: Literal["on", "off"] = "off"
    max_peak_flow_l_per_min: float = 120.0
    min_rate_per_min: float = 4.0
    max_rate_per_min: float = 60.0
    min_inspiratory_time_s: float = 0.3
    max_inspiratory_time_s: float = 3.0
    max_pressure_cmh2o: float = 60.0
    max_peep_cmh2o: float = 30.0
    min_tidal_volume_ml: float = 100.0
    max_tidal_volume_ml: float = 2000.0
    pressure_step_cmh2o: float = 1.0
    peep_step_cmh2o: float = 1.0
    rate_step_per_min: float = 1.0
    inspiratory_time_step_s: float = 0.05
    hold_sensor: Literal["inspiratory", "expiratory", "wye"] = "inspiratory"
