"""A finding: something in what was typed that is refused, asked again, or worth a note."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["refused", "ask", "note"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding, in the shape that the contract fixes.

    ``level``: ``refused`` cannot be used · ``ask`` used as typed, stands until a person confirms its ``id`` ·
    ``note`` worth knowing. ``row`` is the row as a person sees it in the sheet (the header is row 1).
    ``reason`` says what is wrong in plain words, ``remedy`` what to do next.
    """

    id: str
    level: Level
    reason: str
    remedy: str
    file: str | None = None
    sheet: str | None = None
    row: int | None = None
    column: str | None = None
    bed: str | None = None
    value: str | float | None = None
