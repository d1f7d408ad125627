"""Trends from the entries of the record: the lungs of a patient since it came, and what was read of a running group."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends
from starlette.exceptions import HTTPException
from starlette.responses import Response

from airyoke.contract.words import name_words
from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.pictures.trends import Trend, TrendLine, TrendPoint, trends_svg
from airyoke.quantities import Refused, quantity
from airyoke.quantities.ranges import range_5_95
from airyoke.record import Record
from airyoke.ward.candidates import assess_ward
from airyoke.ward.rows import ward_rows
from airyoke.web.desk import Look
from airyoke.web.drawn import drawn
from airyoke.web.visits import Visit, visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]
MOST_POINTS: Final = 24
"""Of the newest readings: a day of hourly ones."""
_MECHANICS: Final = frozenset((
    "tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o", "peep_cmh2o", "pressure_above_peep_cmh2o",
))  # fmt: skip
_OF_A_GROUP: Final = ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o", "etco2_mmhg", "spo2_pct", "paco2_mmhg")


@router.get("/beds/{bed}/trend.svg")
def of_bed(visiting: Visiting, bed: str) -> Response:
    """The trend of one bed as an image."""
    return _image(bed_trends(visiting.desk.record, visiting.desk.look(), bed))


@router.get("/groups/{ventilator}/trend.svg")
def of_group(visiting: Visiting, ventilator: str) -> Response:
    """The trends of the group that runs on a ventilator as an image."""
    return _image(group_trends(visiting.desk.record, visiting.desk.look(), ventilator))


def _image(trends: tuple[Trend, ...]) -> Response:
    if not trends:
        raise HTTPException(404)
    return drawn(trends_svg(trends))


def bed_trends(record: Record, look: Look, bed: str) -> tuple[Trend, ...]:
    """Compliance of the patient in this bed at every reading of mechanics; empty with fewer than two."""
    place = look.state.beds.get(bed)
    if place is None or place.patient is None or look.ward is None:
        return ()
    rows = ward_rows(look.state)
    own = next(row for row in rows["beds"] if row["bed"] == bed)
    steady = {name: value for name, value in own.items() if name not in place.patient.readings}
    points = []
    held: dict[str, Any] = {}
    for at, values in _readings(record, place.patient.since, bed, place.patient.code):
        held |= values
        if _MECHANICS & values.keys():
            point = _compliance(rows, {**steady, **_there(held), "read_at": at.isoformat()}, at)
            points += [] if point is None else [point]
    if len(points) < 2:
        return ()
    return (Trend("Compliance", "mL/cmH2O", 0, (TrendLine("", "", tuple(points[-MOST_POINTS:])),)),)


def group_trends(record: Record, look: Look, ventilator: str) -> tuple[Trend, ...]:
    """What was read at the beds of the group on a ventilator, round by round; empty where none runs. Quantities that
    were read less than twice are left out."""
    name = look.state.group_on(ventilator)
    if name is None:
        return ()
    beds = look.state.groups[name].beds
    found: dict[str, dict[str, list[TrendPoint]]] = {}
    for entry, content in record.counted(("round_read", "baseline_read"), look.state.groups[name].since):
        if content.get("group") != name:
            continue
        at = datetime.fromisoformat(content.get("at") or entry.local)
        for bed, values in (content.get("patients") or {}).items():
            for key, value in values.items():
                if key in _OF_A_GROUP and isinstance(value, int | float):
                    found.setdefault(key, {}).setdefault(bed, []).append(TrendPoint(at, float(value)))
    policy = Policy() if look.ward is None else look.ward.policy
    trends = []
    for key in (one for one in _OF_A_GROUP if one in found):
        lines = tuple(
            TrendLine(lane, f"{lane}, bed {bed}", tuple(sorted(found[key].get(bed, ()), key=_time)[-MOST_POINTS:]))
            for lane, bed in zip("ABCD", beds, strict=False)
        )
        if any(len(line.points) > 1 for line in lines):
            words = name_words(key)
            title, unit = words[0].upper() + words[1:], quantity(key).unit
            trends.append(Trend(title, unit, 1 if unit == "cmH2O" else 0, lines, _bounds(policy, key)))
    return tuple(trends)


def _time(point: TrendPoint) -> datetime:
    return point.at


def _bounds(policy: Policy, key: str) -> tuple[float | None, float | None]:
    targets = {one.side: one.target for one in policy.limits if one.name == key and one.scope == "patient"}
    return targets.get("low"), targets.get("high")


def _readings(record: Record, since: int, bed: str, code: str | None) -> list[tuple[datetime, Mapping[str, Any]]]:
    """What was read of this patient, in the order of the times of reading; what has no time is left out."""
    found = []
    for entry, content in record.counted(("reading",), since):
        same = content["code"] == code if content.get("code") else content["bed"] == bed
        if same and content.get("read_at"):
            found.append((datetime.fromisoformat(content["read_at"]), content["values"], entry.sequence))
    return [(at, values) for at, values, _ in sorted(found, key=lambda one: (one[0], one[2]))]


def _there(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


def _compliance(rows: dict[str, Any], row: dict[str, Any], at: datetime) -> TrendPoint | None:
    """Compliance from one row of the sheet of beds; ``None`` where it says too little."""
    try:
        ward = ward_of_rows({**rows, "beds": [row]}, file="trend", now=at)
    except Refused:
        return None
    lungs = assess_ward(ward)[0].lungs
    if not isinstance(lungs, Patient):
        return None
    estimate = lungs.lungs.compliance
    low, high = range_5_95(estimate) or (None, None)
    return TrendPoint(at, estimate.value, low, high)
