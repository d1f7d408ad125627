"""The lists of the bedside for one group of the ward: its gate, its start, how it is given up, its exit.

They are the site's own where it has edited them, else the usual ones; with the lanes and beds of the group in them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from airyoke.ward.folding_steps import joined_last
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.state import WardState
from airyoke.watch.sequences import SEQUENCES, SequenceName, TimedStep, edited_forms, filled, step_object
from airyoke.watch.start import GATE

LETTERS = "ABCD"


def gate_objects(state: WardState) -> list[dict[str, Any]]:
    """The lines of the gate as an entry ``group_prepared`` holds them."""
    edited = state.sequences.get("gate")
    if edited is not None:
        return [dict(one) for one in edited]
    return [{"id": one.id, "text": one.text, "people": one.people, "proof": one.proof} for one in GATE]


def forms(state: WardState, name: SequenceName) -> tuple[TimedStep, ...]:
    """The form of a sequence here."""
    edited = state.sequences.get(name)
    return SEQUENCES[name] if edited is None else edited_forms(name, edited)


def start_steps(state: WardState, standing: GroupStanding) -> list[dict[str, Any]]:
    """The steps of the change-over as an entry ``coupling_begun`` holds them.

    The first to move is who is on this ventilator already: it must be free before anybody else joins.
    """
    on_it = [bed for bed in standing.beds if _ventilator(state, bed) == standing.ventilator]
    order = [*on_it, *(bed for bed in standing.beds if bed not in on_it)]
    return _steps(forms(state, "start"), standing, order)


def abandon_steps(state: WardState, standing: GroupStanding) -> list[dict[str, Any]]:
    """The steps by which a start that is under way is given up; none where nobody has been moved.

    A tube that is clamped for a patient who has not joined is opened first of all.
    """
    way, last = standing.way, joined_last(standing)
    closed = None if way is None else way.closed
    steps: list[dict[str, Any]] = []
    if closed is not None and closed.bed is not None and closed.bed not in standing.joined:
        lane = _lane(standing, closed.bed)
        do = f"Unclamp the tube of {lane}, its old ventilator runs: chest rises; its end of the circuit capped"
        steps.append({"id": f"unclamp.{lane[0]}", "at": "at once", "who": "airway", "do": do, "bed": closed.bed,
                      "opens": True})  # fmt: skip
    if last is not None:
        steps += _steps(forms(state, "abandon"), standing, [last])
    return steps


def exit_steps(state: WardState, standing: GroupStanding, off: Sequence[str]) -> list[dict[str, Any]]:
    """The steps by which these beds come off, as an entry ``exit_begun`` holds them."""
    return _steps(forms(state, "exit"), standing, off)


def _steps(form: Sequence[TimedStep], standing: GroupStanding, beds: Sequence[str]) -> list[dict[str, Any]]:
    by_lane = {_lane(standing, bed): bed for bed in beds}
    return [_with_bed(one, by_lane) for one in filled(form, list(by_lane))]


def _with_bed(step: TimedStep, by_lane: Mapping[str, str]) -> dict[str, Any]:
    held = step_object(step)
    lane = held.pop("lane", None)
    if lane is not None:
        held["bed"] = by_lane[lane]
        held["id"] = step.id.replace(f".{lane}", f".{lane[0]}")
    return held


def _lane(standing: GroupStanding, bed: str) -> str:
    """A lane in words: its letter and its bed, so that nobody has to remember which is which."""
    return f"{LETTERS[standing.beds.index(bed)]} (bed {bed})"


def _ventilator(state: WardState, bed: str) -> str | None:
    patient = state.beds[bed].patient if bed in state.beds else None
    return None if patient is None else patient.ventilator
