"""What is read of a group and done about it: rounds, the baseline, acts."""

from __future__ import annotations

from dataclasses import replace

from airyoke.ward.entries import Entry
from airyoke.ward.folding_stage import Content, standing_of, time_of, with_standing
from airyoke.ward.folding_tools import place_of, refuse, with_dialled
from airyoke.ward.group_standing import Baseline, GroupStanding, later
from airyoke.ward.read_value import ReadValue
from airyoke.ward.state import WardState


def _read(state: WardState, content: Content, entry: Entry) -> GroupStanding:
    """The group with these readings; refused for a bed that does not breathe from it (any more)."""
    name, at = content["group"], time_of(content, entry)
    standing = standing_of(state, name, "coupling", "running", "abandoning", "abandoned", "leaving")
    patients, codes = content.get("patients") or {}, content.get("codes") or {}
    if not content.get("values") and not any(patients.values()):
        refuse("round-empty", "nothing was read", "give at least one value")
    for bed in (*patients, *codes):
        if bed not in standing.joined:
            left = "has left" if bed in standing.beds else "is not in"
            refuse("bed-not-in-group", f"bed {bed} {left} group {name}", "read those who breathe from it", bed)
        patient = place_of(state, bed).patient
        if bed in codes and (patient is None or patient.code != codes[bed]):
            refuse("patient-other", f"bed {bed} does not hold {codes[bed]}", "see who is in the bed now", bed)
    read = {where: dict(held) for where, held in standing.read.items()}
    for where, values in (("", content.get("values") or {}), *patients.items()):
        for item, value in values.items():
            new = ReadValue(value, at, content.get("read_by") or entry.person, entry.sequence)
            old = read.setdefault(where, {}).get(item)
            if old is None or old.is_before(new):
                read[where][item] = new
    return replace(standing, read=read, round_at=later(standing.round_at, at))


def round_read(state: WardState, content: Content, entry: Entry) -> WardState:
    return with_standing(state, content["group"], _read(state, content, entry))


def baseline_read(state: WardState, content: Content, entry: Entry) -> WardState:
    standing = _read(state, content, entry)
    patients = content.get("patients") or {}
    for bed in standing.joined:
        if "tidal_volume_ml" not in (patients.get(bed) or {}):
            refuse("baseline-missing", f"the tidal volume of bed {bed} is not given", "read each, all others clamped",
                   bed)  # fmt: skip
    baseline = Baseline(entry.sequence, time_of(content, entry), content.get("values") or {}, patients,
                        tuple(content.get("alarms") or ()))  # fmt: skip
    return with_standing(state, content["group"], replace(standing, baseline=baseline))


def acted(state: WardState, content: Content, entry: Entry) -> WardState:
    name, at = content["group"], time_of(content, entry)
    standing = standing_of(state, name, "coupling", "running", "abandoning", "abandoned", "leaving")
    if (bed := content.get("bed")) is not None and bed not in standing.joined:
        refuse("bed-not-in-group", f"bed {bed} does not breathe from group {name}", "name one that does", bed)
    state = with_standing(state, name, replace(standing, changed_at=later(standing.changed_at, at)))
    return with_dialled(state, standing.ventilator, content)


def changed_on(state: WardState, ventilator: str, at: str) -> WardState:
    """Something was changed on this ventilator: its group is to be read again."""
    name = state.group_on(ventilator)
    if name is None or name not in state.standings:
        return state
    standing = state.standings[name]
    return with_standing(state, name, replace(standing, changed_at=later(standing.changed_at, at)))


def reviewed(state: WardState, name: str, at: str) -> WardState:
    """Two seniors looked whether this group may go on."""
    if name not in state.standings:
        return state
    standing = state.standings[name]
    return with_standing(state, name, replace(standing, reviewed_at=later(standing.reviewed_at, at)))
