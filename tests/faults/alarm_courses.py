"""Courses of breaths made up for the alarms: every number in them is chosen, none comes from the engine."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from airyoke.breath import Settings
from airyoke.faults.shown import Shown

PRESSURE = Settings("pc", 20.0, 1.0, 10.0, fio2=0.6, pressure_above_peep_cmh2o=14.0)
VOLUME = Settings("vc", 20.0, 1.0, 10.0, fio2=0.6, tidal_volume_ml=800.0)


def course(
    patients_ml: Sequence[float],
    *,
    exhaled_ml: float | None = None,
    inspired_ml: float | None = None,
    peak_cmh2o: float = 24.0,
    peep_cmh2o: float = 10.0,
    period_s: float = 3.0,
    lasts_s: float = 90.0,
    draws: int = 2,
    fio2: float = 0.6,
) -> Shown:
    """The same breath over and over, the first beginning at once; ``exhaled_ml`` defaults to the patients' sum."""
    breaths = int(lasts_s / period_s)
    exhaled = float(sum(patients_ml)) if exhaled_ml is None else exhaled_ml

    def all_of(value: float) -> np.ndarray:
        return np.full((draws, breaths), float(value))

    return Shown(
        starts_s=np.broadcast_to(np.arange(breaths) * period_s, (draws, breaths)).copy(),
        inspired_ml=all_of(exhaled if inspired_ml is None else inspired_ml),
        exhaled_ml=all_of(exhaled),
        peak_cmh2o=all_of(peak_cmh2o),
        peep_cmh2o=all_of(peep_cmh2o),
        mean_cmh2o=all_of(15.0),
        triggered=np.zeros((draws, breaths), bool),
        cut_short=np.zeros((draws, breaths), bool),
        fio2=all_of(fio2),
        patients_ml=np.broadcast_to(np.array(patients_ml, float), (draws, breaths, len(patients_ml))).copy(),
        lasts_s=lasts_s,
    )
