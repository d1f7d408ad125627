"""The page of the record: what is listed, corrected, taken back."""

from __future__ import annotations

from starlette.testclient import TestClient

from airyoke.record import Record
from airyoke.ward.entries import Draft
from web.conftest import signed_in, token_of


def reading_of(record: Record, bed: str) -> int:
    return next(one.sequence for one in record.entries() if one.kind == "reading" and one.content["bed"] == bed)


def form_for(client: TestClient, path: str, **typed: str) -> dict[str, str]:
    html = client.get(path).text
    return {"token": token_of(html), "seen": html.split('name="seen" value="')[1].split('"')[0], **typed}


def test_a_correction_counts_and_the_entry_stays_to_be_read(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    sequence = reading_of(record, "E1")
    path = f"/record/{sequence}"
    form = form_for(client, path, reason="misread", **{"value-plateau_cmh2o": "24.3"})
    assert client.post(f"{path}/correct", data=form).status_code == 303
    patient = record.state().beds["E1"].patient
    assert patient is not None
    assert patient.readings["plateau_cmh2o"].value == 24.3
    assert patient.readings["peep_cmh2o"].value == 12.0
    assert record.entries(sequence, sequence)[0].content["values"]["plateau_cmh2o"] == 23.3
    listed = client.get("/record?bed=E1").text
    assert "Corrected by ann" in listed
    assert "misread" in client.get(path).text


def test_an_entry_that_is_taken_back_does_not_count_and_comes_again_when_that_is_taken_back(
    client: TestClient, record: Record
) -> None:
    signed_in(client, "ann")
    note = record.write([Draft("note", {"text": "filter changed", "bed": "E1"})], person="ann",
                        seen=record.state().sequence)[0]  # fmt: skip
    path = f"/record/{note.sequence}"
    assert client.post(f"{path}/undo", data=form_for(client, path, reason="wrong bed")).status_code == 303
    assert "Taken back by ann" in client.get("/record").text
    undo = record.last_of("undo")
    assert undo is not None
    assert client.post(f"/record/{undo.sequence}/undo",
                       data=form_for(client, f"/record/{undo.sequence}", reason="it was right")).status_code == 303  # fmt: skip
    rows = client.get("/record?kind=note").text
    assert "filter changed" in rows
    assert "Taken back" not in rows


def test_nothing_is_corrected_without_a_reason_or_with_a_word_for_a_number(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    path = f"/record/{reading_of(record, 'E1')}"
    before = record.state().sequence
    for typed in ({"value-plateau_cmh2o": "24.3"}, {"value-plateau_cmh2o": "high", "reason": "x"}, {"reason": "x"}):
        answer = client.post(f"{path}/correct", data=form_for(client, path, **typed))
        assert answer.status_code == 422
        assert 'role="alert"' in answer.text
    assert record.state().sequence == before


def test_a_correction_that_no_ward_could_have_is_refused_with_what_was_typed_kept(
    client: TestClient, record: Record
) -> None:
    signed_in(client, "ann")
    path = f"/record/{reading_of(record, 'E1')}"
    before = record.state().sequence
    form = form_for(client, path, reason="slip", **{"value-plateau_cmh2o": "2400"})
    answer = client.post(f"{path}/correct", data=form)
    assert answer.status_code == 422
    assert 'value="2400"' in answer.text
    assert record.state().sequence == before


def test_the_list_is_by_bed_kind_and_person_and_goes_on_page_by_page(client: TestClient, record: Record) -> None:
    signed_in(client, "kim")
    for kind in ("reading", "patient_in"):
        html = client.get(f"/record?kind={kind}&bed=E2").text
        assert html.count('<a class="bed" href="/record/') == 1
    assert "policy: " in client.get("/record?person=kim").text
    seen: set[str] = set()
    path: str | None = "/record"
    while path:
        html = client.get(path).text
        numbers = [part.split('"')[0] for part in html.split('<a class="bed" href="/record/')[1:]]
        assert not seen & set(numbers)
        seen |= set(numbers)
        path = html.split('href="/record?bed')[1].split('"')[0] if "Older entries" in html else None
        path = None if path is None else f"/record?bed{path}".replace("&amp;", "&")
    assert len(seen) == record.state().sequence
