"""Wards as typed rows: a workbook for a proposal, and the rows of a record as a ward.

Typed means: every value in the unit of its quantity, lists as lists, nothing that was refused.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from airyoke.exchange.cells import read_text
from airyoke.exchange.columns import COLUMNS
from airyoke.exchange.tables import SHEETS, Cell, Table
from airyoke.exchange.ward_reader import open_sheets, read_tables, ward_of_sheets
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.ward.ward import Bed, Ward

TypedRows = dict[str, list[dict[str, Any]]]


def ward_of_rows(rows: Mapping[str, Sequence[Mapping[str, Any]]], *, file: str, now: datetime) -> Ward:
    """The ward in rows (sheet -> rows of column -> cell), checked like one that was read from a workbook. A ward
    without a single bed or ventilator is refused like an empty sheet; ``file`` is how findings call it."""
    tables = {name: _table(name, rows[name], file) for name in SHEETS if name in rows}
    return ward_of_sheets(open_sheets(tables), [], file, now)


def _table(sheet: str, rows: Sequence[Mapping[str, Any]], file: str) -> Table:
    known = [column.key for column in COLUMNS[sheet]]
    used = {key for row in rows for key in row} | {column.key for column in COLUMNS[sheet] if column.needed}
    header = [key for key in known if key in used] + sorted(used - set(known))
    cells = [tuple(_cell(row.get(key)) for key in header) for row in rows]
    return Table(sheet, file, (tuple(header), *cells))


def _cell(value: Any) -> Cell:
    if isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    cell: Cell = value
    return cell


def read_typed_rows(path: Path, *, now: datetime) -> tuple[Ward, TypedRows]:
    """The ward in a workbook or folder, and its typed rows: what somebody filled in and what was not refused.

    Times get the zone of ``now`` where they have none. Raises like :func:`airyoke.exchange.read_ward`.
    """
    raw, notes = read_tables(path)
    sheets = open_sheets(raw)
    ward = ward_of_sheets(sheets, notes, path.name, now)
    machines = {machine.label: machine for machine in ward.ventilators}
    rows: TypedRows = {
        "beds": [_bed(bed, now) for bed in ward.beds],
        "ventilators": [_machine_row(row.cells, machines) for row in sheets["ventilators"].rows],
    }
    if ward.stock is not None:
        rows["stock"] = [{"part": part, "count": count} for part, count in ward.stock.items()]
    if "policy" in sheets:
        typed = {str(row.cells.get("name")).casefold() for row in sheets["policy"].rows if row.cells.get("value")}
        lost = {str(f.value).casefold() for f in ward.findings if f.sheet == "policy" and f.level == "refused"}
        values = dict(_policy(ward.policy))
        rows["policy"] = [{"name": name, "value": values[name]} for name in values if name in typed - lost]
    return ward, rows


def _bed(bed: Bed, now: datetime) -> dict[str, Any]:
    row: dict[str, Any] = {"bed": bed.label, "code": bed.code, "room": bed.room}
    if bed.readings is not None:
        row.update({item.name: getattr(bed.readings, item.name) for item in fields(Readings)})
    at: datetime | None = row.get("read_at")
    if at is not None:
        row["read_at"] = (at if at.tzinfo is not None else at.replace(tzinfo=now.astimezone().tzinfo)).isoformat()
    row["infection"] = sorted(bed.infection) if bed.infection else None
    for name in ("conditions", "confirmed"):
        row[name] = list(getattr(bed, name)) or None
    row["exclude"] = bed.exclude
    row["ventilator"] = bed.ventilator
    return {name: value for name, value in row.items() if value is not None}


def _machine_row(cells: Mapping[str, Cell], machines: Mapping[str, Any]) -> dict[str, Any]:
    label = str(read_text(cells["ventilator"]))
    machine = machines[label]
    row: dict[str, Any] = {"ventilator": label}
    for column in COLUMNS["ventilators"][1:]:
        if cells.get(column.key) is not None:
            value = getattr(machine, column.key)
            row[column.key] = list(value) if isinstance(value, tuple) else value
    return row


_YES_NO: Final = ("rooms_may_mix", "rehearse")


def _policy(policy: Policy) -> Iterator[tuple[str, Any]]:
    """Every value of a policy by the name that sets it."""
    if policy.sharing != "not-stated":
        yield "sharing", policy.sharing
    for name in _YES_NO:
        yield name, "yes" if getattr(policy, name) else "no"
    for holder in (policy, policy.assumptions):
        for item in fields(holder):
            value = getattr(holder, item.name)
            if isinstance(value, int | float) and not isinstance(value, bool):
                yield item.name, value
    for limit in policy.limits:
        yield limit.policy_name, limit.target
        if limit.hard is not None:
            yield f"{limit.policy_name}_hard", limit.hard
    yield from policy.condition_rules
