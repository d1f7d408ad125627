"""The values that the record keeps of a patient, a reading, a ventilator and a policy, each under its ward column.

Names and types come from the classes that the rest of the project computes with, ranges from the dictionary of
quantities, so that a value that fits the record fits the ward.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any, Final, Literal, get_args, get_origin, get_type_hints

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.parts import PART_NAMES
from airyoke.limits.policy import Policy, limit_policy_names
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.conditions import CONDITIONS
from airyoke.lungs.readings import Readings
from airyoke.quantities import Finding, did_you_mean, is_quantity, quantity, value_finding
from airyoke.watch.rounds import GROUP_ITEMS, PATIENT_ITEMS, Item

ColumnKind = Literal["number", "text", "choice", "labels", "ids", "modes", "flag", "any"]


@dataclass(frozen=True, slots=True)
class ValueColumn:
    """One column: what kind of value, the words it may be where it is a choice (or a list of ids), and the bounds of a
    number of kind ``any`` where it has some."""

    name: str
    kind: ColumnKind
    words: tuple[str, ...] = ()
    bounds: tuple[float, float] | None = None


def _columns_of(cls: type) -> dict[str, ValueColumn]:
    return {name: _column(name, hint) for name, hint in get_type_hints(cls).items()}


def _column(name: str, hint: Any) -> ValueColumn:
    options = [one for one in (get_args(hint) or (hint,)) if one is not type(None)]
    words = get_args(options[0]) if get_origin(options[0]) is Literal else ()
    if get_origin(hint) is Literal:
        words = get_args(hint)
    if words:
        return ValueColumn(name, "choice", tuple(words))
    if is_quantity(name):
        return ValueColumn(name, "number")
    return ValueColumn(name, "text")


_READINGS: Final = _columns_of(Readings)
# What belongs to the patient for the whole stay; the rest of the readings is read again and again.
_OF_THE_STAY: Final = (
    "sex", "height_cm", "weight_kg", "age_years", "passive", "tube_mm", "humidification", "position",
)  # fmt: skip

PATIENT: Final[dict[str, ValueColumn]] = {
    **{name: _READINGS[name] for name in _OF_THE_STAY},
    "infection": ValueColumn("infection", "labels"),
    "conditions": ValueColumn("conditions", "ids", tuple(condition.id for condition in CONDITIONS)),
    "exclude": ValueColumn("exclude", "text"),
    "confirmed": ValueColumn("confirmed", "ids"),
    "ventilator": ValueColumn("ventilator", "text"),
}
"""What is known of a patient: it changes when somebody says so, not with every round."""

READING: Final[dict[str, ValueColumn]] = {
    name: column
    for name, column in _READINGS.items()
    if name not in _OF_THE_STAY and name not in ("read_at", "read_by")
}
"""What is read at the bed, several values at one time."""

VENTILATOR: Final[dict[str, ValueColumn]] = {
    **{name: column for name, column in _columns_of(Ventilator).items() if name != "label"},
    "usable": ValueColumn("usable", "flag"),
    "modes": ValueColumn("modes", "modes", ("vc", "pc")),
}
"""What is known of a machine; a value that is missing takes the default of :class:`Ventilator`."""

_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "sharing": ("last-resort-accepted", "no"),
    "rooms_may_mix": ("yes", "no"),
    "rehearse": ("yes", "no"),
    **{condition.id: ("never", "ask", "allow") for condition in CONDITIONS},
}

POLICY: Final[dict[str, ValueColumn]] = {
    **{name: ValueColumn(name, "choice", words) for name, words in _WORDS.items()},
    **{
        name: ValueColumn(name, "number")
        for cls in (Policy, Assumptions)
        for name in (item.name for item in fields(cls))
        if is_quantity(name)
    },
    **{name: ValueColumn(name, "any") for name in limit_policy_names()},
}
"""What a policy may set. Bounds of limits are checked where a policy is read, beside the limit they change."""



def _of_items(items: tuple[Item, ...]) -> dict[str, ValueColumn]:
    return {item.key: _of_item(item) for item in items}


def _of_item(item: Item) -> ValueColumn:
    if item.answers:
        return ValueColumn(item.key, "choice", item.answers)
    if item.text:
        return ValueColumn(item.key, "text")
    if item.plausible is None and is_quantity(item.key):
        return ValueColumn(item.key, "number")
    return ValueColumn(item.key, "any", bounds=item.plausible)


ROUND_OF_PATIENT: Final = _of_items(PATIENT_ITEMS)
"""What a round reads at each bed of a group."""

ROUND_OF_GROUP: Final = _of_items(GROUP_ITEMS)
"""What a round reads on the shared ventilator."""

PARTS: Final = PART_NAMES


def value_findings(columns: Mapping[str, ValueColumn], values: Mapping[str, Any], what: str) -> Iterator[Finding]:
    """What forbids these values (``None`` = no longer known); silent where all of them can be kept."""
    for name, value in values.items():
        column = columns.get(name)
        if column is None:
            near = did_you_mean(name, columns)
            remedy = f"did you mean {near}?" if near else f"the columns are {', '.join(columns)}"
            yield Finding("column-unknown", "refused", f"{what} has no {name!r}", remedy, column=name)
        elif value is not None:
            finding = _value_finding(column, value)
            if finding is not None:
                yield finding


def _value_finding(column: ValueColumn, value: Any) -> Finding | None:
    name, kind = column.name, column.kind
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if kind == "number":
        if not number:
            return _wrong(name, value, "a number")
        finding = value_finding(quantity(name), float(value))
        return finding_at(finding, name) if finding is not None and finding.level == "refused" else None
    if kind == "any":
        inside = number and (column.bounds is None or column.bounds[0] <= value <= column.bounds[1])
        wanted = "a number" if column.bounds is None else f"a number from {column.bounds[0]:g} to {column.bounds[1]:g}"
        return None if inside else _wrong(name, value, wanted)
    if kind == "flag":
        return None if isinstance(value, bool) else _wrong(name, value, "true or false")
    if kind in ("labels", "ids", "modes"):
        if not isinstance(value, list | tuple) or not all(isinstance(one, str) and one.strip() for one in value):
            return _wrong(name, value, "a list of labels")
        if any(";" in one for one in value):
            return _wrong(name, value, "labels without a semicolon: it separates them in a workbook")
        if kind == "ids" and any(one != one.casefold() for one in value):
            return _wrong(name, value, "ids in small letters")
        unknown = next((one for one in value if column.words and one not in column.words), None)
        return None if unknown is None else _wrong(name, unknown, f"one of {', '.join(column.words)}")
    if not isinstance(value, str) or not value.strip():
        return _wrong(name, value, "text")
    if kind == "choice" and value not in column.words:
        return _wrong(name, value, f"one of {', '.join(column.words)}")
    return None


def finding_at(finding: Finding, column: str) -> Finding:
    """The finding with the column it is about."""
    return replace(finding, column=column)


def _wrong(name: str, value: Any, wanted: str) -> Finding:
    shown = value if isinstance(value, str | float) else str(value)
    reason = f"{name} is {shown!r}, not {wanted}"
    return Finding("value-form", "refused", reason, f"give {wanted}", column=name, value=shown)


def is_time(text: object) -> bool:
    """Whether this is an ISO 8601 time with date, hour, minute and zone: without one it names no moment."""
    if not isinstance(text, str) or len(text) < 17 or text[10] not in "T ":
        return False
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False
