"""When a change-over is stopped, with the numbers of this group in the words."""

from __future__ import annotations

from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.round_words import predicted_of
from airyoke.ward.state import WardState
from airyoke.watch.start import Stop, StopRules, stop_rules


def stop_lines(state: WardState, standing: GroupStanding, rules: StopRules | None = None) -> tuple[str, ...]:
    """Every stop rule in words. The bounds of the volume come from what the ventilator is predicted to show; a fall of
    SpO2 counts from the last value on record of each bed. What is not known stands as the rule alone."""
    rules = rules or StopRules()
    shown = predicted_of(standing).get("", {}).get("displayed_tidal_volume_ml")
    lines = []
    for one in stop_rules(0.0 if shown is None else float(shown[0]), rules):
        if one.id == "volume" and shown is None:
            lines.append("exhaled volume with everybody on away from the prediction (none is on record)")
            continue
        lines.append(_words(one))
        if one.id == "spo2" and (beds := _spo2(state, standing, rules)):
            lines[-1] += f" ({beds})"
    return tuple(lines)


def _words(one: Stop) -> str:
    return one.text.format(low=_number(one.low), high=_number(one.high))


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.0f}"


def _spo2(state: WardState, standing: GroupStanding, rules: StopRules) -> str:
    found = []
    for bed in standing.beds:
        place = state.beds.get(bed)
        held = None if place is None or place.patient is None else place.patient.readings.get("spo2_pct")
        if held is not None and isinstance(held.value, int | float):
            bound = max(rules.spo2_pct, float(held.value) - rules.spo2_fall_pct)
            found.append(f"bed {bed}: below {bound:.0f}, {held.value:.0f} before")
    return "; ".join(found)
