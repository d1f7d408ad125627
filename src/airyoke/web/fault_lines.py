"""The faults of a group as a page shows them: words and numbers only, made where the engine is."""

from __future__ import annotations

from dataclasses import dataclass

from airyoke.contract.fault_words import (
    IN_FULL,
    STANDING_WORDS,
    alarm_words,
    alike,
    best_words,
    brief_words,
    card_words,
    harms_words,
    limit_words,
    outside_words,
    summary_words,
    without_letter,
    worth_words,
)
from airyoke.contract.words import number_words
from airyoke.faults.catalogue import LANES
from airyoke.faults.report import STANDINGS, FaultFinding, FaultReport


@dataclass(frozen=True, slots=True)
class FaultLine:
    """One fault, in one lane or alike in several: lanes, what it is, whom it hurts, what tells, what to watch."""

    lanes: tuple[str, ...]
    what: str
    priority: str
    hurt: str
    alarm: str
    best: str
    watch: str
    source: str


@dataclass(frozen=True, slots=True)
class FaultPart:
    """Faults that stand alike with the alarms."""

    standing: str
    words: str
    opened: bool
    lines: tuple[FaultLine, ...]


@dataclass(frozen=True, slots=True)
class FaultLines:
    """Everything on the page; ``limits``: name, should show, as dialled, usual for one patient, best, unit."""

    summary: str
    outside: str | None
    parts: tuple[FaultPart, ...]
    card: tuple[str, ...]
    limits: tuple[tuple[str, str, str, str, str, str], ...]
    worth: tuple[str, ...]
    draws: int
    seed: int


def fault_lines(report: FaultReport) -> FaultLines:
    """The report in words."""
    parts = []
    for standing in STANDINGS:
        findings = [one for one in report.findings if one.standing == standing]
        if findings:
            lines = tuple(_line(same, standing) for same in alike(findings))
            parts.append(FaultPart(standing, STANDING_WORDS[standing], standing in IN_FULL, lines))
    rows = [one for one in report.alarms.rows if any(v is not None for v in (one.planned, one.usual, one.best))]
    return FaultLines(
        summary_words(report),
        outside_words(report),
        tuple(parts),
        card_words(report.card),
        tuple(
            (limit_words(row.name, row.side), number_words(row.expected, row.unit), number_words(row.planned, row.unit),
             number_words(row.usual, row.unit), number_words(row.best, row.unit), row.unit)
            for row in rows
        ),
        worth_words(report.alarms),
        report.draws,
        report.seed,
    )  # fmt: skip


def _line(same: list[FaultFinding], standing: str) -> FaultLine:
    first = same[0]
    fault = first.run.fault
    lanes = tuple(LANES[one.run.fault.lane] for one in same if one.run.fault.lane is not None)
    if len(same) == 1:
        hurt = harms_words(first)
    else:
        hurt = "; ".join(words for one in same if (words := brief_words(one))) or "nobody within the stated bounds"
        hurt += f"; {fault.reasoned.words} (not from the engine)" if fault.reasoned is not None else ""
    tells = "; ".join(dict.fromkeys(alarm_words(one.verdict) for one in same))
    alarm = "none to rely on" if standing == "silent" else tells
    return FaultLine(
        lanes, without_letter(fault.words, fault), first.priority or "", hurt, alarm,
        best_words([one.best_caught for one in same]) or "", without_letter(fault.monitor, fault), fault.source,
    )  # fmt: skip
