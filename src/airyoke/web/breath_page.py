"""One breath of a group as a still figure, and as tables: as it is saved, or at the settings in the address."""

from __future__ import annotations

from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Depends
from starlette.exceptions import HTTPException
from starlette.responses import Response

from airyoke.pictures import wave_tables, waves_svg, waves_told
from airyoke.quantities import Refused
from airyoke.web.desk import Look
from airyoke.web.drawn import drawn
from airyoke.web.engine_process import BreathCurves
from airyoke.web.group_page import NOT_ASKED, found
from airyoke.web.saved_groups import SavedGroup, curves_of, happening, turned
from airyoke.web.visits import Visit, visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]
ACROSS: Final = (2, 3, 0)
"""How many plots stand side by side: on a phone, on a tablet, where there is room for everybody (0)."""


@router.get("/groups/{ventilator}/breath")
def breath(visiting: Visiting, ventilator: str) -> Response:
    """The page."""
    look, saved = found(visiting, ventilator)
    typed = _typed(visiting)
    same = _is_saved(saved, typed)
    shown = {"group": saved, "tab": "breath", "same": same, "tables": (), "findings": (), "told": "",
             "query": "" if same else urlencode(typed)}  # fmt: skip
    status = 200
    if visiting.desk.engine.ready:
        try:
            both = _curves(visiting, look, saved, typed)
            lanes = _lanes(saved, both)
            shown |= {"tables": wave_tables(both.after, lanes), "told": waves_told(both.after, lanes)}
        except Refused as refusal:
            status, shown["findings"] = 422, refusal.findings
    return visiting.page("breath.html", look, status=status, here="group", **shown)


@router.get("/groups/{ventilator}/breath.svg")
def figure(visiting: Visiting, ventilator: str, across: int = 0) -> Response:
    """The figure; it carries its own style, which only an image may do under this app's policy."""
    look, saved = found(visiting, ventilator, note=False)
    if not visiting.desk.engine.ready:
        raise HTTPException(503)
    typed = _typed(visiting)
    both = _curves(visiting, look, saved, typed)
    svg = waves_svg(
        both.after, _lanes(saved, both), before=None if _is_saved(saved, typed) else both.before,
        ventilator=saved.ventilator.label, columns=across if across in ACROSS else 0,
    )  # fmt: skip
    return drawn(svg)


def _typed(visiting: Visit) -> dict[str, str]:
    """What is asked in the address besides how it is drawn."""
    asked = visiting.request.query_params
    return {key: value for key, value in asked.items() if value and key not in (*NOT_ASKED, "across")}


def _is_saved(saved: SavedGroup, typed: dict[str, str]) -> bool:
    try:
        return turned(saved, typed) == saved.settings and not happening(saved, typed)
    except Refused:
        return False


def _curves(visiting: Visit, look: Look, saved: SavedGroup, typed: dict[str, str]) -> BreathCurves:
    return curves_of(visiting.desk, look, saved, turned(saved, typed), happening(saved, typed))


def _lanes(saved: SavedGroup, both: BreathCurves) -> list[str]:
    """Letters of those who breathe after the changes: who stays keeps the letter."""
    labels = list(dict.fromkeys((*saved.beds, *(one.label for one in both.after.patients))))
    return ["ABCDEFGH"[labels.index(one.label)] for one in both.after.patients]
