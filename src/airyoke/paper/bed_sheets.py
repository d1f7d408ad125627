"""Sheets that hang at the bed and on the hoses: bed card, labels, what to dial, emergency."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from typing import Any, Final

from airyoke.contract.answers import PatientAnswer
from airyoke.contract.words import amount_words, number_words, plain
from airyoke.paper.envelope import group_sheet, lanes_of
from airyoke.paper.material import GroupMaterial, LanePerson, Material
from airyoke.paper.words import (
    alarm_words,
    and_words,
    figure_of,
    quantity_words,
    range_words,
    setting_words,
    threshold_words,
    value_words,
)
from airyoke.watch import EMERGENCIES, ActRules, act_thresholds, ventilator_without

# Bounds that the answer holds for this site: rule -> (figure, limit that speaks about it).
_BOUNDS: Final = {
    "driving_pressure_cmh2o": ("driving_pressure_cmh2o", "driving_pressure_cmh2o"),
    "plateau_cmh2o": ("plateau_cmh2o", "plateau_cmh2o"),
    "trapped_peep_cmh2o": ("intrinsic_peep_cmh2o", "trapped_peep_cmh2o"),
    "spo2_pct": ("spo2_pct", "spo2_pct"),
}
_NOT_PREDICTED: Final = {"etco2_mmhg": "", "inspired_co2_mmhg": "0", "rate_per_min": ""}
_HANGS_ON: Final = (
    ("inspiratory hose", "at the splitter"), ("inspiratory hose", "at the Y-piece"),
    ("expiratory hose", "at the Y-piece"), ("expiratory hose", "at the splitter"),
    ("Y-piece", ""), ("clamp 1", ""), ("clamp 2", ""), ("clamp 3", ""),
    ("CO2 line", ""), ("monitor", ""), ("oximeter", ""), ("pump", ""),
)  # fmt: skip


def rules_for(patient: PatientAnswer) -> ActRules:
    """The thresholds with the bounds that this site's answer was judged by."""
    found = {}
    for rule, (figure, name) in _BOUNDS.items():
        limit = figure_of(patient, figure).limit
        if limit is not None and limit.name == name:
            found[rule] = limit.bound
    return replace(ActRules(), **found)


def bed_card(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """One page a patient, to be read from the end of the bed."""
    return group_sheet(material, group, "bed-card", {"cards": [_card(group, lane) for lane in group.lanes]})


def _card(group: GroupMaterial, lane: LanePerson) -> dict[str, Any]:
    patient, settings = group.patient(lane), group.settings
    volume = patient.tidal_volume_ml.value
    assert volume is not None, "a judged group has volumes"
    rows = []
    thresholds = act_thresholds(
        tidal_volume_ml=volume,
        peep_cmh2o=settings.peep_cmh2o,
        rate_per_min=settings.rate_per_min,
        rules=rules_for(patient),
    )
    for one in thresholds:
        name = one.quantity
        value, span = _NOT_PREDICTED.get(name, ""), ""
        if name == "rate_per_min":
            value = plain(settings.rate_per_min)
        elif name not in _NOT_PREDICTED:
            figure = figure_of(patient, name)
            value, span = number_words(figure.value, one.unit), range_words(figure, name)
        row = {"name": quantity_words(name), "value": value, "unit": one.unit, "range": span}
        rows.append(row | {"act": threshold_words(one)})
    others = [f"bed {one.bed} ({one.letter})" for one in group.lanes if one is not lane]
    return {
        "lane": next(one for one in lanes_of(group) if one["letter"] == lane.letter),
        "shares": f"breathes from {group.plan.ventilator} together with {and_words(others)}",
        "set": setting_words(settings.model_dump(exclude_none=True)),
        "rows": rows,
        "sign": f"{len(group.lanes)} patients on {group.plan.ventilator}: do not touch settings",
    }


def labels(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """One page of labels a patient; each is read from both sides of the fold."""
    where = material.provenance
    pages = []
    for lane in lanes_of(group):
        code = f"airyoke {where.source} {where.chain} {group.plan.id} {lane['letter']} {lane['bed']}"
        hang = [{"what": what, "where": place} for what, place in _HANGS_ON]
        pages.append({"lane": lane, "qr": _qr(code), "code": code, "labels": hang})
    machine = f"{group.plan.id} {group.plan.ventilator}"
    return group_sheet(material, group, "labels", {"pages": pages, "machine": machine})


def _qr(text: str) -> str:
    """A QR code as SVG."""
    import segno

    target = BytesIO()
    segno.make(text, error="m", micro=False).save(target, kind="svg", border=2, xmldecl=False, svgns=True)
    return target.getvalue().decode()


def alarms(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """Dials old beside new, alarm limits, and what else is set or avoided on the machine."""
    plan = group.plan
    body = {
        "beds": [one.bed for one in group.lanes],
        "ventilator": plan.ventilator,
        "dials": [
            {"name": dial.name, "now": list(dial.now), "new": dial.new, "unit": dial.unit,
             "moves": any(one != dial.new for one in dial.now)}
            for dial in group.dials
        ],
        "alarms": [
            {"name": quantity_words(one.name), "low": alarm_words(one.low), "high": alarm_words(one.high),
             "unit": one.unit, "why": one.why}
            for one in plan.alarms
        ],
        "switches": plan.switches,
        "needs": [one.text for one in plan.needs],
    }  # fmt: skip
    return group_sheet(material, group, "alarms", body)


def emergency(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """Four emergencies, three lines each, and the volumes without each patient."""
    plan, settings = group.plan, group.settings
    shows = plan.ventilator_shows
    displayed = None if shows is None else shows.displayed_tidal_volume_ml.value
    volume_alarm = next((one for one in plan.alarms if one.name == "exhaled_tidal_volume"), None)
    words = {
        "beds": and_words([f"{one.bed} ({one.letter})" for one in group.lanes]),
        "ventilator": plan.ventilator,
        "reserve": f"the reserve, {and_words(material.plan.reserve)}" if material.plan.reserve else
        "another ventilator: none is held in reserve",
        "peep": plain(settings.peep_cmh2o),
        "rate": plain(settings.rate_per_min),
        "low": "-" if volume_alarm is None else alarm_words(volume_alarm.low),
        "high": "-" if volume_alarm is None else alarm_words(volume_alarm.high),
    }  # fmt: skip
    cards = [
        {"title": one.title, "sign": one.sign.format(**words), "lines": [line.format(**words) for line in one.lines]}
        for one in EMERGENCIES
    ]
    without = [] if displayed is None or settings.mode != "pc" else _without(group, displayed)
    note = "" if settings.mode == "pc" else (
        f"Volume control: those who stay get the share of the lost one, {amount_words(settings.tidal_volume_ml, 'mL')} "
        "in all. Change to pressure control before a branch is closed."
    )  # fmt: skip
    whole = "" if shows is None else (
        f"{value_words(shows.displayed_tidal_volume_ml, 'displayed_tidal_volume_ml')} a breath, "
        f"{value_words(shows.peak_pressure_cmh2o, 'peak_pressure_cmh2o')} peak"
    )  # fmt: skip
    body = {"cards": cards, "without": without, "note": note, "whole": whole, "ventilator": plan.ventilator,
            "set": setting_words(settings.model_dump(exclude_none=True))}  # fmt: skip
    return group_sheet(material, group, "emergency", body)


def _without(group: GroupMaterial, displayed_ml: float) -> list[dict[str, Any]]:
    shares = [(one.letter, group.patient(one).tidal_volume_ml.value or 0.0) for one in group.lanes]
    beds = {one.letter: one.bed for one in group.lanes}
    found = []
    for letter, _ in shares:
        left = ventilator_without(letter, shares, displayed_ml, rules_for(group.patient(group.lanes[0])))
        present = {lane: group.plan.present_settings.get(beds[lane]) for lane in left.stay}
        alone = [
            f"{lane} had alone: {setting_words(one.model_dump(exclude_none=True))}"
            for lane, one in present.items()
            if one is not None and len(left.stay) == 1
        ]
        found.append(
            {
                "off": letter,
                "bed": beds[letter],
                "stay": and_words(left.stay),
                "shown": amount_words(left.shown_ml, "mL"),
                "low": number_words(left.low_ml, "mL"),
                "high": number_words(left.high_ml, "mL"),
                "alone": alone,
            }
        )
    return found
