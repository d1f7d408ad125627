"""Random histories of a ward: what people write on a bad night, mistakes included."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

from airyoke.quantities import Refused
from airyoke.ward.state import WardState
from record.scribe import Scribe

BEDS = ("1", "2", "3", "4")
MACHINES = ("V1", "V2", "V3")


def begun() -> Scribe:
    """Beds and machines, nobody there yet."""
    scribe = Scribe()
    for machine in MACHINES:
        scribe.write("ventilator", ventilator=machine)
    for bed in BEDS:
        scribe.write("bed", bed=bed, room="East")
    return scribe


def step(scribe: Scribe, dice: random.Random, number: int) -> bool:
    """Somebody writes something, sensible or not; whether the record took it."""
    kind, content = _something(scribe, dice, number)
    try:
        scribe.write(kind, **content)
    except Refused:
        return False
    return True


def _something(scribe: Scribe, dice: random.Random, number: int) -> tuple[str, dict[str, Any]]:
    state = scribe.fold.state
    bed = dice.choice(BEDS)
    patient = state.beds[bed].patient if bed in state.beds else None
    code = patient.code if patient is not None and dice.random() < 0.95 else f"p{dice.randrange(6)}"
    machine = dice.choice(MACHINES)
    group = dice.choice([*state.groups] * 5 + [f"g{number}"])
    who = {"bed": bed, "code": code}
    minute = f"2026-11-25T{dice.randrange(12, 15)}:{dice.randrange(60):02}+00:00"
    named = dice.choice(scribe.entries[len(BEDS) + len(MACHINES) :] or scribe.entries)
    taken = [one for one, place in state.beds.items() if place.patient] or list(BEDS)
    others = dice.sample(taken, dice.randrange(1, len(taken) + 1)) if dice.random() < 0.9 else dice.sample(BEDS, 2)
    to = {one: dice.choice([None, *MACHINES]) for one in others if dice.random() < 0.3}
    return dice.choice(
        [
            ("patient_in", {"bed": bed, "code": f"p{number}", "values": dice.choice([{}, {"ventilator": machine}])}),
            ("patient_out", who),
            ("patient_moved", {**who, "to": dice.choice(BEDS)}),
            (
                "patient_changed",
                {**who, "values": dice.choice([{"ventilator": machine}, {"ventilator": None}, {"position": "prone"}])},
            ),
            *[("reading", {**who, "read_at": minute, "values": {"plateau_cmh2o": dice.randrange(15, 35)}})] * 3,
            *[("group_started", {"group": f"g{number}", "ventilator": machine, "beds": others})] * 3,
            *[("group_changed", {"group": group, "beds": others, "to": _off(state, group, others, dice, to)})] * 2,
            ("group_ended", {"group": group, "to": _off(state, group, (), dice, to)}),
            ("policy", {"values": {"max_group_size": dice.choice([2, 3, 4, None])}}),
            ("stock", {"counts": {"y-piece": dice.choice([0, 3, 9, None])}}),
            ("undo", {"undoes": named.id}),
            ("correction", {"corrects": named.id, "content": _corrected(named, dice)}),
        ]
    )


def _off(
    state: WardState, group: str, stay: Sequence[str], dice: random.Random, wrong: dict[str, Any]
) -> dict[str, Any]:
    """Where those go who are taken off: mostly somewhere sensible."""
    if group not in state.groups or dice.random() < 0.1:
        return wrong
    return {
        bed: dice.choice([None, *MACHINES])
        for bed in state.groups[group].beds
        if bed not in stay and dice.random() < 0.5
    }


def _corrected(named: Any, dice: random.Random) -> dict[str, Any]:
    if named.kind == "reading":
        return {**named.content, "values": {"plateau_cmh2o": dice.randrange(15, 35)}}
    if named.kind == "patient_in":
        return {**named.content, "values": dice.choice([{}, {"ventilator": dice.choice(MACHINES)}])}
    return dict(named.content)
