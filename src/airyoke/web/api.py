"""The same answers as JSON under ``/api``, for scripts of the site. Nothing here writes; what is asked by POST has no
effect either. The description lies at ``/api/openapi.json`` on this server, and there is no page of anybody else's.
"""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, FastAPI, Query, Request
from starlette.responses import JSONResponse

from airyoke.contract.answers import Prediction
from airyoke.contract.case import Case, read_case
from airyoke.contract.case_findings import unusual
from airyoke.contract.check_answer import CheckAnswer
from airyoke.contract.findings_answer import ErrorAnswer
from airyoke.contract.limits_answer import LimitsAnswer
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.contract.record_answer import EntryAnswer, RecordAnswer
from airyoke.contract.what_if_answer import WhatIfAnswer
from airyoke.quantities import Finding, Refused
from airyoke.web.group_page import found
from airyoke.web.saved_groups import happening, turned, what_if_answer
from airyoke.web.visits import Visit, visit
from airyoke.web.ward_page import all_findings

MOST_ENTRIES: Final = 500
_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    code: {"model": ErrorAnswer} for code in (401, 403, 404, 422)
}  # fmt: skip
router = APIRouter(prefix="/api", responses=_ERRORS)
LAST_NUMBER: Final = 2**53 - 1
"""The largest whole number that every reader of JSON keeps exactly (RFC 8259, section 6)."""
Number = Annotated[int, Query(ge=1, le=LAST_NUMBER)]
Visiting = Annotated[Visit, Depends(visit)]


@router.get("/check")
def check(visiting: Visiting) -> CheckAnswer:
    """The ward as it stands: every bed with its estimates, and every finding."""
    look = visiting.desk.look()
    visiting.desk.note_reading(visiting.session, "the ward, by script")
    if look.ward is None:
        raise Refused(look.findings)
    return CheckAnswer.of(look.ward, all_findings(visiting.desk, look)[0], look.assessed)


@router.get("/plan")
def plan(visiting: Visiting) -> PlanAnswer:
    """The plan for the ward as it stands, where one was worked out; none is begun by asking."""
    look = visiting.desk.look()
    visiting.desk.note_reading(visiting.session, "the plan, by script")
    job = visiting.desk.engine.job("plan", look.key)
    if job is None or job.standing != "done":
        reason = "no plan was worked out for the ward as it stands"
        raise Refused((Finding("plan-missing", "refused", reason, "work it out on the page of the plan"),))
    return PlanAnswer.of(job.result)


@router.get("/groups/{ventilator}/what-if")
def what_if(visiting: Visiting, ventilator: str) -> WhatIfAnswer:
    """Before and after: dials by their keys (``rate_per_min=20``), other changes as ``change=compliance E2 -30%``."""
    look, saved = found(visiting, ventilator)
    typed = dict(visiting.request.query_params)
    return what_if_answer(visiting.desk, look, saved, turned(saved, typed), happening(saved, typed))


@router.get("/limits")
def limits(visiting: Visiting) -> LimitsAnswer:
    """The limits, conditions and defaults as they are where no policy changes them."""
    return LimitsAnswer.default()


@router.get("/entries")
def entries(visiting: Visiting, first: Number = 1, last: Number | None = None) -> RecordAnswer:
    """Entries of the ward's record, at most 500 at a time, with the ends of the chains."""
    record = visiting.desk.record
    visiting.desk.note_reading(visiting.session, "the record, by script")
    last = first + MOST_ENTRIES - 1 if last is None else min(last, first + MOST_ENTRIES - 1)
    return RecordAnswer(
        did="entries", record=record.database.name, site=record.site,
        heads=[str(record.head()), str(record.head("audit"))],
        entries=[EntryAnswer.of(one) for one in record.entries(first, last)],
    )  # fmt: skip


async def sent_case(request: Request) -> Case:
    """The case in the body. Raises ``Refused`` like every reader of cases."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        reason = "the body is not said to be JSON"
        raise Refused((Finding("case-kind", "refused", reason, "send it with Content-Type: application/json"),))
    try:
        return read_case((await request.body()).decode("utf-8"))  # the guard has limited its length
    except UnicodeDecodeError:
        raise Refused((Finding("case-encoding", "refused", "it is not UTF-8 text", "send UTF-8"),)) from None


@router.post("/predict", openapi_extra={"requestBody": {"required": True, "content": {
    "application/json": {"schema": {"$ref": "#/components/schemas/Case"}}}}})  # fmt: skip
def predict(visiting: Visiting, case: Annotated[Case, Depends(sent_case)]) -> Prediction:
    """One free case: what each patient gets. Nothing is kept of it."""
    domain = case.to_domain(unusual(case))
    answer = visiting.desk.quick.ask("predict", domain, key=case.model_dump_json())
    return Prediction.of(answer, domain.findings)


def describe(app: FastAPI) -> None:
    """Let the app tell its description, with the case among the models."""

    def description(visiting: Visiting) -> JSONResponse:
        """The description of this interface."""
        told = app.openapi()
        models = told["components"]["schemas"]
        if "Case" not in models:
            case = Case.model_json_schema(ref_template="#/components/schemas/{model}")
            models |= case.pop("$defs", {}) | {"Case": case}
        return JSONResponse(told)

    app.add_api_route("/api/openapi.json", description, methods=["GET"], include_in_schema=False)


def error(status: int, findings: tuple[Finding, ...]) -> JSONResponse:
    """A refusal as scripts get it."""
    return JSONResponse(ErrorAnswer.of(findings).model_dump(mode="json", by_alias=True), status)
