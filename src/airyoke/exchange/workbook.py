"""Reading a workbook (.xlsx), with guards against files that are built to exhaust a machine."""

from __future__ import annotations

import io
import re
import zipfile
from itertools import islice
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

from airyoke.exchange.tables import (
    MAX_CELLS,
    MAX_FILE_BYTES,
    Cell,
    NoValue,
    Table,
    clean_text,
    match_sheet_names,
    refuse,
)
from airyoke.quantities import Finding

_MAX_RATIO: Final = 100
_MAX_UNPACKED_BYTES: Final = 100 * 1024 * 1024
# Small files of one repeated sheet compress well; below this size a ratio says nothing about harm.
_RATIO_MATTERS_ABOVE_BYTES: Final = 1024 * 1024

_CELL_OPENS: Final = re.compile(rb"<(?:\w+:)?c(?=[\s/>])([^>]*)>")
_CELL_CLOSES: Final = re.compile(rb"</(?:\w+:)?c>")
_PLACE: Final = re.compile(rb"""\br\s*=\s*["']\$?([A-Z]{1,7})\$?(\d{1,9})["']""")
_ERROR_TYPE: Final = re.compile(rb"""\bt\s*=\s*["']e["']""")
_TEXT_TYPE: Final = re.compile(rb"""\bt\s*=\s*["']str["']""")
_MERGE: Final = re.compile(
    rb"""<(?:\w+:)?mergeCell\s[^>]*?ref\s*=\s*["']([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})["']"""
)
_FORMULA: Final = re.compile(rb"<(?:\w+:)?f[\s/>]")
_VALUE: Final = re.compile(rb"<(?:\w+:)?v(?:\s[^>]*)?>[^<]|<(?:\w+:)?is>")
_RELATION: Final = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


def read_workbook(path: Path) -> tuple[dict[str, Table], list[Finding]]:
    """The sheets of the ward in a workbook, by name.

    Raises :class:`airyoke.quantities.Refused` for what cannot be read as one.
    """
    content = path.read_bytes()
    if len(content) > MAX_FILE_BYTES:
        raise refuse(
            "file-too-large",
            f"the workbook is larger than {MAX_FILE_BYTES // 2**20} MiB",
            "keep only the sheets of the ward in it",
            file=path.name,
        )
    parts = _unpack(content, path.name)
    flaws = _flaws(parts, path.name)
    sheets = _sheets(content, path.name)
    sources, findings = match_sheet_names({name: name for name in sheets}, path.name)
    tables: dict[str, Table] = {}
    for sheet, source in sources.items():
        rows = _with_flaws(sheets[source], flaws.get(source, {}))
        tables[sheet] = Table(sheet, path.name, rows)
    return tables, findings


def _unpack(content: bytes, file: str) -> dict[str, bytes]:
    """Every XML part, unpacked under a cap. Looks at real sizes: those in the directory of a zip may lie."""
    unreadable = refuse(
        "workbook-unreadable",
        "this is no .xlsx workbook, or it is damaged or has a password",
        "save it again as .xlsx without a password",
        file=file,
    )
    parts: dict[str, bytes] = {}
    total = 0
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for info in archive.infolist():
                if info.filename.lower().endswith("vbaproject.bin"):
                    raise refuse(
                        "workbook-has-macros",
                        "the workbook contains macros",
                        "save it as .xlsx without macros",
                        file=file,
                    )
                with archive.open(info) as stream:
                    data = stream.read(_MAX_UNPACKED_BYTES - total + 1)
                total += len(data)
                if total > _MAX_UNPACKED_BYTES or (
                    total > _RATIO_MATTERS_ABOVE_BYTES and total > _MAX_RATIO * len(content)
                ):
                    raise refuse(
                        "workbook-unpacks-too-large",
                        "the workbook unpacks to an unreasonable size",
                        "copy the ward into a new workbook",
                        file=file,
                    )
                if info.filename.lower().endswith((".xml", ".rels")):
                    parts[info.filename.lstrip("/")] = data
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        NotImplementedError,
        RuntimeError,
        OSError,
        ValueError,
        EOFError,
    ):
        raise unreadable from None
    except Exception as error:  # zlib and lzma raise their own kinds
        if type(error).__module__ in {"zlib", "lzma", "_lzma"}:
            raise unreadable from None
        raise
    if "xl/workbook.xml" not in parts or any(
        b"<!DOCTYPE" in data or data[:2] in {b"\xff\xfe", b"\xfe\xff"} for data in parts.values()
    ):
        raise unreadable
    return parts


Flaws = dict[tuple[int, int], NoValue]
"""Row and column, counted from 0 -> why the cell has no value."""


def _flaws(parts: dict[str, bytes], file: str) -> dict[str, Flaws]:
    """Cells without a value, by sheet name.

    The reading library shows such cells as empty, which would be a silent loss. The same pass refuses a sheet whose
    farthest cell makes the library allocate an unreasonable grid.
    """
    by_part = {name: _flaws_of_part(data, file) for name, data in parts.items()}
    return {sheet: by_part.get(part, {}) for sheet, part in _sheet_parts(parts).items()}


def _flaws_of_part(data: bytes, file: str) -> Flaws:
    last_row = last_column = 0
    flawed: Flaws = {}
    opens = list(islice(_CELL_OPENS.finditer(data), MAX_CELLS + 1))
    ends = [*(match.start() for match in opens), len(data)][1:]
    for match, end in zip(opens, ends, strict=True):
        attributes = match.group(1)
        inner = _CELL_CLOSES.split(data[match.end() : end], maxsplit=1)[0]
        place = _PLACE.search(attributes)
        if place is None:
            continue
        row, column = int(place.group(2)) - 1, _column_index(place.group(1))
        last_row, last_column = max(last_row, row), max(last_column, column)
        if _ERROR_TYPE.search(attributes):
            flawed[row, column] = NoValue("error")
        # A formula that gives an empty text is stored with that type and no value: that cell is empty.
        elif _FORMULA.search(inner) and not _VALUE.search(inner) and not _TEXT_TYPE.search(attributes):
            flawed[row, column] = NoValue("formula")
    if len(opens) > MAX_CELLS or (last_row + 1) * (last_column + 1) > MAX_CELLS:
        raise refuse(
            "sheet-too-large",
            f"a sheet reaches to row {last_row + 1}, column {last_column + 1}",
            f"keep it below {MAX_CELLS} cells: delete stray cells far from the table",
            file=file,
        )
    return {**_merged(data, last_row, last_column), **flawed}


def _merged(data: bytes, last_row: int, last_column: int) -> Flaws:
    """Cells hidden under a merged one, as far as the table reaches: they look filled on the screen and are empty."""
    hidden: Flaws = {}
    for match in islice(_MERGE.finditer(data), MAX_CELLS):
        left, top, right, bottom = match.groups()
        first = (int(top) - 1, _column_index(left))
        for row in range(first[0], min(int(bottom) - 1, last_row) + 1):
            for column in range(first[1], min(_column_index(right), last_column) + 1):
                if (row, column) != first:
                    hidden[row, column] = NoValue("merged")
                if len(hidden) > MAX_CELLS:
                    return hidden
    return hidden


def _sheet_parts(parts: dict[str, bytes]) -> dict[str, str]:
    """Sheet name -> part of the package that holds it."""
    try:
        relations = ElementTree.fromstring(parts.get("xl/_rels/workbook.xml.rels", b"<x/>"))
        workbook = ElementTree.fromstring(parts["xl/workbook.xml"])
    except ElementTree.ParseError:
        return {}
    targets = {item.get("Id"): item.get("Target", "") for item in relations}
    found: dict[str, str] = {}
    for element in workbook.iter():
        if element.tag.rpartition("}")[2] == "sheet":
            target = targets.get(element.get(_RELATION), "")
            found[element.get("name", "")] = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    return found


def _column_index(letters: bytes) -> int:
    index = 0
    for letter in letters:
        index = index * 26 + letter - 64
    return index - 1


def _sheets(content: bytes, file: str) -> dict[str, list[list[Cell]]]:
    from python_calamine import CalamineWorkbook, SheetTypeEnum

    sheets: dict[str, list[list[Cell]]] = {}
    try:
        workbook = CalamineWorkbook.from_filelike(io.BytesIO(content))
        for metadata in workbook.sheets_metadata:
            if metadata.typ == SheetTypeEnum.WorkSheet:
                raw = workbook.get_sheet_by_name(metadata.name).to_python(skip_empty_area=False)
                sheets[metadata.name] = [[_cell(cell) for cell in row] for row in raw]
    except BaseException as error:
        # A panic inside the library arrives as its own kind, derived from BaseException.
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        raise refuse(
            "workbook-unreadable",
            "the workbook cannot be read; it may be damaged",
            "open it in a spreadsheet program and save it again as .xlsx",
            file=file,
        ) from None
    return sheets


def _cell(cell: object) -> Cell:
    if isinstance(cell, str):
        return clean_text(cell)
    if isinstance(cell, int) and not isinstance(cell, bool):
        return float(cell)
    return cell  # type: ignore[return-value]


def _with_flaws(
    rows: list[list[Cell]], flaws: dict[tuple[int, int], NoValue]
) -> tuple[tuple[Cell, ...], ...]:
    grid = [list(row) for row in rows]
    for (row, column), flaw in flaws.items():
        while len(grid) <= row:
            grid.append([])
        grid[row].extend([None] * (column + 1 - len(grid[row])))
        grid[row][column] = flaw
    return tuple(tuple(row) for row in grid)
