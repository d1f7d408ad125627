"""One sheet with its header understood: typed values by column, each finding with its place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from airyoke.exchange.cells import DecimalMark, decimal_mark, read_number, shown
from airyoke.exchange.columns import COLUMNS, Column, Place, Row, match_header, rows_of
from airyoke.exchange.tables import Cell, Table
from airyoke.quantities import Finding, Quantity, convert, quantity, value_finding


@dataclass(frozen=True, slots=True)
class NumberCell:
    """``value`` is ``None`` where the number is refused; ``typed`` keeps it, for the words of other findings
    only.
    """

    value: float | None
    typed: float | None
    finding: Finding | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """``rows`` are those with something in them and without the template's example; ``notes`` say what was
    left out.

    ``mark`` is the decimal mark of the whole file.
    """

    table: Table
    places: dict[str, Place]
    rows: tuple[Row, ...]
    mark: DecimalMark
    notes: tuple[Finding, ...] = ()

    def place(self, finding: Finding, row: Row, key: str | None = None, bed: str | None = None) -> Finding:
        """The finding with sheet, row, column as typed, bed and the cell it is about."""
        at = self.places.get(key) if key is not None else None
        value = finding.value
        if key is not None and key in row.cells:
            value = shown(row.cells[key])
        return replace(
            finding,
            file=self.table.file,
            sheet=self.table.sheet,
            row=row.number,
            bed=bed,
            column=at.header if at is not None else key,
            value=value,
        )

    def missing_columns(self) -> Iterator[Column]:
        """Needed columns that the header does not name."""
        for column in COLUMNS[self.table.sheet]:
            if column.needed and column.key not in self.places:
                yield column

    def number(self, row: Row, key: str) -> NumberCell:
        """The number in that cell in the unit of its quantity, and what is to be said about it."""
        entry = quantity(key)
        typed = read_number(row.cells.get(key), self.mark)
        if isinstance(typed, Finding):
            return NumberCell(None, None, typed)
        unit = self.places[key].unit
        value = convert(typed, unit, entry.unit)
        finding = value_finding(entry, value)
        if finding is not None and unit != entry.unit:
            finding = _for_other_unit(finding, entry, typed, unit)
        refused = finding is not None and finding.level == "refused"
        return NumberCell(None if refused else value, value, finding)


def _for_other_unit(finding: Finding, entry: Quantity, typed: float, unit: str) -> Finding:
    """The column names another unit: say what was typed in it, and whether the number looks like the usual
    unit.
    """
    reason = f"{entry.symbol} {typed:g} {unit} is {finding.reason.removeprefix(entry.symbol).strip()}"
    if entry.level(typed) is None:
        remedy = f"was it typed in {entry.unit or 'a fraction'}? Then name the column {entry.key}"
        return replace(finding, id=f"{entry.finding_stem}-unit", reason=reason, remedy=remedy)
    if finding.id.endswith("-unit"):
        return replace(finding, reason=reason, remedy=f"read it again and type it in {unit}")
    return replace(finding, reason=reason, remedy=finding.remedy.replace(f"in {entry.unit}", f"in {unit}"))


def open_sheet(table: Table) -> tuple[Sheet, list[Finding]]:
    """The sheet, and findings that make it unreadable (unknown, doubled or nameless columns, shifted
    rows).
    """
    places, stopping = match_header(table)
    rows, shifted = rows_of(table, places)
    first = COLUMNS[table.sheet][0].key
    numeric = [key for key, place in places.items() if place.column.kind in {"number", "any"}]
    mark = decimal_mark((row.cells.get(key) for row in rows for key in numeric), table.separator)
    kept: list[Row] = []
    notes: list[Finding] = []
    for row in rows:
        if is_example(row.cells.get(first)):
            notes.append(
                Finding(
                    "example-row-skipped",
                    "note",
                    "the example row of the template was left out",
                    "delete the row",
                    file=table.file,
                    sheet=table.sheet,
                    row=row.number,
                    value=shown(row.cells.get(first)),
                )
            )
        else:
            kept.append(row)
    return Sheet(table, places, tuple(kept), mark, tuple(notes)), [*stopping, *shifted]


def is_example(cell: Cell) -> bool:
    """Whether the first cell of a row marks it as the example that the template writes."""
    return isinstance(cell, str) and cell.startswith("EXAMPLE")
