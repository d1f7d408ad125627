"""From a cell to a value: numbers, words, lists, times. A cell that cannot be read gives a finding, never a
guess.

A finding made here does not know its place yet; the reader of the sheet adds it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from typing import Final, Literal

from airyoke.exchange.tables import Cell, NoValue
from airyoke.quantities import Finding, did_you_mean

DecimalMark = Literal[".", ","]

_WITH_POINT: Final = re.compile(r"[+-]?[0-9]*\.[0-9]+")
_WITH_COMMA: Final = re.compile(r"[+-]?[0-9]*,[0-9]+")
_WHOLE: Final = re.compile(r"[+-]?[0-9]+")
# Twelve digits are more than any reading has; a longer run is an identifier in the wrong column.
_LONGEST_NUMBER: Final = 16
_TIMESTAMP: Final = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,6})?)?(Z|[+-][0-9]{2}:[0-9]{2})?"
)


def decimal_mark(cells: Iterable[Cell], separator: str | None) -> DecimalMark:
    """The decimal mark of a file, from all its number cells together.

    A cell with the other mark is then refused, so that a mixed file never turns a thousand into one.
    """
    points = commas = 0
    for cell in cells:
        if isinstance(cell, str):
            points += _WITH_POINT.fullmatch(cell) is not None
            commas += _WITH_COMMA.fullmatch(cell) is not None
    if points == commas:
        return "," if separator == ";" and commas else "."
    return "," if commas > points else "."


def shown(cell: Cell) -> str | float | None:
    """A cell as a finding shows it."""
    if cell is None or isinstance(cell, str) or (isinstance(cell, float) and not isinstance(cell, bool)):
        return cell
    if isinstance(cell, NoValue):
        return f"({cell.kind})"
    return str(cell)


def _refused(finding_id: str, reason: str, remedy: str) -> Finding:
    return Finding(finding_id, "refused", reason, remedy)


def no_value(cell: Cell) -> Finding | None:
    """What to say about a cell that holds a formula without a result, or an error; ``None`` for any other
    cell.
    """
    if not isinstance(cell, NoValue):
        return None
    if cell.kind == "formula":
        return _refused(
            "formula-without-value",
            "the cell holds a formula whose result was never stored",
            "open the file in a spreadsheet program and save it, or type the value",
        )
    if cell.kind == "merged":
        return _refused("cell-merged", "the cell is merged with another one, so whose value it shows is unclear",
                        "split the cells and type the value into each")
    return _refused("cell-error", "the cell holds an error, such as a division by zero", "type the value")


def read_number(cell: Cell, mark: DecimalMark) -> float | Finding:
    """A number. Text counts where it is nothing but digits with at most one decimal mark, that of the
    file.
    """
    flaw = no_value(cell)
    if flaw is not None or isinstance(cell, NoValue):
        return flaw or _refused("cell-error", "the cell has no value", "type the value")
    if isinstance(cell, bool):
        return _refused("number-unreadable", f"{cell} is no number", "type a number")
    if isinstance(cell, float):
        return cell
    if isinstance(cell, datetime | date | time | timedelta):
        return _refused(
            "number-is-date",
            f"the spreadsheet program made a date of what was typed ({cell})",
            "format the cell as a number and type it again",
        )
    text = cell or ""
    wrong_mark = _WITH_COMMA if mark == "." else _WITH_POINT
    if wrong_mark.fullmatch(text):
        other = "," if mark == "." else "."
        return _refused(
            "number-decimal-mark",
            f"{text!r} has {other!r} where this file has {mark!r}",
            f"type it with {mark!r} and without a thousands separator",
        )
    right_mark = _WITH_POINT if mark == "." else _WITH_COMMA
    if len(text) <= _LONGEST_NUMBER and (_WHOLE.fullmatch(text) or right_mark.fullmatch(text)):
        return float(text.replace(",", "."))
    return _refused(
        "number-unreadable",
        f"{text!r} is no number",
        "type the number alone: the unit stands in the name of the column; leave the cell empty "
        "if the value is not known",
    )


def read_choice(cell: Cell, choices: tuple[str, ...], stem: str) -> str | Finding:
    """One of the allowed words, in any letter case."""
    if (flaw := no_value(cell)) is not None:
        return flaw
    if isinstance(cell, str) and cell.casefold() in choices:
        return cell.casefold()
    typed = _as_words(cell)
    near = did_you_mean(_LONG_FORMS.get(typed.casefold(), typed), choices)
    allowed = ", ".join(choices)
    remedy = f"did you mean {near}? Allowed: {allowed}" if near else f"type one of {allowed}"
    return _refused(f"{stem}-unknown", f"{typed!r} is not one of the allowed words", remedy)


# Only to suggest; none of these is ever taken as an answer.
# fmt: off
_LONG_FORMS: Final[dict[str, str]] = {
    "female": "f", "woman": "f", "w": "f", "male": "m", "man": "m",
    "true": "yes", "y": "yes", "1": "yes", "x": "yes", "maybe": "possible",
    "false": "no", "n": "no", "0": "no",
    "vcv": "vc", "volume": "vc", "pcv": "pc", "pressure": "pc", "prvc": "dual",
    "ramp": "decelerating", "square": "constant", "hmef": "hme", "back": "supine",
}
# fmt: on


def read_text(cell: Cell) -> str | Finding:
    """Free text or a label; a whole number becomes its digits (bed 4 is ``4``, not ``4.0``)."""
    if (flaw := no_value(cell)) is not None:
        return flaw
    if isinstance(cell, datetime | date | time | timedelta):
        return _refused(
            "text-is-date",
            f"the spreadsheet program made a date of what was typed ({cell})",
            "format the cell as text and type it again",
        )
    return _as_words(cell)


def read_list(cell: Cell, split: str = ";") -> tuple[str, ...] | Finding:
    """Labels split by ``;``, outer spaces and empty ones dropped, each once, in the order typed."""
    text = read_text(cell)
    if isinstance(text, Finding):
        return text
    return tuple(dict.fromkeys(part for part in (piece.strip() for piece in re.split(split, text)) if part))


def read_time(cell: Cell, now: datetime) -> datetime | Finding:
    """A time in the kind of ``now``: aware where that is, local time of the ward otherwise.

    ISO 8601 text or a date-and-time cell. A time without a zone is taken in that of ``now``; where ``now``
    has none, a time with one is turned into local time.
    """
    if (flaw := no_value(cell)) is not None:
        return flaw
    found: datetime | None = cell if isinstance(cell, datetime) else None
    if isinstance(cell, str) and _TIMESTAMP.fullmatch(cell):
        try:
            found = datetime.fromisoformat(cell)
        except ValueError:
            found = None
    if found is None:
        return _refused(
            "read-at-unreadable",
            f"{_as_words(cell)!r} is no date with time",
            "type it as 2026-11-25T14:10 (year-month-day), or as a date-and-time cell",
        )
    if found.tzinfo is None:
        return found.replace(tzinfo=now.tzinfo)
    try:
        return (
            found.astimezone(now.tzinfo)
            if now.tzinfo is not None
            else found.astimezone().replace(tzinfo=None)
        )
    except (OverflowError, OSError, ValueError):
        return _refused(
            "read-at-unreadable",
            f"{_as_words(cell)!r} is no date near today",
            "type it as 2026-11-25T14:10 (year-month-day)",
        )


def _as_words(cell: Cell) -> str:
    if isinstance(cell, float) and not isinstance(cell, bool):
        return f"{cell:.0f}" if cell == int(cell) and abs(cell) < 1e15 else repr(cell)
    return "" if cell is None else str(cell)
