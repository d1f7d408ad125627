"""What is written down of a group at the bedside: prepared, rehearsed, ticked, step by step on and off again."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from airyoke.quantities import Finding, Refused
from airyoke.ward.bedside import abandon_steps, exit_steps, gate_objects, start_steps
from airyoke.ward.entries import Draft
from airyoke.ward.group_standing import GateItem, GroupStanding
from airyoke.ward.state import WardState
from airyoke.watch.start import ROLES
from airyoke.web.bedside_group import bedside_group, parts_of, prepared_group, ward_then
from airyoke.web.bedside_page import ALONE, bedside_view
from airyoke.web.engine_process import RehearsalQuestion
from airyoke.web.visits import Visit, sent_form, writing_visit

router = APIRouter()
Form = Annotated[dict[str, str], Depends(sent_form)]
_DIALLED: Final = ("mode", "rate_per_min", "inspiratory_time_s", "pressure_above_peep_cmh2o", "peep_cmh2o", "fio2")


@router.post("/groups/{ventilator}/bedside/prepare")
def prepare(request: Request, ventilator: str, form: Form) -> Response:
    """The group of the plan is to share once it has been rehearsed and its gate holds."""
    visiting = _visiting(request, ventilator, form)
    one = bedside_group(visiting, visiting.desk.look(), ventilator)

    def drafts(state: WardState) -> Sequence[Draft]:
        if one.planned is None or one.plan is None:
            raise refused("group-not-planned", "no plan on record has this group", "accept a plan with it first")
        settings = {name: value for name, value in one.planned["settings"].items() if value is not None}
        return [Draft("group_prepared", {
            "group": one.name, "ventilator": ventilator, "beds": list(one.planned["beds"]), "plan": one.plan,
            "settings": settings, "gate": gate_objects(state),
        })]  # fmt: skip

    return _write(visiting, ventilator, form, drafts)


@router.post("/groups/{ventilator}/bedside/rehearse")
def rehearse(request: Request, ventilator: str, form: Form) -> Response:
    """What was read of each alone at the shared settings, or why nobody is rehearsed; then what that says."""
    visiting = _visiting(request, ventilator, form)
    name, standing = prepared_group(visiting, visiting.desk.look(), ventilator)
    skipped = "skip" in form
    reason = form.get("reason", "").strip()

    def read(state: WardState) -> Sequence[Draft]:
        if not visiting.desk.engine.ready:
            raise refused("engine-not-ready", "the engine is getting ready, and this needs it", "try again soon")
        if not visiting.may("rehearsed"):
            raise refused("right-missing", "only a planner writes what a rehearsal came to", "ask a planner")
        if skipped and not reason:
            raise refused("reason-missing", "no reason is given", "say why nobody is rehearsed", "reason")
        return () if skipped else _alone(visiting, state, standing, form)

    def said(state: WardState) -> Sequence[Draft]:
        desk = visiting.desk
        before = ward_then(visiting, desk.look(), standing.since)
        question = RehearsalQuestion(before, state, name, parts_of(desk.record, state, standing), skipped)
        outcome, words, settings, values = desk.study.ask("rehearse", question, (name, state.sequence, skipped))
        return [Draft("rehearsed", {
            "group": name, "based_on": state.sequence, "verdict": "skipped" if skipped else outcome,
            "reason": f"{reason}. {words}" if skipped else words, "values": values,
            "settings": settings if outcome == "retuned" else dict(standing.settings),
        })]  # fmt: skip

    return _write(visiting, ventilator, form, read, said)


def _alone(visiting: Visit, state: WardState, standing: GroupStanding, form: Mapping[str, str]) -> list[Draft]:
    dialled = {name: standing.settings[name] for name in _DIALLED if name in standing.settings}
    now = visiting.desk.record.clock().local.isoformat(timespec="seconds")
    drafts, wrong = [], []
    for number, bed in enumerate(standing.beds):
        values: dict[str, Any] = {}
        for item in ALONE:
            text = form.get(f"{number}-{item}", "").strip().replace(",", ".")
            try:
                values |= {item: float(text)} if text else {}
            except ValueError:
                wrong.append(Finding("value-form", "refused", f"{text[:20]!r} is no number", "type a number", bed=bed,
                                     column=f"{number}-{item}"))  # fmt: skip
        patient = state.beds[bed].patient
        code = {} if patient is None or patient.code is None else {"code": patient.code}
        if values:
            drafts.append(Draft("reading", {"bed": bed, "read_at": now, "values": {**dialled, **values}, **code}))
    if wrong:
        raise Refused(tuple(wrong))
    return drafts


@router.post("/groups/{ventilator}/bedside/tick")
def tick(request: Request, ventilator: str, form: Form) -> Response:
    """One line of the gate, by whom; who accepts the last resort accepts the plan, who tested the circuit says so."""
    visiting = _visiting(request, ventilator, form)
    name, standing = prepared_group(visiting, visiting.desk.look(), ventilator)
    by = list(dict.fromkeys(one for key in ("by", "by-2") if (one := form.get(key, "").strip())))
    item = next((one for one in standing.gate_items if one.id == form.get("item")), None)
    passed = "not" not in form

    def drafts(state: WardState) -> Sequence[Draft]:
        if not by:
            raise refused("by-missing", "nobody is named who saw to it", "name them", "by")
        content: dict[str, Any] = {"group": name, "item": form.get("item", ""), "passed": passed, "by": by}
        made = [] if item is None or not passed else _proofs(state, standing, item, form, by)
        if item is not None and item.proof == "build" and form.get("build", "").strip():
            content["build"] = form["build"].strip()
        return [*made, Draft("gate_ticked", content)]

    return _write(visiting, ventilator, form, drafts, back="#gate")


def _proofs(state: WardState, standing: GroupStanding, item: GateItem, form: Mapping[str, str],
            by: list[str]) -> list[Draft]:  # fmt: skip
    plan, build = standing.plan, form.get("build", "").strip()
    if item.proof == "plan" and plan is not None and state.plans[plan].standing == "made":
        return [Draft("plan_accepted", {"plan": plan, "accepted_by": by})]
    if item.proof != "build" or not build:
        return []
    made = [] if build in state.builds else [Draft("build_made", {"build": build, "patients": len(standing.beds)})]
    return made + ([Draft("build_tested", {"build": build, "passed": True})] if "tested" in form else [])


@router.post("/groups/{ventilator}/bedside/start")
def start(request: Request, ventilator: str, form: Form) -> Response:
    """The change-over begins: who has which role."""
    visiting = _visiting(request, ventilator, form)
    name, standing = prepared_group(visiting, visiting.desk.look(), ventilator)

    def drafts(state: WardState) -> Sequence[Draft]:
        return [Draft("coupling_begun", {
            "group": name, "roles": _roles(form), "steps": start_steps(state, standing), **_answered(form),
        })]  # fmt: skip

    return _write(visiting, ventilator, form, drafts)


@router.post("/groups/{ventilator}/bedside/roles")
def roles(request: Request, ventilator: str, form: Form) -> Response:
    """Somebody else has a role now."""
    visiting = _visiting(request, ventilator, form)
    name, _ = prepared_group(visiting, visiting.desk.look(), ventilator)
    content = {"group": name, "roles": _roles(form), "reason": _reason(form)}
    return _write(visiting, ventilator, form, lambda _: [Draft("roles_changed", content)])


@router.post("/groups/{ventilator}/bedside/step")
def step(request: Request, ventilator: str, form: Form) -> Response:
    """The step that the form shows was done; it is refused where another one comes now."""
    visiting = _visiting(request, ventilator, form)
    name, _ = prepared_group(visiting, visiting.desk.look(), ventilator)

    def drafts(_: WardState) -> Sequence[Draft]:
        content: dict[str, Any] = {"group": name, "step": form.get("step", ""), **_answered(form)}
        if counted := form.get("clamps", "").strip():
            if not counted.isdecimal():
                raise refused("clamps-form", f"{counted[:20]!r} is no count", "count the clamps that are on", "clamps")
            content["clamps"] = int(counted)
        return [Draft("step_done", content)]

    return _write(visiting, ventilator, form, drafts)


@router.post("/groups/{ventilator}/bedside/undo")
def undo(request: Request, ventilator: str, form: Form) -> Response:
    """The step done last is taken back, at the bed."""
    visiting = _visiting(request, ventilator, form)
    name, _ = prepared_group(visiting, visiting.desk.look(), ventilator)
    content = {"group": name, "step": form.get("step", ""), "reason": _reason(form)}
    return _write(visiting, ventilator, form, lambda _: [Draft("step_undone", content)])


@router.post("/groups/{ventilator}/bedside/abandon")
def abandon(request: Request, ventilator: str, form: Form) -> Response:
    """The change-over is given up; its own steps follow."""
    visiting = _visiting(request, ventilator, form)
    name, standing = prepared_group(visiting, visiting.desk.look(), ventilator)

    def drafts(state: WardState) -> Sequence[Draft]:
        steps = abandon_steps(state, standing)
        return [Draft("coupling_abandoned", {"group": name, "reason": _reason(form), "steps": steps})]

    return _write(visiting, ventilator, form, drafts)


@router.post("/groups/{ventilator}/bedside/exit")
def exit_(request: Request, ventilator: str, form: Form) -> Response:
    """Patients come off; the steps follow."""
    visiting = _visiting(request, ventilator, form)
    name, standing = prepared_group(visiting, visiting.desk.look(), ventilator)
    off = [bed for number, bed in enumerate(standing.beds) if f"off-{number}" in form]
    to = {bed: label for number, bed in enumerate(standing.beds)
          if bed in off and (label := form.get(f"to-{number}", "").strip())}  # fmt: skip

    def drafts(state: WardState) -> Sequence[Draft]:
        if not off:
            raise refused("off-missing", "nobody is named who comes off", "tick who does", "off-0")
        return [Draft("exit_begun", {
            "group": name, "off": off, "roles": _roles(form), "steps": exit_steps(state, standing, off), "to": to,
            "reason": _reason(form),
        })]  # fmt: skip

    return _write(visiting, ventilator, form, drafts)


@router.post("/groups/{ventilator}/bedside/act")
def act(request: Request, ventilator: str, form: Form) -> Response:
    """Something was done to the group: it is to be read again."""
    visiting = _visiting(request, ventilator, form)
    name, _ = prepared_group(visiting, visiting.desk.look(), ventilator)
    bed = form.get("bed", "").strip()
    content = {"group": name, "what": form.get("what", "").strip(), **({"bed": bed} if bed else {})}
    return _write(visiting, ventilator, form, lambda _: [Draft("acted", content)])


# The shared part


Drafts = Callable[[WardState], Sequence[Draft]]


def _visiting(request: Request, ventilator: str, form: Mapping[str, str]) -> Visit:
    return writing_visit(request, form, f"/groups/{ventilator}/bedside")


def _write(visiting: Visit, ventilator: str, form: Mapping[str, str], *each: Drafts, back: str = "") -> Response:
    """Write what each makes of the ward as it then stands; the first that is refused ends it, and the page says why."""
    record = visiting.desk.record
    try:
        if visiting.person is None:
            raise refused("writer-missing", "nobody is named who writes this", "give your name", "writer")
        seen = int(form["seen"]) if form.get("seen", "").isdecimal() else 0
        for number, drafts in enumerate(each):
            state = record.state()
            made = [Draft(one.kind, one.content, _once(form, f"{number}.{place}"))
                    for place, one in enumerate(drafts(state))]  # fmt: skip
            if made:
                record.write(made, person=visiting.person, seen=seen if number == 0 else state.sequence)
    except Refused as refusal:
        status = 403 if any(one.id == "right-missing" for one in refusal.findings) else 422
        return bedside_view(visiting, ventilator, form, refusal.findings, status)
    return RedirectResponse(f"/groups/{ventilator}/bedside?written=1{back}", 303)


def _once(form: Mapping[str, str], number: str) -> str | None:
    once = form.get("once", "")
    return f"{once}.{number}" if once else None


def _roles(form: Mapping[str, str]) -> dict[str, str]:
    return {role.id: form.get(f"role-{role.id}", "").strip() for role in ROLES}


def _reason(form: Mapping[str, str]) -> str | None:
    return form.get("reason", "").strip() or None


def _answered(form: Mapping[str, str]) -> dict[str, Any]:
    confirmed = [one for one in form.get("confirmed", "").split(";") if one]
    reason = _reason(form)
    return ({"confirmed": confirmed} if confirmed else {}) | ({"reason": reason} if reason else {})


def refused(finding_id: str, reason: str, remedy: str, column: str | None = None) -> Refused:
    """One refusal of a form."""
    return Refused((Finding(finding_id, "refused", reason, remedy, column=column),))
