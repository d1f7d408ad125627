"""Raw sheets: cells with their place, before anybody asks what they mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final, Literal

from airyoke.quantities import Finding, Refused, did_you_mean

SHEETS: Final = ("beds", "ventilators", "stock", "policy")
EXPLANATION_SHEET: Final = "explanation"

# A ward of a few hundred beds stays far below these; a file built to exhaust memory does not.
MAX_FILE_BYTES: Final = 10 * 1024 * 1024
MAX_CELLS: Final = 200_000


@dataclass(frozen=True, slots=True)
class NoValue:
    """A workbook cell whose value is not known: a formula without a stored result, an error such as a division by
    zero, or a cell that is hidden under a merged one.
    """

    kind: Literal["formula", "error", "merged"]


Cell = str | float | bool | datetime | date | time | timedelta | NoValue | None
"""``None`` = empty. Text is stripped; numbers of a workbook are floats, of a CSV file text."""


@dataclass(frozen=True, slots=True)
class Table:
    """One sheet. ``rows[0]`` is row 1 as a person sees it; ``separator`` is ``None`` for a workbook."""

    sheet: str
    file: str
    rows: tuple[tuple[Cell, ...], ...]
    separator: str | None = None


def refuse(finding_id: str, reason: str, remedy: str, *, file: str, sheet: str | None = None) -> Refused:
    """An error for a file that cannot be read at all."""
    return Refused((Finding(finding_id, "refused", reason, remedy, file=file, sheet=sheet),))


def clean_text(text: str) -> str | None:
    """Text without what nobody sees: outer spaces, no-break and zero-width spaces. ``None`` where nothing is
    left.
    """
    stripped = text.replace("\u00a0", " ").replace("\u200b", "").replace("\ufeff", "").strip()
    return stripped or None


def match_sheet_names(names: Mapping[str, str], file: str) -> tuple[dict[str, str], list[Finding]]:
    """Which sheet of the ward each name is.

    ``names`` maps a sheet name to how its source calls it (a sheet of the workbook, a file of the folder).
    Returns ward sheet -> source and notes about what is ignored. Raises :class:`Refused` for a name that
    looks like a mistyped sheet that is missing, and for a sheet that is there twice.
    """
    found: dict[str, str] = {}
    others: list[str] = []
    for name, source in names.items():
        sheet = name.strip().casefold()
        if sheet in found:
            raise refuse(
                "sheet-twice", f"the sheet {sheet} is there twice", "keep one of them", file=file, sheet=sheet
            )
        if sheet in SHEETS:
            found[sheet] = source
        elif sheet != EXPLANATION_SHEET:
            others.append(name)
    findings: list[Finding] = []
    for name in others:
        near = did_you_mean(name, [sheet for sheet in SHEETS if sheet not in found])
        if near is not None:
            raise refuse(
                "sheet-unknown",
                f"there is no sheet {name!r} in a ward",
                f"did you mean {near}?",
                file=file,
                sheet=name,
            )
        findings.append(
            Finding(
                "sheet-ignored",
                "note",
                f"{name!r} is no sheet of a ward and was not read",
                f"the sheets are {', '.join(SHEETS)}",
                file=file,
                sheet=name,
            )
        )
    for sheet in ("beds", "ventilators"):
        if sheet not in found:
            raise refuse(
                "sheet-missing",
                f"the ward has no sheet {sheet}",
                "start from what `airyoke template` writes",
                file=file,
                sheet=sheet,
            )
    return found, findings
