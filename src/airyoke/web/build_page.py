"""What to build for a group: the drawn circuit, the parts, the order of the joints, the bench check."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from starlette.exceptions import HTTPException
from starlette.responses import Response

from airyoke.bench_check.checks import Check
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import stands_for
from airyoke.circuit.parts import PARTS
from airyoke.contract.words import expected_words
from airyoke.pictures import circuit_svg
from airyoke.pictures.circuit import description
from airyoke.web.drawn import drawn
from airyoke.web.group_page import found
from airyoke.web.saved_groups import circuit_of
from airyoke.web.visits import Visit, visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]


@router.get("/groups/{ventilator}/circuit")
def circuit(visiting: Visiting, ventilator: str) -> Response:
    """The page."""
    look, saved = found(visiting, ventilator)
    shown: dict[str, Any] = {"one": None, "cannot": None}
    if visiting.desk.engine.ready:
        one, report = circuit_of(visiting.desk, look, saved)
        if isinstance(one, CannotBuild) or report is None:
            shown["cannot"] = one
        else:
            instead = {part: usual for part, usual, _ in stands_for(one)}
            stock = None if look.ward is None else look.ward.stock
            picks = [(PARTS[part].meaning, part, need, None if stock is None else stock.get(part, 0),
                      instead.get(part, "")) for part, need in one.assembly.taken]  # fmt: skip
            checks: dict[str, list[tuple[Check, str]]] = {}
            for check in report.checks:
                checks.setdefault(check.do, []).append((check, expected_words(check, " to ")))
            shown["counted"] = stock is not None
            shown |= {"one": one, "picks": picks, "report": report, "checks": checks,
                      "told": description(one.assembly),
                      "into": one.costs.drop_cmh2o(0.5)}  # fmt: skip
    return visiting.page("circuit.html", look, here="group", group=saved, tab="circuit", **shown)


@router.get("/groups/{ventilator}/circuit.svg")
def drawing(visiting: Visiting, ventilator: str, shape: Annotated[str, Query()] = "wide") -> Response:
    """The drawn circuit; it carries its own style, which only an image may do under this app's policy."""
    look, saved = found(visiting, ventilator, note=False)
    if not visiting.desk.engine.ready:
        raise HTTPException(503)
    one, _ = circuit_of(visiting.desk, look, saved)
    if isinstance(one, CannotBuild):
        raise HTTPException(404)
    return drawn(circuit_svg(one.assembly, shape="narrow" if shape == "narrow" else "wide", labels=saved.beds))
