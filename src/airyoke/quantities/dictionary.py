"""The dictionary of quantities: one row for each, from which forms, checks, headers and codes are made."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from types import MappingProxyType
from typing import Final

from airyoke.quantities.finding import Finding
from airyoke.quantities.quantity import Quantity
from airyoke.quantities.rows_machine import MACHINE_ROWS, SETTING_ROWS, STOCK_ROWS, VENTILATOR_ROWS
from airyoke.quantities.rows_patient import LUNG_ROWS, PREDICTED_ROWS, READING_ROWS
from airyoke.quantities.rows_policy import ASSUMPTION_ROWS, LIMIT_ROWS, POLICY_ROWS

QUANTITIES: Final[tuple[Quantity, ...]] = (
    *READING_ROWS,
    *LUNG_ROWS,
    *PREDICTED_ROWS,
    *SETTING_ROWS,
    *MACHINE_ROWS,
    *VENTILATOR_ROWS,
    *STOCK_ROWS,
    *LIMIT_ROWS,
    *POLICY_ROWS,
    *ASSUMPTION_ROWS,
)
"""Every quantity, each key once."""

_BY_KEY: Final = MappingProxyType({row.key: row for row in QUANTITIES})


def quantity(key: str) -> Quantity:
    """The row of that key. Raises ``KeyError`` with the nearest key where there is none."""
    try:
        return _BY_KEY[key]
    except KeyError:
        near = did_you_mean(key, _BY_KEY)
        raise KeyError(f"no quantity {key!r}" + (f"; did you mean {near!r}?" if near else "")) from None


def is_quantity(key: str) -> bool:
    """Whether the dictionary has a row of that key."""
    return key in _BY_KEY


def did_you_mean(word: str, choices: Iterable[str]) -> str | None:
    """The choice that looks most like ``word``, or ``None`` where none is near enough to suggest."""
    folded = {choice.casefold(): choice for choice in choices}
    near = difflib.get_close_matches(word.strip().casefold(), list(folded), n=1, cutoff=0.6)
    return folded[near[0]] if near else None


def value_finding(row: Quantity, value: float) -> Finding | None:
    """What is to be said about one typed value by itself, in the unit of the quantity; ``None`` = nothing.

    Ids: ``STEM-unit`` where the value looks typed in another unit, else ``STEM-out-of-range`` (refused) or
    ``STEM-unusual`` (ask), STEM being the key without its unit. The caller adds where it stands.
    """
    level = row.level(value)
    if level is None:
        return None
    stem, shown = row.finding_stem, row.words(value)
    bounds = row.refuse if level == "refused" else row.ask
    word = "possible" if level == "refused" else "usual"
    reason = f"{row.symbol} {shown} is outside what is {word} ({bounds.words(row.unit)})"
    if row.integer and row.refuse.holds(value):
        reason = f"{row.symbol} must be a whole number, not {value:g}"
    slip = _slip_words(row, value)
    if slip is not None:
        return Finding(id=f"{stem}-unit", level=level, reason=reason, remedy=slip, value=value)
    unit = f" in {row.unit}" if row.unit else ""
    if level == "refused":
        return Finding(f"{stem}-out-of-range", level, reason, f"read it again and type it{unit}", value=value)
    remedy = f"read it again. If it is right{unit}, confirm {stem}-unusual"
    return Finding(f"{stem}-unusual", level, reason, remedy, value=value)


def _slip_words(row: Quantity, value: float) -> str | None:
    if row.key == "height_cm" and 4.0 <= value < 7.0:
        return "was it typed in feet.inches? Measure again and type it in cm"
    likely = row.likely_unit(value)
    if likely is None:
        return None
    unit, meant = likely
    name = {"": "a fraction", "%": "per cent", "in": "inches", "m": "metres", "L": "litres"}.get(unit, unit)
    column = next((header for header, other in row.columns().items() if other == unit), None)
    other_way = f", or name the column {column}" if column else ""
    target = f"type it in {row.unit}" if row.unit else "type it as a fraction"
    meant_words = f"{meant:.4g} {row.unit}".rstrip()
    return f"was it typed in {name}? That would be {meant_words}: {target}{other_way}"
