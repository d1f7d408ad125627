"""A group at the bedside: where it stands, its gate, its steps, its clock, and what comes next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends
from starlette.responses import Response

from airyoke.contract.words import name_words, plain
from airyoke.quantities import Finding
from airyoke.quantities.cautions import MORE_THAN_TWO
from airyoke.ward.bedside_stops import stop_lines
from airyoke.ward.due import apnoea_of, due_of
from airyoke.ward.folding_gate import gate_open
from airyoke.ward.folding_stage import STAGE_WORDS
from airyoke.ward.group_standing import GroupStanding, Step
from airyoke.ward.state import WardState
from airyoke.watch.rehearsal import ALSO_READ, MEASURED
from airyoke.watch.start import ROLES, equipment_for
from airyoke.web.bedside_group import bedside_group
from airyoke.web.bedside_seen import last_round
from airyoke.web.desk import Look
from airyoke.web.visits import Visit, visit

router = APIRouter()
Visiting = Annotated[Visit, Depends(visit)]
_WAY: Final = ("Planned", "Rehearsed, each alone", "Gate ticked", "Coupled, step by step", "Running", "Ended")
_PLACE: Final = {"rehearse": 1, "gate": 2, "coupling": 3, "abandoning": 3, "running": 4, "leaving": 4, "abandoned": 4,
                 "dissolved": 5, "ended": 5}  # fmt: skip
_WAY_WORDS: Final = {"start": "Change-over", "abandon": "Giving up", "exit": "Coming off"}
ALONE: Final = (*MEASURED, *ALSO_READ)
"""What is read of each alone, in the order of the form."""


@dataclass(frozen=True, slots=True)
class GateLine:
    """One line of the gate. ``open`` says why it does not hold; empty where it holds."""

    id: str
    text: str
    people: int
    proof: str
    by: str
    at: datetime | None
    open: str


@dataclass(frozen=True, slots=True)
class DueWords:
    """One thing that is due, in words."""

    words: str
    bed: str | None
    at: datetime | None
    overdue_min: int
    step: bool = False


@router.get("/groups/{ventilator}/bedside")
def bedside(visiting: Visiting, ventilator: str) -> Response:
    """The page."""
    return bedside_view(visiting, ventilator, dict(visiting.request.query_params))


def bedside_view(visiting: Visit, ventilator: str, typed: Mapping[str, str], wrong: tuple[Finding, ...] = (),
                 status: int = 200) -> Response:  # fmt: skip
    """The page with what was typed; ``wrong`` says why a form of it was not taken."""
    look = visiting.desk.look()
    one = bedside_group(visiting, look, ventilator)
    visiting.desk.note_reading(visiting.session, f"bedside of {ventilator}"[:80])
    standing, state = one.standing, look.state
    now = visiting.desk.record.clock().local
    stage = None if standing is None else standing.stage
    shown: dict[str, Any] = {} if standing is None else _shown(visiting, look, one.name, standing, now)
    return visiting.page(
        "bedside.html", look, status=status, here="group", tab="bedside", group=one.saved, one=one, standing=standing,
        stage=stage, stages=stages(standing), stage_words=None if stage is None else STAGE_WORDS[stage],
        lanes=list(zip("ABCD", one.saved.beds, strict=False)), typed=typed, wrong=wrong, asked=asked(wrong),
        written="written" in typed, seen=state.sequence, name_words=name_words, plain=plain, alone=ALONE,
        roles=[(role.id, role.text) for role in ROLES], may=visiting.may, machines=list(state.ventilators),
        equipment=equipment_for(len(one.saved.beds)), address=f"/groups/{ventilator}/bedside", clock_now=now,
        more_than_two=MORE_THAN_TWO.text if len(one.saved.beds) > 2 else "", **(_NOTHING | shown),
    )  # fmt: skip


_NOTHING: Final[dict[str, Any]] = {
    "gate": (), "gate_left": 0, "way": None, "way_words": "", "next": None, "number": 0, "stops": (), "due": (),
    "clamped": None, "last": None, "recipe": None,
}  # fmt: skip


def _shown(visiting: Visit, look: Look, name: str, standing: GroupStanding, now: datetime) -> dict[str, Any]:
    state, way = look.state, standing.way
    gate = gate_lines(state, name, standing, now)
    return {
        "gate": gate, "gate_left": sum(bool(line.open) for line in gate), "way": way,
        "way_words": "" if way is None else _WAY_WORDS[way.name], "next": None if way is None else way.next,
        "number": 0 if way is None else 1 + sum(step.done is not None for step in way.steps),
        "stops": stop_lines(state, standing), "due": due_words(state, name, standing, now),
        "clamped": clamped(standing, now), "last": last_round(visiting, look, name, standing),
        "recipe": standing.settings,
    }  # fmt: skip


def stages(standing: GroupStanding | None) -> list[tuple[str, str]]:
    """The way of a group: each stage with ``done``, ``now`` or ``next``."""
    place = 0 if standing is None else _PLACE[standing.stage]
    found = []
    for number, words in enumerate(_WAY):
        mark = "done" if number < place else "now" if number == place else "next"
        if number == 1 and standing is not None and standing.rehearsal is not None:
            words = {"skipped": "Not rehearsed, with a reason"}.get(standing.rehearsal.verdict, words)
        if number == 3 and standing is not None and standing.way is not None and mark == "now":
            done = sum(step.done is not None for step in standing.way.steps)
            words = f"{_WAY_WORDS[standing.way.name]}: {done} of {len(standing.way.steps)} steps done"
        if number == 4 and standing is not None and mark == "now":
            words = STAGE_WORDS[standing.stage][0].capitalize()
        if number == 5 and standing is not None and mark == "now":
            words = STAGE_WORDS[standing.stage][0].capitalize()
        found.append((words, mark))
    return found


def gate_lines(state: WardState, name: str, standing: GroupStanding, now: datetime) -> list[GateLine]:
    """The gate, line by line."""
    left = {item.id: why for item, why in gate_open(state, name, now.isoformat())}
    found = []
    for item in standing.gate_items:
        tick = standing.gate.get(item.id)
        by, at = ("", None) if tick is None else (" and ".join(tick.by), datetime.fromisoformat(tick.at))
        found.append(GateLine(item.id, item.text, item.people, item.proof, by, at, left.get(item.id, "")))
    return found


def due_words(state: WardState, name: str, standing: GroupStanding, now: datetime) -> list[DueWords]:
    """What is due for a group, the most urgent first."""
    return [
        DueWords(line.words, line.bed, line.at, int(line.overdue(now).total_seconds() // 60), line.name == "step")
        for line in due_of(state, name, standing)
    ]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Clamped:
    """The tube that is clamped now. ``seconds`` so far; at ``stop_at`` everything stops and the patient is bagged."""

    bed: str
    since: datetime
    seconds: float
    stop_s: float
    stop: bool


def clamped(standing: GroupStanding, now: datetime) -> Clamped | None:
    """The tube that is clamped in the steps under way."""
    found = apnoea_of(standing, now)
    step: Step | None = None if standing.way is None else standing.way.closed
    if found is None or step is None or step.done is None:
        return None
    bed, one = found
    return Clamped(bed, datetime.fromisoformat(step.done.at), one.seconds, one.stop_s, one.stop)


def asked(wrong: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """What may be confirmed with a reason."""
    return tuple(one for one in wrong if one.level == "ask")


