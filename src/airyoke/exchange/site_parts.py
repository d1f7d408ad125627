"""A site's own parts from a CSV file: what was measured on each, and how many there are.

Columns: ``part``, ``like`` (the part of the catalogue whose kind and ends it has), ``drop_30_cmh2o`` and
``drop_60_cmh2o`` (needed), ``compliance_ml_per_cmh2o``, ``dead_space_ml``, ``length_m``, ``cracking_cmh2o``, ``count``.
Empty = as its pattern in the catalogue; an empty count is 0.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from airyoke.circuit.measured import Measurement, measured_part
from airyoke.circuit.part import Part
from airyoke.exchange.cells import DecimalMark, decimal_mark, read_number
from airyoke.exchange.tables import MAX_FILE_BYTES, clean_text, refuse
from airyoke.quantities import Finding, Refused, did_you_mean

NEEDED: Final = ("part", "like", "drop_30_cmh2o", "drop_60_cmh2o")
NUMBERS: Final = (
    "drop_30_cmh2o",
    "drop_60_cmh2o",
    "compliance_ml_per_cmh2o",
    "dead_space_ml",
    "length_m",
    "cracking_cmh2o",
)
COLUMNS: Final = (*NEEDED, *NUMBERS[2:], "count")


@dataclass(frozen=True, slots=True)
class SiteParts:
    """The site's parts by name, and how many of each lie in the store room."""

    parts: dict[str, Part]
    stock: dict[str, int]


def read_site_parts(path: Path) -> SiteParts:
    """Read the file. Raises ``Refused`` with a finding for every cell that is wrong; nothing is left out silently."""
    rows = _rows(path)
    header = [(cell or "").casefold() for cell in rows[0]]
    _check_header(header, path.name)
    mark = decimal_mark((cell for row in rows[1:] for cell in row), None)
    parts: dict[str, Part] = {}
    stock: dict[str, int] = {}
    wrong: list[Finding] = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(row):
            continue
        cells = dict(zip(header, (*row, *[None] * (len(header) - len(row))), strict=False))
        found = _part(cells, mark)
        problems = [found] if isinstance(found, Finding) else list(found) if isinstance(found, tuple) else []
        if len(row) > len(header):
            problems.append(
                Finding("row-too-long", "refused", "the row has more cells than the header", "quote commas")
            )
        count = _count(cells.get("count"), mark)
        problems += [count] if isinstance(count, Finding) else []
        if isinstance(found, Part) and found.name in parts:
            problems.append(
                Finding("part-twice", "refused", f"{found.name} is listed twice", "keep one row", column="part")
            )
        if problems:
            wrong += [replace(problem, file=path.name, row=number) for problem in problems]
        elif isinstance(found, Part) and isinstance(count, int):
            parts[found.name], stock[found.name] = found, count
    if wrong:
        raise Refused(tuple(wrong))
    return SiteParts(parts, stock)


def _rows(path: Path) -> list[list[str | None]]:
    try:
        content = path.read_bytes()
    except OSError as error:
        reason = f"{path.name} cannot be opened: {error.strerror or type(error).__name__}"
        raise refuse("parts-not-readable", reason, "check the path", file=path.name) from None
    if len(content) > MAX_FILE_BYTES:
        raise refuse("file-too-large", f"{path.name} is too large", "keep only the table in it", file=path.name)
    try:
        text = content.decode("utf-8-sig")
        first = text.partition("\n")[0]
        separator = max((",", ";", "\t"), key=first.count)
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except (UnicodeDecodeError, csv.Error):
        raise refuse(
            "csv-unreadable", f"{path.name} is no CSV file in UTF-8", "save it as CSV UTF-8", file=path.name
        ) from None
    if not rows:
        raise refuse(
            "csv-empty", f"{path.name} is empty", f"row 1 names the columns: {', '.join(COLUMNS)}", file=path.name
        )
    return [[clean_text(cell) for cell in row] for row in rows]


def _check_header(header: list[str], file: str) -> None:
    wrong: list[Finding] = []
    for name in dict.fromkeys(header):
        if name not in COLUMNS:
            near = did_you_mean(name, COLUMNS)
            remedy = f"did you mean {near}?" if near else f"the columns are {', '.join(COLUMNS)}"
            wrong.append(Finding("column-unknown", "refused", f"a parts file has no column {name!r}", remedy))
        elif header.count(name) > 1:
            wrong.append(Finding("column-twice", "refused", f"the column {name} is there twice", "keep one"))
    for name in NEEDED:
        if name not in header:
            wrong.append(Finding("column-missing", "refused", f"a parts file needs a column {name}", "add it"))
    if wrong:
        raise Refused(tuple(replace(one, file=file, row=1) for one in wrong))


def _part(cells: dict[str, str | None], mark: DecimalMark) -> Part | Finding | tuple[Finding, ...]:
    values: dict[str, float | None] = {}
    for name in NUMBERS:
        cell = cells.get(name)
        if cell is None:
            if name in NEEDED:
                return Finding("cell-missing", "refused", f"{name} is empty", "measure it", column=name)
            values[name] = None
            continue
        value = read_number(cell, mark)
        if isinstance(value, Finding):
            return replace(value, column=name, value=cell)
        values[name] = value
    low, high = values["drop_30_cmh2o"], values["drop_60_cmh2o"]
    assert low is not None, "needed, checked above"
    assert high is not None, "needed, checked above"
    try:
        return measured_part(
            Measurement(
                cells.get("part") or "",
                cells.get("like") or "",
                low,
                high,
                values["compliance_ml_per_cmh2o"],
                values["dead_space_ml"],
                values["length_m"],
                values["cracking_cmh2o"],
            )
        )
    except Refused as refusal:
        return refusal.findings


def _count(cell: str | None, mark: DecimalMark) -> int | Finding:
    if cell is None:
        return 0
    value = read_number(cell, mark)
    if isinstance(value, Finding):
        return replace(value, column="count", value=cell)
    if value < 0 or value != int(value):
        return Finding("count-impossible", "refused", f"{cell} pieces cannot lie in a store room", "count whole pieces",
                       column="count", value=cell)  # fmt: skip
    return int(value)
