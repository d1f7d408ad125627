"""Everything that can be written down about a ward, kind by kind, and what an entry of that kind holds.

The table is the one definition: entries are checked against it when they are written, and two people who write about
one thing are told apart by the subjects that it names.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from airyoke.quantities import Finding, did_you_mean
from airyoke.ward import columns
from airyoke.ward.columns import is_time, value_findings

FieldKind = Literal[
    "label", "text", "flag", "count", "time", "labels", "columns", "by_bed", "parts", "object", "objects"
]  # fmt: skip
Stream = Literal["ward", "audit"]

LARGEST_GROUP: Final = 4
_LONGEST_LABEL: Final = 80
_LONGEST_TEXT: Final = 4000
_LARGEST_CONTENT_BYTES: Final = 256 * 1024


@dataclass(frozen=True, slots=True)
class Field:
    """One field of an entry's content. ``of`` names the columns that a field of kind ``columns`` may set; one of kind
    ``by_bed`` holds such columns for each bed."""

    name: str
    kind: FieldKind
    needed: bool = False
    of: str = ""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of entry. ``version`` counts up when the meaning of its content changes.

    ``refusal_kept``: that somebody wanted to write it and was refused is itself written down, in the audit.
    """

    name: str
    meaning: str
    fields: tuple[Field, ...]
    stream: Stream = "ward"
    version: int = 1
    refusal_kept: bool = False


def _label(name: str, needed: bool = True) -> Field:
    return Field(name, "label", needed)


_BED, _CODE, _REASON = _label("bed"), _label("code", False), Field("reason", "text")
_VENTILATOR, _GROUP, _PLAN, _BUILD = _label("ventilator"), _label("group"), _label("plan"), _label("build")
_BEDS = Field("beds", "labels", True)
_SETTINGS = Field("settings", "object")
_AT, _CONFIRMED, _WHY = Field("at", "time"), Field("confirmed", "labels"), Field("reason", "text", True)
_ROLES, _STEPS = Field("roles", "object", True), Field("steps", "objects", True)
_ROUND = (Field("values", "columns", of="round_of_group"), Field("patients", "by_bed", of="round_of_patient"),
          Field("codes", "object"))  # fmt: skip

_ALL: Final[tuple[Kind, ...]] = (
    Kind("bed", "a place, its room; or that it is no longer one",
         (_BED, _label("room", False), Field("removed", "flag"))),
    Kind("patient_in", "a patient in a bed; readings before this are not this patient's",
         (_BED, _CODE, Field("values", "columns", of="patient"))),
    Kind("patient_changed", "what is known of the patient in a bed",
         (_BED, _CODE, Field("values", "columns", True, "patient"))),
    Kind("patient_moved", "the patient of one bed is now in another; the readings go along",
         (_BED, _CODE, _label("to"))),
    Kind("patient_out", "the bed is empty", (_BED, _CODE, _REASON)),
    Kind("reading", "values read at a bed at one time",
         (_BED, _CODE, Field("read_at", "time"), Field("read_by", "label"),
          Field("values", "columns", True, "reading")), refusal_kept=True),
    Kind("ventilator", "a machine and what it can be set to; or that it is gone",
         (_VENTILATOR, Field("values", "columns", of="ventilator"), Field("removed", "flag"))),
    Kind("stock", "parts counted in the store room; null = no longer listed", (Field("counts", "parts", True),)),
    Kind("policy", "rules of the site; null = the default", (Field("values", "columns", True, "policy"),)),
    Kind("plan_made", "a plan was computed on the record as it stood at an entry",
         (_PLAN, Field("based_on", "count", True), Field("seed", "count"), Field("groups", "objects", True),
          Field("unplaced", "labels"), Field("answer_sha256", "label"))),
    Kind("plan_accepted", "people took responsibility for a plan", (_PLAN, Field("accepted_by", "labels", True))),
    Kind("plan_superseded", "a plan no longer holds", (_PLAN, _label("by", False), _REASON)),
    Kind("build_made", "a circuit was put together from parts",
         (_BUILD, Field("patients", "count", True), Field("parts", "parts"), Field("text", "text"))),
    Kind("build_tested", "a circuit passed its bench check, or not",
         (_BUILD, Field("passed", "flag", True), Field("values", "object"), Field("expires_at", "time"))),
    Kind("group_started", "patients breathe from one ventilator",
         (_GROUP, _VENTILATOR, _BEDS, _label("build", False), _label("plan", False), _SETTINGS)),
    Kind("group_changed", "who is in a running group; those taken off go where `to` says",
         (_GROUP, _BEDS, Field("to", "object"), _REASON)),
    Kind("group_ended", "nobody shares any more; each goes where `to` says", (_GROUP, Field("to", "object"), _REASON)),
    Kind("settings_changed", "what is dialled on a ventilator now",
         (_VENTILATOR, Field("settings", "object", True), _REASON)),
    Kind("check_done", "a check at a bed or of a group",
         (_label("check"), _label("bed", False), _label("group", False), Field("passed", "flag"),
          Field("values", "object"), Field("text", "text"))),
    Kind("build_opened", "a circuit was opened or changed after its bench check: it needs another", (_BUILD, _WHY)),
    Kind("group_prepared", "patients are to share one ventilator, once each has been tried alone and the gate passed",
         (_GROUP, _VENTILATOR, _BEDS, _label("plan", False), _label("build", False),
          Field("settings", "object", True), Field("gate", "objects", True), _AT), refusal_kept=True),
    Kind("rehearsed", "what the readings at the shared settings, each alone, say of the group; or why it was skipped",
         (_GROUP, _label("verdict"), _SETTINGS, _WHY, Field("values", "object"), Field("based_on", "count"), _AT),
         refusal_kept=True),
    Kind("gate_ticked", "somebody saw to one line of the gate, or found that it does not hold",
         (_GROUP, _label("item"), Field("passed", "flag", True), Field("by", "labels"), _label("build", False), _AT,
          Field("text", "text")),
         refusal_kept=True),
    Kind("coupling_begun", "the change-over is under way: who has which role, and its steps",
         (_GROUP, _ROLES, _STEPS, _CONFIRMED, _REASON, _AT), refusal_kept=True),
    Kind("roles_changed", "somebody else has a role in the sequence that is under way", (_GROUP, _ROLES, _WHY),
         refusal_kept=True),
    Kind("step_done", "the next step of the sequence that is under way was done",
         (_GROUP, _label("step"), Field("clamps", "count"), _CONFIRMED, _REASON, _AT, Field("text", "text")),
         refusal_kept=True),
    Kind("step_undone", "the step done last was taken back, at the bed", (_GROUP, _label("step"), _WHY, _AT),
         refusal_kept=True),
    Kind("coupling_abandoned", "the change-over is given up; whoever joined last comes off",
         (_GROUP, _WHY, Field("steps", "objects"), Field("to", "object"), _AT), refusal_kept=True),
    Kind("exit_begun", "patients come off the shared ventilator: who has which role, and the steps",
         (_GROUP, Field("off", "labels", True), _ROLES, _STEPS, Field("to", "object"), _WHY, _AT), refusal_kept=True),
    Kind("baseline_read", "what was measured with everybody on, and the alarm limits set from it",
         (_GROUP, *_ROUND, Field("alarms", "objects"), _AT), refusal_kept=True),
    Kind("round_read", "a round: what was read at each bed of a group and on its ventilator",
         (_GROUP, *_ROUND, Field("read_by", "label"), Field("text", "text"), _AT), refusal_kept=True),
    Kind("acted", "somebody acted on what was read, or something was done that asks for another round",
         (_GROUP, Field("what", "text", True), _label("bed", False), _SETTINGS, _REASON, _AT),
         refusal_kept=True),
    Kind("sequence_edited", "the site's own gate or sequence; no steps = the default again",
         (_label("sequence"), Field("steps", "objects"), _WHY)),
    Kind("note", "free words", (Field("text", "text", True), _label("bed", False), _label("group", False))),
    Kind("person", "somebody who may write, and as what; no roles = nobody any more",
         (_label("name"), Field("roles", "labels", True), _REASON)),
    Kind("site", "how this site keeps its record", (Field("unlocked", "flag"), Field("title", "text"))),
    Kind("import", "a workbook was read and lines of it confirmed; they follow as entries of their own",
         (_label("source"), _label("sha256"), Field("lines", "count", True), Field("confirmed", "count", True))),
    Kind("correction", "an entry was wrong; this stands instead",
         (_label("corrects"), Field("content", "object", True), _REASON)),
    Kind("undo", "an entry does not count", (_label("undoes"), _REASON)),
    Kind("read", "patient data were shown", (Field("what", "text", True),), "audit"),
    Kind("export", "data left the record", (Field("what", "text", True), _label("sha256", False),
                                            Field("entries", "count")), "audit"),
    Kind("backup", "a copy was made and verified",
         (_label("file"), _label("sha256"), _label("head"), Field("entries", "count", True)), "audit"),
    Kind("restore", "this record was made from a backup", (_label("file"), _label("sha256"), _label("head")), "audit"),
    Kind("upgrade", "the record was brought to a newer form", (_label("from"), _label("to")), "audit"),
    Kind("sign_in", "somebody signed in, or failed to",
         (_label("name"), Field("accepted", "flag", True), _label("address", False)), "audit"),
    Kind("refused", "somebody wanted to write something, and it was refused or asked; nothing of it counts",
         (_label("kind"), Field("findings", "objects", True), Field("content", "object", True)), "audit"),
    Kind("clock", "the clock of the machine jumped", (Field("jump_s", "object", True),), "audit"),
)  # fmt: skip

KINDS: Final[dict[str, Kind]] = {kind.name: kind for kind in _ALL}
ROLES: Final = ("reader", "writer", "planner", "keeper")
_COLUMNS: Final = {
    "patient": columns.PATIENT, "reading": columns.READING, "ventilator": columns.VENTILATOR, "policy": columns.POLICY,
    "round_of_patient": columns.ROUND_OF_PATIENT, "round_of_group": columns.ROUND_OF_GROUP,
}  # fmt: skip


def content_findings(kind: str, content: Mapping[str, Any]) -> tuple[Finding, ...]:
    """What forbids writing this entry by itself, without looking at the ward; empty where nothing does."""
    known = KINDS.get(kind)
    if known is None:
        near = did_you_mean(kind, KINDS)
        remedy = f"did you mean {near}?" if near else f"the kinds are {', '.join(KINDS)}"
        return (Finding("kind-unknown", "refused", f"there is no kind of entry {kind!r}", remedy),)
    return tuple(_content_findings(known, content))


def _content_findings(kind: Kind, content: Mapping[str, Any]) -> Iterator[Finding]:
    by_name = {field.name: field for field in kind.fields}
    for name in content:
        if name not in by_name:
            near = did_you_mean(name, by_name)
            remedy = f"did you mean {near}?" if near else f"the fields are {', '.join(by_name)}"
            yield Finding("field-unknown", "refused", f"{kind.name} has no field {name!r}", remedy, column=name)
    for field in kind.fields:
        value = content.get(field.name)
        if value is None:
            if field.needed:
                reason = f"{kind.name} needs {field.name}"
                yield Finding("field-missing", "refused", reason, "give it", column=field.name)
        elif field.kind in ("columns", "parts", "by_bed") and isinstance(value, Mapping):
            yield from _mapping_findings(kind, field, value)
        elif not _has_form(field, value):
            shown = value if isinstance(value, str | float) else str(value)
            reason = f"{field.name} of {kind.name} is no {field.kind}"
            yield Finding("field-form", "refused", reason, f"give a {field.kind}", column=field.name, value=shown)
    if kind.name == "person" and not set(content.get("roles") or ()) <= set(ROLES):
        yield Finding("role-unknown", "refused", "there is no such role", f"the roles are {', '.join(ROLES)}")
    if len(json.dumps(content, default=str)) > _LARGEST_CONTENT_BYTES:
        yield Finding("entry-too-large", "refused", "one entry holds more than 256 KiB", "write several")


def _mapping_findings(kind: Kind, field: Field, value: Mapping[str, Any]) -> Iterator[Finding]:
    if field.kind == "columns":
        yield from value_findings(_COLUMNS[field.of], value, kind.name)
        return
    if field.kind == "by_bed":
        for bed, values in value.items():
            if not isinstance(values, Mapping):
                reason = f"{field.name} of {bed} is no object"
                yield Finding("field-form", "refused", reason, "give its values by name", bed=bed)
                continue
            yield from (replace(one, bed=bed) for one in value_findings(_COLUMNS[field.of], values, kind.name))
        return
    for part, count in value.items():
        if part not in columns.PARTS:
            near = did_you_mean(part, columns.PARTS)
            remedy = f"did you mean {near}?" if near else "use a name of the catalogue"
            yield Finding("part-unknown", "refused", f"the catalogue has no part {part!r}", remedy, column=part)
        elif count is not None and (not isinstance(count, int) or isinstance(count, bool) or count < 0):
            yield Finding("count-form", "refused", f"{part}: {count!r} is no count", "count them", column=part)


def _has_form(field: Field, value: Any) -> bool:
    match field.kind:
        case "label":
            return isinstance(value, str) and bool(value.strip()) and value == value.strip() and (
                len(value) <= _LONGEST_LABEL and value.isprintable())  # fmt: skip
        case "text":
            return isinstance(value, str) and bool(value.strip()) and len(value) <= _LONGEST_TEXT
        case "flag":
            return isinstance(value, bool)
        case "count":
            return isinstance(value, int) and not isinstance(value, bool) and value >= 0
        case "time":
            return is_time(value)
        case "labels":
            if not isinstance(value, list | tuple):
                return False
            return all(_has_form(Field("", "label"), one) for one in value) and len(set(value)) == len(value)
        case "objects":
            return isinstance(value, list | tuple) and all(isinstance(one, Mapping) for one in value)
        case _:
            return isinstance(value, Mapping)


def touches(kind: str, content: Mapping[str, Any]) -> dict[str, Any]:
    """Subject -> value that an entry of this kind sets: two entries with one subject and different values, neither
    writer having seen the other's, are two people changing one thing."""
    bed, ventilator = content.get("bed"), content.get("ventilator")
    values: Mapping[str, Any] = content.get("values") or {}
    match kind:
        case "bed":
            removed = {f"bed {bed}": "removed"} if content.get("removed") else {}
            return {**removed, **({f"bed {bed}: room": content["room"]} if "room" in content else {})}
        case "patient_in":
            return {f"bed {bed}: patient": content.get("code"), **_each(f"bed {bed}", values)}
        case "patient_out":
            return {f"bed {bed}: patient": None}
        case "patient_moved":
            return {f"bed {bed}: patient": None, f"bed {content['to']}: patient": content.get("code")}
        case "patient_changed":
            return _each(f"bed {bed}", values)
        case "reading":
            # Readings of two times are two readings; one time can have one value only.
            return _each(f"bed {bed} at {content.get('read_at')}", values)
        case "ventilator":
            gone = {f"ventilator {ventilator}": "removed"} if content.get("removed") else {}
            return {**gone, **_each(f"ventilator {ventilator}", values)}
        case "stock":
            return _each("stock", content["counts"])
        case "policy":
            return _each("policy", values)
        case "plan_made" | "plan_accepted" | "plan_superseded":
            return {f"plan {content['plan']}": kind}
        case "build_made" | "build_tested" | "build_opened":
            return {f"build {content['build']}": kind}
        case "group_started" | "group_prepared":
            return {f"ventilator {ventilator}: group": content["group"],
                    **{f"bed {one}: group": content["group"] for one in content["beds"]}}  # fmt: skip
        case "group_changed" | "group_ended":
            return {f"group {content['group']}": [kind, list(content.get("beds") or ())]}
        case "coupling_begun" | "coupling_abandoned" | "exit_begun":
            return {f"group {content['group']}": [kind, list(content.get("off") or ())]}
        case "rehearsed":
            return {f"group {content['group']}: rehearsal": [content["verdict"], content.get("settings")]}
        case "gate_ticked":
            return {f"group {content['group']}: gate {content['item']}": content["passed"]}
        case "roles_changed":
            return {f"group {content['group']}: roles": content["roles"]}
        case "step_done" | "step_undone":
            return {f"group {content['group']}: step {content['step']}": kind}
        case "baseline_read":
            return {f"group {content['group']}: baseline": [content.get("values"), content.get("patients")]}
        case "round_read":
            at = f"group {content['group']} at {content.get('at')}"
            beds: Mapping[str, Any] = content.get("patients") or {}
            read = {f"{at}: bed {bed}: {name}": value for bed, held in beds.items() for name, value in held.items()}
            return {**_each(at, values), **read}
        case "acted" if content.get("settings"):
            return {f"group {content['group']}: settings": content["settings"]}
        case "sequence_edited":
            return {f"sequence {content['sequence']}": content.get("steps")}
        case "settings_changed":
            return {f"ventilator {ventilator}: settings": content["settings"]}
        case "person":
            return {f"person {content['name']}": sorted(content["roles"])}
        case "site":
            return _each("site", content)
        case "correction":
            return {f"entry {content['corrects']}": content["content"]}
        case "undo":
            return {f"entry {content['undoes']}": "undone"}
        case _:
            return {}


def _each(what: str, values: Mapping[str, Any]) -> dict[str, Any]:
    return {f"{what}: {name}": value for name, value in values.items()}
