"""Signing in and out. A form that was sent without a sign-in is kept and can be sent on after it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from airyoke.quantities import Refused
from airyoke.record.people import sign_in
from airyoke.web.visits import SignInNeededError, Visit, desk_of, page, sent_form, writing_visit

router = APIRouter()
_KEPT = "kept-"
Form = Annotated[dict[str, str], Depends(sent_form)]


def needed(request: Request, error: Exception) -> Response:
    """The sign-in page in place of what was asked; 401, so that a script notices."""
    assert isinstance(error, SignInNeededError)
    kept = {name: value for name, value in error.form.items() if name != "token"}
    return page(desk_of(request), "sign_in.html", status=401, back=error.back, action=error.action, kept=kept,
                again=error.again, findings=(), name="")  # fmt: skip


@router.get("/sign-in")
def form(request: Request) -> Response:
    """The empty sign-in page."""
    return page(desk_of(request), "sign_in.html", back="/", action="", kept={}, again=False, findings=(), name="")


@router.post("/sign-in")
def send(request: Request, form: Form) -> Response:
    """Check name and password; go on to where the person wanted to go."""
    desk = desk_of(request)
    name, back, action = form.get("name", "").strip(), _own(form.get("back", "/")), form.get("action", "")
    kept = {key.removeprefix(_KEPT): value for key, value in form.items() if key.startswith(_KEPT)}
    address = request.client.host if request.client is not None else "unknown"
    try:
        sign_in(desk.record, name, form.get("password", ""), desk.throttle, address=address)
    except Refused as refusal:
        status = 429 if refusal.findings[0].id == "sign-in-wait" else 401
        return page(desk, "sign_in.html", status=status, back=back, action=action, kept=kept, again=False,
                    findings=refusal.findings, name=name)  # fmt: skip
    desk.sessions.end(request.cookies.get(desk.cookie))
    key, session = desk.sessions.begin(name)
    visit = Visit(request, desk, session, key)
    if action and kept:
        return visit.page("carry_on.html", back=back, action=_own(action), kept=kept)
    return visit.with_cookie(RedirectResponse(back, 303))


@router.get("/enter/{word}")
def enter(request: Request, word: str) -> Response:
    """The way into a demonstration, once; whoever comes later signs in."""
    desk = desk_of(request)
    person = desk.take_ticket(word)
    if person is None:
        return page(desk, "sign_in.html", status=401, back="/", action="", kept={}, again=False, findings=(), name="")
    key, session = desk.sessions.begin(person)
    return Visit(request, desk, session, key).with_cookie(RedirectResponse("/", 303))


@router.post("/sign-out")
def out(request: Request, form: Form) -> Response:
    """Forget the session; the next page asks who it is."""
    desk = desk_of(request)
    writing_visit(request, form, "/")
    desk.sessions.end(request.cookies.get(desk.cookie))
    response = RedirectResponse("/", 303)
    response.delete_cookie(desk.cookie, path="/", secure=desk.encrypted, httponly=True, samesite="strict")
    return response


def _own(path: str) -> str:
    """A path of this app: never an address elsewhere."""
    plain = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if plain else "/"
