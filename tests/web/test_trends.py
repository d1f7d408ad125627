"""What was read over time, on the pages of a bed and of a group: from entries that count, each at its own time."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from starlette.testclient import TestClient

from airyoke.record import Record
from airyoke.ward.entries import Draft
from airyoke.web.desk import Desk, Look
from airyoke.web.trends import bed_trends, group_trends
from web.conftest import signed_in


def _look(client: TestClient) -> Look:
    desk: Desk = client.app.state.desk  # type: ignore[attr-defined]
    return desk.look()


def _write(record: Record, kind: str, content: dict[str, object]) -> str:
    (entry,) = record.write([Draft(kind, content)], person="ann", seen=record.state().sequence)
    return entry.id


def _read(record: Record, minutes: int, **values: float) -> str:
    patient = record.state().beds["E2"].patient
    assert patient is not None
    at = datetime.fromisoformat(str(patient.readings["plateau_cmh2o"].read_at)) + timedelta(minutes=minutes)
    content = {"bed": "E2", "code": patient.code, "read_at": at.isoformat(), "read_by": "ann", "values": values}
    return _write(record, "reading", content)


def test_compliance_over_time_is_the_volume_over_plateau_less_total_peep_and_follows_corrections(
    client: TestClient, record: Record
) -> None:
    """Compliance = VT / (plateau - total PEEP) by hand, at each time of reading."""
    signed_in(client, "ann")
    assert "Compliance since this patient came" not in client.get("/beds/E2").text
    first = {name: one.value for name, one in record.state().beds["E2"].patient.readings.items()}  # type: ignore[union-attr]
    stiffer = first["plateau_cmh2o"] + 3.0
    mistyped = _read(record, 10, plateau_cmh2o=stiffer)
    ((trend),) = bed_trends(record, _look(client), "E2")
    now, then = (p.value for p in trend.lines[0].points)
    assert now == pytest.approx(first["tidal_volume_ml"] / (first["plateau_cmh2o"] - first["total_peep_cmh2o"]), rel=0.02)
    assert then == pytest.approx(first["tidal_volume_ml"] / (stiffer - first["total_peep_cmh2o"]), rel=0.02)
    assert client.get("/beds/E2/trend.svg").headers["content-type"] == "image/svg+xml"
    assert "Compliance since this patient came" in client.get("/beds/E2").text
    _write(record, "undo", {"undoes": mistyped, "reason": "mistyped"})
    assert bed_trends(record, _look(client), "E2") == ()
    assert client.get("/beds/E2/trend.svg").status_code == 404


def test_rounds_of_a_running_group_are_shown_lane_by_lane(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    settings = {"mode": "pc", "rate_per_min": 22, "inspiratory_time_s": 0.8, "peep_cmh2o": 11,
                "pressure_above_peep_cmh2o": 18, "fio2": 0.6}  # fmt: skip
    _write(record, "group_started", {"group": "G1", "ventilator": "V2", "beds": ["E2", "E3"], "settings": settings})
    assert group_trends(record, _look(client), "V2") == ()
    for minutes, volumes in ((5, (430, 440)), (15, (410, 450))):
        at = (datetime.now().astimezone() + timedelta(minutes=minutes - 20)).isoformat()
        values = {bed: {"tidal_volume_ml": volume} for bed, volume in zip(("E2", "E3"), volumes, strict=True)}
        _write(record, "round_read", {"group": "G1", "patients": values, "at": at})
    (trend,) = group_trends(record, _look(client), "V2")
    assert [(line.lane, [p.value for p in line.points]) for line in trend.lines] == [("A", [430, 410]), ("B", [440, 450])]
    assert "What was read since they share" in client.get("/groups/V2").text
    assert client.get("/groups/V2/trend.svg").headers["content-type"] == "image/svg+xml"
