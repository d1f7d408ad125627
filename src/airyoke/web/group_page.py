"""One group: what each patient gets, what would change if something were turned, and how each number comes about."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Depends
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from airyoke.contract.dials import dial_list
from airyoke.contract.shown_volume import shown_volume_words
from airyoke.contract.standing import binding_words, verdict_words
from airyoke.contract.times import readings_words
from airyoke.contract.why import explain
from airyoke.contract.words import amount_words, as_read_words, name_words, number_words, plain, unit_words
from airyoke.limits.answer import Figure, GroupAnswer
from airyoke.pictures import trend_rows, trends_told
from airyoke.quantities import Finding, Refused, quantity
from airyoke.web.desk import Look
from airyoke.web.saved_groups import (
    HAPPENS,
    SavedGroup,
    all_patients,
    compared,
    happening,
    knobs_of,
    saved_groups,
    turned,
)
from airyoke.web.tracks import lane_view, was_and_change
from airyoke.web.trends import group_trends
from airyoke.web.visits import Visit, page, visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]
SHOWN_BY_THE_MACHINE: Final = (
    "displayed_tidal_volume_ml", "minute_volume_l_per_min", "peak_pressure_cmh2o", "inspiratory_hold_cmh2o",
    "expiratory_hold_cmh2o",
)  # fmt: skip


@router.get("/groups/{ventilator}")
def group(visiting: Visiting, ventilator: str) -> Response:
    """The page; with settings in the address it shows what they would do."""
    return group_view(visiting, ventilator, dict(visiting.request.query_params))


def group_view(visiting: Visit, ventilator: str, typed: dict[str, str], wrong: tuple[Finding, ...] = (),
               status: int = 200) -> Response:  # fmt: skip
    """The page with what was typed; ``wrong`` says why a form of it was not taken."""
    from airyoke.web.group_record import GATE, accepted_plan

    look, saved = found(visiting, ventilator)
    shown: dict[str, Any] = {"findings": (), "results": None}
    if visiting.desk.engine.ready:
        try:
            shown["results"] = what_if(visiting, look, saved, typed)
        except Refused as refusal:
            shown["findings"] = refusal.findings
    trends = group_trends(visiting.desk.record, look, ventilator)
    return visiting.page(
        "group.html", look, status=status, here="group", group=saved, knobs=knobs_of(saved), typed=typed, tab="gets",
        dials=dial_list(tuple(_present(look, bed) for bed in saved.beds), saved.settings, saved.ventilator),
        room=room_lines(saved), plain=plain, happens=happens(saved), wrong=wrong, gate=GATE,
        accepted=accepted_plan(visiting, saved), may_start=visiting.may("group_started"),
        may_dial=visiting.may("settings_changed"), written="written" in typed, seen=look.state.sequence,
        trends=trends, trend_told=trends_told(trends), trend_tables=trend_rows(trends),
        machines=[one for one in look.state.ventilators if one != ventilator], **shown,
    )  # fmt: skip


@router.get("/groups/{ventilator}/what-if")
def what_if_part(visiting: Visiting, ventilator: str) -> JSONResponse:
    """The part of the page that changes while something is turned; nothing is written."""
    look, saved = found(visiting, ventilator, note=False)
    if not visiting.desk.engine.ready:
        return JSONResponse({"html": "", "findings": [], "words": "The engine is getting ready."}, 503)
    try:
        results = what_if(visiting, look, saved, dict(visiting.request.query_params))
    except Refused as refusal:
        told = [{"column": one.column, "reason": one.reason, "remedy": one.remedy} for one in refusal.findings]
        return JSONResponse({"html": "", "findings": told, "words": "Not possible."}, 422)
    html = bytes(page(visiting.desk, "what_if.html", look, visit=visiting, **results).body).decode()
    return JSONResponse({"html": html, "findings": [], "words": results["verdict"]})


@router.get("/groups/{ventilator}/why/{bed}/{key}")
def why(visiting: Visiting, ventilator: str, bed: str, key: str) -> Response:
    """One number down to its estimates, readings, formula and source."""
    look, saved = found(visiting, ventilator)
    if not visiting.desk.engine.ready:
        raise HTTPException(503)
    typed = dict(visiting.request.query_params)
    settings = turned(saved, typed)
    answer = compared(visiting.desk, look, saved, settings, happening(saved, typed)).after.answer
    times = {
        one.bed.label: (one.bed.readings.read_at, one.bed.readings.read_by)
        for one in look.assessed
        if one.bed.readings is not None
    }
    told = explain(answer, all_patients(look), f"{bed} {key}", read=times)
    return visiting.page(
        "why.html", look, here="group", group=saved, told=told, name=name_words(told.quantity), name_words=name_words,
        amount=lambda value, name: amount_words(value, quantity(name).unit), as_read=as_read_words,
        number_words=number_words, read_at=times.get(bed, (None, None))[0],
        dials=dial_list((), answer.settings, saved.ventilator), changes=happening(saved, typed),
    )  # fmt: skip


NOT_ASKED: Final = ("token", "seen", "once", "writer", "written", "reason")
"""Fields of forms that no what-if depends on."""


def happens(saved: SavedGroup) -> list[tuple[str, list[tuple[str, str]]]]:
    """What may happen to each bed: words and the change that they mean."""
    return [(bed, [(words, change.format(shlex.quote(bed))) for words, change in HAPPENS]) for bed in saved.beds]


def found(visiting: Visit, ventilator: str, *, note: bool = True) -> tuple[Look, SavedGroup]:
    """The ward and the group on this ventilator. Raises 404 where there is none."""
    look = visiting.desk.look()
    saved = saved_groups(visiting.desk, look).get(ventilator)
    if saved is None:
        raise HTTPException(404)
    if note:
        visiting.desk.note_reading(visiting.session, f"group on {ventilator}"[:80])
    return look, saved


def what_if(visiting: Visit, look: Look, saved: SavedGroup, typed: Mapping[str, str]) -> dict[str, Any]:
    """Everything that changes with the settings: verdict, lanes, what the machine shows, alarm limits.

    Raises ``Refused`` for settings out of reach and for patients that cannot be predicted.
    """
    assert look.ward is not None, "a group has a ward"
    policy = look.ward.policy
    both = compared(visiting.desk, look, saved, turned(saved, typed), happening(saved, typed))
    before, answer = both.before.answer, both.after.answer
    same = turned(saved, typed) == saved.settings and not happening(saved, typed)
    times = [one.bed.readings.read_at for one in look.assessed
             if one.bed.readings is not None and one.bed.label in saved.beds]  # fmt: skip
    solved = answer.outcome == "solved"
    query = "".join(f"&{quote(key)}={quote(value)}" for key, value in typed.items() if value and key not in NOT_ASKED)
    labels = list(dict.fromkeys((*saved.beds, *(one.label for one in answer.patients))))
    lanes = [
        lane_view(
            one, answer, policy, letter="ABCDEFGH"[labels.index(one.label)],
            moved=() if same else tuple(m for m in both.moved if m.patient == one.label),
            why=f"/groups/{quote(saved.ventilator.label, safe='')}/why/{quote(one.label, safe='')}/",
        )
        for one in answer.patients
    ]  # fmt: skip
    return {
        "verdict": verdict_words(answer, policy, readings_words(times)),
        "binding": binding_words(answer, "bed "),
        "verdict_before": None if same else verdict_words(before, policy, readings_words(times)),
        "lanes": lanes if solved else [],
        "gone": [bed for bed in saved.beds if bed not in {one.label for one in answer.patients}],
        "shown_volume": shown_volume_words(answer) if solved else None,
        "machine": machine_lines(answer, None if same else before) if solved else [],
        "alarms": both.after.alarms,
        "name_words": name_words, "alarm_words": lambda value: "-" if value is None else plain(value),
        "query": f"?{query[1:]}" if query else "",
        "breath": f"/groups/{quote(saved.ventilator.label, safe='')}/breath",
        "same": same, "draws": answer.draws, "seed": answer.seed,
    }  # fmt: skip


def machine_lines(answer: GroupAnswer, before: GroupAnswer | None) -> list[tuple[str, str, str, str, str]]:
    """What the shared machine shows: name, number, unit, number before, change."""
    lines = []
    for name in SHOWN_BY_THE_MACHINE:
        figure = answer.ventilator.get(name, Figure(None))
        if figure.value is not None:
            unit = unit_words(name)
            old = None if before is None else before.ventilator.get(name, Figure(None)).value
            lines.append((name_words(name), number_words(figure.value, unit), unit,
                          *was_and_change(old, figure.value, unit)))  # fmt: skip
    return lines


def room_lines(saved: SavedGroup) -> list[str]:
    """How far one patient's lungs may change before somebody leaves a limit, in words."""
    lines = []
    for one in () if saved.planned is None else saved.planned.room_left:
        what = "compliance" if one.quantity == "compliance_ml_per_cmh2o" else "airway resistance"
        unit = "mL/cmH2O" if one.quantity == "compliance_ml_per_cmh2o" else "cmH2O·s/L"
        way = "falls" if one.direction == "down" else "rises"
        now = number_words(one.now, unit)
        if one.at is None or one.limit is None:
            lines.append(f"Bed {one.bed}, {what} {way} from {now} {unit}: no limit is met within a factor of four.")
        else:
            whose = "the group" if one.whose is None else f"bed {one.whose}"
            lines.append(f"Bed {one.bed}, {what} {way} from {now} to {number_words(one.at, unit)} {unit}: then "
                         f"{name_words(one.limit)} of {whose} leaves its limit.")  # fmt: skip
    return lines


def _present(look: Look, bed: str) -> Any:
    assessed = look.assessment(bed)
    return None if assessed is None else assessed.present_settings
