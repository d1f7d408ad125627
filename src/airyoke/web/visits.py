"""One request: who makes it, what was sent, and a page in answer."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qsl

from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse, Response

from airyoke.contract.times import readings_words
from airyoke.contract.words import name_words
from airyoke.quantities.cautions import STANDING
from airyoke.record.rights import may_write
from airyoke.web.desk import Desk, Look
from airyoke.web.sessions import LONGEST_S, Session
from airyoke.web.words import age_words, clock_words, entry_words

HERE: Final = Path(__file__).parent
MOST_FIELDS: Final = 200


class SignInNeededError(Exception):
    """Somebody must say who she is first. ``action`` and ``form`` are what she wanted to send: it is kept for her."""

    def __init__(
        self, back: str, action: str = "", form: Mapping[str, str] | None = None, *, again: bool = False
    ) -> None:
        super().__init__(back)
        self.back, self.action, self.form, self.again = back, action, dict(form or {}), again


class TokenWrongError(Exception):
    """A form without the token of its session: nothing was done."""


@dataclass(slots=True)
class Visit:
    """One request of one session."""

    request: Request
    desk: Desk
    session: Session
    new_key: str | None = None

    @property
    def person(self) -> str | None:
        """Who it is; in an unlocked record the name that was given, if any."""
        return self.session.person

    def may(self, kind: str) -> bool:
        """Whether this person may write an entry of that kind."""
        return may_write(self.desk.record.state(), self.person or "", kind)

    def page(self, template: str, look: Look | None = None, /, *, status: int = 200, **shown: Any) -> Response:
        """The page from its template."""
        response = page(self.desk, template, look, status=status, visit=self, **shown)
        return self.with_cookie(response)

    def with_cookie(self, response: Response) -> Response:
        """The answer, with the key of a session that has just begun."""
        if self.new_key is not None:
            response.set_cookie(self.desk.cookie, self.new_key, max_age=int(LONGEST_S), path="/", httponly=True,
                                samesite="strict", secure=self.desk.encrypted)  # fmt: skip
        return response


def desk_of(request: Request) -> Desk:
    """The desk of the app that answers."""
    desk: Desk = request.app.state.desk
    return desk


def visit(request: Request) -> Visit:
    """The visit, to read. Raises :class:`SignInNeededError`."""
    desk = desk_of(request)
    session = desk.sessions.find(request.cookies.get(desk.cookie))
    if session is not None and (
        session.person is None or session.person in desk.record.state().people or not desk.door.login
    ):
        if not session.idle(desk.sessions.now_s()):
            session.used_s = desk.sessions.now_s() if request.url.path != "/changes" else session.used_s
        return Visit(request, desk, session)
    if desk.door.login:
        raise SignInNeededError(str(request.url.path) if request.method == "GET" else "/")
    key, session = desk.sessions.begin(None)
    return Visit(request, desk, session, key)


async def sent_form(request: Request) -> dict[str, str]:
    """What was typed, field by field. Of a field that was sent several times the values are joined by ``;``."""
    body = await request.body()  # the guard has limited its length
    form: dict[str, str] = {}
    for name, value in parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=MOST_FIELDS):
        text = clean(value)
        form[name] = f"{form[name]};{text}" if name in form and text else form.get(name, text) or text
    return form


def clean(value: str) -> str:
    """What was typed, without letters that nobody sees."""
    return "".join(letter for letter in value if letter.isprintable() or letter in "\n\t")


def writing_visit(request: Request, form: Mapping[str, str], back: str) -> Visit:
    """The visit of somebody who sends a form.

    Raises :class:`SignInNeededError` (the form is kept) where nobody is signed in or the person may have walked away,
    and :class:`TokenWrongError`.
    """
    desk = desk_of(request)
    session = desk.sessions.find(request.cookies.get(desk.cookie))
    action = request.url.path
    if session is None:
        if desk.door.login:
            raise SignInNeededError(back, action, form)
        raise TokenWrongError
    if desk.door.login and session.idle(desk.sessions.now_s()):
        raise SignInNeededError(back, action, form, again=True)
    if not secrets.compare_digest(form.get("token", ""), session.token):
        raise TokenWrongError
    session.used_s = desk.sessions.now_s()
    if not desk.door.login:
        name = form.get("writer", "").strip()
        if name:
            session.person = name[:80]
    return Visit(request, desk, session)


def page(desk: Desk, template: str, look: Look | None = None, /, *, status: int = 200, visit: Visit | None = None,
         **shown: Any) -> HTMLResponse:  # fmt: skip
    """A page with what stands on each of them: cautions, time of the readings, engine, notices."""
    state = desk.record.state()
    every = {
        "site": state.site.get("title") or desk.record.site,
        "sequence": state.sequence,
        "notice": desk.door.notice,
        "demo": desk.demo,
        "cautions": STANDING,
        "readings": None if look is None else readings_words(look.read_at),
        "look": look,
        "now": None if look is None else look.now,
        "engine": engine_words(desk),
        "visit": visit,
        "person": None if visit is None else visit.person,
        "token": "" if visit is None else visit.session.token,
        "login": desk.door.login,
        "once": secrets.token_hex(12),
        "assets": asset_name,
    }
    return HTMLResponse(_templates().get_template(template).render(**every, **shown), status)


def engine_words(desk: Desk) -> str:
    """What to say about the engine; empty where it is ready."""
    if desk.engine.ready:
        return ""
    if desk.engine.stopped:
        return f"Engine not available: {desk.engine.stopped}. Forms and the record work; predictions do not."
    return "Engine getting ready. Forms and the record work meanwhile; predictions follow."


@cache
def _templates() -> Environment:
    env = Environment(loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined,
                      trim_blocks=True, lstrip_blocks=True)  # fmt: skip
    env.filters.update(clock=clock_words, age=age_words, entry=entry_words, named=name_words)
    return env


@cache
def asset_name(name: str) -> str:
    """The address of a file of ours, with its hash: it may be kept for long and is new when it changes."""
    digest = hashlib.sha256((HERE / "static" / name).read_bytes()).hexdigest()[:12]
    return f"/static/{digest}/{name}"
