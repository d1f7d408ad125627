"""The empty ward: every column there and explained. All words come from the tables that the reader uses."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any, Final

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.parts import PART_NAMES
from airyoke.exchange.columns import COLUMNS, Column
from airyoke.exchange.stock_policy import policy_choices, policy_names, policy_quantity
from airyoke.exchange.tables import EXPLANATION_SHEET, SHEETS
from airyoke.exchange.writer import check_target, new_workbook, write_cell, write_csv
from airyoke.limits.policy import Policy
from airyoke.lungs.conditions import CONDITIONS
from airyoke.quantities import Range, is_quantity, quantity

HEADING: Final = (
    "sheet",
    "column",
    "needed",
    "meaning",
    "unit",
    "other names (other unit)",
    "refused outside",
    "asked outside",
    "allowed words",
    "empty means",
)
_ROWS_WITH_CHECKS: Final = 400
_CONDITION_IDS: Final = tuple(condition.id for condition in CONDITIONS)
_INTRODUCTION: Final = (
    "One row per bed, ventilator, part or rule. An empty cell means not known. Columns may stand in any"
    " order.",
    "The name of a column says its unit. Another unit needs the other name given here; never two "
    "columns of one quantity.",
    "Nothing is converted that does not say its unit. A value outside the refused range is not used; "
    "one outside the asked range is used and asked about until the id of the finding stands in that "
    "bed's column confirmed.",
    "Rows whose first cell starts with EXAMPLE are left out. Without the sheet stock every part counts "
    "as there: remove that sheet if nothing was counted.",
    "Sharing a ventilator is the last resort. The tool advises; licensed clinicians decide; local "
    "policy and law win.",
)


def write_template(path: Path) -> None:
    """Write an empty ward: a workbook for a name ending in ``.xlsx``, a folder of CSV files for one without
    suffix.

    Raises :class:`airyoke.quantities.Refused` where ``path`` exists or is neither; nothing is overwritten.
    """
    check_target(path)
    if path.suffix.casefold() == ".xlsx":
        _write_workbook(path)
        return
    path.mkdir()
    for sheet in SHEETS:
        columns = COLUMNS[sheet]
        write_csv(path / f"{sheet}.csv", [[c.key for c in columns], [c.example for c in columns]])
    write_csv(path / f"{EXPLANATION_SHEET}.csv", [HEADING, *explanation()])
    (path / "README.txt").write_text(
        "\n".join((*_INTRODUCTION, f"{EXPLANATION_SHEET}.csv explains every column.", "")),
        encoding="utf-8",
        newline="\r\n",
    )


def explanation() -> list[list[str]]:
    """Every column of every sheet, then every name of the policy, in the order of ``HEADING``."""
    rows = [_explain(sheet, column) for sheet in SHEETS for column in COLUMNS[sheet]]
    return [*rows, *_policy_rows()]


def _explain(sheet: str, column: Column) -> list[str]:
    unit, others, refuse, ask = "", "", "", ""
    if is_quantity(column.key):
        entry = quantity(column.key)
        unit = entry.unit or ("fraction" if entry.slips == ("%",) else "")
        others = ", ".join(
            f"{name} ({other})" for name, other in entry.columns().items() if name != column.key
        )
        refuse, ask = _bounds(entry.refuse, entry.unit), _bounds(entry.ask, entry.unit)
        ask = "; ".join(part for part in (ask, entry.note) if part)
    default = ""
    if sheet == "ventilators":
        default = _ventilator_default(column.key)
    words = ", ".join(_CONDITION_IDS if column.key == "conditions" else column.choices)
    return [
        sheet,
        column.key,
        "yes" if column.needed else "",
        column.meaning,
        unit,
        others,
        refuse,
        ask,
        words,
        default,
    ]


def _bounds(bounds: Range, unit: str) -> str:
    return "" if bounds.low is None and bounds.high is None else bounds.words(unit)


def _ventilator_default(key: str) -> str:
    for item in fields(Ventilator):
        if item.name == key and item.default is not MISSING:
            if key == "room":
                return "any room"
            return _words(item.default)
    return ""


def _words(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return " ".join(value)
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def _policy_rows() -> Iterator[list[str]]:
    policy = Policy()
    bounds: dict[str, float] = {}
    meanings: dict[str, str] = {}
    for limit in policy.limits:
        side = "lowest" if limit.side == "low" else "highest"
        bounds[limit.policy_name] = limit.target
        meanings[limit.policy_name] = f"{side} {limit.meaning}: target"
        if limit.hard is not None:
            bounds[f"{limit.policy_name}_hard"] = limit.hard
            meanings[f"{limit.policy_name}_hard"] = f"{side} {limit.meaning}: hard bound"
    rules = {condition.id: condition for condition in CONDITIONS}
    for name in policy_names(_CONDITION_IDS):
        entry = policy_quantity(name)
        default = bounds.get(name, getattr(policy, name, getattr(policy.assumptions, name, "")))
        words = ", ".join(policy_choices(name))
        if entry is None:
            meaning = rules[name].text if name in rules else _RULE_MEANINGS[name]
            default = rules[name].rule if name in rules else default
            yield ["policy", name, "", meaning, "", "", "", "", words, _words(default)]
            continue
        meaning = meanings.get(name, entry.meaning)
        yield [
            "policy",
            name,
            "",
            meaning,
            entry.unit,
            "",
            _bounds(entry.refuse, entry.unit),
            _bounds(entry.ask, entry.unit),
            words,
            _words(default),
        ]


_RULE_MEANINGS: Final = {
    "sharing": "whether this site has accepted sharing as the last resort; without it plans carry a caution",
    "rooms_may_mix": "whether beds in different rooms may share",
    "rehearse": "whether each patient first tries the shared settings alone; without it plans ask for more",
}


def _write_workbook(path: Path) -> None:
    target = io.BytesIO()
    workbook = new_workbook(target)
    formats = {
        "head": workbook.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1}),
        "needed": workbook.add_format(
            {"bold": True, "underline": 1, "text_wrap": True, "valign": "top", "bottom": 1}
        ),
        "example": workbook.add_format({"italic": True, "font_color": "#555555"}),
        "wrap": workbook.add_format({"text_wrap": True, "valign": "top"}),
        "text": workbook.add_format({"num_format": "@"}),
        "time": workbook.add_format({"num_format": "yyyy-mm-dd hh:mm"}),
    }
    rows = explanation()
    sheets = {sheet: workbook.add_worksheet(sheet) for sheet in SHEETS}
    for sheet, worksheet in sheets.items():
        _fill_sheet(worksheet, sheet, formats)
    notes = workbook.add_worksheet(EXPLANATION_SHEET)
    parts_column = len(HEADING) + 1
    _fill_explanation(notes, rows, formats, parts_column)
    _add_lists(sheets, rows, parts_column)
    workbook.close()
    path.write_bytes(target.getvalue())


def _fill_sheet(worksheet: Any, sheet: str, formats: dict[str, Any]) -> None:
    worksheet.freeze_panes(1, 1)
    worksheet.set_row(0, 45)
    for index, column in enumerate(COLUMNS[sheet]):
        width = max(10, min(26, len(column.key) + 1))
        shape = {"text": "text", "list": "text", "time": "time"}.get(column.kind)
        worksheet.set_column(index, index, width, formats[shape] if shape else None)
        worksheet.write_string(0, index, column.key, formats["needed" if column.needed else "head"])
        write_cell(worksheet, 1, index, column.example, formats["time"], formats["example"])
        allowed = _validation(column)
        if allowed is not None:
            worksheet.data_validation(1, index, _ROWS_WITH_CHECKS, index, allowed)


def _validation(column: Column) -> dict[str, Any] | None:
    """A drop-down of the allowed words, or a warning outside the refused range: it warns, the reader
    decides.
    """
    if column.kind == "choice":
        return {
            "validate": "list",
            "source": list(column.choices),
            "error_type": "warning",
            "error_title": column.key,
            "error_message": f"Allowed: {', '.join(column.choices)}",
        }
    if column.kind == "number":
        entry = quantity(column.key)
        if entry.refuse.low is not None and entry.refuse.high is not None:
            return {
                "validate": "decimal",
                "criteria": "between",
                "minimum": entry.refuse.low,
                "maximum": entry.refuse.high,
                "error_type": "warning",
                "error_title": column.key[:32],
                "error_message": f"{entry.symbol}: {entry.refuse.words(entry.unit)}",
            }
    return None


def _fill_explanation(
    worksheet: Any, rows: list[list[str]], formats: dict[str, Any], parts_column: int
) -> None:
    worksheet.freeze_panes(1, 2)
    for index, (title, width) in enumerate(
        zip(HEADING, (12, 32, 8, 60, 12, 34, 24, 30, 24, 18), strict=True)
    ):
        worksheet.set_column(index, index, width, formats["wrap"])
        worksheet.write_string(0, index, title, formats["head"])
    for number, row in enumerate(rows, start=1):
        for index, text in enumerate(row):
            worksheet.write_string(number, index, text, formats["wrap"])
    for number, line in enumerate(_INTRODUCTION, start=len(rows) + 2):
        worksheet.write_string(number, 3, line, formats["wrap"])
    worksheet.set_column(parts_column, parts_column, 24)
    worksheet.write_string(0, parts_column, "parts of the catalogue", formats["head"])
    for number, part in enumerate(PART_NAMES, start=1):
        worksheet.write_string(number, parts_column, part)


def _add_lists(sheets: dict[str, Any], rows: list[list[str]], parts_column: int) -> None:
    """Drop-downs that are too long for a cell refer to the explanation sheet."""
    policy = [
        number
        for number, row in enumerate(rows, start=2)
        if row[0] == "policy" and row[1] not in {column.key for column in COLUMNS["policy"]}
    ]
    letter = chr(ord("A") + parts_column)
    names = f"={EXPLANATION_SHEET}!$B${policy[0]}:$B${policy[-1]}"
    parts = f"={EXPLANATION_SHEET}!${letter}$2:${letter}${len(PART_NAMES) + 1}"
    for sheet, source in (("policy", names), ("stock", parts)):
        sheets[sheet].data_validation(
            1, 0, _ROWS_WITH_CHECKS, 0, {"validate": "list", "source": source, "error_type": "warning"}
        )
