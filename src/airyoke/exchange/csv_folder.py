"""Reading a folder of CSV files: encoding and separator are decided once per file, never cell by cell."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection
from pathlib import Path
from typing import Final

from airyoke.exchange.columns import known_headers, normal_header
from airyoke.exchange.tables import (
    MAX_CELLS,
    MAX_FILE_BYTES,
    Cell,
    Table,
    clean_text,
    match_sheet_names,
    refuse,
)
from airyoke.quantities import Finding

_SEPARATORS: Final = (",", ";", "\t")

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
"""Text that starts with one of these is written with an apostrophe before it, and read without it."""


def read_csv_folder(path: Path) -> tuple[dict[str, Table], list[Finding]]:
    """The sheets of the ward in a folder: ``beds.csv``, ``ventilators.csv``, ``stock.csv``, ``policy.csv``.

    Raises :class:`airyoke.quantities.Refused` for what cannot be read.
    """
    files = sorted(item for item in path.iterdir() if item.is_file() and item.suffix.casefold() == ".csv")
    names: dict[str, str] = {}
    for item in files:
        if item.stem.casefold() in {name.casefold() for name in names}:
            raise refuse(
                "sheet-twice",
                f"{item.name} is there twice in different letter case",
                "keep one of them",
                file=path.name,
            )
        names[item.stem] = item.name
    sources, findings = match_sheet_names(names, path.name)
    tables: dict[str, Table] = {}
    for sheet, name in sources.items():
        tables[sheet], more = _read_file(path / name, sheet)
        findings += more
    return tables, findings


def _read_file(path: Path, sheet: str) -> tuple[Table, list[Finding]]:
    content = path.read_bytes()
    if len(content) > MAX_FILE_BYTES:
        raise refuse(
            "file-too-large",
            f"{path.name} is larger than {MAX_FILE_BYTES // 2**20} MiB",
            "keep only the table in it",
            file=path.name,
            sheet=sheet,
        )
    text, findings = _decode(content, path.name, sheet)
    first, _, rest = text.partition("\n")
    declared = None
    if first.strip().casefold().startswith("sep=") and len(first.strip()) == 5:
        # Spreadsheet programs read this line as an instruction and do not show it: row 1 is the next line.
        declared, text = first.strip()[4], rest
    separator = declared or _separator(text, known_headers(sheet))
    rows = _parse(text, separator, path.name, sheet)
    if sum(len(row) for row in rows) > MAX_CELLS:
        raise refuse(
            "sheet-too-large",
            f"{path.name} has more than {MAX_CELLS} cells",
            "keep only the table in it",
            file=path.name,
            sheet=sheet,
        )
    return Table(sheet, path.name, rows, separator), findings


def _decode(content: bytes, file: str, sheet: str) -> tuple[str, list[Finding]]:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings: tuple[str, ...] = ("utf-16",)
    elif b"\0" in content:
        encodings = ()
    else:
        encodings = ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        if encoding != "cp1252":
            return text, []
        note = Finding(
            "encoding-cp1252",
            "note",
            f"{file} is not UTF-8; it was read as Windows-1252",
            "check that special letters look right, or save it as CSV UTF-8",
            file=file,
            sheet=sheet,
        )
        return text, [note]
    raise refuse(
        "csv-unreadable",
        f"{file} is no text file in UTF-8 or Windows-1252",
        "save it as CSV UTF-8",
        file=file,
        sheet=sheet,
    )


def _separator(text: str, known: Collection[str]) -> str:
    """The separator that makes most of the first line into known column names; then the one with most
    columns.
    """
    header = next((line for line in text.splitlines() if line.strip()), "")

    def score(separator: str) -> tuple[int, int]:
        try:
            names = next(csv.reader([header], delimiter=separator), [])
        except csv.Error:
            return (0, 0)
        return (sum(normal_header(name) in known for name in names), len(names))

    return max(_SEPARATORS, key=score)


def _parse(text: str, separator: str, file: str, sheet: str) -> tuple[tuple[Cell, ...], ...]:
    # Strict: a quote that is never closed would otherwise swallow the rest of the ward as one cell.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        return tuple(tuple(_cell(cell) for cell in row) for row in reader)
    except csv.Error as error:
        raise refuse(
            "csv-unreadable",
            f"{file}, line {reader.line_num}: {error}",
            "look for a quotation mark without its partner",
            file=file,
            sheet=sheet,
        ) from None


def _cell(text: str) -> Cell:
    if text.startswith("'") and text[1:].startswith(FORMULA_STARTS):
        text = text[1:]
    return clean_text(text)
