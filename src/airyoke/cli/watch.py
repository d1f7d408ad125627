"""`airyoke watch CASE`: the readings of a running group, who most likely changed, what to read next. No sums here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from airyoke.cli.lanes import lane_mark
from airyoke.cli.notes import assumed_part, cautions_part
from airyoke.cli.page import Column, Page, Span, page_for_stdout, print_page
from airyoke.cli.predict import domain_case
from airyoke.cli.progress import engine_notice
from airyoke.cli.run import EXIT_DONE
from airyoke.cli.times import now_from
from airyoke.contract.case_domain import DomainCase
from airyoke.contract.watch_answer import WatchAnswer
from airyoke.contract.watch_forms import UNTIMED_MIN, TypedRounds, typed_rounds
from airyoke.contract.watch_words import (
    amount_read_words,
    cost_words,
    drift_words,
    expected_words,
    rule_words,
    shown_suspects,
    summary_words,
    watch_cautions,
    way_words,
    who_words,
)
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import Caution
from airyoke.watch.expected import WatchedGroup, watch_group
from airyoke.watch.hypotheses import LANES
from airyoke.watch.suspicion import Suspicion, suspect
from airyoke.watch.watch_readings import BY_KEY, READABLES, check_rounds


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed beside the case."""

    baseline: Sequence[str] = ()
    read: Sequence[str] = ()
    settled_at: str | None = None
    now: str | None = None


def watch_command(source: str | None, asked: Asked, *, as_json: bool, seed: int) -> int:
    """Judge the readings of a group. 0; a bad case or a reading that cannot be raises ``Refused``."""
    if source is None:
        remedy = "give a JSON file, or - for stdin; --names lists what can be read"
        raise Refused((Finding("command-line", "refused", "no CASE is given", remedy),))
    case = domain_case(source)
    settled_at = None if asked.settled_at is None else _moment(asked.settled_at)
    typed = typed_rounds(asked.baseline, asked.read, [one.label for one in case.patients], settled_at)
    now_minutes = None
    if settled_at is not None:
        now_minutes = (now_from(asked.now) - settled_at).total_seconds() / 60.0
    # Before the engine is asked: what is mistyped is told at once.
    check_rounds(typed.baseline, typed.rounds, len(case.patients), now_minutes)
    with engine_notice():
        watched = _watched(case, seed)
        said = suspect(watched, typed.baseline, typed.rounds)
    cautions = watch_cautions(
        len(case.patients), typical_parts=case.build.resistance_relative_sd > 0.0,
        baseline=bool(typed.baseline.readings),
    )  # fmt: skip
    if as_json:
        answer = WatchAnswer.of(said, watched, typed.baseline, typed.rounds, case.assumed, cautions, case.findings)
        print(answer.json_text())
        return EXIT_DONE
    page = page_for_stdout()
    notes = tuple(Caution(f.id, f"{f.column}: {f.reason}; {f.remedy}") for f in case.findings)
    watch_page(page, case, watched, typed, said, (*cautions, *notes))
    print_page(page)
    return EXIT_DONE


def names_command() -> int:
    """What can be read, and how it is typed."""
    page = page_for_stdout()
    page.title("What --read and --baseline take")
    columns = [Column("type"), Column("of"), Column("unit"), Column("what", wrap=True)]
    rows = [[one.short[0], one.whose, one.unit if one.kind == "number" else one.kind, one.words] for one in READABLES]
    page.table(columns, rows)
    print_page(page)
    return EXIT_DONE


def watch_page(
    page: Page, case: DomainCase, watched: WatchedGroup, typed: TypedRounds, said: Suspicion,
    cautions: Sequence[Caution],
) -> None:  # fmt: skip
    """Readings, suspicion, what to read next, drifts, cautions."""
    number = len(case.patients)
    people = "1 patient" if number == 1 else f"{number} patients"
    page.title(f"Watch: {people}, circuit {case.build.name}, {said.minutes:g} min after the baseline")
    for letter, patient in zip(LANES, case.patients, strict=False):
        page.line("  ", Span(page.spelled(lane_mark(letter)), "strong"), Span(f"  {page.spelled(patient.label)}"))
    page.blank()
    page.text(summary_words(said))
    if typed.untimed:
        page.text(f"Readings without a time are taken as read {UNTIMED_MIN:g} min after the baseline; @15 before a "
                  "reading says when.")  # fmt: skip
    _readings(page, said)
    _suspects(page, said)
    _next(page, said)
    drifting = [one for one in said.drifts if one.told]
    if drifting:
        page.part("Slow drifts")
        for one in drifting:
            page.item(drift_words(one))
    if watched.not_computed:
        page.part("Not judged: their breaths never settled")
        for hypothesis in watched.not_computed:
            page.item(hypothesis.words)
    assumed_part(page, case.assumed)
    cautions_part(page, cautions)


def _readings(page: Page, said: Suspicion) -> None:
    if not said.compared:
        return
    page.part("Read last, and where it should lie if nothing has changed")
    rows = [
        [
            who_words(one.reading.lane), BY_KEY[one.reading.key].words,
            amount_read_words(one.reading.key, one.reading.value),
            expected_words(one), "" if one.inside else "off", rule_words(one),
        ]
        for one in said.compared
    ]  # fmt: skip
    heads = ("of", "what", "read", "should be", "", "rule")
    page.table([Column(head, wrap=head in ("what", "rule")) for head in heads], rows)
    for reading in said.not_counted:
        page.text(f"Not counted, as it says nothing more: {BY_KEY[reading.key].words}.", 2)


def _suspects(page: Page, said: Suspicion) -> None:
    page.part("Suspicion")
    columns = [Column("", right=True), Column("what", wrap=True), Column("began at")]
    page.table(columns, [list(row) for row in shown_suspects(said)])


def _next(page: Page, said: Suspicion) -> None:
    if not said.next_readings:
        page.part("Read next")
        page.text("Nothing that could be read now would tell much more: go on with the rounds.", 2)
        return
    first, *others = said.next_readings
    page.part(f"Read next: {way_words(first)} ({cost_words(first)})")
    for number, step in enumerate(first.steps, start=1):
        page.text(f"{number}. {step}", 2, 3)
    if others:
        page.text("Else, cheapest first:", 2)
        for one in others:
            page.item(f"{way_words(one)} ({cost_words(one)})", 4)


def _moment(text: str) -> datetime:
    try:
        return now_from(text)
    except Refused:
        reason, remedy = f"--settled-at {text!r} is no time", "write it like 2026-01-31T14:30"
        raise Refused((Finding("settled-at-form", "refused", reason, remedy, column="--settled-at"),)) from None


def _watched(case: DomainCase, seed: int) -> WatchedGroup:
    try:
        return watch_group(case.patients, case.build, case.settings, seed=seed, structural=case.structural)
    except ArithmeticError as error:
        remedy = "ask `airyoke predict` what is wrong with the case"
        raise Refused((Finding("watch-no-breath", "refused", str(error), remedy),)) from None
