"""The plan: worked out beside the pages, shown group by group, accepted by two people."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from airyoke.contract.dials import Dial, dial_list
from airyoke.contract.goals import GOALS, goal_words
from airyoke.contract.kept_plan import kept_plan
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.contract.standing import binding_words, verdict_words
from airyoke.contract.times import readings_words
from airyoke.contract.words import amount_words, name_words, number_words, plain
from airyoke.limits.policy import Policy
from airyoke.pictures import map_rows, map_told
from airyoke.plan.plan import Plan, PlannedGroup, RefusedPair
from airyoke.quantities import Finding, Refused
from airyoke.ward.entries import Draft
from airyoke.ward.ward import Ward
from airyoke.web.desk import Look
from airyoke.web.engine_room import Job
from airyoke.web.tracks import LaneView, lane_view
from airyoke.web.visits import Visit, sent_form, visit, writing_visit
from airyoke.web.ward_map import map_of

router = APIRouter()
Form = Annotated[dict[str, str], Depends(sent_form)]
Visiting = Annotated[Visit, Depends(visit)]
AT_A_GLANCE: Final = ("tidal_volume_ml_per_kg", "driving_pressure_cmh2o")


@dataclass(frozen=True, slots=True)
class GroupView:
    """One group as shown."""

    group: PlannedGroup
    verdict: str
    binding: str | None
    dials: tuple[Dial, ...]
    lanes: list[LaneView]


@router.get("/plan")
def plan(visiting: Visiting) -> Response:
    """The plan for the ward as it stands, or how to get it."""
    visiting.desk.note_reading(visiting.session, "the plan")
    return _page(visiting, {}, ())


@router.post("/plan")
def work_out(request: Request, form: Form) -> Response:
    """Begin to work it out for the ward as it stands."""
    visiting = writing_visit(request, form, "/plan")
    visiting.desk.plan(visiting.desk.look(), again=True)
    return RedirectResponse("/plan", 303)


@router.get("/plan/progress")
def progress(visiting: Visiting) -> JSONResponse:
    """How far it is."""
    look = visiting.desk.look()
    job = visiting.desk.engine.job("plan", look.key)
    if job is None:
        return JSONResponse({"standing": "none", "words": ""})
    return JSONResponse(
        {"standing": job.standing, "words": _progress_words(visiting, job), "done": job.done, "of": job.of}
    )


@router.post("/plan/accept")
def accept(request: Request, form: Form) -> Response:
    """Write the plan down, and who took responsibility for it."""
    visiting = writing_visit(request, form, "/plan")
    look, desk = visiting.desk.look(), visiting.desk
    job = desk.engine.job("plan", look.key)
    found: tuple[Finding, ...] = ()
    second = form.get("second", "").strip()
    if job is None or job.standing != "done" or form.get("based_on") != str(job.based_on):
        found = (_finding("plan-old", "the ward has changed since this plan was worked out", "work it out again"),)
    elif visiting.person is None:
        found = (_finding("writer-missing", "nobody is named who accepts", "give your name", "writer"),)
    elif not second or second.casefold() == visiting.person.casefold():
        found = (
            _finding("second-missing", "two people accept a plan", "name the second, who is not yourself", "second"),
        )
    elif "last-resort" not in form:
        reason = "it was not confirmed that sharing is the last resort here"
        found = (_finding("last-resort-missing", reason, "confirm it, or keep everybody alone", "last-resort"),)
    if found or job is None:
        return _page(visiting, form, found, status=422)
    name = _standing_name(look, job) or f"P{len(look.state.plans) + 1}"
    drafts = [] if name in look.state.plans else [
        Draft("plan_made", kept_plan(PlanAnswer.of(job.result), name, based_on=job.based_on))
    ]  # fmt: skip
    drafts.append(Draft("plan_accepted", {"plan": name, "accepted_by": [visiting.person, second[:80]]}))
    try:
        desk.record.write(drafts, person=visiting.person or "", seen=look.state.sequence)
    except Refused as refusal:
        return _page(visiting, form, refusal.findings, status=403)
    return RedirectResponse("/plan", 303)


def _page(visiting: Visit, form: Mapping[str, str], findings: tuple[Finding, ...], status: int = 200) -> Response:
    desk = visiting.desk
    look = desk.look()
    job = desk.engine.job("plan", look.key)
    old = None if job is not None else desk.engine.last_done("plan")
    shown: dict[str, Any] = {"job": job, "progress": _progress_words(visiting, job) if job else "", "plan": None}
    base = job if job is not None and job.standing == "done" else old
    if base is not None and base.ward is not None:
        shown |= _shown(base.result, base.ward, look)
    seen = map_of(desk, look)
    accepted = [(n, p) for n, p in look.state.plans.items() if p.standing == "accepted"]
    return visiting.page(
        "plan.html", look, status=status, here="plan", outdated=old is not None, base=base, form=form,
        findings=findings,
        accepted=accepted[-1] if accepted else None, this_accepted=base is not None and _accepted_by(look, base),
        may_accept=visiting.may("plan_accepted"), can_plan=look.ward is not None, ward_findings=look.findings,
        map_told="" if seen is None else map_told(seen), map_rows=() if seen is None else map_rows(seen),
        map_missing=() if seen is None else seen.missing, **shown,
    )  # fmt: skip


def _shown(plan: Plan, ward: Ward, look: Look) -> dict[str, Any]:
    """Everything of a plan in the form in which the page shows it."""
    shared = [_group(plan_group, ward) for plan_group in plan.groups if plan_group.status == "judged"]
    alone = [_group(one, ward) for one in plan.groups if one.status != "judged"]
    placed = sum(len(one.beds) for one in plan.groups)
    pairs = sorted(plan.refused_pairs, key=lambda one: (one.by == "rules", -(one.margin or -1e9)))
    return {
        "plan": plan, "shared": shared, "alone": alone, "placed": placed, "total": placed + len(plan.unplaced),
        "plan_readings": readings_words([b.readings.read_at for b in ward.beds if b.readings is not None]),
        "glance": [(one.group.ventilator, lane, [row for row in lane.rows if row.key in AT_A_GLANCE])
                   for one in shared for lane in one.lanes],
        "switches": list(dict.fromkeys(line for one in shared for line in one.group.switches)),
        "proof": [(GOALS[one.goal][0], "-" if one.value is None else plain(round(one.value, 3)), goal_words(one))
                  for one in plan.proof],
        "provers": list(dict.fromkeys(one.by for one in plan.proof if one.by)),
        "worse": None if plan.runner_up is None or not plan.runner_up.worse_by else
        (GOALS[plan.runner_up.worse_by[0][0]][0], plain(round(abs(plan.runner_up.worse_by[0][1]), 3))),
        "pairs": [(one.beds, _pair_words(one, ward.policy), one.by) for one in pairs],
        "alternatives": list(dict.fromkeys(beds for one in plan.unplaced for beds in one.alternatives)),
        "alarm_words": lambda value: "-" if value is None else plain(value), "name_words": name_words,
    }  # fmt: skip


def _group(group: PlannedGroup, ward: Ward) -> GroupView:
    answer = group.answer
    machine = next((one for one in ward.ventilators if one.label == group.ventilator), None)
    on = {bed.label: bed.ventilator for bed in ward.beds}
    times = [bed.readings.read_at for bed in ward.beds if bed.label in group.beds and bed.readings is not None]
    lanes = []
    for patient in () if answer is None else answer.patients:
        now = on.get(patient.label)
        moves = "stays where it is" if now == group.ventilator else f"comes from {now or 'another device'}"
        assert answer is not None, "there are patients"
        why = f"/groups/{quote(group.ventilator, safe='')}/why/{quote(patient.label, safe='')}/"
        lanes.append(lane_view(patient, answer, ward.policy, comes_from=moves, why=why))
    return GroupView(
        group,
        "Not judged: there is nothing to judge it by." if answer is None
        else verdict_words(answer, ward.policy, readings_words(times)),
        None if answer is None else binding_words(answer, "bed "),
        dial_list(tuple(group.present_settings.get(bed) for bed in group.beds), group.settings, machine),
        lanes,
    )  # fmt: skip


def _pair_words(pair: RefusedPair, policy: Policy) -> str:
    words = [reason.text for reason in pair.reasons]
    for one in pair.limits:
        side = next((x.side for x in policy.limits if x.name == one.limit and one.bound in (x.target, x.hard)), "high")
        word = "at least" if side == "low" else "at most"
        who = "" if one.bed is None else f" of {one.bed}"
        words.append(f"{name_words(one.limit)}{who} {number_words(one.best, one.unit)}, "
                     f"{word} {amount_words(one.bound, one.unit)}")  # fmt: skip
    return "; ".join(words)


def _progress_words(visiting: Visit, job: Job) -> str:
    if job.standing == "waiting":
        return "Waiting for the engine" if visiting.desk.engine.ready else "Waiting: the engine is getting ready"
    if job.standing == "running":
        count = f", {job.done} of {job.of}" if job.of else ""
        return f"{job.what or 'Working'}{count} · {job.running_s:.0f} s so far"
    return job.words


def _standing_name(look: Look, job: Job) -> str | None:
    return next((name for name, plan in look.state.plans.items() if plan.based_on == job.based_on), None)


def _accepted_by(look: Look, job: Job) -> bool:
    """Whether the plan of this job is accepted already."""
    name = _standing_name(look, job)
    return name is not None and look.state.plans[name].standing == "accepted"


def _finding(finding_id: str, reason: str, remedy: str, column: str | None = None) -> Finding:
    return Finding(finding_id, "refused", reason, remedy, column=column)
