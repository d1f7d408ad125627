"""A round typed at the bed, in the order of the printed form, and what it says of who changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from airyoke.contract.watch_words import (
    NO_MONITOR,
    ONE_CHANGE,
    cost_words,
    drift_words,
    shown_suspects,
    summary_words,
    way_words,
)
from airyoke.contract.words import name_words
from airyoke.quantities import Finding, Refused
from airyoke.ward.entries import Draft
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.round_words import baseline_alarms, predicted_of
from airyoke.ward.state import WardState
from airyoke.watch.rounds import GROUP_ITEMS, PATIENT_ITEMS, Item
from airyoke.web.bedside_group import bedside_group, prepared_group
from airyoke.web.bedside_page import DueWords, due_words
from airyoke.web.bedside_seen import predicted_words, suspicion_of
from airyoke.web.saved_groups import machine_of
from airyoke.web.visits import Visit, sent_form, visit, writing_visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]
Form = Annotated[dict[str, str], Depends(sent_form)]
_READ: Final = ("coupling", "running", "abandoning", "abandoned", "leaving")


@dataclass(frozen=True, slots=True)
class RoundField:
    """One field: ``beside`` is what it is expected to be, in words."""

    key: str
    label: str
    unit: str
    answers: tuple[str, ...]
    text: bool
    beside: str
    typed: str
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class RoundPart:
    """The fields of one patient (``lane`` its letter) or of the ventilator. ``more`` are those that are not read in
    every round: with the others clamped, or of a gas; ``due`` says that they are wanted now."""

    lane: str
    name: str
    fields: tuple[RoundField, ...]
    more: tuple[RoundField, ...]
    due: bool


@router.get("/groups/{ventilator}/bedside/round")
def round_page(visiting: Visiting, ventilator: str) -> Response:
    """The form."""
    return _view(visiting, ventilator, {})


def _view(visiting: Visit, ventilator: str, typed: Mapping[str, str], wrong: tuple[Finding, ...] = (),
          status: int = 200) -> Response:  # fmt: skip
    look = visiting.desk.look()
    one = bedside_group(visiting, look, ventilator)
    visiting.desk.note_reading(visiting.session, f"bedside of {ventilator}"[:80])
    standing = one.standing
    if standing is None:
        raise HTTPException(404)
    now = visiting.desk.record.clock().local
    due = due_words(look.state, one.name, standing, now)
    reads = standing.stage in _READ and bool(standing.joined)
    parts, rest = _parts(standing, typed, wrong, due, now) if reads else ([], wrong)
    return visiting.page(
        "bedside_round.html", look, status=status, here="group", tab="bedside", group=one.saved, standing=standing,
        parts=parts, wrong=rest, typed=typed, address=_address(ventilator), seen=look.state.sequence,
        may=visiting.may, no_monitor=NO_MONITOR.text,
    )  # fmt: skip


def _address(ventilator: str) -> str:
    return f"/groups/{ventilator}/bedside"


def _parts(standing: GroupStanding, typed: Mapping[str, str], wrong: tuple[Finding, ...], due: list[DueWords],
           now: datetime) -> tuple[list[RoundPart], tuple[Finding, ...]]:  # fmt: skip
    """The fields bed by bed, each with what is wrong with it; and what is wrong with none of them."""
    predicted = predicted_of(standing)
    wanted = {line.bed for line in due if line.bed is not None and line.at is not None and line.at <= now}
    used: list[Finding] = []

    def field(prefix: str, item: Item, bed: str | None) -> RoundField:
        mine = tuple(one for one in wrong if (one.column == f"{prefix}{item.key}") or (
            one.column == item.key and one.bed == bed))  # fmt: skip
        used.extend(mine)
        beside = predicted_words(predicted.get(bed or "", {}), item.key) or item.expected
        key = f"{prefix}{item.key}"
        return RoundField(
            key, name_words(item.key), item.unit, item.answers, item.text, beside, typed.get(key, ""), mine
        )

    parts = []
    for number, bed in enumerate(standing.beds):
        if bed in standing.joined:
            fields = tuple(field(f"{number}-", item, bed) for item in PATIENT_ITEMS if item.when == "every")
            more = tuple(field(f"{number}-", item, bed) for item in PATIENT_ITEMS if item.when != "every")
            open_ = bed in wanted or standing.baseline is None or any(one.typed or one.findings for one in more)
            parts.append(RoundPart("ABCD"[number], f"bed {bed}", fields, more, open_))
    machine = tuple(field("g-", item, None) for item in GROUP_ITEMS)
    parts.append(RoundPart("", standing.ventilator, machine, (), False))
    return parts, tuple(one for one in wrong if one not in used)


@router.post("/groups/{ventilator}/bedside/round")
def read(request: Request, ventilator: str, form: Form) -> Response:
    """The round, or the baseline, is written down; what is refused is said beside its field, and nothing is lost."""
    visiting = writing_visit(request, form, f"{_address(ventilator)}/round")
    look = visiting.desk.look()
    name, standing = prepared_group(visiting, look, ventilator)
    try:
        if visiting.person is None:
            raise _refused("writer-missing", "nobody is named who writes this", "give your name", "writer")
        values, patients = _typed(standing, form)
        codes = _codes(look.state, patients)
        content: dict[str, Any] = {"group": name}
        content |= {key: held for key, held in (("values", values), ("patients", patients), ("codes", codes)) if held}
        if at := form.get("at", "").strip():
            content["at"] = _time(at, visiting.desk.record.clock().local)
        if "baseline" in form:
            machine = machine_of(look, ventilator)
            if machine is None:
                raise _refused("ventilator-unknown", f"the ward has no ventilator {ventilator}", "add it first")
            dialled = look.state.settings.get(ventilator, {})
            alarms = baseline_alarms(standing, machine, dialled, values, patients)
            content["alarms"] = [{k: v for k, v in asdict(one).items() if v is not None} for one in alarms]
        kind = "baseline_read" if "baseline" in form else "round_read"
        seen = int(form["seen"]) if form.get("seen", "").isdecimal() else 0
        visiting.desk.record.write([Draft(kind, content, form.get("once") or None)], person=visiting.person, seen=seen)
    except Refused as refusal:
        status = 403 if any(one.id == "right-missing" for one in refusal.findings) else 422
        return _view(visiting, ventilator, form, refusal.findings, status)
    return RedirectResponse(f"{_address(ventilator)}?written=round#read", 303)


def _typed(standing: GroupStanding, form: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    wrong: list[Finding] = []

    def read_of(prefix: str, items: tuple[Item, ...], bed: str | None) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for item in items:
            text = form.get(f"{prefix}{item.key}", "").strip()
            if not text:
                continue
            try:
                found[item.key] = text if item.text or item.answers else float(text.replace(",", "."))
            except ValueError:
                wrong.append(Finding("value-form", "refused", f"{text[:20]!r} is no number", "type a number", bed=bed,
                                     column=f"{prefix}{item.key}"))  # fmt: skip
        return found

    patients = {bed: held for number, bed in enumerate(standing.beds)
                if (held := read_of(f"{number}-", PATIENT_ITEMS, bed))}  # fmt: skip
    values = read_of("g-", GROUP_ITEMS, None)
    if wrong:
        raise Refused(tuple(wrong))
    return values, patients


def _codes(state: WardState, patients: Mapping[str, Any]) -> dict[str, str]:
    return {bed: patient.code for bed in patients
            if (patient := state.beds[bed].patient) is not None and patient.code is not None}  # fmt: skip


def _time(text: str, now: datetime) -> str:
    """A clock time of today, or a full time, as the record keeps it."""
    try:
        at = datetime.fromisoformat(text if "T" in text else f"{now:%Y-%m-%d}T{text}")
    except ValueError:
        raise _refused("at-form", f"{text[:20]!r} is no time", "type it like 14:30", "at") from None
    return (at if at.tzinfo else at.replace(tzinfo=now.tzinfo)).isoformat()


def _refused(finding_id: str, reason: str, remedy: str, column: str | None = None) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy, column=column),))


@router.get("/groups/{ventilator}/bedside/suspicion")
def suspicion(visiting: Visiting, ventilator: str) -> Response:
    """Who most likely changed, and what to read next; worked out from every round since the baseline."""
    look = visiting.desk.look()
    name, standing = prepared_group(visiting, look, ventilator)
    lanes = list(zip("ABCD", standing.beds, strict=False))
    if not visiting.desk.engine.ready:
        raise HTTPException(503)
    try:
        said = suspicion_of(visiting, look, name, standing)
    except Refused as refusal:
        return visiting.page("suspicion.html", look, status=422, said=None, findings=refusal.findings, lanes=lanes)
    first, *others = said.next_readings or (None,)
    return visiting.page(
        "suspicion.html", look, said=said, findings=(), lanes=lanes, summary=summary_words(said),
        suspects=shown_suspects(said), first=first, others=others, way_words=way_words, cost_words=cost_words,
        drifts=[drift_words(one) for one in said.drifts if one.told], cautions_here=(NO_MONITOR.text, ONE_CHANGE.text),
    )  # fmt: skip
