"""Alarm limits for a shared ventilator, from the predicted baseline: set in the same minute as the settings.

The rule (derived, to be set again from the measured baseline): the low volume limit must catch the loss of the
*smallest* patient, so it stands at the sum less half the smallest share, and the high one as far above. Each is
rounded to the tighter step of the dial. A limit that the dial does not reach is left open, and said.
"""

from __future__ import annotations

from collections.abc import Sequence

from airyoke.breath.settings import Settings
from airyoke.limits.answer import GroupAnswer
from airyoke.plan.alarm_system import AlarmCondition, AlarmSystem, Key, Side
from airyoke.plan.plan import Alarm

HIGH_PRESSURE_ABOVE_SET_PEAK_CMH2O = 4.0  # common practice when shared: pressure control 3 to 5 above the set peak,
HIGH_PRESSURE_ABOVE_PEAK_CMH2O = 5.0  # volume control 5 above the peak
LOW_PRESSURE_BELOW_PEAK_CMH2O = 4.0  # common practice: 3 to 5 below the peak
LOW_PEEP_BELOW_CMH2O = 2.0
RATE_ABOVE_SET_PER_MIN = 2.0
FIO2_EITHER_SIDE = 0.05
APNOEA_S = 20.0
LEAK_PCT = 10.0


def alarm_limits(
    settings: Settings,
    shares_ml: Sequence[float],
    displayed_ml: float,
    *,
    peak_cmh2o: float | None = None,
    system: AlarmSystem | None = None,
    measured: bool = False,
) -> tuple[Alarm, ...]:
    """Alarm limits of one shared ventilator.

    ``shares_ml`` are the predicted tidal volumes of its patients, ``displayed_ml`` the exhaled volume that the machine
    will show: the sum, and what of the compressed volume it does not take off. ``peak_cmh2o``: the predicted peak, for
    volume control; pressure control has it set. ``system``: the machine's dials, those of a generic one if ``None``.
    ``measured``: volumes and peak were read with everybody on. Raises ``ValueError`` for volume control without a
    peak.
    """
    s = settings
    half = 0.5 * min(shares_ml)
    low_ml, high_ml = displayed_ml - half, displayed_ml + half
    per_min = s.rate_per_min / 1000.0
    if s.mode == "pc":
        peak, above = s.peep_cmh2o + (s.pressure_above_peep_cmh2o or 0.0), HIGH_PRESSURE_ABOVE_SET_PEAK_CMH2O
        peak_words = f"the set peak of {peak:g}"
    elif peak_cmh2o is None:
        raise ValueError("in volume control the pressure alarms need the predicted peak")
    else:
        peak, above = peak_cmh2o, HIGH_PRESSURE_ABOVE_PEAK_CMH2O
        peak_words = f"the {'measured' if measured else 'predicted'} peak of {peak:.1f}"
    shown = f"{displayed_ml:.0f} mL shown ({sum(shares_ml):.0f} to the patients)"
    smallest = f"half of the smallest share ({min(shares_ml):.0f} mL)"
    dials = system or AlarmSystem()

    def alarm(name: str, low: float | None, high: float | None, unit: str, why: str) -> Alarm:
        reached: dict[Side, float | None] = {"low": None, "high": None}
        sides: tuple[tuple[Side, float | None], ...] = (("low", low), ("high", high))
        for side, wanted in sides:
            if wanted is None:
                continue
            dial = dials.condition(name, side)
            at = dial.tighter(wanted)
            reached[side] = at if dial.takes(at) else None
            if reached[side] is None:
                why += f"; {_out_of_reach(dial, at)}"
        return Alarm(name, reached["low"], reached["high"], unit, why)

    return (
        alarm("exhaled_tidal_volume", low_ml, high_ml, "mL",
              f"{shown} less, and plus, {smallest}: catches the loss of one patient"),
        alarm("exhaled_minute_volume", low_ml * per_min, high_ml * per_min, "L/min",
              f"the same, times {s.rate_per_min:g}/min"),
        alarm("airway_pressure", peak - LOW_PRESSURE_BELOW_PEAK_CMH2O, peak + above, "cmH2O",
              f"{LOW_PRESSURE_BELOW_PEAK_CMH2O:g} below and {above:g} above {peak_words}; the high one also ends the "
              "breath for all"),
        alarm("peep", s.peep_cmh2o - LOW_PEEP_BELOW_CMH2O, None, "cmH2O",
              f"{LOW_PEEP_BELOW_CMH2O:g} below the set PEEP"),
        alarm("rate", None, s.rate_per_min + RATE_ABOVE_SET_PER_MIN, "/min",
              "any breath above the set rate was triggered by somebody"),
        alarm("fio2", s.fio2 - FIO2_EITHER_SIDE, min(s.fio2 + FIO2_EITHER_SIDE, 1.0), "", "5 points either side"),
        alarm("apnoea", None, APNOEA_S, "s", "detects only the loss of everybody"),
        alarm("leak", None, LEAK_PCT, "%", "inspired less exhaled volume"),
    )  # fmt: skip


def alarms_of(answer: GroupAnswer, system: AlarmSystem | None = None) -> tuple[Alarm, ...]:
    """Alarm limits of a group as answered, on this machine's dials; none where nothing was solved."""
    shares = [one.figures["tidal_volume_ml"].value for one in answer.patients]
    known = [share for share in shares if share is not None]
    displayed = answer.ventilator["displayed_tidal_volume_ml"].value
    peak = answer.ventilator["peak_pressure_cmh2o"].value
    if answer.outcome != "solved" or displayed is None or peak is None or len(known) < len(shares):
        return ()
    return alarm_limits(answer.settings, known, displayed, peak_cmh2o=peak, system=system)


def limits_of(alarms: Sequence[Alarm]) -> dict[Key, float]:
    """The limits of alarms as planned, by what is watched and on which side."""
    found: dict[Key, float] = {}
    for one in alarms:
        if one.low is not None:
            found[one.name, "low"] = one.low
        if one.high is not None:
            found[one.name, "high"] = one.high
    return found


def _out_of_reach(dial: AlarmCondition, wanted: float) -> str:
    return (
        f"{dial.side} limit {wanted:g} is beyond this dial ({dial.lowest:g} to {dial.highest:g}): left open, "
        "another monitor has to watch it"
    )
