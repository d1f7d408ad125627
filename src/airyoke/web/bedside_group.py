"""The group of one ventilator as the bedside has it: how it stands, its plan, its circuit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from starlette.exceptions import HTTPException

from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.record import Record
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.rows import ward_rows
from airyoke.ward.state import WardState
from airyoke.ward.ward import Ward
from airyoke.web.desk import Look
from airyoke.web.saved_groups import SavedGroup, machine_of, saved_groups, settings_of
from airyoke.web.visits import Visit


@dataclass(frozen=True, slots=True)
class BedsideGroup:
    """``standing`` is ``None`` until the group is prepared; ``planned`` is then what the newest plan on record has for
    this ventilator, and ``plan`` its name."""

    name: str
    saved: SavedGroup
    standing: GroupStanding | None
    plan: str | None = None
    planned: Mapping[str, Any] | None = None


def bedside_group(visiting: Visit, look: Look, ventilator: str, *, over: bool = True) -> BedsideGroup:
    """The group on this ventilator: the one that is prepared or runs, else the planned one, else (``over``) the last
    that ended. Raises 404 where there is none."""
    state = look.state
    own = [(name, one) for name, one in state.standings.items() if one.ventilator == ventilator]
    for name, standing in own:
        if not standing.over and (saved := _saved(look, name, standing)) is not None:
            return BedsideGroup(name, saved, standing, standing.plan)
    found = None if state.group_on(ventilator) else _planned(visiting.desk.record, state, ventilator)
    ended = own[-1] if own and over else None
    if ended is not None and (found is None or found[0] == ended[1].plan):
        if (saved := _saved(look, *ended)) is not None:
            return BedsideGroup(ended[0], saved, ended[1], ended[1].plan, None if found is None else found[1])
    if found is None:
        saved = saved_groups(visiting.desk, look).get(ventilator)
        if saved is None:
            raise HTTPException(404)
        return BedsideGroup("", saved, None)
    plan, planned = found
    machine, settings = machine_of(look, ventilator), settings_of(planned["settings"])
    if machine is None or settings is None:
        raise HTTPException(404)
    saved = SavedGroup(machine, tuple(planned["beds"]), settings, "planned", f"As in plan {plan}; nobody is coupled")
    return BedsideGroup(_fresh(state, str(planned.get("id") or "G1")), saved, None, plan, planned)


def prepared_group(visiting: Visit, look: Look, ventilator: str) -> tuple[str, GroupStanding]:
    """The group on this ventilator, prepared and not over. Raises 404 where there is none."""
    one = bedside_group(visiting, look, ventilator)
    if one.standing is None:
        raise HTTPException(404)
    return one.name, one.standing


def _saved(look: Look, name: str, standing: GroupStanding) -> SavedGroup | None:
    machine = machine_of(look, standing.ventilator)
    settings = settings_of(look.state.settings.get(standing.ventilator) if standing.joined else standing.settings)
    if machine is None or settings is None:
        return None
    return SavedGroup(
        machine, standing.beds, settings, "running" if standing.joined else "planned", f"Group {name}"
    )


def _planned(record: Record, state: WardState, ventilator: str) -> tuple[str, Mapping[str, Any]] | None:
    for name, plan in reversed(list(state.plans.items())):
        if plan.standing == "superseded":
            continue
        for one in _groups_of(record, plan.made):
            if one["ventilator"] == ventilator and len(one["beds"]) > 1 and one.get("settings"):
                return name, one
    return None


def _groups_of(record: Record, made: int) -> list[Mapping[str, Any]]:
    (entry,) = record.entries(made, made)
    return list(entry.content["groups"])


def _fresh(state: WardState, name: str) -> str:
    used = {*state.groups, *state.ended_groups, *state.standings}
    return name if name not in used else next(one for n in range(1, 10_000) if (one := f"G{n}") not in used)


def parts_of(record: Record, state: WardState, standing: GroupStanding) -> dict[str, int] | None:
    """The parts of the planned circuit; ``None`` where the plan names none."""
    if standing.plan is None:
        return None
    for one in _groups_of(record, state.plans[standing.plan].made):
        if one["ventilator"] == standing.ventilator and set(one["beds"]) == set(standing.beds):
            return {line["part"]: line["count"] for line in (one.get("circuit") or {}).get("parts", ())} or None
    return None


def ward_then(visiting: Visit, look: Look, sequence: int) -> Ward:
    """The ward as it stood after that entry, with the ages of its readings as they were then."""
    record = visiting.desk.record
    (entry,) = record.entries(sequence, sequence)
    return ward_of_rows(ward_rows(record.state_at(sequence)), file=record.site, now=entry.time)
