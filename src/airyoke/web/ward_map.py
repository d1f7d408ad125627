"""The map of who needs which drive, on the page of the plan: for the ward as it stands, with the groups of its plan."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.exceptions import HTTPException
from starlette.responses import Response

from airyoke.pictures import ward_map_svg
from airyoke.ward.drive_map import DriveMap, drive_map
from airyoke.web.desk import Desk, Look
from airyoke.web.drawn import drawn
from airyoke.web.visits import Visit, visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]


def map_of(desk: Desk, look: Look) -> DriveMap | None:
    """The map, or ``None`` where nobody can be shown."""
    if look.ward is None:
        return None
    job = desk.engine.job("plan", look.key)
    plan = job.result if job is not None and job.standing == "done" else None
    found = drive_map(look.assessed, look.ward.policy, plan)
    return found if found.points else None


@router.get("/plan/map.svg")
def picture(visiting: Visiting, shape: str = "wide") -> Response:
    """The map as an image."""
    found = map_of(visiting.desk, visiting.desk.look())
    if found is None:
        raise HTTPException(404)
    return drawn(ward_map_svg(found, shape="narrow" if shape == "narrow" else "wide"))
