"""JSON for scripts of the site: the contract's own models, the same refusals, nothing written."""

from __future__ import annotations

import json
from typing import Any

import pytest
from starlette.testclient import TestClient

from airyoke.contract.check_answer import CheckAnswer
from airyoke.record import Record
from web.conftest import signed_in

CASE: dict[str, Any] = {
    "patients": [{"label": one, "sex": "f", "height_cm": 160, "compliance_ml_per_cmh2o": compliance}
                 for one, compliance in (("A", 32), ("B", 40))],
    "circuit": "ideal",
    "settings": {"mode": "pc", "pressure_above_peep_cmh2o": 14, "peep_cmh2o": 10, "rate_per_min": 22,
                 "inspiratory_time_s": 0.9, "fio2": 0.6},
}  # fmt: skip


def test_the_check_is_the_contracts_own_model(client: TestClient) -> None:
    signed_in(client, "rob")
    body = client.get("/api/check")
    assert CheckAnswer.model_validate_json(body.text).beds[0].bed == "E1"


def test_a_free_case_is_answered_and_leaves_no_trace(client: TestClient, record: Record) -> None:
    """Volume of A by the closed form of one lung in pressure control (Marini and Crooke, Am Rev Respir Dis
    1993;147:14): with the default resistance of 12, both ways, 14 x 32 mL, filled and emptied to the part that the
    times allow."""
    from math import exp

    signed_in(client, "rob")
    before = record.state().sequence
    answer = client.post("/api/predict", json=CASE)
    assert answer.status_code == 200, answer.text
    got = answer.json()["patients"][0]["tidal_volume_ml"]["value"]
    tau_s = 0.032 * 12.0
    into, out = exp(-0.9 / tau_s), exp(-(60 / 22 - 0.9) / tau_s)
    assert got == pytest.approx(14 * 32 * (1 - into) * (1 - out) / (1 - into * out), rel=2e-3)
    assert record.state().sequence == before


def test_a_slip_in_a_case_is_refused_with_what_was_meant(client: TestClient) -> None:
    signed_in(client, "rob")
    case = json.loads(json.dumps(CASE).replace("peep_cmh2o\"", "peap_cmh2o\"", 2))
    answer = client.post("/api/predict", json=case)
    assert answer.status_code == 422
    assert answer.json()["schema"] == "airyoke/error/1"
    assert "did you mean" in answer.text
    assert client.post("/api/predict", content=json.dumps(CASE), headers={"content-type": "text/plain"}).status_code == 422


def test_where_there_is_nothing_it_says_so_as_json(client: TestClient) -> None:
    signed_in(client, "rob")
    for path in ("/api/plan", "/api/groups/V2/what-if", "/api/nowhere", "/api/entries?first=x"):
        answer = client.get(path)
        assert answer.status_code in (404, 422), path
        assert answer.json()["outcome"] == "refused"


def test_the_description_names_every_address_and_holds_every_model_that_it_refers_to(client: TestClient) -> None:
    signed_in(client, "rob")
    told = client.get("/api/openapi.json").json()
    assert {"/api/check", "/api/plan", "/api/predict", "/api/groups/{ventilator}/what-if"} <= set(told["paths"])
    assert all(path.startswith("/api/") for path in told["paths"])
    referred = {part.split('"')[0] for part in json.dumps(told).split("#/components/schemas/")[1:]}
    assert referred <= set(told["components"]["schemas"])
    assert "#/$defs" not in json.dumps(told)
