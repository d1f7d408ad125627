"""`airyoke record round, act, due`: what was read beside what was predicted, and what is due."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from airyoke.cli.bedside import Writing, only, typed_beds, ward_at, way_words
from airyoke.cli.record import answer
from airyoke.cli.wards import note_reading, open_to_read
from airyoke.contract.record_answer import DueAnswer
from airyoke.contract.words import name_words
from airyoke.quantities import Finding, Refused
from airyoke.record.record import Record
from airyoke.ward.due import apnoea_of, due_in_ward, due_of
from airyoke.ward.entries import Draft
from airyoke.ward.folding_stage import standing_of
from airyoke.ward.round_words import NOT_READ, baseline_alarms, beside_of, typed_round
from airyoke.ward.state import WardState
from airyoke.watch.beside import Beside
from airyoke.watch.rounds import GROUP_ITEMS, PATIENT_ITEMS, Item


def round_command(writing: Writing, group: str, read: Sequence[str], ventilator: str | None, *, baseline: bool,
                  at: str | None) -> int:  # fmt: skip
    """One round, or the baseline."""
    typed: dict[str, Any] = {}

    def drafts(record: Record, state: WardState, who: str) -> Sequence[Draft]:
        standing = standing_of(state, group)
        patients = typed_beds(read, PATIENT_ITEMS, standing.beds)
        values = {} if ventilator is None else typed_round(ventilator, GROUP_ITEMS)
        if not read and ventilator is None:
            patients, values = _asked(standing.joined)
        typed.update({"": values, **patients})
        codes = {bed: patient.code for bed in patients
                 if (patient := state.beds[bed].patient) is not None and patient.code is not None}  # fmt: skip
        content = only({"group": group, "values": values or None, "patients": patients or None, "codes": codes or None,
                        "at": at})  # fmt: skip
        if not baseline:
            return [Draft("round_read", content)]
        ward = ward_at(record, state, record.clock().local)
        machine = next(one for one in ward.ventilators if one.label == standing.ventilator)
        dialled = state.settings.get(standing.ventilator, {})
        alarms = baseline_alarms(standing, machine, dialled, values, patients)
        return [Draft("baseline_read", {**content, "alarms": [only(asdict(one)) for one in alarms]})]

    def words(record: Record, state: WardState) -> Iterable[str]:
        standing, policy = state.standings[group], ward_at(record, state, record.clock().local).policy
        dialled = state.settings.get(standing.ventilator, {})
        for where, values in typed.items():
            if values:
                yield f"bed {where}" if where else standing.ventilator
                yield from (f"  {_line(one)}" for one in beside_of(standing, policy, dialled, where, values))
        if baseline and standing.baseline is not None:
            yield "Alarm limits from these:"
            yield from (f"  {_alarm(one)}" for one in standing.baseline.alarms)
        yield from _due_words(state, group, record.clock().local)

    return writing.write("baseline" if baseline else "round", drafts, words)


def _asked(beds: Sequence[str]) -> tuple[dict[str, dict[str, Any]], dict[str, Any]]:
    """At a terminal: every item of the form, bed by bed, then the ventilator."""
    if not sys.stdin.isatty():
        remedy = "--read 'BED VALUES', --ventilator 'VALUES'"
        raise Refused((Finding("round-empty", "refused", "nothing was read", remedy),))
    print(f"Enter after each; {NOT_READ} or nothing = not read.", file=sys.stderr)
    return {bed: _ask(f"bed {bed}", PATIENT_ITEMS) for bed in beds}, _ask("ventilator", GROUP_ITEMS)


def _ask(where: str, items: Sequence[Item]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for item in items:
        choice = f" ({' / '.join(item.answers)})" if item.answers else ""
        while True:
            print(f"{where}, {name_words(item.key)} {item.unit}{choice}: ", end="", file=sys.stderr, flush=True)
            text = sys.stdin.readline().strip()
            try:
                found |= typed_round(f"'{text}'", (item,)) if text else {}
                break
            except Refused as refusal:
                print(refusal.findings[0].reason, file=sys.stderr)
    return found


def _line(one: Beside) -> str:
    value = f"{one.value:g}" if isinstance(one.value, int | float) else str(one.value)
    predicted = "" if one.predicted is None else f", predicted {one.predicted[1]:.4g} to {one.predicted[2]:.4g}"
    word = {"act": f"  ACT: {one.why}", "ask": f"  ask: {one.why}", "outside": "  outside"}.get(one.verdict, "")
    return f"{name_words(one.item.key)} {value} {one.item.unit}".rstrip() + predicted + word


def _alarm(one: Mapping[str, Any]) -> str:
    low, high = one.get("low"), one.get("high")
    sides = " to ".join("-" if side is None else f"{side:g}" for side in (low, high))
    return f"{name_words(one['name'])}: {sides} {one.get('unit', '')}".rstrip()


def act_command(writing: Writing, group: str, what: str, bed: str | None, reason: str | None, at: str | None) -> int:
    """Something was done."""
    content = only({"group": group, "what": what, "bed": bed, "reason": reason, "at": at})
    return writing.write("act", lambda _r, _s, _w: [Draft("acted", content)],
                         lambda record, state: _due_words(state, group, record.clock().local))  # fmt: skip


def _due_words(state: WardState, group: str, now: datetime) -> Iterable[str]:
    for line in due_of(state, group, state.standings[group])[:4]:
        where = f"bed {line.bed}: " if line.bed else ""
        yield f"{_when(line.at, now)}  {where}{line.words}"


def _when(at: datetime | None, now: datetime) -> str:
    if at is None:
        return "now"
    late = (now - at).total_seconds() / 60
    day = "" if at.astimezone(now.tzinfo).date() == now.date() else f"{at.astimezone(now.tzinfo):%d %b} "
    return f"{day}{at.astimezone(now.tzinfo):%H:%M}" + (f" OVERDUE by {late:.0f} min" if late >= 1 else "")


def due_command(where: str, site: str | None, *, as_json: bool) -> int:
    """Everything that is due."""
    with open_to_read(where, site) as record:
        state, now = record.state(), record.clock().local
        note_reading(record, "what is due")
        lines = due_in_ward(state)
        words = []
        for name, standing in state.standings.items():
            if (clock := apnoea_of(standing, now)) is not None:
                stop = " STOP: bag" if clock[1].stop else ""
                words.append(f"TUBE CLAMPED in group {name}, bed {clock[0]}, for {clock[1].seconds:.0f} s.{stop}")
            if standing.way is not None:
                words += [f"group {name}: {one}" for one in way_words(record, state, name)]
        for line in lines:
            if line.name != "step":
                bed = f" bed {line.bed}" if line.bed else ""
                words.append(f"{_when(line.at, now)}  group {line.group}{bed}: {line.words}")
        due = [DueAnswer.of(line, now) for line in lines]
        return answer("due", words or ["Nothing is due: no group is prepared or running."], record, as_json=as_json,
                      due=due)  # fmt: skip
