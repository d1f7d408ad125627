"""A second opinion on what a history of entries means, written without looking at the program's fold.

It keeps no state: whoever asks a question gets an answer from the list of entries alone, newest first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from airyoke.ward.entries import Entry

History = Sequence[Entry]


def counted(history: History) -> list[tuple[int, str, dict[str, Any]]]:
    """(sequence, kind, content) of the entries that count, corrections put in place."""
    by_id = {entry.id: entry for entry in history}
    dead: set[str] = set()
    said: dict[str, dict[str, Any]] = {}
    for entry in sorted(history, key=lambda one: -one.sequence):
        if entry.id in dead:
            continue
        if entry.kind == "undo":
            dead.add(by_id[entry.content["undoes"]].id)
        if entry.kind == "correction" and entry.content["corrects"] not in said:
            said[entry.content["corrects"]] = entry.content["content"]
    return [
        (entry.sequence, entry.kind, said.get(entry.id, dict(entry.content)))
        for entry in history
        if entry.id not in dead and entry.kind not in ("undo", "correction")
    ]


def patient_in(history: History, bed: str) -> tuple[str, int] | None:
    """Code of who lies in the bed, and since which entry he or she is in the ward; ``None`` where nobody does."""
    here: dict[str, tuple[str, int]] = {}
    for sequence, kind, content in counted(history):
        if kind == "patient_in":
            here[content["bed"]] = (content["code"], sequence)
        elif kind == "patient_out":
            del here[content["bed"]]
        elif kind == "patient_moved":
            here[content["to"]] = here.pop(content["bed"])
    return here.get(bed)


def last_reading(history: History, bed: str, name: str) -> Any:
    """The value read last by the watch, of the patient who lies there now."""
    who = patient_in(history, bed)
    if who is None:
        return None
    found = [
        (datetime.fromisoformat(content["read_at"]), sequence, content["values"][name])
        for sequence, kind, content in counted(history)
        if kind == "reading" and content["code"] == who[0] and sequence > who[1] and name in content["values"]
    ]
    return max(found)[2] if found else None


def ventilator_of(history: History, bed: str) -> str | None:
    """The machine of the patient who lies there: the last entry that speaks of it."""
    who = patient_in(history, bed)
    if who is None:
        return None
    on: str | None = None
    groups: dict[str, tuple[str, list[str]]] = {}
    place = ""
    for sequence, kind, content in counted(history):
        if kind == "patient_in" and content["code"] == who[0] and sequence == who[1]:
            place, on = content["bed"], content.get("values", {}).get("ventilator")
        elif kind == "patient_moved" and content["code"] == who[0] and sequence > who[1]:
            place = content["to"]
        elif kind == "patient_changed" and content["code"] == who[0] and sequence > who[1]:
            on = content["values"].get("ventilator", on)
        elif kind == "group_started":
            groups[content["group"]] = (content["ventilator"], list(content["beds"]))
            if place in content["beds"] and sequence > who[1]:
                on = content["ventilator"]
        elif kind == "group_changed":
            ventilator, before = groups[content["group"]]
            groups[content["group"]] = (ventilator, list(content["beds"]))
            if sequence > who[1] and place in content["beds"]:
                on = ventilator
            elif sequence > who[1] and place in before:
                on = content.get("to", {}).get(place)
        elif kind == "group_ended":
            if sequence > who[1] and place in groups.pop(content["group"])[1]:
                on = content.get("to", {}).get(place)
    return on


def running(history: History) -> dict[str, tuple[str, frozenset[str]]]:
    """Group -> ventilator and beds."""
    groups: dict[str, tuple[str, frozenset[str]]] = {}
    for _, kind, content in counted(history):
        if kind == "group_started":
            groups[content["group"]] = (content["ventilator"], frozenset(content["beds"]))
        elif kind == "group_changed":
            groups[content["group"]] = (groups[content["group"]][0], frozenset(content["beds"]))
        elif kind == "group_ended":
            del groups[content["group"]]
    return groups


def settled(history: History, kind: str, field: str) -> dict[str, Any]:
    """Name -> value where each entry says some and null takes away: policy, stock."""
    values: dict[str, Any] = {}
    for _, found, content in counted(history):
        if found == kind:
            values.update(content[field])
    return {name: value for name, value in values.items() if value is not None}


def beds(history: History) -> Iterator[str]:
    """Every bed that was ever named."""
    yield from dict.fromkeys(content["bed"] for _, kind, content in counted(history) if kind == "bed")
