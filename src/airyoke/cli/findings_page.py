"""Findings for people: what is refused, what is asked again, what is worth a note."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from airyoke.cli.page import Page
from airyoke.cli.run import where_words
from airyoke.quantities import Finding

_HEADINGS: Final = {
    "refused": "Refused: cannot be used",
    "ask": "Asked again: used as typed, until a person confirms the id",
    "note": "Worth knowing",
}


def findings_part(page: Page, findings: Sequence[Finding]) -> None:
    """All findings, the gravest first; files are left out where there is only one."""
    if not findings:
        return
    page.part(f"Findings: {counts_words(findings)}")
    one_file = len({finding.file for finding in findings if finding.file}) <= 1
    for level, heading in _HEADINGS.items():
        of_level = [finding for finding in findings if finding.level == level]
        if not of_level:
            continue
        page.blank()
        page.text(heading, 2, style="strong")
        for finding in of_level:
            words = where_words(finding)
            if one_file and finding.file:
                words = words[1:]
            where = f"{' '.join(words)}: " if words else ""
            remedy = finding.remedy.rstrip(".")
            page.item(f"{where}{finding.reason.rstrip('.')}. {remedy[0].upper()}{remedy[1:]}. [{finding.id}]", 4)


def counts_words(findings: Sequence[Finding]) -> str:
    """``2 refused, 3 asked, 1 note``; ``nothing`` where there is none."""
    levels = [finding.level for finding in findings]
    words = [
        f"{levels.count('refused')} refused" if "refused" in levels else "",
        f"{levels.count('ask')} asked again" if "ask" in levels else "",
        f"{levels.count('note')} to know" if "note" in levels else "",
    ]
    return ", ".join(word for word in words if word) or "nothing"
