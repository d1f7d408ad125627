"""One bed: readings in, findings beside the field, estimates with their ranges out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response

from airyoke.contract.check_answer import estimates_of
from airyoke.contract.words import as_read_words, name_words, number_words
from airyoke.lungs.patient import Patient
from airyoke.pictures import trend_rows, trends_told
from airyoke.quantities import Finding, Refused, quantity
from airyoke.quantities.ranges import range_5_95
from airyoke.record import Conflict
from airyoke.ward.candidates import BedAssessment
from airyoke.web.desk import Look
from airyoke.web.reading_form import PARTS, STAY, FormField, form_fields, judge
from airyoke.web.trends import bed_trends
from airyoke.web.visits import Visit, page, sent_form, visit, writing_visit
from airyoke.web.ward_page import all_findings
from airyoke.web.words import clock_words

router = APIRouter()
Form = Annotated[dict[str, str], Depends(sent_form)]
Visiting = Annotated[Visit, Depends(visit)]


@dataclass(frozen=True, slots=True)
class EstimateLine:
    """One estimate as shown: value, range, where it came from."""

    name: str
    value: str
    unit: str
    low: str
    high: str
    basis: str
    inputs: tuple[str, ...]
    assumed: bool


@router.get("/beds/{bed}")
def bed(visiting: Visiting, bed: str) -> Response:
    """The page."""
    look = visiting.desk.look()
    _known(look, bed)
    visiting.desk.note_reading(visiting.session, f"bed {bed}")
    return _page(visiting, look, bed, {}, None)


@router.post("/beds/{bed}/look")
def look_at(request: Request, bed: str, form: Form) -> JSONResponse:
    """What is wrong with what was typed so far, and what the lungs would be; nothing is written."""
    visiting = writing_visit(request, form, f"/beds/{bed}")
    look = visiting.desk.look()
    _known(look, bed)
    judged = judge(look, bed, form)
    shown = page(visiting.desk, "estimates.html", look, visit=visiting, estimates=estimate_lines(judged.assessed),
                 assessed=judged.assessed, typed=True)  # fmt: skip
    found = [
        {"column": one.column, "level": one.level, "reason": one.reason, "remedy": one.remedy}
        for one in judged.findings
    ]
    return JSONResponse({"findings": found, "estimates": bytes(shown.body).decode()})


@router.post("/beds/{bed}/readings")
def write(request: Request, bed: str, form: Form) -> Response:
    """Write what was typed, or show it again with what is wrong."""
    visiting = writing_visit(request, form, f"/beds/{bed}")
    look = visiting.desk.look()
    _known(look, bed)
    judged = judge(look, bed, form)
    if judged.refused:
        return _page(visiting, look, bed, form, judged.findings, status=422)
    if not judged.drafts:
        finding = Finding(
            "nothing-typed", "refused", "nothing was typed that is not there already", "type what was read anew"
        )
        return _page(visiting, look, bed, form, (*judged.findings, finding), status=422)
    if visiting.person is None:
        finding = Finding(
            "writer-missing", "refused", "nobody is named who writes this", "give your name", column="writer"
        )
        return _page(visiting, look, bed, form, (*judged.findings, finding), status=422)
    try:
        seen = int(form.get("seen", "")) if form.get("seen", "").isdecimal() else 0
        visiting.desk.record.write(judged.drafts, person=visiting.person, seen=seen)
    except Conflict as conflict:
        return _page(visiting, visiting.desk.look(), bed, form, conflict.findings, status=409, clashes=conflict.clashes)
    except Refused as refusal:
        return _page(visiting, look, bed, form, refusal.findings, status=403)
    return RedirectResponse(f"/beds/{bed}?saved=1", 303)


def _known(look: Look, bed: str) -> None:
    place = look.state.beds.get(bed)
    if place is None or place.patient is None:
        raise HTTPException(404)


def _page(visiting: Visit, look: Look, bed: str, form: Mapping[str, str], findings: tuple[Finding, ...] | None, *,
          status: int = 200, clashes: tuple[Any, ...] = ()) -> Response:  # fmt: skip
    place = look.state.beds[bed]
    patient = place.patient
    assert patient is not None, "an empty bed has no page"
    desk = visiting.desk
    standing, engine_checked = all_findings(desk, look)
    mine = tuple(one for one in standing if one.bed == bed)
    shown = findings if findings is not None else mine
    since = {
        key: f"{clock_words(datetime.fromisoformat(used.read_at), look.now) if used.read_at else 'time not known'}"
        f"{', ' + used.read_by if used.read_by else ''}"
        for key, used in patient.readings.items()
    }

    def fields_of(keys: tuple[str, ...], *, prefilled: bool) -> list[FormField]:
        return form_fields(look, bed, keys, form, shown, since, prefilled=prefilled)

    parts = [(title, fields_of(keys, prefilled=False)) for title, keys in PARTS]
    stay = fields_of(STAY, prefilled=True)
    placed = {id(one) for _, fields in [*parts, ("", stay)] for field in fields for one in field.findings}
    asks = tuple(one for one in shown if one.level == "ask")
    assessed = look.assessment(bed)
    trends = bed_trends(desk.record, look, bed)
    return visiting.page(
        "bed.html", look, status=status, here="bed", bed=bed, place=place, patient=patient, parts=parts, stay=stay,
        loose=tuple(one for one in shown if id(one) not in placed), asks=asks, form=form, sent=findings is not None,
        clashes=clashes, saved="saved" in visiting.request.query_params, engine_checked=engine_checked,
        estimates=estimate_lines(assessed), assessed=assessed, typed=False, beds=list(look.state.beds),
        may_write=visiting.may("reading"),
        trends=trends, trend_told=trends_told(trends), trend_tables=trend_rows(trends),
        seen=form.get("seen") if status == 422 else look.state.sequence,
        local_now=f"{look.now:%Y-%m-%dT%H:%M}",
    )  # fmt: skip


def estimate_lines(assessed: BedAssessment | None) -> list[EstimateLine]:
    """The lungs of one bed, each figure with its range and the way to its inputs."""
    if assessed is None or not isinstance(assessed.lungs, Patient):
        return []
    lines = []
    for one in estimates_of(assessed.lungs.lungs):
        if one.quantity == "quadratic_resistance_cmh2o_s2_per_l2" and one.value == 0.0:
            continue
        unit = quantity(one.quantity).unit
        ends = range_5_95(one)
        inputs = tuple(f"{name_words(name)} {_input(name, value)}" for name, value in one.inputs)
        low, high = ("", "") if ends is None else (number_words(ends[0], unit), number_words(ends[1], unit))
        value = number_words(one.value, unit)
        lines.append(EstimateLine(name_words(one.quantity), value, unit, low, high, one.basis, inputs, one.assumed))
    return lines


def _input(name: str, value: float | str) -> str:
    return str(value) if isinstance(value, str) else as_read_words(value, name)
