"""What a read workbook, or an event, would change in the record: a proposal, line by line, for a person to confirm."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

from airyoke.quantities import Finding, Refused
from airyoke.ward import columns
from airyoke.ward.entries import Draft
from airyoke.ward.events import Event
from airyoke.ward.read_value import ReadValue
from airyoke.ward.state import Group, Stay, WardState

LineKind = Literal["new", "changed", "conflicting"]
Tables = Mapping[str, Sequence[Mapping[str, Any]]]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a proposal: what would be written, and what it would replace.

    ``conflicting`` lines contradict what the record knows (another patient in the bed, an older reading than the one
    it has): they are confirmed one by one or not at all. ``before`` and ``after`` show what changes.
    """

    kind: LineKind
    subject: str
    drafts: tuple[Draft, ...]
    before: Mapping[str, Any]
    after: Mapping[str, Any]
    why: str = ""


def propose(state: WardState, tables: Tables) -> tuple[Line, ...]:
    """The lines by which ``tables`` (typed rows, sheet by sheet) differ from the state, in an order in which they can
    be written. What the workbook does not name is left as it is."""
    return (
        *_ventilators(state, tables.get("ventilators", ())),
        *_policy(state, tables.get("policy", ())),
        *_stock(state, tables.get("stock")),
        *(line for row in tables.get("beds", ()) for line in _bed(state, row)),
    )


def lines_of_events(state: WardState, events: Sequence[Event]) -> tuple[Line, ...]:
    """What the events themselves change, in an order in which it can be written: a ventilator in or out of use, a
    patient out of its group and out of its bed. What a new plan proposes is written when it has been done, and new
    readings are written as readings. Raises ``Refused`` for a bed in which nobody is."""
    found: list[Line] = []
    groups = dict(state.groups)
    for event in events:
        if event.kind in ("frees", "fails"):
            now = {"usable": event.kind == "frees"}
            before, after = _changes(state.ventilators.get(event.whose, {}), now)
            if after:
                draft = _ventilator(event.whose, after)
                found.append(Line("changed", f"ventilator {event.whose}", (draft,), before, after, event.kind))
        if event.kind in ("leaves", "dies"):
            found.append(_gone(state, groups, event))
    return tuple(found)


def _gone(state: WardState, groups: dict[str, Group], event: Event) -> Line:
    bed, reason = event.whose, "died" if event.kind == "dies" else "left the ward"
    patient = state.beds[bed].patient if bed in state.beds else None
    if patient is None:
        words = f"nobody is in bed {bed}: whoever was there has left already"
        raise Refused((Finding("event-bed", "refused", words, "leave it out", bed=bed),))
    drafts = []
    for name, group in list(groups.items()):
        if bed in group.beds:
            stay = tuple(one for one in group.beds if one != bed)
            kind, beds = ("group_changed", {"beds": list(stay)}) if stay else ("group_ended", {})
            drafts.append(Draft(kind, {"group": name, **beds, "to": {bed: None}, "reason": reason}))
            groups[name] = replace(group, beds=stay)
    drafts.append(Draft("patient_out", {**_known({"bed": bed, "code": patient.code}), "reason": reason}))
    return Line("changed", f"patient in bed {bed}", tuple(drafts), {"code": patient.code}, {}, reason)


def seems_of_another_site(state: WardState, tables: Tables) -> bool:
    """Whether the record knows beds and ventilators, and none of those that ``tables`` name."""
    known = {*state.beds, *state.ventilators}
    named = {row["bed"] for row in tables.get("beds", ())} | {
        row["ventilator"] for row in tables.get("ventilators", ())
    }
    return bool(known) and not known & named


def _changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    changed = {name: value for name, value in new.items() if not _same(old.get(name), value)}
    return {name: old[name] for name in changed if name in old}, changed


def _same(old: Any, new: Any) -> bool:
    """Whether a value is the same: numbers as far as a workbook keeps their digits, labels in any order."""
    if isinstance(old, list | tuple) and isinstance(new, list | tuple):
        return sorted(old) == sorted(new)
    if isinstance(old, int | float) and isinstance(new, int | float) and not isinstance(old, bool):
        return math.isclose(old, new, rel_tol=1e-9)
    return bool(old == new)


def _ventilators(state: WardState, rows: Sequence[Mapping[str, Any]]) -> Iterator[Line]:
    for row in rows:
        name = row["ventilator"]
        values = {key: value for key, value in row.items() if key != "ventilator" and value is not None}
        if name not in state.ventilators:
            yield Line("new", f"ventilator {name}", (_ventilator(name, values),), {}, values)
            continue
        before, after = _changes(state.ventilators[name], values)
        if after:
            yield Line("changed", f"ventilator {name}", (_ventilator(name, after),), before, after)


def _ventilator(name: str, values: Mapping[str, Any]) -> Draft:
    return Draft("ventilator", {"ventilator": name, "values": dict(values)})


def _policy(state: WardState, rows: Sequence[Mapping[str, Any]]) -> Iterator[Line]:
    before, after = _changes(state.policy, {row["name"]: row["value"] for row in rows})
    for name, value in after.items():
        kind: LineKind = "changed" if name in before else "new"
        old = {name: before[name]} if name in before else {}
        yield Line(kind, f"policy {name}", (Draft("policy", {"values": {name: value}}),), old, {name: value})


def _stock(state: WardState, rows: Sequence[Mapping[str, Any]] | None) -> Iterator[Line]:
    if rows is None:
        return
    before, after = _changes(state.stock or {}, {row["part"]: row["count"] for row in rows})
    if after or state.stock is None:
        kind: LineKind = "new" if state.stock is None else "changed"
        yield Line(kind, "stock", (Draft("stock", {"counts": after}),), before, after)


def _bed(state: WardState, row: Mapping[str, Any]) -> Iterator[Line]:
    bed, code, room = row["bed"], row.get("code"), row.get("room")
    place = state.beds.get(bed)
    if place is None:
        yield Line("new", f"bed {bed}", (Draft("bed", _known({"bed": bed, "room": room})),), {}, _known({"room": room}))
    elif place.room != room and room is not None:
        draft = Draft("bed", {"bed": bed, "room": room})
        yield Line("changed", f"bed {bed}", (draft,), _known({"room": place.room}), {"room": room})
    values = {name: row[name] for name in columns.PATIENT if row.get(name) is not None}
    readings = {name: row[name] for name in columns.READING if row.get(name) is not None}
    here = place.patient if place is not None else None
    who = _known({"bed": bed, "code": code})
    if here is None or here.code != code:
        yield _arrival(state, row, here, values, readings)
        return
    before, after = _changes(here.values, values)
    if after:
        draft = Draft("patient_changed", {**who, "values": after})
        kind: LineKind = "changed" if before else "new"
        if "ventilator" in after and state.group_of(bed) is not None:
            why = f"bed {bed} is in the running group {state.group_of(bed)}"
            yield Line("conflicting", f"patient in bed {bed}", (draft,), before, after, why)
        else:
            yield Line(kind, f"patient in bed {bed}", (draft,), before, after)
    yield from _reading(here, row, who, readings)


def _arrival(
    state: WardState,
    row: Mapping[str, Any],
    here: Stay | None,
    values: Mapping[str, Any],
    readings: Mapping[str, Any],
) -> Line:
    """A patient whom the record does not have in this bed, with the readings: one line, since one needs the other."""
    bed, code = row["bed"], row.get("code")
    who = _known({"bed": bed, "code": code})
    drafts = [Draft("patient_in", {**who, "values": dict(values)})]
    if readings:
        drafts.append(_read(who, row, readings))
    kind: LineKind = "new"
    why = ""
    elsewhere = None if code is None else state.bed_of(code)
    if elsewhere is not None:
        kind, why = "conflicting", f"the record has {code} in bed {elsewhere}"
        move = {"bed": elsewhere, "code": code, "to": bed}
        drafts = [Draft("patient_moved", move), Draft("patient_changed", {**who, "values": dict(values)}), *drafts[1:]]
    if here is not None:
        kind, why = "conflicting", f"the record has {here.code or 'a patient without a code'} in bed {bed}"
        drafts = [Draft("patient_out", _known({"bed": bed, "code": here.code})), *drafts]
    before = {} if here is None else {"code": here.code}
    return Line(kind, f"patient in bed {bed}", tuple(drafts), before, {"code": code, **values, **readings}, why)


def _read(who: Mapping[str, Any], row: Mapping[str, Any], readings: Mapping[str, Any]) -> Draft:
    about = _known({"read_at": row.get("read_at"), "read_by": row.get("read_by")})
    return Draft("reading", {**who, **about, "values": dict(readings)})


def _reading(here: Stay, row: Mapping[str, Any], who: Mapping[str, Any], readings: Mapping[str, Any]) -> Iterator[Line]:
    at = row.get("read_at")
    known = {name: value for name, value in here.readings.items() if value.value is not None}
    same_time = [name for name in readings if name in known and _same_time(known[name], at)]
    older = [name for name in readings if name in known and _is_older(at, known[name])]
    before, after = _changes({name: value.value for name, value in known.items()}, readings)
    if not after and (at is None or len(same_time) == len(readings) or older):
        return
    if older:
        newest = max((known[name].read_at or "" for name in older), key=str)
        why = f"the record has values of {newest}, read later"
        yield Line("conflicting", f"reading of bed {who['bed']}", (_read(who, row, readings),), before, after, why)
        return
    conflict = [name for name in same_time if name in after]
    if conflict:
        why = f"the record has other values of the same time: {', '.join(conflict)}"
        yield Line("conflicting", f"reading of bed {who['bed']}", (_read(who, row, readings),), before, after, why)
        return
    yield Line("changed" if before else "new", f"reading of bed {who['bed']}", (_read(who, row, readings),), before,
               after or readings)  # fmt: skip


def _same_time(value: ReadValue, at: str | None) -> bool:
    if value.read_at is None or at is None:
        return value.read_at == at
    return datetime.fromisoformat(value.read_at) == datetime.fromisoformat(at)


def _is_older(at: str | None, value: ReadValue) -> bool:
    if value.read_at is None or at is None:
        return False
    return datetime.fromisoformat(at) < datetime.fromisoformat(value.read_at)


def _known(content: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in content.items() if value is not None}
