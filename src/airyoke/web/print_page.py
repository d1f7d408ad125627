"""Sheets to print: everything that a plan needs on paper, as PDF files made on this machine."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from starlette.exceptions import HTTPException
from starlette.responses import Response

from airyoke import __version__
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.paper import KINDS, Provenance, Sheet, check_paper, kept_plan, pdf, plan_words, running_groups
from airyoke.quantities import Finding, Refused
from airyoke.web.engine_process import SheetsQuestion
from airyoke.web.visits import Visit, visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]
Paper = Annotated[str, Query(max_length=10)]


@router.get("/print")
def sheets_page(visiting: Visiting, paper: Paper = "a4") -> Response:
    """Which sheets there are for the plan of the ward as it stands, group by group."""
    look = visiting.desk.look()
    check_paper(paper)
    by_group: dict[str, list[tuple[str, str, str]]] = {}
    found: tuple[Finding, ...] = ()
    try:
        for one in _sheets(visiting)[0]:
            kind = KINDS[one.name]
            where = str(one.content.get("subject") or "The ward")
            by_group.setdefault(where, []).append((one.file, kind.title, kind.question))
    except Refused as refusal:
        found = refusal.findings
    return visiting.page("print.html", look, here="plan", groups=by_group, paper=paper, findings=found)


@router.get("/print/{file}")
def sheet(visiting: Visiting, file: str, paper: Paper = "a4") -> Response:
    """One sheet as a PDF; that it left the record is in the audit."""
    size = check_paper(paper)
    sheets, as_of = _sheets(visiting)
    one = next((one for one in sheets if one.file == file), None)
    if one is None:
        raise HTTPException(404)
    made = pdf(one, paper=size, as_of=int(as_of.timestamp()))
    visiting.desk.record.write_audit("export", {"what": f"printed: {file}"}, person=visiting.person or "unlocked")
    return Response(made, media_type="application/pdf",
                    headers={"Content-Disposition": f'inline; filename="{file}"'})  # fmt: skip


def _sheets(visiting: Visit) -> tuple[tuple[Sheet, ...], datetime]:
    """Every sheet of the plan of the ward as it stands, and the time of the last entry."""
    desk = visiting.desk
    look = desk.look()
    job = desk.engine.job("plan", look.key)
    if look.ward is None or job is None or job.standing != "done":
        remedy = "work it out on the page of the plan; the sheets follow it"
        raise Refused((Finding("plan-missing", "refused", "there is no plan for the ward as it stands", remedy),))
    record, head = desk.record, desk.record.head()
    last = record.entries(head.sequence, head.sequence)
    as_of = datetime.fromisoformat(last[0].local) if last else look.now
    plan = PlanAnswer.of(job.result)
    words = plan_words(plan, kept_plan(record, look.state, plan), "worked out for this print, not kept")
    provenance = Provenance(as_of, __version__, f"record {record.site}", head.short, words)
    question = SheetsQuestion(plan, look.ward, provenance, running_groups(record, look.state, as_of))
    found: tuple[Sheet, ...] = desk.study.ask("sheets", question, (look.key, head))
    return found, as_of
