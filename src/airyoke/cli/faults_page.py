"""The page of a group's faults: silent and harmful ones first, then what an alarm tells; and the card. No sums here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from airyoke.cli.lanes import lane_mark
from airyoke.cli.notes import assumed_part, cautions_part
from airyoke.cli.page import Column, Page, Span
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
    patients_words,
    summary_words,
    without_letter,
    worth_words,
)
from airyoke.contract.words import number_words
from airyoke.faults.catalogue import LANES
from airyoke.faults.report import STANDINGS, FaultFinding, FaultReport
from airyoke.limits.answer import Assumed
from airyoke.quantities.cautions import Caution

_INDENT: Final = 10


def faults_page(
    page: Page,
    report: FaultReport,
    findings: Sequence[FaultFinding],
    assumed: Sequence[Assumed],
    cautions: Sequence[Caution],
    *,
    one: bool,
) -> None:
    """The whole list, or ``one`` fault of it in full."""
    _title(page, report, "Fault" if one else "Faults")
    if one:
        for finding in findings:
            page.blank()
            _in_full(page, finding)
            page.text(f"State: {STANDING_WORDS[finding.standing]}. Source: {finding.run.fault.source}.", _INDENT)
    else:
        page.text(summary_words(report))
        outside = outside_words(report)
        if outside is not None:
            page.text(outside)
        for standing in STANDINGS:
            _part(page, standing, [finding for finding in findings if finding.standing == standing])
        _alarms(page, report)
        _card(page, report)
    assumed_part(page, assumed)
    cautions_part(page, cautions)


def card_page(page: Page, report: FaultReport, cautions: Sequence[Caution]) -> None:
    """The card alone, to hang at the ventilator."""
    _title(page, report, "Fault card")
    for line in card_words(report.card):
        page.text(line, 0, 3)
    cautions_part(page, cautions)


def _title(page: Page, report: FaultReport, what: str) -> None:
    number = len(report.patients)
    people = "1 patient" if number == 1 else f"{number} patients"
    mode = "pressure control" if report.settings.mode == "pc" else "volume control"
    page.title(f"{what}: {people}, circuit {report.build}, {mode}")
    for letter, words in zip(LANES, patients_words(report), strict=False):
        page.line("  ", Span(page.spelled(lane_mark(letter)), "strong"), Span(f"  {page.spelled(words)}"))
    page.blank()


def _part(page: Page, standing: str, findings: Sequence[FaultFinding]) -> None:
    if not findings:
        return
    page.part(f"{STANDING_WORDS[standing]} ({len(findings)})")
    if standing in IN_FULL:
        for same in alike(findings):
            if len(same) == 1:
                _in_full(page, same[0])
            else:
                _together(page, same)
        return
    if standing == "told":
        rows = [
            [same[0].priority or "", _named(same), _alarm_of(same), "; ".join(brief_words(one) for one in same)]
            for same in alike(findings)
        ]
        heads = ("", "fault", "alarm", "hurt; SpO2 under 85 % after")
        page.table([Column(head, wrap=i > 0) for i, head in enumerate(heads)], rows)
        return
    names = (f"{_lanes(same)} {without_letter(same[0].run.fault.words, same[0].run.fault)}" for same in alike(findings))
    for name in names:
        page.item(name.strip())


def _lanes(same: Sequence[FaultFinding]) -> str:
    lanes = [one.run.fault.lane for one in same]
    letters = ", ".join(LANES[lane] for lane in lanes if lane is not None)
    return f"{letters}:" if letters else ""


def _named(same: Sequence[FaultFinding]) -> str:
    fault = same[0].run.fault
    if len(same) == 1:
        return fault.words
    return f"{_lanes(same)} {without_letter(fault.words, fault)}"


def _alarm_of(same: Sequence[FaultFinding]) -> str:
    return "; ".join(dict.fromkeys(alarm_words(one.verdict) for one in same))


def _together(page: Page, same: Sequence[FaultFinding]) -> None:
    fault = same[0].run.fault
    page.text(f"{same[0].priority or '':<8}{_named(same)}  [{fault.id.rsplit('.', 1)[0]}]", 2, _INDENT)
    hurt = "; ".join(words for one in same if (words := brief_words(one)))
    if fault.reasoned is not None:
        hurt = "; ".join(one for one in (hurt, f"{fault.reasoned.words} (not from the engine)") if one)
    page.text(f"Hurt: {hurt}.", _INDENT, _INDENT + 2)
    said = [] if same[0].standing == "silent" else [f"Alarm: {_alarm_of(same)}"]
    best = best_words([one.best_caught for one in same])
    watch = without_letter(fault.monitor, fault)
    page.text(". ".join((*said, *([best] if best else []), f"Watch: {watch}")) + ".", _INDENT, _INDENT + 2)


def _in_full(page: Page, finding: FaultFinding) -> None:
    fault = finding.run.fault
    page.text(f"{finding.priority or '':<8}{fault.words}  [{fault.id}]", 2, _INDENT)
    page.text(f"Hurt: {harms_words(finding)}.", _INDENT, _INDENT + 2)
    alarm = [] if finding.standing == "silent" else [f"Alarm: {alarm_words(finding.verdict)}"]
    best = best_words([finding.best_caught])
    page.text(". ".join((*alarm, *([best] if best else []), f"Watch: {fault.monitor}")) + ".", _INDENT, _INDENT + 2)


def _alarms(page: Page, report: FaultReport) -> None:
    page.part("Alarm limits of the shared ventilator")
    rows = [
        [limit_words(row.name, row.side), number_words(row.expected, row.unit),
         *(number_words(value, row.unit) for value in (row.planned, row.usual, row.best)), row.unit]
        for row in report.alarms.rows
        if any(value is not None for value in (row.planned, row.usual, row.best))
    ]  # fmt: skip
    heads = ("", "should show", "as dialled", "one patient", "best", "")
    page.table([Column(head, right=0 < i < len(heads) - 1) for i, head in enumerate(heads)], rows)
    for words in worth_words(report.alarms):
        page.item(words)


def _card(page: Page, report: FaultReport) -> None:
    page.part("Fault card")
    for line in card_words(report.card):
        page.text(line, 2, 5)
