"""A folded ward as the rows of its sheets, so that it is read and checked by the very code that reads a workbook."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from airyoke.ward.state import Place, Stay, WardState

Rows = list[dict[str, Any]]


def ward_rows(state: WardState) -> dict[str, Rows]:
    """The sheets beds, ventilators, stock (where somebody counted) and policy (where something is set).

    A bed without a patient has no row: there is nobody to plan for. ``read_at`` of a bed is the **oldest** time among
    the values in use, so that an old plateau is never shown as young because the SpO2 was read again.
    """
    tables: dict[str, Rows] = {
        "beds": [_bed(label, place, place.patient) for label, place in state.beds.items() if place.patient],
        "ventilators": [_ventilator(label, values) for label, values in state.ventilators.items()],
    }
    if state.stock is not None:
        tables["stock"] = [{"part": part, "count": count} for part, count in state.stock.items()]
    if state.policy:
        tables["policy"] = [{"name": name, "value": value} for name, value in state.policy.items()]
    return tables


def _bed(label: str, place: Place, patient: Stay) -> dict[str, Any]:
    row: dict[str, Any] = {"bed": label, "code": patient.code, "room": place.room}
    row.update({name: _cell(value) for name, value in patient.values.items()})
    used = [value for value in patient.readings.values() if value.value is not None]
    row.update({name: value.value for name, value in patient.readings.items() if value.value is not None})
    times = [value.read_at for value in used]
    if times and None not in times:
        row["read_at"] = min((time for time in times if time is not None), key=datetime.fromisoformat)
    if used:
        row["read_by"] = max(used, key=lambda value: value.sequence).read_by
    return {name: value for name, value in row.items() if value is not None}


def _ventilator(label: str, values: Mapping[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {"ventilator": label, **values}
    if "usable" in row:
        row["usable"] = "yes" if row["usable"] else "no"
    if "modes" in row:
        row["modes"] = " ".join(row["modes"])
    return row


def _cell(value: Any) -> Any:
    return "; ".join(value) if isinstance(value, list | tuple) else value
