"""Who comes, who goes: places, patients and machines of the ward, one by one or from a workbook."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from airyoke.exchange.ward_rows import read_typed_rows
from airyoke.quantities import Finding, Refused
from airyoke.record.files import file_sha256
from airyoke.record.rights import may_write
from airyoke.ward.entries import Draft
from airyoke.ward.proposal import Line, propose, seems_of_another_site
from airyoke.web.visits import Visit, clean, sent_form, visit, writing_visit

router = APIRouter()
Form = Annotated[dict[str, str], Depends(sent_form)]
Visiting = Annotated[Visit, Depends(visit)]


@router.get("/changes-of-the-ward")
def changes(visiting: Visiting) -> Response:
    """The page with its forms."""
    return _page(visiting, {}, ())


@router.post("/changes-of-the-ward/{what}")
def write(request: Request, what: str, form: Form) -> Response:
    """One change, written down."""
    visiting = writing_visit(request, form, "/changes-of-the-ward")
    typed = {key: form.get(key, "").strip() for key in ("bed", "code", "room", "to", "ventilator", "reason")}
    try:
        if visiting.person is None:
            raise _refused("writer-missing", "nobody is named who writes this", "give your name", "writer")
        draft = _draft(visiting, what, typed, form.get("once") or None)
        seen = int(form["seen"]) if form.get("seen", "").isdecimal() else 0
        visiting.desk.record.write([draft], person=visiting.person, seen=seen)
    except Refused as refusal:
        return _page(visiting, form, refusal.findings)
    if what == "in":
        return RedirectResponse(f"/beds/{typed['bed']}", 303)
    return RedirectResponse("/changes-of-the-ward?done=1", 303)


def _draft(visiting: Visit, what: str, typed: Mapping[str, str], once: str | None) -> Draft:
    state = visiting.desk.look().state
    place = state.beds.get(typed["bed"])
    patient = None if place is None else place.patient
    of_whom: dict[str, Any] = {"bed": typed["bed"]}
    if patient is not None and patient.code is not None:
        of_whom["code"] = patient.code
    match what:
        case "in":
            values = {"ventilator": typed["ventilator"]} if typed["ventilator"] else {}
            new = {"bed": typed["bed"], "values": values} | ({"code": typed["code"]} if typed["code"] else {})
            return Draft("patient_in", new, once)
        case "out":
            return Draft("patient_out", of_whom | _given(typed, "reason"), once)
        case "move":
            return Draft("patient_moved", of_whom | {"to": typed["to"]}, once)
        case "bed":
            return Draft("bed", {"bed": typed["bed"]} | _given(typed, "room"), once)
        case "ventilator":
            return Draft("ventilator", {"ventilator": typed["ventilator"], "values": {}}, once)
    raise _refused("change-unknown", "there is no such change", "use a form of this page")


def _given(typed: Mapping[str, str], key: str) -> dict[str, str]:
    return {key: typed[key]} if typed[key] else {}


# A workbook


@router.post("/workbook")
async def workbook(request: Request) -> Response:
    """What a workbook would change, line by line; with ``confirm`` the lines are written."""
    async with request.form(max_files=1, max_fields=50) as sent:
        form = {key: clean(value) for key, value in sent.items() if isinstance(value, str)}
        file = sent.get("workbook")
        content = await file.read() if isinstance(file, UploadFile) else b""
        name = (file.filename or "") if isinstance(file, UploadFile) else ""
    visiting = writing_visit(request, form, "/changes-of-the-ward")
    from starlette.concurrency import run_in_threadpool

    return await run_in_threadpool(_workbook, visiting, form, content, Path(name).name)


def _workbook(visiting: Visit, form: Mapping[str, str], content: bytes, name: str) -> Response:
    desk = visiting.desk
    try:
        if not content or not name.casefold().endswith(".xlsx"):
            raise _refused("workbook-missing", "no workbook was sent", "choose a file that ends in .xlsx", "workbook")
        state = desk.record.state()
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "ward.xlsx"
            path.write_bytes(content)
            _, rows = read_typed_rows(path, now=desk.look().now)
            digest = file_sha256(path)
        if seems_of_another_site(state, rows):
            raise _refused("import-other-site", "it names no bed and no ventilator of this record: another site's?",
                           "if it is this site's: airyoke record import, by number")  # fmt: skip
        lines = propose(state, rows)
        mine = [one for one in lines if _may_take(visiting, one)]
        if "confirm" in form:
            if visiting.person is None:
                raise _refused("writer-missing", "nobody is named who writes this", "give your name", "writer")
            about = {"source": name[:80], "sha256": digest, "lines": len(lines), "confirmed": len(mine)}
            drafts = [draft for one in mine for draft in one.drafts]
            seen = int(form["seen"]) if form.get("seen", "").isdecimal() else 0
            desk.record.write([Draft("import", about), *drafts], person=visiting.person, seen=seen)
            return RedirectResponse("/changes-of-the-ward?done=1", 303)
    except Refused as refusal:
        return _page(visiting, form, refusal.findings)
    return _page(visiting, form, (), lines=[(one, one in mine) for one in lines], workbook=name)


def _may_take(visiting: Visit, line: Line) -> bool:
    """New and changed lines that this person may write; a conflict is for the terminal, by its number."""
    state = visiting.desk.record.state()
    return line.kind != "conflicting" and all(may_write(state, visiting.person or "", d.kind) for d in line.drafts)


def _page(visiting: Visit, form: Mapping[str, str], findings: tuple[Finding, ...], *,
          lines: list[tuple[Line, bool]] | None = None, workbook: str = "") -> Response:  # fmt: skip
    look = visiting.desk.look()
    beds = look.state.beds
    status = 403 if any(one.id == "right-missing" for one in findings) else 422 if findings else 200
    return visiting.page(
        "ward_changes.html", look, status=status, here="ward", form=form, findings=findings, lines=lines,
        workbook=workbook, empty=[label for label, place in beds.items() if place.patient is None],
        taken=[label for label, place in beds.items() if place.patient is not None],
        machines=list(look.state.ventilators), done="done" in visiting.request.query_params,
        may_write=visiting.may("patient_in"), seen=look.state.sequence,
    )  # fmt: skip


def _refused(finding_id: str, reason: str, remedy: str, column: str | None = None) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy, column=column),))
