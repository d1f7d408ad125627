"""From files to a ward: every sheet is read, everything wrong is said at once."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Final

from airyoke.circuit.parts import PART_NAMES
from airyoke.exchange.beds import BedRow, read_beds
from airyoke.exchange.cells import read_text
from airyoke.exchange.check_ward import check_beds
from airyoke.exchange.columns import COLUMNS
from airyoke.exchange.csv_folder import read_csv_folder
from airyoke.exchange.sheet import Sheet, open_sheet
from airyoke.exchange.stock_policy import read_policy, read_stock
from airyoke.exchange.tables import SHEETS, Table, refuse
from airyoke.exchange.ventilators import read_ventilators
from airyoke.exchange.workbook import read_workbook
from airyoke.limits.policy import Policy
from airyoke.lungs.conditions import CONDITIONS
from airyoke.quantities import Finding, Refused
from airyoke.ward.ward import Bed, Ward

_OTHER_FORMATS: Final = {
    ".xlsm": "a workbook with macros",
    ".xls": "an old workbook",
    ".ods": "an OpenDocument sheet",
    ".csv": "a single CSV file",
}


def read_ward(path: Path, *, now: datetime) -> Ward:
    """The ward in a workbook (.xlsx) or a folder of CSV files, with a finding for everything wrong or
    unusual.

    ``now`` decides how old readings are; a time without a zone is taken in that of ``now``. A refused cell or
    bed does not stop. Raises :class:`airyoke.quantities.Refused` where the ward cannot be read: no such file,
    an unknown or doubled column, a row without a label, two beds or two ventilators of one name.
    """
    tables, notes = read_tables(path)
    return ward_of_sheets(open_sheets(tables), notes, path.name, now)


def open_sheets(tables: dict[str, Table]) -> dict[str, Sheet]:
    """Every sheet with its header understood. Raises :class:`airyoke.quantities.Refused` where one cannot be."""
    sheets: dict[str, Sheet] = {}
    stopping: list[Finding] = []
    for name, table in tables.items():
        sheets[name], wrong = open_sheet(table)
        stopping += wrong
    if not stopping:
        for name in ("beds", "ventilators"):
            stopping += _labels(sheets[name])
        for name in ("stock", "policy"):
            stopping += _missing_columns(sheets[name]) if name in sheets else []
    if stopping:
        raise Refused(tuple(stopping))
    return sheets


def read_tables(path: Path) -> tuple[dict[str, Table], list[Finding]]:
    """The raw sheets of a ward, and notes about what was left out. Raises :class:`airyoke.quantities.Refused`."""
    try:
        if path.is_dir():
            return read_csv_folder(path)
        if not path.exists():
            raise refuse("ward-not-found", f"there is no {path.name}", "check the path", file=path.name)
        suffix = path.suffix.casefold()
        if suffix != ".xlsx":
            what = _OTHER_FORMATS.get(suffix, "neither a workbook nor a folder")
            raise refuse(
                "ward-format",
                f"{path.name} is {what}",
                "a ward is an .xlsx workbook or a folder of CSV files",
                file=path.name,
            )
        return read_workbook(path)
    except OSError as error:
        reason = f"{path.name} cannot be opened: {error.strerror or type(error).__name__}"
        raise refuse("ward-not-readable", reason, "check the rights of the file", file=path.name) from None


def _labels(sheet: Sheet) -> list[Finding]:
    """Rows without a readable label, labels that occur twice, a sheet without rows: nothing can be placed
    then.
    """
    key = COLUMNS[sheet.table.sheet][0].key
    found: list[Finding] = []
    seen: dict[str, int] = {}
    for row in sheet.rows:
        label = read_text(row.cells.get(key))
        if isinstance(label, Finding):
            found.append(sheet.place(label, row, key))
        elif not label:
            missing = Finding(
                f"{key}-missing", "refused", f"a row without a {key}", "name it, or clear the row"
            )
            found.append(sheet.place(missing, row, key))
        elif label in seen:
            twice = Finding(
                f"{key}-twice",
                "refused",
                f"{key} {label!r} also stands in row {seen[label]}",
                "give each its own label, or remove one row",
            )
            found.append(sheet.place(twice, row, key, label if key == "bed" else None))
        else:
            seen[label] = row.number
    if not sheet.rows:
        found.append(
            Finding(
                f"{sheet.table.sheet}-empty",
                "refused",
                f"the sheet {sheet.table.sheet} has no rows",
                "fill it in",
                file=sheet.table.file,
                sheet=sheet.table.sheet,
            )
        )
    return found


def _missing_columns(sheet: Sheet) -> list[Finding]:
    return [
        Finding(
            "column-missing",
            "refused",
            f"the sheet {sheet.table.sheet} has no column {column.key}",
            f"add it: its name is {' or '.join(column.headers())}",
            file=sheet.table.file,
            sheet=sheet.table.sheet,
            row=1,
            column=column.key,
        )
        for column in sheet.missing_columns()
    ]


def ward_of_sheets(sheets: dict[str, Sheet], notes: list[Finding], file: str, now: datetime) -> Ward:
    """The ward in opened sheets, whatever they came from, with every finding."""
    conditions = tuple(condition.id for condition in CONDITIONS)
    findings = [*notes, *(note for sheet in sheets.values() for note in sheet.notes)]
    policy = Policy()
    if "policy" in sheets:
        policy, more = read_policy(sheets["policy"], conditions)
        findings += more
    stock: dict[str, int] | None = None
    if "stock" in sheets:
        stock, more = read_stock(sheets["stock"], PART_NAMES)
        findings += more
    else:
        findings.append(
            Finding(
                "stock-missing",
                "note",
                "no stock was counted: every part counts as there",
                "count what lies in the store room before anything is built",
                file=file,
            )
        )
    machines = read_ventilators(sheets["ventilators"])
    findings += [finding for item in machines for finding in item.findings]
    findings += _missing_columns(sheets["beds"])
    rows = read_beds(sheets["beds"], policy, conditions, now)
    ventilators = tuple(item.ventilator for item in machines)
    beds: list[Bed] = []
    for item, about in _compared(
        rows, sheets["beds"], tuple(check_beds(tuple(r.bed for r in rows), ventilators))
    ):
        beds.append(item)
        findings += about
    return Ward(tuple(beds), ventilators, policy, stock, findings=_in_order(findings), file=file)


def _compared(
    rows: list[BedRow], sheet: Sheet, across: tuple[tuple[str, Finding], ...]
) -> list[tuple[Bed, list[Finding]]]:
    """Each bed with all its findings, those a person has confirmed turned into notes."""
    result: list[tuple[Bed, list[Finding]]] = []
    for item in rows:
        bed = item.bed
        mine = [finding for label, finding in across if label == bed.label]
        if any(finding.id == "ventilator-unknown" for finding in mine):
            bed = replace(bed, ventilator=None)
        if any(finding.id == "ventilator-crowded" for finding in mine):
            bed = replace(bed, readings=None)
        placed = [
            *item.findings,
            *(sheet.place(finding, item.row, finding.column, bed.label) for finding in mine),
        ]
        result.append((bed, [_after_confirmation(finding, bed.confirmed) for finding in placed]))
    return result


def _after_confirmation(finding: Finding, confirmed: tuple[str, ...]) -> Finding:
    if finding.level != "ask" or finding.id not in confirmed:
        return finding
    return replace(
        finding, level="note", reason=f"confirmed by a person: {finding.reason}", remedy="nothing to do"
    )


def _in_order(findings: list[Finding]) -> tuple[Finding, ...]:
    order = {sheet: index for index, sheet in enumerate(SHEETS)}
    return tuple(sorted(findings, key=lambda item: (order.get(item.sheet or "", -1), item.row or 0)))
