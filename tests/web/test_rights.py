"""Every address of the app, whoever asks: nobody without a sign-in, nobody beyond the role, nothing without a token."""

from __future__ import annotations

import pytest
from fastapi.routing import APIRoute
from starlette.testclient import TestClient

from airyoke.record import Record
from airyoke.web import api
from airyoke.web.app import PAGES
from web.conftest import PASSWORD, signed_in, token_of

OPEN = {"/health", "/sign-in", "/static/{digest}/{name}", "/enter/{word}"}
FILLED = {
    "bed": "E1", "ventilator": "V2", "sequence": "20", "key": "ph", "digest": "x", "name": "app.css", "word": "x", "file": "ward-order.pdf", "what": "in",
}

# Who may send what, from the table of roles in docs/record.md: forms that a role makes good use of.
FORMS: dict[str, tuple[dict[str, str], set[str]]] = {
    "/people": ({"name": "lee", "role-reader": "on", "password": "orange bicycle lantern tree"}, {"kim"}),
    "/people/remove": ({"name": "rob"}, {"kim"}),
    "/policy": ({"name": "peep_cmh2o", "value": "1"}, set()),
    "/stock": ({"count-y-piece": "7"}, {"ann"}),
    "/backup": ({}, {"kim"}),
    "/record/20/undo": ({"reason": "typed twice"}, {"ann"}),
}


def routes() -> list[tuple[str, str]]:
    found = [
        (method, one.path)
        for router in (*(page.router for page in PAGES), api.router)
        for one in router.routes
        if isinstance(one, APIRoute)
        for method in one.methods
    ]
    assert len(found) > 30
    return [*found, ("GET", "/api/openapi.json")]


def test_every_address_but_the_open_ones_asks_for_a_sign_in(client: TestClient) -> None:
    for method, path in routes():
        if path in OPEN:
            continue
        headers = {"content-type": "application/json"} if path.startswith("/api") else {}
        answer = client.request(method, path.format(**FILLED), headers=headers)
        assert answer.status_code == 401, (method, path, answer.status_code)
        assert "k21" not in answer.text


def test_no_form_is_taken_without_the_token_of_its_session(client: TestClient, record: Record) -> None:
    signed_in(client, "kim")
    before = record.state().sequence
    for method, path in routes():
        if method == "POST" and path != "/sign-in" and not path.startswith("/api"):
            answer = client.post(path.format(**FILLED), data={"token": "guessed"})
            assert answer.status_code == 403, (path, answer.status_code)
    assert record.state().sequence == before


@pytest.mark.parametrize("name", ["rob", "ann", "kim"])
def test_a_role_writes_what_is_its_own_and_nothing_else(client: TestClient, record: Record, name: str) -> None:
    signed_in(client, name)
    token = token_of(client.get("/people").text)
    for path, (form, may) in FORMS.items():
        before = record.state().sequence, len(record.entries(stream="audit"))
        seen = {"seen": str(before[0]), "once": f"{name}{path}"}
        answer = client.post(path, data={**form, **seen, "token": token})
        written = record.state().sequence > before[0] or any(
            one.kind == "backup" for one in record.entries(before[1] + 1, stream="audit")
        )
        assert written == (name in may), (name, path, answer.status_code)
        assert answer.status_code == (303 if written else answer.status_code)
        assert written or answer.status_code in (403, 422), (name, path, answer.status_code)


def test_the_audit_is_for_keepers(client: TestClient) -> None:
    signed_in(client, "ann")
    assert client.get("/record?kind=sign_in").status_code == 403
    signed_in(client, "kim")
    html = client.get("/record?kind=sign_in").text
    assert "Who did what when" in html
    assert html.count("<tr") > 2


def test_a_new_password_of_ones_own_needs_the_old_one(client: TestClient) -> None:
    signed_in(client, "ann")
    token = token_of(client.get("/people").text)
    new = "velvet harbour seventeen kites"
    form = {"token": token, "new": new, "again": new}
    assert client.post("/people/password", data={**form, "old": "not the old one at all"}).status_code == 422
    assert client.post("/people/password", data={**form, "old": PASSWORD, "again": "something else"}).status_code == 422
    assert client.post("/people/password", data={**form, "old": PASSWORD}).status_code == 303
    assert client.post("/sign-in", data={"name": "ann", "password": new}).status_code == 303
