"""Alarm limits for a shared ventilator, from the predicted baseline: set in the same minute as the settings.

The rule (derived, to be set again from the measured baseline): the low volume limit must catch the loss of the
*smallest* patient, so it stands at the sum less half the smallest share, and the high one as far above. Each is
rounded to the tighter step of the dial.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from airyoke.breath.settings import Settings
from airyoke.plan.plan import Alarm

HIGH_PRESSURE_ABOVE_PEAK_CMH2O = 4.0  # common practice when shared in pressure control: 3 to 5 above the set peak
LOW_PEEP_BELOW_CMH2O = 2.0
RATE_ABOVE_SET_PER_MIN = 2.0
FIO2_EITHER_SIDE = 0.05
APNOEA_S = 20.0
LEAK_PCT = 10.0
VOLUME_STEP_ML = 10.0
MINUTE_VOLUME_STEP_L_PER_MIN = 0.1


def alarm_limits(settings: Settings, shares_ml: Sequence[float], displayed_ml: float) -> tuple[Alarm, ...]:
    """Alarm limits of one shared ventilator.

    ``shares_ml`` are the predicted tidal volumes of its patients, ``displayed_ml`` the exhaled volume that the machine
    will show: the sum, and what of the compressed volume it does not take off.
    """
    s = settings
    half = 0.5 * min(shares_ml)
    low_ml, high_ml = displayed_ml - half, displayed_ml + half
    per_min = s.rate_per_min / 1000.0
    peak = s.peep_cmh2o + (s.pressure_above_peep_cmh2o or 0.0)
    shown = f"{displayed_ml:.0f} mL shown ({sum(shares_ml):.0f} to the patients)"
    smallest = f"half of the smallest share ({min(shares_ml):.0f} mL)"
    return (
        Alarm("exhaled_tidal_volume", _up(low_ml, VOLUME_STEP_ML), _down(high_ml, VOLUME_STEP_ML), "mL",
              f"{shown} less, and plus, {smallest}: catches the loss of one patient"),
        Alarm("exhaled_minute_volume", _up(low_ml * per_min, MINUTE_VOLUME_STEP_L_PER_MIN),
              _down(high_ml * per_min, MINUTE_VOLUME_STEP_L_PER_MIN), "L/min",
              f"the same, times {s.rate_per_min:g}/min"),
        Alarm("airway_pressure", None, _down(peak + HIGH_PRESSURE_ABOVE_PEAK_CMH2O, 1.0), "cmH2O",
              f"{HIGH_PRESSURE_ABOVE_PEAK_CMH2O:g} above the set peak of {peak:g}; it also ends the breath for all"),
        Alarm("peep", _up(s.peep_cmh2o - LOW_PEEP_BELOW_CMH2O, 1.0), None, "cmH2O",
              f"{LOW_PEEP_BELOW_CMH2O:g} below the set PEEP"),
        Alarm("rate", None, _down(s.rate_per_min + RATE_ABOVE_SET_PER_MIN, 1.0), "/min",
              "any breath above the set rate was triggered by somebody"),
        Alarm("fio2", _up(s.fio2 - FIO2_EITHER_SIDE, 0.01), _down(min(s.fio2 + FIO2_EITHER_SIDE, 1.0), 0.01), "",
              "5 points either side"),
        Alarm("apnoea", None, APNOEA_S, "s", "detects only the loss of everybody"),
        Alarm("leak", None, LEAK_PCT, "%", "inspired less exhaled volume"),
    )  # fmt: skip


def _up(value: float, step: float) -> float:
    return round(math.ceil(value / step - 1e-9) * step, 6)


def _down(value: float, step: float) -> float:
    return round(math.floor(value / step + 1e-9) * step, 6)
