"""What is written down about a group: that it breathes now, what is dialled, that it has ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from airyoke.breath.settings import Settings
from airyoke.quantities import Finding, Refused
from airyoke.ward.entries import Draft
from airyoke.ward.state import WardState
from airyoke.web.group_page import found, group_view
from airyoke.web.saved_groups import SavedGroup, turned
from airyoke.web.visits import Visit, sent_form, writing_visit

router = APIRouter()
Form = Annotated[dict[str, str], Depends(sent_form)]
GATE = (
    ("rehearsed", "Each was rehearsed alone at these settings, and passed"),
    ("bench", "The circuit passed its bench check within 24 h and was not opened since"),
    ("alarms", "Settings and alarm limits are dialled as listed"),
    ("bags", "At every bed: bag, filter, PEEP valve, own oxygen, clamps, and who bags whom"),
)  # common practice, no source


@router.post("/groups/{ventilator}/start")
def start(request: Request, ventilator: str, form: Form) -> Response:
    """They breathe from it now."""
    visiting = writing_visit(request, form, f"/groups/{ventilator}")
    _, saved = found(visiting, ventilator)
    plan = accepted_plan(visiting, saved)
    wrong = [
        _wrong("gate-open", f"not confirmed: {words[0].lower()}{words[1:]}", "confirm it when it is so", name)
        for name, words in GATE
        if name not in form
    ]
    if saved.standing == "running":
        wrong = [_wrong("group-runs", "this group runs already", "change its settings, or end it")]
    elif plan is None:
        wrong = [_wrong("plan-not-accepted", "no accepted plan has this group", "accept the plan first")]
    content = {
        "group": _fresh_name(visiting.desk.look().state), "ventilator": ventilator, "beds": list(saved.beds),
        "settings": kept(saved.settings), "plan": plan,
    }  # fmt: skip
    return _write(visiting, ventilator, form, Draft("group_started", content, form.get("once") or None), wrong)


@router.post("/groups/{ventilator}/settings")
def dialled(request: Request, ventilator: str, form: Form) -> Response:
    """What is dialled on a running group's ventilator now."""
    visiting = writing_visit(request, form, f"/groups/{ventilator}")
    _, saved = found(visiting, ventilator)
    wrong: list[Finding] = []
    settings = saved.settings
    try:
        settings = turned(saved, form)
    except Refused as refusal:
        wrong += refusal.findings
    if saved.standing != "running":
        wrong = [_wrong("group-not-running", "this group does not run", "write down first that it was coupled")]
    elif not wrong and settings == saved.settings:
        wrong = [_wrong("nothing-typed", "these settings are written down already", "type what is dialled now")]
    content = {"ventilator": ventilator, "settings": kept(settings)} | _reason(form)
    return _write(visiting, ventilator, form, Draft("settings_changed", content, form.get("once") or None), wrong)


@router.post("/groups/{ventilator}/end")
def end(request: Request, ventilator: str, form: Form) -> Response:
    """Nobody shares this ventilator any more; each bed goes where the form says."""
    visiting = writing_visit(request, form, f"/groups/{ventilator}")
    look, saved = found(visiting, ventilator)
    name = look.state.group_on(ventilator)
    wrong = [] if name else [_wrong("group-not-running", "this group does not run", "look at the ward")]
    if not _reason(form):
        wrong.append(_wrong("reason-missing", "no reason is given", "say why, in a few words", "reason"))
    to = {bed: form.get(f"to-{i}", "").strip() for i, bed in enumerate(saved.beds)}
    content = {"group": name or "", "to": {bed: label for bed, label in to.items() if label}} | _reason(form)
    return _write(visiting, ventilator, form, Draft("group_ended", content, form.get("once") or None), wrong, "/")


def _write(visiting: Visit, ventilator: str, form: Mapping[str, str], draft: Draft, wrong: list[Finding],
           back: str = "") -> Response:  # fmt: skip
    if visiting.person is None:
        wrong.append(_wrong("writer-missing", "nobody is named who writes this", "give your name", "writer"))
    try:
        if wrong:
            raise Refused(tuple(wrong))
        seen = int(form["seen"]) if form.get("seen", "").isdecimal() else 0
        visiting.desk.record.write([draft], person=visiting.person or "", seen=seen)
    except Refused as refusal:
        status = 403 if any(one.id == "right-missing" for one in refusal.findings) else 422
        return group_view(visiting, ventilator, dict(form), refusal.findings, status)
    return RedirectResponse(back or f"/groups/{ventilator}?written=1", 303)


def accepted_plan(visiting: Visit, saved: SavedGroup) -> str | None:
    """The accepted plan of the record that has this group on this ventilator."""
    for name, plan in reversed(list(visiting.desk.look().state.plans.items())):
        if plan.standing == "accepted":
            (entry,) = visiting.desk.record.entries(plan.made, plan.made)
            for one in entry.content["groups"]:
                if one["ventilator"] == saved.ventilator.label and set(one["beds"]) == set(saved.beds):
                    return name
    return None


def kept(settings: Settings) -> dict[str, Any]:
    """Settings as the record keeps them."""
    return {name: value for name, value in asdict(settings).items() if value is not None}


def _fresh_name(state: WardState) -> str:
    used = {*state.groups, *state.ended_groups, *state.standings}
    return next(name for n in range(1, 10_000) if (name := f"G{n}") not in used)


def _reason(form: Mapping[str, str]) -> dict[str, str]:
    reason = form.get("reason", "").strip()
    return {"reason": reason} if reason else {}


def _wrong(finding_id: str, reason: str, remedy: str, column: str | None = None) -> Finding:
    return Finding(finding_id, "refused", reason, remedy, column=column)
