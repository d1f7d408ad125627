"""The app over one record: its pages, and what is said when something goes wrong."""

from __future__ import annotations

import logging
import secrets
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path
from typing import Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.base import BaseHTTPMiddleware
from starlette.responses import FileResponse, JSONResponse, Response

from airyoke import __version__
from airyoke.quantities import Finding, Refused
from airyoke.record import Conflict, Record
from airyoke.record.door import door
from airyoke.web import (
    api,
    bed_page,
    bedside_page,
    bedside_record,
    bedside_round,
    breath_page,
    build_page,
    faults_page,
    group_page,
    group_record,
    plan_page,
    print_page,
    record_page,
    sign_in,
    site_page,
    trends,
    ward_changes,
    ward_map,
    ward_page,
)
from airyoke.web.demo import Ticket
from airyoke.web.desk import Desk
from airyoke.web.drawn import FONTS, font_file
from airyoke.web.engine_room import EngineRoom
from airyoke.web.guard import allowed_hosts, guard
from airyoke.web.visits import HERE, SignInNeededError, TokenWrongError, Visit, desk_of, page, visit

LOG: Final = logging.getLogger("airyoke.web")
_ASSETS: Final = {"app.css": "text/css", "app.js": "text/javascript", "icon.svg": "image/svg+xml"}

PAGES: Final = (
    ward_page, bed_page, plan_page, ward_map, print_page, group_page, group_record, breath_page, build_page,
    faults_page, bedside_page, bedside_record, bedside_round, record_page, site_page, ward_changes, sign_in, trends,
)  # fmt: skip


def create_app(record: Record, *, host: str = "127.0.0.1", called: Sequence[str] = (), encrypted: bool = False,
               ticket: Ticket | None = None, engine: EngineRoom | None = None) -> FastAPI:  # fmt: skip
    """The app over an open record, served on ``host`` and also ``called`` by other names.

    Raises :class:`airyoke.quantities.Refused` for an address that others may reach without a login and an encrypted
    line. With a ``ticket`` it is a demonstration.
    """
    opened = door(host, encrypted=encrypted, state=record.state())
    desk = Desk(record, opened, engine or EngineRoom(), encrypted, ticket)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        if engine is None:
            now = datetime.now().astimezone()
            desk.engine.start(now, when_ready=lambda: desk.quick.warm(now))
        if desk.demo:
            desk.plan(desk.look())  # whoever looks at a demonstration finds a plan there
        yield
        desk.engine.close()
        desk.quick.close()
        desk.study.close()

    app = FastAPI(
        title="Airyoke", version=__version__, docs_url=None, redoc_url=None, openapi_url=None, lifespan=lifespan
    )
    app.state.desk = desk
    app.add_middleware(BaseHTTPMiddleware, dispatch=guard(allowed_hosts(host, *called), encrypted=encrypted))
    for pages in PAGES:
        app.include_router(pages.router, include_in_schema=False)
    app.include_router(api.router)
    api.describe(app)
    app.add_api_route("/health", health, methods=["GET"], include_in_schema=False)
    app.add_api_route("/static/{digest}/{name}", asset, methods=["GET"], include_in_schema=False)
    app.add_exception_handler(SignInNeededError, sign_in_needed)
    app.add_exception_handler(RequestValidationError, wrong_address)
    app.add_exception_handler(Refused, refused)
    app.add_exception_handler(TokenWrongError, token_wrong)
    app.add_exception_handler(HTTPException, not_here)
    app.add_exception_handler(Exception, defect)
    return app


def health(request: Request) -> JSONResponse:
    """Whether the app works; nothing about patients, so that a monitor may ask without a login."""
    desk = desk_of(request)
    engine = "ready" if desk.engine.ready else "stopped" if desk.engine.stopped else "getting ready"
    problems = [one.id for one in desk.record.findings() if one.level == "refused"]
    body = {
        "status": "ok" if not problems else "degraded",
        "engine": engine,
        "problems": problems,
        "version": __version__,
    }
    return JSONResponse(body, 200 if not problems else 503)


def asset(digest: str, name: str) -> Response:
    """A file of ours, or of the font package: kept long, because its address holds its hash."""
    path, kind = _asset(name)
    headers = {"Cache-Control": "public, max-age=31536000, immutable"}
    return FileResponse(path, media_type=kind, headers=headers)


def _asset(name: str) -> tuple[Path, str]:
    if name in FONTS:
        return font_file(name), "font/ttf"
    if name in _ASSETS:
        return HERE / "static" / name, _ASSETS[name]
    raise HTTPException(404)


# What is said when something goes wrong


def _visit_or_none(request: Request) -> Visit | None:
    try:
        return visit(request)
    except SignInNeededError:
        return None


def problem(request: Request, status: int, title: str, findings: tuple[Finding, ...]) -> Response:
    """The page of a problem; for a script the same findings as JSON."""
    if _by_script(request):
        return api.error(status, findings)
    return page(
        desk_of(request), "problem.html", status=status, visit=_visit_or_none(request), title=title, findings=findings
    )


def _by_script(request: Request) -> bool:
    return request.url.path.startswith("/api/")


def sign_in_needed(request: Request, error: Exception) -> Response:
    """The sign-in page, or the refusal of a script."""
    if _by_script(request):
        finding = Finding("sign-in-missing", "refused", "nobody is signed in", "sign in at /sign-in, send its cookie")
        return api.error(401, (finding,))
    return sign_in.needed(request, error)


def wrong_address(request: Request, error: Exception) -> Response:
    """Something in the address is not what the page takes."""
    assert isinstance(error, RequestValidationError)
    found = tuple(
        Finding("address-form", "refused", str(one["msg"]), "mend the address", column=str(one["loc"][-1]))
        for one in error.errors()
    )
    return problem(request, 422, "This address is not right", found)


def refused(request: Request, error: Exception) -> Response:
    """Something was asked that cannot be done; nothing was changed."""
    assert isinstance(error, Refused)
    if isinstance(error, Conflict):
        return problem(request, 409, "Somebody else changed this meanwhile", error.findings)
    status = 403 if any(one.id == "right-missing" for one in error.findings) else 422
    return problem(request, status, "This was not done", error.findings)


def token_wrong(request: Request, _: Exception) -> Response:
    """A form of an older sign-in, or of another site."""
    finding = Finding(
        "form-old", "refused", "this form belongs to an earlier sign-in", "open the page again and send it from there"
    )
    return problem(request, 403, "This was not done", (finding,))


def not_here(request: Request, error: Exception) -> Response:
    """No such page, or not in this way."""
    status = error.status_code if isinstance(error, HTTPException) else 404
    words = {404: "there is no such page", 503: "the engine is getting ready, and this needs it"}
    reason = words.get(status, "this page does not take that")
    return problem(request, status, "Nothing here", (Finding("no-page", "refused", reason, "go back to the ward"),))


def defect(request: Request, error: Exception) -> Response:
    """A fault of ours: a number to find it by, and no inside of the program on the page."""
    number = secrets.token_hex(4)
    LOG.error("defect %s at %s", number, request.url.path, exc_info=error)
    finding = Finding("defect", "refused", f"this is a defect of the tool, number {number}",
                      "look whether your entry is in the record, then try again, and report the number")  # fmt: skip
    return problem(request, 500, "Something went wrong here", (finding,))
