"""The ventilators sheet. A machine with a refused cell is not given to anybody until the cell is right."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

from airyoke.breath.ventilator import Ventilator
from airyoke.exchange.cells import read_choice, read_list, read_text
from airyoke.exchange.columns import VENTILATORS, Column, Row
from airyoke.exchange.sheet import Sheet
from airyoke.quantities import Finding, did_you_mean

_PAIRS: Final = (
    ("min_rate_per_min", "max_rate_per_min"),
    ("min_inspiratory_time_s", "max_inspiratory_time_s"),
    ("min_tidal_volume_ml", "max_tidal_volume_ml"),
    ("max_peep_cmh2o", "max_pressure_cmh2o"),
)


@dataclass(frozen=True, slots=True)
class VentilatorRow:
    """One ventilator as read, and what is to be said about it."""

    ventilator: Ventilator
    row: Row
    findings: tuple[Finding, ...]


def read_ventilators(sheet: Sheet) -> list[VentilatorRow]:
    """Every ventilator of the sheet; an empty cell takes the default of :class:`Ventilator`."""
    return [_read_ventilator(sheet, row) for row in sheet.rows]


def _read_ventilator(sheet: Sheet, row: Row) -> VentilatorRow:
    values: dict[str, Any] = {}
    findings: list[Finding] = []
    for column in VENTILATORS:
        if row.cells.get(column.key) is None:
            continue
        value, finding = _read_cell(sheet, row, column)
        if finding is not None:
            findings.append(sheet.place(finding, row, column.key))
        if value is not None:
            values[column.key] = value
    label = values.pop("ventilator")
    if "usable" in values:
        values["usable"] = values["usable"] == "yes"
    machine = Ventilator(label=label, **values)
    for low, high in _PAIRS:
        if getattr(machine, low) >= getattr(machine, high):
            reason = f"{low} {getattr(machine, low):g} is not below {high} {getattr(machine, high):g}"
            crossed = Finding(
                "ventilator-range-crossed", "refused", reason, "one of them may be the default: fill in both"
            )
            findings.append(sheet.place(crossed, row, low if low in sheet.places else high))
    if any(finding.level == "refused" for finding in findings):
        machine = replace(machine, usable=False)
    return VentilatorRow(machine, row, tuple(findings))


def _read_cell(sheet: Sheet, row: Row, column: Column) -> tuple[Any, Finding | None]:
    cell = row.cells[column.key]
    if column.kind == "number":
        number = sheet.number(row, column.key)
        return number.value, number.finding
    if column.kind == "choice":
        got: Any = read_choice(cell, column.choices, column.key.replace("_", "-"))
    elif column.kind == "list":
        got = _modes(read_list(cell, r"[\s;,/]+"), column.choices)
    else:
        got = read_text(cell)
    return (None, got) if isinstance(got, Finding) else (got, None)


def _modes(typed: tuple[str, ...] | Finding, choices: tuple[str, ...]) -> tuple[str, ...] | Finding:
    if isinstance(typed, Finding):
        return typed
    for mode in typed:
        if mode.casefold() not in choices:
            near = did_you_mean(mode, choices)
            remedy = f"did you mean {near}?" if near else f"type {' '.join(choices)}, or one of them"
            return Finding("modes-unknown", "refused", f"there is no mode {mode!r}", remedy)
    return tuple(dict.fromkeys(mode.casefold() for mode in typed))
