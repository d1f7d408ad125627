"""What can go wrong in a group, whom it hurts, and whether any alarm would tell."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.exceptions import HTTPException
from starlette.responses import Response

from airyoke.contract.fault_words import cautions_of
from airyoke.quantities import Refused
from airyoke.quantities.cautions import STANDING
from airyoke.web.group_page import found
from airyoke.web.saved_groups import faults_of
from airyoke.web.visits import Visit, visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]


@router.get("/groups/{ventilator}/faults")
def faults(visiting: Visiting, ventilator: str) -> Response:
    """The page; the list takes seconds and comes after it."""
    look, saved = found(visiting, ventilator)
    standing = {one.id for one in STANDING}  # those stand at the foot of every page
    cautions = [one for one in cautions_of(len(saved.beds), typical_parts=True) if one.id not in standing]
    return visiting.page("faults.html", look, here="group", group=saved, tab="faults", cautions_here=cautions,
                         lanes=list(zip("ABCD", saved.beds, strict=False)))  # fmt: skip


@router.get("/groups/{ventilator}/faults/list")
def listed(visiting: Visiting, ventilator: str) -> Response:
    """The list, at the settings of the group and on the readings of now."""
    look, saved = found(visiting, ventilator, note=False)
    if not visiting.desk.engine.ready:
        raise HTTPException(503)
    try:
        lines = faults_of(visiting.desk, look, saved)
    except Refused as refusal:
        return visiting.page("fault_list.html", look, status=422, faults=None, findings=refusal.findings)
    return visiting.page("fault_list.html", look, faults=lines, findings=())
