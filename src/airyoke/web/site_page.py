"""What the keepers look after: people, policy, stock, backups."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from airyoke.circuit.parts import PARTS
from airyoke.contract.limits_answer import LimitsAnswer
from airyoke.limits.policy import Policy
from airyoke.quantities import Finding, Refused, is_quantity, quantity
from airyoke.record.backup import back_up, backup_finding
from airyoke.record.people import add_person, change_password, remove_person, sign_in
from airyoke.ward.columns import POLICY
from airyoke.ward.entries import Draft
from airyoke.ward.kinds import ROLES
from airyoke.web.visits import Visit, sent_form, visit, writing_visit

router = APIRouter()
Form = Annotated[dict[str, str], Depends(sent_form)]
Visiting = Annotated[Visit, Depends(visit)]
BACKUPS: Final = "backups"
ROLE_WORDS: Final = {
    "reader": "may read, writes nothing",
    "writer": "beds, patients, readings, ventilators, stock, checks, notes",
    "planner": "as a writer; accepts plans, starts, changes and ends groups",
    "keeper": "people, the policy of the site, backups",
}


def _page(visiting: Visit, template: str, form: Mapping[str, str] | None = None, findings: tuple[Finding, ...] = (),
          status: int = 200, **shown: Any) -> Response:  # fmt: skip
    look = visiting.desk.look()
    return visiting.page(template, look, status=status, here="site", tab=template.removesuffix(".html"),
                         form=form or {}, findings=findings, done=visiting.request.query_params.get("done", ""),
                         keeper=is_keeper(visiting), seen=look.state.sequence, **shown)  # fmt: skip


def is_keeper(visiting: Visit) -> bool:
    """Whether this person is a keeper."""
    return "keeper" in visiting.desk.record.state().people.get(visiting.person or "", ())


def _keeper_only(visiting: Visit) -> None:
    if not is_keeper(visiting):
        raise Refused((Finding("right-missing", "refused", "that is for a keeper of this record", "ask a keeper"),))


# People


@router.get("/people")
def people(visiting: Visiting) -> Response:
    """Who may sign in, as what."""
    return _people(visiting)


def _people(visiting: Visit, form: Mapping[str, str] | None = None, findings: tuple[Finding, ...] = ()) -> Response:
    found = visiting.desk.record.state().people
    return _page(visiting, "people.html", form, findings, 422 if findings else 200, people=found, roles=ROLES,
                 role_words=ROLE_WORDS)  # fmt: skip


@router.post("/people")
def set_person(request: Request, form: Form) -> Response:
    """A new person, or other roles and a new password for one who is there."""
    visiting = writing_visit(request, form, "/people")
    _keeper_only(visiting)
    roles = [role for role in ROLES if f"role-{role}" in form]
    name = form.get("name", "").strip()
    try:
        if not roles:
            reason = "no role is ticked"
            raise Refused((Finding("role-missing", "refused", reason, "tick one; remove whoever is to go", "roles"),))
        add_person(visiting.desk.record, name, roles, form.get("password", ""), by=visiting.person or "")
    except Refused as refusal:
        return _people(visiting, form, refusal.findings)
    return RedirectResponse("/people?done=1", 303)


@router.post("/people/remove")
def remove(request: Request, form: Form) -> Response:
    """Nobody signs in under this name any more."""
    visiting = writing_visit(request, form, "/people")
    _keeper_only(visiting)
    try:
        remove_person(visiting.desk.record, form.get("name", ""), by=visiting.person or "",
                      reason=form.get("reason", "").strip() or None)  # fmt: skip
    except Refused as refusal:
        return _people(visiting, form, refusal.findings)
    return RedirectResponse("/people?done=1", 303)


@router.post("/people/password")
def own_password(request: Request, form: Form) -> Response:
    """A new password of one's own; the old one is asked."""
    visiting = writing_visit(request, form, "/people")
    desk, name = visiting.desk, visiting.person or ""
    address = request.client.host if request.client is not None else "unknown"
    try:
        sign_in(desk.record, name, form.get("old", ""), desk.throttle, address=address)
        if form.get("new") != form.get("again"):
            reason = "the two new passwords are not the same"
            raise Refused((Finding("password-differs", "refused", reason, "type them again"),))
        change_password(desk.record, name, form.get("new", ""))
    except Refused as refusal:
        return _people(visiting, {}, refusal.findings)
    return RedirectResponse("/people?done=1", 303)


# Policy


@router.get("/policy")
def policy(visiting: Visiting) -> Response:
    """Every limit and rule, what the site changed, and where each comes from."""
    return _policy(visiting)


def _policy(visiting: Visit, form: Mapping[str, str] | None = None, findings: tuple[Finding, ...] = ()) -> Response:
    look = visiting.desk.look()
    used = Policy() if look.ward is None else look.ward.policy
    rules = [
        (one.name, _plain(getattr(used, one.name)), quantity(one.name).unit if is_quantity(one.name) else "")
        for one in fields(Policy)
        if one.name in POLICY
    ]
    return _page(
        visiting, "policy.html", form, findings, 422 if findings else 200, limits=used.limits, rules=rules,
        changed=look.state.policy, names=list(POLICY), default=LimitsAnswer.default(), plain=_plain,
    )  # fmt: skip


@router.post("/policy")
def change_policy(request: Request, form: Form) -> Response:
    """One rule changed, or back to its default where nothing is typed."""
    visiting = writing_visit(request, form, "/policy")
    name, text = form.get("name", ""), form.get("value", "").strip()
    try:
        if name not in POLICY:
            raise Refused((Finding("policy-unknown", "refused", "no rule is chosen", "choose one", column="name"),))
        value = None if not text else _number_or_word(text)
        desk = visiting.desk
        desk.record.write([Draft("policy", {"values": {name: value}})], person=visiting.person or "",
                          seen=_seen(form))  # fmt: skip
    except Refused as refusal:
        return _policy(visiting, form, refusal.findings)
    return RedirectResponse("/policy?done=1", 303)


# Stock


@router.get("/stock")
def stock(visiting: Visiting) -> Response:
    """What was counted in the store room."""
    return _stock(visiting)


def _stock(visiting: Visit, form: Mapping[str, str] | None = None, findings: tuple[Finding, ...] = ()) -> Response:
    counted = visiting.desk.look().state.stock
    return _page(visiting, "stock.html", form, findings, 422 if findings else 200, parts=list(PARTS.values()),
                 counted=counted, may_write=visiting.may("stock"))  # fmt: skip


@router.post("/stock")
def count_stock(request: Request, form: Form) -> Response:
    """What was counted anew; a part that is left empty keeps its count."""
    visiting = writing_visit(request, form, "/stock")
    counts: dict[str, int] = {}
    wrong: list[Finding] = []
    for part in PARTS:
        text = form.get(f"count-{part}", "").strip()
        if text.isdecimal() and int(text) < 100_000:
            counts[part] = int(text)
        elif text:
            reason = f"{part}: {text[:20]!r} is no count"
            wrong.append(Finding("count-form", "refused", reason, "type a whole number", column=part))
    try:
        if not wrong and not counts:
            wrong.append(Finding("nothing-typed", "refused", "nothing was counted", "type at least one count"))
        if wrong:
            raise Refused(tuple(wrong))
        visiting.desk.record.write([Draft("stock", {"counts": counts})], person=visiting.person or "",
                                   seen=_seen(form))  # fmt: skip
    except Refused as refusal:
        return _stock(visiting, form, refusal.findings)
    return RedirectResponse("/stock?done=1", 303)


# Backup


@router.get("/backup")
def backup(visiting: Visiting) -> Response:
    """Whether the record is whole and when it was last copied."""
    return _backup(visiting)


def _backup(visiting: Visit, findings: tuple[Finding, ...] = (), checked: bool = False) -> Response:
    record = visiting.desk.record
    old = backup_finding(record, datetime.now().astimezone())
    folder = _folder(visiting)
    return _page(
        visiting, "backup.html", None, findings, 422 if findings else 200, checked=checked,
        state=(*record.findings(), *(() if old is None else (old,))), last=record.last_of("backup"),
        head=record.head(), audit_head=record.head("audit"), folder=None if folder is None else folder.name,
    )  # fmt: skip


@router.post("/backup")
def make_backup(request: Request, form: Form) -> Response:
    """A verified copy beside the record."""
    visiting = writing_visit(request, form, "/backup")
    _keeper_only(visiting)
    folder = _folder(visiting)
    try:
        if folder is None:
            reason = "this record lies on a database server"
            raise Refused((Finding("backup-server", "refused", reason, "run airyoke record backup FOLDER"),))
        try:
            folder.mkdir(exist_ok=True)
        except OSError as error:
            reason = f"no folder for copies can be made: {error.strerror}"
            raise Refused((Finding("backup-folder", "refused", reason, "run airyoke record backup"),)) from None
        back_up(visiting.desk.record, folder, person=visiting.person or "")
    except Refused as refusal:
        return _backup(visiting, refusal.findings)
    return RedirectResponse("/backup?done=1", 303)


@router.post("/backup/verify")
def verify(request: Request, form: Form) -> Response:
    """Go through the whole record: file, chains, and the ward folded anew."""
    visiting = writing_visit(request, form, "/backup")
    return _backup(visiting, visiting.desk.record.verify(), checked=True)


def _folder(visiting: Visit) -> Path | None:
    path = visiting.desk.record.database.path
    return None if path is None else path.parent / BACKUPS


def _seen(form: Mapping[str, str]) -> int:
    return int(form["seen"]) if form.get("seen", "").isdecimal() else 0


def _number_or_word(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _plain(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, int | float) else str(value)
