"""Patients who come and go, and a workbook taken in by a browser."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from starlette.testclient import TestClient

from airyoke.exchange import write_tables
from airyoke.record import Record
from airyoke.ward.demo import demo_tables
from web.conftest import signed_in, token_of

PAGE = "/changes-of-the-ward"


def form_for(client: TestClient, **typed: str) -> dict[str, str]:
    html = client.get(PAGE).text
    return {"token": token_of(html), "seen": html.split('name="seen" value="')[1].split('"')[0], **typed}


def test_the_next_patient_of_a_bed_does_not_inherit_the_readings_of_the_last(
    client: TestClient, record: Record
) -> None:
    signed_in(client, "ann")
    assert client.post(f"{PAGE}/out", data=form_for(client, bed="E1")).status_code == 303
    answer = client.post(f"{PAGE}/in", data=form_for(client, bed="E1", code="k99", ventilator="V1"))
    assert answer.headers["location"] == "/beds/E1"
    patient = record.state().beds["E1"].patient
    assert patient is not None
    assert patient.code == "k99"
    assert patient.readings == {}
    assert client.get("/beds/E1").status_code == 200
    assert client.get("/").status_code == 200


def test_what_contradicts_the_ward_is_refused_with_what_to_do(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    before = record.state().sequence
    answer = client.post(f"{PAGE}/in", data=form_for(client, bed="E2", code="k99"))
    assert answer.status_code == 422
    assert "somebody is in bed E2" in answer.text
    assert record.state().sequence == before


def test_a_workbook_is_shown_first_and_written_only_when_confirmed(
    client: TestClient, record: Record, tmp_path: Path
) -> None:
    tables = demo_tables(datetime.now(UTC))
    tables["beds"][0] |= {"plateau_cmh2o": 24.9, "read_at": datetime.now(UTC).isoformat(timespec="minutes")}
    tables["policy"] = []
    write_tables(tmp_path / "w.xlsx", tables)  # type: ignore[arg-type]
    content = (tmp_path / "w.xlsx").read_bytes()
    signed_in(client, "ann")
    before = record.state().sequence
    sent = {"workbook": ("w.xlsx", content)}
    shown = client.post("/workbook", data=form_for(client), files=sent)
    assert shown.status_code == 200
    assert "24.9" in shown.text
    assert record.state().sequence == before
    assert client.post("/workbook", data=form_for(client, confirm="on"), files=sent).status_code == 303
    patient = record.state().beds["E1"].patient
    assert patient is not None
    assert patient.readings["plateau_cmh2o"].value == 24.9
    noted = record.last_of("import")
    assert noted is not None
    assert noted.person == "ann"


def test_what_is_no_workbook_is_told_and_a_reader_takes_nothing_in(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    before = record.state().sequence
    for name, content in (("w.xlsx", b"not a workbook"), ("w.txt", b"x"), ("w.xlsx", b"")):
        answer = client.post("/workbook", data=form_for(client), files={"workbook": (name, content)})
        assert answer.status_code == 422, name
    signed_in(client, "rob")
    token = token_of(client.get(PAGE).text)
    assert client.post(f"{PAGE}/out", data={"token": token, "bed": "E1", "seen": str(before)}).status_code == 403
    assert record.state().sequence == before
