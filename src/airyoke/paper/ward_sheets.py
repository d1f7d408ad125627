"""Sheets of the ward and the shift: order list, shift report, acceptance of the last resort."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from airyoke.contract.words import name_words, number_words, plain
from airyoke.paper.envelope import KINDS, envelope, group_sheet
from airyoke.paper.material import GroupMaterial, Material, Running
from airyoke.paper.words import (
    alarm_words,
    and_words,
    figure_of,
    quantity_words,
    range_words,
    setting_words,
    time_words,
    value_words,
)
from airyoke.quantities import quantity
from airyoke.watch import ACCEPTANCE, EXIT, OFF_FIRST, REVIEWS_H, equipment_for, filled

_TREND: Final = ("tidal_volume_ml", "driving_pressure_cmh2o", "plateau_cmh2o", "total_peep_cmh2o", "paco2_mmhg", "ph",
                 "spo2_pct")  # fmt: skip
_MOST_LINES: Final = 8
_DIALS: Final = ("pressure_above_peep_cmh2o", "tidal_volume_ml", "peep_cmh2o", "rate_per_min", "inspiratory_time_s",
                 "fio2")  # fmt: skip


def order(material: Material) -> dict[str, Any]:
    """What is taken from the store room for all groups, what must be at the beds, and the trade's own rule."""
    body = {
        "counted": any(one.have is not None for one in material.plan.pick_list),
        "parts": [
            {"part": one.part, "need": one.need, "have": "" if one.have is None else str(one.have),
             "instead": one.substitute or ""}
            for one in material.plan.pick_list
        ],
        "missing": [f"{group.plan.id}: {group.no_circuit}" for group in material.groups if group.no_circuit],
        "beds": [
            {"group": group.plan.id, "beds": and_words(group.plan.beds),
             "needs": [{"item": need.item, "count": count} for need, count in equipment_for(len(group.lanes))]}
            for group in material.groups
        ],
        "rule": [
            {"group": groups, "item": item, "rule": rule, "build": build, "why": why}
            for (item, rule, build, why), groups in _rule(material).items()
        ],
    }  # fmt: skip
    return envelope(material, KINDS["order"], "the whole ward", material.readings, body)


def _rule(material: Material) -> dict[tuple[str, int, int, str], str]:
    """Lines of the ordering rule, each once, with the groups that it counts for."""
    found: dict[tuple[str, int, int, str], list[str]] = {}
    for group in material.groups:
        for one in () if group.circuit is None else group.circuit.order_rule:
            found.setdefault((one.item, one.rule, one.build, one.why), []).append(group.plan.id)
    return {line: and_words(groups) for line, groups in found.items()}


def shift_report(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """One planned group that does not run yet, or is not known to."""
    plan = group.plan
    running = next((one for one in material.running or () if set(one.beds) == set(plan.beds)), None)
    trend = [
        {"lane": one.letter, "bed": one.bed,
         "rows": [{"name": quantity_words(name), "planned": value_words(figure_of(group.patient(one), name), name),
                   "range": range_words(figure_of(group.patient(one), name), name),
                   "now": _read_now(running, one.bed, name)} for name in _TREND]}
        for one in group.lanes
    ]  # fmt: skip
    body = _report(running, setting_words(group.settings.model_dump(exclude_none=True)), material.running is not None)
    margin = plan.margin
    whose = "the group" if margin is None or margin.patient is None else f"bed {margin.patient}"
    binds = "" if margin is None else (
        f"{name_words(margin.limit)} of {whose}: predicted "
        f"{number_words(margin.predicted, margin.unit)}, bound {number_words(margin.bound, margin.unit)} {margin.unit}"
    )  # fmt: skip
    body |= {"trend": trend, "binds": binds.strip(), "needs": [one.text for one in plan.needs]}
    return group_sheet(material, group, "shift-report", body)


def running_report(material: Material, running: Running) -> dict[str, Any]:
    """A group that runs and that the plan does not hold as it stands."""
    subject = f"running group {running.name} on {running.ventilator}: beds {and_words(running.beds)}"
    body = _report(running, setting_words(running.planned), True)
    body |= {"trend": [{"lane": "ABCD"[i], "bed": bed, "rows": []} for i, bed in enumerate(running.beds)],
             "binds": "", "needs": [], "lanes": []}  # fmt: skip
    return envelope(material, KINDS["shift-report"], subject, material.readings, body)


def _report(running: Running | None, planned: str, known: bool) -> dict[str, Any]:
    """What the record says, or lines to fill by hand where it says nothing."""
    body: dict[str, Any] = {
        "kind": "group",
        "standing": "not running according to the record" if known else "not from a record: write down what is",
        "running": running is not None,
        "planned": planned,
        "dialled": "",
        "differs": [],
        "build": "",
        "checks": [],
        "happened": [],
        "more": 0,
        "due": [],
        "off_first": [one.text for one in OFF_FIRST],
        "taking_off": [one.do for one in filled(EXIT, ["the patient"])],
    }
    if running is None:
        return body
    since = "" if running.build_made_at is None else f" of {time_words(running.build_made_at)}, its filters as old"
    build = f"{running.build or 'not written down'}{since}"
    tested = {True: "bench check passed", False: "bench check NOT passed", None: "bench check not written down"}
    expires = "" if running.build_expires_at is None else f", to {time_words(running.build_expires_at)}"
    return body | {
        "standing": f"coupled {time_words(running.started_at)}"
        + (f", from plan {running.plan}" if running.plan else ", plan not written down"),
        "planned": setting_words(running.planned) or planned,
        "dialled": setting_words(running.dialled) or "not written down",
        "differs": _differences(running.planned, running.dialled),
        "build": f"{build}, {tested[running.build_passed]}{expires}",
        "checks": [
            {"check": check, "where": where, "at": time_words(at),
             "passed": {True: "passed", False: "NOT passed", None: ""}[passed]}
            for check, where, at, passed in running.checks[-_MOST_LINES:]
        ],
        "happened": [{"at": time_words(one.at), "who": one.who, "what": one.what}
                     for one in running.happened[:_MOST_LINES]],
        "more": max(0, len(running.happened) - _MOST_LINES),
        "due": [{"what": one.what, "at": time_words(one.at)} for one in running.due],
    }  # fmt: skip


def _read_now(running: Running | None, bed: str, name: str) -> str:
    """The newest value of the rounds, and when it was read."""
    value, at = (None, None) if running is None else running.read.get(bed, {}).get(name, (None, None))
    if value is None or not isinstance(value, int | float):
        return ""
    words = number_words(float(value), quantity(name).unit)
    return words if at is None else f"{words} ({at:%H:%M})"


def _differences(planned: Mapping[str, Any], dialled: Mapping[str, Any]) -> list[str]:
    """Dials that are not as planned, in words."""
    if not planned or not dialled:
        return []
    return [
        f"{name_words(key)}: planned {_setting(planned.get(key))}, dialled {_setting(dialled.get(key))}"
        for key in _DIALS
        if planned.get(key) != dialled.get(key) and (key in planned or key in dialled)
    ]


def _setting(value: Any) -> str:
    return plain(float(value)) if isinstance(value, int | float) else str(value or "none")


def _volume_alarm(group: GroupMaterial) -> str:
    """The limits of the alarm on the exhaled volume, the one that knows of a lost patient."""
    for one in group.plan.alarms:
        if one.name == "exhaled_tidal_volume":
            return f"{alarm_words(one.low)} to {alarm_words(one.high)} {one.unit}"
    return ""


def ward_report(material: Material) -> dict[str, Any]:
    """The whole ward on one page: groups, who is alone, who has no place, what is due."""
    plan = material.plan
    alone = [group for group in plan.groups if group.status != "judged"]
    due = sorted(
        ((one.at, running.name, one.what) for running in material.running or () for one in running.due),
        key=lambda item: item[0],
    )
    body = {
        "kind": "ward",
        "groups": [
            {"id": group.plan.id, "ventilator": group.plan.ventilator,
             "beds": and_words([f"{one.bed} ({one.letter})" for one in group.lanes]),
             "set": setting_words(group.settings.model_dump(exclude_none=True)),
             "volume": _volume_alarm(group),
             "needs": [one.text for one in group.plan.needs]}
            for group in material.groups
        ],
        "running": None if material.running is None else [
            {"name": one.name, "ventilator": one.ventilator, "beds": and_words(one.beds),
             "since": time_words(one.started_at), "dialled": setting_words(one.dialled) or "not written down"}
            for one in material.running
        ],
        "alone": [f"{and_words(group.beds)} on {group.ventilator}"
                  + (" (not judged)" if group.status == "not_judged" else "") for group in alone],
        "unplaced": [{"bed": one.bed, "why": "; ".join(note.text.rstrip(".") for note in one.why)}
                     for one in plan.unplaced],
        "reserve": and_words(plan.reserve) if plan.reserve else "none",
        "due": [{"at": time_words(at), "who": name, "what": what} for at, name, what in due[: 2 * _MOST_LINES]],
        "asks": len([one for one in plan.findings if one.level == "ask"]),
        "refused": len([one for one in plan.findings if one.level == "refused"]),
    }  # fmt: skip
    return envelope(material, KINDS["shift-report"], "the whole ward", material.readings, body)


def acceptance(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """Two seniors sign that nothing else is left; who was told; when it is looked at again."""
    plan = group.plan
    body = {
        "items": [{"text": one.text, "source": one.source} for one in ACCEPTANCE],
        "needs": [one.text for one in plan.needs],
        "review_h": REVIEWS_H,
        "ventilator": plan.ventilator,
        "left": [one.bed for one in material.plan.unplaced],
        "stated": not any(one.id == "sharing-not-stated" for one in material.plan.cautions),
    }
    return group_sheet(material, group, "acceptance", body)
