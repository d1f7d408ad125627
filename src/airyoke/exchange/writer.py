"""Writing the sheets of a ward: a workbook or a folder of CSV files, from plain rows."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from airyoke.exchange.columns import COLUMNS
from airyoke.exchange.csv_folder import FORMULA_STARTS
from airyoke.exchange.tables import SHEETS, refuse

Value = str | float | int | datetime | None
Rows = Sequence[Mapping[str, Value]]

# Fixed, so that the same rows make the same bytes on any day.
_CREATED: Final = datetime(2000, 1, 1)


def write_tables(path: Path, tables: Mapping[str, Rows]) -> None:
    """Write sheets of rows (column -> value) to a workbook (``.xlsx``) or, for any path without a suffix, a
    folder.

    Columns stand in the order of the contract, those with another unit suffix after it. Text is never written
    as a formula. Raises ``ValueError`` for a sheet that no ward has, :class:`airyoke.quantities.Refused`
    where ``path`` exists or is neither.
    """
    unknown = set(tables) - set(SHEETS)
    if unknown:
        raise ValueError(f"a ward has no sheet {sorted(unknown)}")
    check_target(path)
    grids = {sheet: _grid(sheet, tables[sheet]) for sheet in SHEETS if sheet in tables}
    if path.suffix.casefold() == ".xlsx":
        _write_workbook(path, grids)
    else:
        path.mkdir(parents=True)
        for sheet, grid in grids.items():
            write_csv(path / f"{sheet}.csv", grid)


def check_target(path: Path) -> None:
    """Raise :class:`airyoke.quantities.Refused` where something is there already, or the kind of file is
    unclear.
    """
    if path.exists():
        raise refuse(
            "file-exists",
            f"{path.name} is there already",
            "choose another name: nothing is overwritten",
            file=path.name,
        )
    if path.suffix.casefold() not in {".xlsx", ""}:
        raise refuse(
            "ward-format",
            f"{path.name} is neither a workbook nor a folder",
            "end the name in .xlsx, or in nothing for a folder of CSV files",
            file=path.name,
        )
    if not path.absolute().parent.is_dir():
        raise refuse(
            "folder-missing", f"there is no folder to put {path.name} into", "make it first", file=path.name
        )


def _grid(sheet: str, rows: Rows) -> list[list[Value]]:
    used = {key for row in rows for key in row}
    known = [column.key for column in COLUMNS[sheet]]
    header = [key for key in known if key in used or not used]
    header += [key for row in rows for key in row if key not in known]
    header = list(dict.fromkeys(header))
    return [list(header), *([row.get(key) for key in header] for row in rows)]


def write_csv(path: Path, grid: Sequence[Sequence[Value]]) -> None:
    """One CSV file: comma, decimal point, UTF-8 with a byte-order mark so that spreadsheet programs show it
    right.
    """
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows([csv_cell(cell) for cell in row] for row in grid)
    path.write_bytes(text.getvalue().encode("utf-8-sig"))


def csv_cell(cell: Value) -> str:
    """A cell as CSV text; text that a spreadsheet program would run as a formula gets an apostrophe before
    it.
    """
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.isoformat(timespec="minutes")
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(FORMULA_STARTS) else cell
    return f"{cell:.10g}"


def new_workbook(target: io.BytesIO) -> Any:
    """An empty workbook in memory that never turns text into formulas or links."""
    import xlsxwriter

    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    workbook = xlsxwriter.Workbook(target, options)
    workbook.set_properties({"created": _CREATED})
    return workbook


def write_cell(
    worksheet: Any, row: int, column: int, cell: Value, time_format: Any, style: Any = None
) -> None:
    """One typed cell."""
    if cell is None:
        worksheet.write_blank(row, column, None, style)
    elif isinstance(cell, datetime):
        worksheet.write_datetime(row, column, cell.replace(tzinfo=None), time_format)
    elif isinstance(cell, str):
        worksheet.write_string(row, column, cell, style)
    else:
        worksheet.write_number(row, column, cell, style)


def _write_workbook(path: Path, grids: Mapping[str, list[list[Value]]]) -> None:
    target = io.BytesIO()
    workbook = new_workbook(target)
    time_format = workbook.add_format({"num_format": "yyyy-mm-dd hh:mm"})
    for sheet, grid in grids.items():
        worksheet = workbook.add_worksheet(sheet)
        worksheet.freeze_panes(1, 1)
        for row, cells in enumerate(grid):
            for column, cell in enumerate(cells):
                write_cell(worksheet, row, column, cell, time_format)
    workbook.close()
    path.write_bytes(target.getvalue())
