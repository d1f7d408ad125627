"""The ward at a glance: who breathes from what, what is due or refused, what changed lately."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Query
from starlette.responses import JSONResponse, Response

from airyoke.lungs.patient import Patient
from airyoke.quantities import Finding
from airyoke.ward.candidates import BedAssessment
from airyoke.ward.state import WardState
from airyoke.web.bedside_page import DueWords, due_words
from airyoke.web.desk import Desk, Look
from airyoke.web.visits import Visit, visit
from airyoke.web.words import entry_words

router = APIRouter()
LATELY: Final = 8
Visiting = Annotated[Visit, Depends(visit)]


@dataclass(frozen=True, slots=True)
class BedLine:
    """One bed as the ward sees it. ``share`` says in words whether it may share; ``lane`` its letter in a group."""

    label: str
    code: str | None
    room: str | None
    read_at: datetime | None
    compliance: Any
    share: str
    share_kind: str
    refused: int
    asks: int
    lane: str


@dataclass(frozen=True, slots=True)
class SourceLine:
    """One ventilator, or a device that is not of the ward, and who breathes from it."""

    label: str
    words: str
    beds: tuple[BedLine, ...]


@router.get("/")
def ward(visiting: Visiting) -> Response:
    """The page."""
    desk = visiting.desk
    look = desk.look()
    visiting.desk.note_reading(visiting.session, "the ward at a glance")
    findings, engine_checked = all_findings(desk, look)
    due = [one for one in findings if one.level != "note"]
    state = look.state
    entries = desk.record.entries(max(1, state.sequence - LATELY + 1))
    plans = [(name, plan) for name, plan in state.plans.items() if plan.standing != "superseded"]
    empty = [label for label, place in state.beds.items() if place.patient is None]
    return visiting.page("ward.html", look, here="ward", sources=sources(look, findings), due=due,
                         due_beds=_by_bed(due), engine_checked=engine_checked, entries=reversed(entries), empty=empty,
                         plan=plans[-1] if plans else None, checks=checks_of(state, desk.record.clock().local),
                         notes=[one for one in findings if one.level == "note"])  # fmt: skip


def checks_of(state: WardState, now: datetime) -> list[tuple[str, str, list[DueWords]]]:
    """What is due of every group that is prepared or runs: its name, its ventilator, the lines."""
    return [
        (name, standing.ventilator, due_words(state, name, standing, now))
        for name, standing in state.standings.items()
        if not standing.over
    ]


@router.get("/changes")
def changes(visiting: Visiting, since: Annotated[int, Query(ge=0)] = 0) -> JSONResponse:
    """What was written since an entry, for pages that stay open; also whether the engine is ready."""
    record = visiting.desk.record
    state = record.state()
    new = record.entries(max(since + 1, state.sequence - LATELY + 1)) if since < state.sequence else ()
    words = [f"{one.person}: {entry_words(one)}" for one in new]
    return JSONResponse({"sequence": state.sequence, "words": words, "engine_ready": visiting.desk.engine.ready})


def all_findings(desk: Desk, look: Look) -> tuple[tuple[Finding, ...], bool]:
    """Findings of the ward, and whether those that need the engine are among them."""
    job = desk.checked(look)
    if job is not None and job.standing == "done":
        found: tuple[Finding, ...] = job.result
        return found, True
    return look.findings, False


def sources(look: Look, findings: Sequence[Finding]) -> list[SourceLine]:
    """Ventilators in the order of the record, then patients on other devices."""
    on: dict[str | None, list[BedLine]] = {}
    for one in look.assessed:
        on.setdefault(one.bed.ventilator, []).append(_bed_line(look, one, findings))
    lines = []
    for label, values in look.state.ventilators.items():
        beds = tuple(on.pop(label, ()))
        usable = values.get("usable", True)
        words = "not usable" if not usable else "free" if not beds else "shared" if len(beds) > 1 else ""
        lines.append(SourceLine(label, words, beds))
    rest = tuple(bed for beds in on.values() for bed in beds)
    if rest:
        lines.append(SourceLine("Other device", "not of this ward's ventilators", rest))
    return lines


def _bed_line(look: Look, one: BedAssessment, findings: Sequence[Finding]) -> BedLine:
    bed, may = one.bed, one.eligibility
    group = look.state.group_of(bed.label)
    lane = "" if group is None else "ABCD"[look.state.groups[group].beds.index(bed.label)]
    levels = [f.level for f in findings if f.bed == bed.label]
    if bed.readings is None or may is None:
        share, kind = "not judged: readings were refused", "unknown"
    elif not isinstance(one.lungs, Patient):
        share, kind = "no: lungs cannot be estimated", "no"
    elif may.reasons:
        share, kind = f"no: {may.reasons[0].text}", "no"
    elif may.needs:
        share, kind = "only after a decision", "ask"
    else:
        share, kind = "may be planned", "yes"
    return BedLine(
        bed.label, bed.code, bed.room, None if bed.readings is None else bed.readings.read_at,
        one.lungs.lungs.compliance if isinstance(one.lungs, Patient) else None,
        share, kind, levels.count("refused"), levels.count("ask"), lane,
    )  # fmt: skip


def _by_bed(findings: Sequence[Finding]) -> dict[str, list[Finding]]:
    found: dict[str, list[Finding]] = {}
    for one in findings:
        found.setdefault(one.bed or "", []).append(one)
    return found
