"""The parts that close every page: what was assumed, what could not be computed, cautions."""

from __future__ import annotations

from collections.abc import Sequence

from airyoke.cli.page import Column, Page
from airyoke.contract.words import name_words, plain
from airyoke.limits.answer import Assumed, NotComputed
from airyoke.quantities.cautions import Caution


def assumed_part(page: Page, assumed: Sequence[Assumed], who: str = "") -> None:
    """Defaults of ours that went in, with why and where they come from."""
    seen: set[tuple[str | None, str]] = set()
    rows = []
    for one in assumed:
        if (one.patient, one.field) in seen:
            continue
        seen.add((one.patient, one.field))
        value = one.value if isinstance(one.value, str) else plain(one.value)
        label = "" if one.patient is None else f"{who}{one.patient}"
        rows.append(
            [label, name_words(one.field), f"{value} {one.unit}".rstrip(), f"{one.why}; {one.source}"]
        )
    if not rows:
        return
    page.heading("Assumed, because it was not read")
    page.table([Column(""), Column(""), Column("", right=True), Column("", wrap=True)], rows)


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
