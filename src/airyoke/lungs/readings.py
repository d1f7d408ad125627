"""What was read at one bed at one time: the patient's columns of the ward sheet, typed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

Sex = Literal["f", "m"]
Passive = Literal["yes", "no", "possible"]
ReadingMode = Literal["vc", "pc", "dual"]


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of one patient, taken together. ``None`` means not known; nothing is guessed here.

    Units stand in the names. ``tidal_volume_ml`` is exhaled, as displayed by the machine.
    ``inspiratory_time_s`` contains the pause. ``fio2`` is a fraction. ``peep_cmh2o`` is the set value,
    ``total_peep_cmh2o`` the value of an expiratory hold. ``resistance_cmh2o_s_per_l`` includes the tracheal
    tube.
    """

    sex: Sex
    height_cm: float
    passive: Passive
    mode: ReadingMode
    rate_per_min: float
    inspiratory_time_s: float
    tidal_volume_ml: float
    peep_cmh2o: float
    fio2: float
    read_at: datetime | None = None
    read_by: str | None = None
    flow_shape: Literal["constant", "decelerating"] | None = None
    pause_s: float | None = None
    total_peep_cmh2o: float | None = None
    plateau_cmh2o: float | None = None
    peak_cmh2o: float | None = None
    flow_l_per_min: float | None = None
    pressure_above_peep_cmh2o: float | None = None
    resistance_cmh2o_s_per_l: float | None = None
    spo2_pct: float | None = None
    pao2_mmhg: float | None = None
    paco2_mmhg: float | None = None
    ph: float | None = None
    etco2_mmhg: float | None = None
    haemoglobin_g_per_dl: float | None = None
    tube_mm: float | None = None
    humidification: Literal["hme", "heated"] | None = None
    position: Literal["supine", "prone"] | None = None
    weight_kg: float | None = None
    age_years: float | None = None
    temperature_c: float | None = None
    minute_volume_l_per_min: float | None = None
    bicarbonate_mmol_per_l: float | None = None
    vasopressor: Literal["none", "low", "high", "rising"] | None = None
