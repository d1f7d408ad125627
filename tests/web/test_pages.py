"""Pages over the demo ward: what is shown, what is written, what is refused."""

from __future__ import annotations

from datetime import datetime

import pytest
from starlette.testclient import TestClient

from airyoke.quantities import Refused
from airyoke.quantities.cautions import STANDING
from airyoke.record import Record
from airyoke.ward.entries import Draft
from airyoke.web.app import create_app
from airyoke.web.engine_room import EngineRoom
from web.conftest import ADDRESS, PASSWORD, demo_record, signed_in, token_of


def form_of(client: TestClient, bed: str, **typed: str) -> dict[str, str]:
    html = client.get(f"/beds/{bed}").text
    seen = html.split('name="seen" value="')[1].split('"')[0]
    return {"token": token_of(html), "seen": seen, "read_at": f"{datetime.now():%Y-%m-%dT%H:%M}", **typed}


@pytest.mark.parametrize("path", ["/", "/beds/E1", "/plan", "/changes", "/plan/progress"])
def test_nothing_of_a_patient_is_shown_without_a_sign_in(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 401
    assert "E1</strong>" not in answer.text
    assert "k21" not in answer.text


@pytest.mark.parametrize("path", ["/", "/beds/E1", "/plan"])
def test_every_page_carries_cautions_time_of_readings_and_that_the_engine_is_not_ready(
    client: TestClient, path: str
) -> None:
    signed_in(client, "ann")
    html = client.get(path).text
    assert all(one.text in html for one in STANDING)
    assert "stands on readings of" in html
    assert "Engine getting ready" in html


def test_the_policy_of_contents_allows_no_script_or_address_but_our_own(client: TestClient) -> None:
    for path in ("/", "/sign-in", "/health", "/nowhere"):
        answer = client.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy
        assert "<script>" not in answer.text
        assert " style=" not in answer.text
        assert "http" not in answer.text


def test_a_foreign_host_or_origin_is_turned_away(client: TestClient) -> None:
    assert client.get("/health", headers={"host": "elsewhere.example"}).status_code == 400
    sent = {"name": "ann", "password": PASSWORD}
    assert client.post("/sign-in", data=sent, headers={"origin": "http://elsewhere.example"}).status_code == 403
    assert client.post("/sign-in", data=sent, headers={"sec-fetch-site": "cross-site"}).status_code == 403


def test_a_form_without_the_token_of_its_session_writes_nothing(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    before = record.state().sequence
    form = {**form_of(client, "E1", plateau_cmh2o="24"), "token": "guessed"}
    assert client.post("/beds/E1/readings", data=form).status_code == 403
    assert record.state().sequence == before


def test_a_reading_is_written_under_the_name_and_the_others_keep_their_time(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    before = record.state().beds["E1"].patient
    assert client.post("/beds/E1/readings", data=form_of(client, "E1", plateau_cmh2o="24.1")).status_code == 303
    after = record.state().beds["E1"].patient
    assert before is not None
    assert after is not None
    assert after.readings["plateau_cmh2o"].value == 24.1
    assert after.readings["peep_cmh2o"] == before.readings["peep_cmh2o"]
    last = record.last_of("reading")
    assert last is not None
    assert last.person == "ann"
    assert set(last.content["values"]) == {"plateau_cmh2o"}


def test_a_slip_of_unit_is_told_beside_the_field_and_nothing_typed_is_lost(client: TestClient, record: Record) -> None:
    # 1 kPa = 7.50062 mmHg (NIST SP 811): 5.6 kPa are 42 mmHg.
    signed_in(client, "ann")
    before = record.state().sequence
    answer = client.post("/beds/E1/readings", data=form_of(client, "E1", paco2_mmhg="5.6", plateau_cmh2o="24.1"))
    assert answer.status_code == 422
    assert record.state().sequence == before
    assert "typed in kPa" in answer.text
    assert 'value="5.6"' in answer.text
    assert 'value="24.1"' in answer.text
    chosen = form_of(client, "E1", paco2_mmhg="5.6") | {"unit-paco2_mmhg": "paco2_kpa"}
    assert client.post("/beds/E1/readings", data=chosen).status_code == 303
    patient = record.state().beds["E1"].patient
    assert patient is not None
    assert patient.readings["paco2_mmhg"].value == pytest.approx(5.6 * 7.50062, rel=1e-5)


def test_the_look_while_typing_writes_nothing(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    before = record.state().sequence
    answer = client.post("/beds/E1/look", data=form_of(client, "E1", plateau_cmh2o="twenty"))
    assert [one["level"] for one in answer.json()["findings"] if one["column"] == "plateau_cmh2o"] == ["refused"]
    assert record.state().sequence == before


def test_whoever_wrote_second_sees_both_values(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    form = form_of(client, "E1", plateau_cmh2o="24.1")
    theirs = {
        "bed": "E1",
        "code": "k21",
        "read_at": datetime.fromisoformat(form["read_at"]).astimezone().isoformat(),
        "values": {"plateau_cmh2o": 25.5},
    }
    record.write([Draft("reading", theirs)], person="ann", seen=record.state().sequence)
    answer = client.post("/beds/E1/readings", data=form)
    assert answer.status_code == 409
    assert "25.5" in answer.text
    assert 'value="24.1"' in answer.text


def test_a_reader_writes_nothing(client: TestClient, record: Record) -> None:
    signed_in(client, "rob")
    html = client.get("/beds/E1").text
    assert "You may read, not write" in html
    before = record.state().sequence
    form = {
        "token": token_of(html),
        "read_at": f"{datetime.now():%Y-%m-%dT%H:%M}",
        "seen": str(before),
        "plateau_cmh2o": "24",
    }
    assert client.post("/beds/E1/readings", data=form).status_code == 403
    assert record.state().sequence == before


def test_an_ended_sign_in_keeps_what_was_typed(client: TestClient, record: Record) -> None:
    signed_in(client, "ann")
    form = form_of(client, "E1", plateau_cmh2o="24.1")
    client.cookies.clear()
    page = client.post("/beds/E1/readings", data=form)
    assert page.status_code == 401
    assert 'name="kept-plateau_cmh2o" value="24.1"' in page.text
    kept = {f"kept-{key}": value for key, value in form.items() if key != "token"}
    on = client.post(
        "/sign-in",
        data={"name": "ann", "password": PASSWORD, "back": "/beds/E1", "action": "/beds/E1/readings", **kept},
    )
    assert on.status_code == 200
    assert client.post("/beds/E1/readings", data={**form, "token": token_of(on.text)}).status_code == 303


def test_script_in_a_text_is_shown_as_text(client: TestClient, record: Record) -> None:
    record.write([Draft("note", {"text": "<script>alert(1)</script>"})], person="ann", seen=record.state().sequence)
    signed_in(client, "ann")
    html = client.get("/").text
    assert "&lt;script&gt;alert(1)" in html
    assert "<script>alert" not in html


def test_nobody_is_sent_to_another_site_after_the_sign_in(client: TestClient) -> None:
    for back in ("//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example"):
        answer = client.post("/sign-in", data={"name": "ann", "password": PASSWORD, "back": back})
        assert answer.headers["location"] == "/"


def test_an_open_line_is_not_served_to_a_network(record: Record) -> None:
    with pytest.raises(Refused) as told:
        create_app(record, host="192.0.2.1", engine=EngineRoom())
    assert told.value.findings[0].id == "door-open-line"


def test_what_is_not_there_and_what_is_too_long_is_told(client: TestClient) -> None:
    signed_in(client, "ann")
    assert client.get("/beds/Z9").status_code == 404
    assert client.get("/nowhere").status_code == 404
    assert client.post("/sign-in", data={"name": "x" * 300_000}).status_code == 413


def test_an_unlocked_record_says_so_on_every_page(tmp_path_factory: pytest.TempPathFactory) -> None:
    with (
        demo_record(tmp_path_factory.mktemp("unlocked"), unlocked=True) as record,
        TestClient(create_app(record, engine=EngineRoom()), base_url=ADDRESS, follow_redirects=False) as client,
    ):
        for path in ("/", "/beds/E1", "/plan"):
            answer = client.get(path)
            assert answer.status_code == 200
            assert "This record is unlocked" in answer.text
