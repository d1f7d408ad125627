"""The parts that close every page: what was assumed, what could not be computed, cautions."""

from __future__ import annotations

from collections.abc import Sequence

from airyoke.cli.page import Column, Page
from airyoke.contract.words import name_words, number_words
from airyoke.limits.answer import Assumed, NotComputed
from airyoke.quantities.cautions import Caution


def assumed_part(page: Page, assumed: Sequence[Assumed]) -> None:
    """Defaults of ours that went in: one line for each, with whom it stands in for, why, and its source."""
    seen: set[tuple[str | None, str]] = set()
    by_default: dict[tuple[str, str, str], list[Assumed]] = {}
    for one in assumed:
        if (one.patient, one.field) not in seen:
            seen.add((one.patient, one.field))
            by_default.setdefault((one.field, one.why, one.source), []).append(one)
    if not by_default:
        return
    page.part("Assumed, because it was not read")
    rows = []
    for (field, why, source), each in by_default.items():
        reason = source if why in ("not read", "not given") else f"{why.removeprefix('not given: ')}; {source}"
        whose = ", ".join(one.patient for one in each if one.patient is not None)
        rows.append([name_words(field), _values_words(each), whose, reason])
    page.table([Column(""), Column(""), Column("for", wrap=True), Column("what it rests on", wrap=True)], rows)


def _values_words(each: list[Assumed]) -> str:
    numbers = sorted(one.value for one in each if not isinstance(one.value, str))
    unit = each[0].unit
    if not numbers:
        return str(each[0].value)
    low, high = number_words(numbers[0], unit), number_words(numbers[-1], unit)
    return f"{low if low == high else f'{low} to {high}'} {unit}".rstrip()


def not_computed_part(page: Page, missing: Sequence[NotComputed], who: str = "") -> None:
    """What could not be computed, and what would be needed; patients with the same gap share a line."""
    by_gap: dict[tuple[str, str], tuple[list[str], list[str]]] = {}
    for one in missing:
        names, labels = by_gap.setdefault((one.why, one.needs), ([], []))
        names.append(name_words(one.quantity))
        labels.append("the group" if one.patient is None else f"{who}{one.patient}")
    if not by_gap:
        return
    page.heading("Not computed")
    for (why, needs), (names, labels) in by_gap.items():
        what, whose = (", ".join(dict.fromkeys(words)) for words in (names, labels))
        page.item(f"{what} of {whose}: {why}; needs {needs}")


def cautions_part(page: Page, cautions: Sequence[Caution], readings: str | None = None) -> None:
    """The cautions, in the same place on every page, with the time of the readings they stand on."""
    page.heading("Cautions")
    if readings is not None:
        page.item(readings)
    for one in cautions:
        page.item(one.text)
