"""`airyoke verify`."""

from __future__ import annotations

import textwrap
from typing import Final

from airyoke.cli.notes import cautions_part
from airyoke.cli.page import Page, Span, padded, page_for_stdout, print_page
from airyoke.cli.progress import Progress
from airyoke.cli.run import EXIT_DONE, EXIT_NOT_SOLVED
from airyoke.contract.verify_answer import CheckRow, VerifyAnswer
from airyoke.quantities.cautions import STANDING
from airyoke.verify.proof import markdown
from airyoke.verify.table import answer_of, run_checks
from airyoke.verify.words import KIND_TITLES, allowed_words, difference_words, number_words, summary_words

_VERDICTS: Final = {"pass": "holds", "fail": "FAILS", "not run": "not run"}
_VERDICT_WIDTH: Final = 7
_NUMBER_WIDTH: Final = 8
_SOURCE_WIDTH: Final = 2


def verify_command(*, as_json: bool, as_markdown: bool, every: bool) -> int:
    """Make the checks and print them. 0 all hold, 1 one fails (with ``every`` also: one could not be run)."""
    progress = Progress()
    try:
        answer = answer_of(run_checks(progress=progress))
    finally:
        progress.clear()
    if as_json:
        print(answer.json_text())
    elif as_markdown:
        print(markdown(answer), end="")
    else:
        page = page_for_stdout()
        verify_page(page, answer)
        print_page(page)
    incomplete = every and answer.counts.not_run > 0
    return EXIT_NOT_SOLVED if answer.outcome == "some_fail" or incomplete else EXIT_DONE


def verify_page(page: Page, answer: VerifyAnswer) -> None:
    """Counts, what failed, every kind with its rows, what the table does not show, sources."""
    counts = answer.counts
    page.title("Checks against sources outside the project")
    page.text(summary_words(counts.passed, counts.failed, counts.not_run, counts.fitted), style="strong")
    page.text(
        "A check holds where what came out is no further from what is expected than is allowed. Where it has several "
        "values, the one nearest to failing is shown; --json has all of them. A set-up holds until another is named. "
        "The last column is the source."
    )
    for row in answer.checks:
        if row.counts and row.verdict == "fail":
            page.item(f"FAILS: {row.what} [{row.id}]")
    sources = list(dict.fromkeys(row.source for row in answer.checks))
    for kind, (title, note) in KIND_TITLES.items():
        rows = [row for row in answer.checks if row.kind == kind]
        if not rows:
            continue
        page.part(title)
        page.text(note, 2, style="quiet")
        _heading(page)
        said = ""
        for row in rows:
            _row(page, row, sources.index(row.source) + 1, "" if row.setup == said else row.setup)
            said = row.setup
    page.part("What this does not show")
    for limit in answer.limits_of_truth:
        page.item(limit.text)
    page.part("Sources")
    for i, source in enumerate(sources, start=1):
        page.text(f"{i:>2}  {source}", 2, 6)
    page.blank()
    tools = ", ".join(f"{one.name} {one.version or 'not installed'}" for one in answer.tools)
    page.text(f"Outside tools: {tools}.", 2)
    cautions_part(page, STANDING)


def _what_width(page: Page) -> int:
    return page.width - 2 - _VERDICT_WIDTH - 2 - 4 * (_NUMBER_WIDTH + 2) - _SOURCE_WIDTH - 2


def _heading(page: Page) -> None:
    numbers = "  ".join(padded(word, _NUMBER_WIDTH, right=True) for word in ("expected", "got", "off by", "allowed"))
    page.line(Span(f"  {padded('', _VERDICT_WIDTH)}  {padded('', _what_width(page))}  {numbers}", "quiet"))


def _row(page: Page, row: CheckRow, source: int, setup: str) -> None:
    shown = row.values[row.worst] if row.worst is not None else None
    label = shown.label if shown is not None and shown.label else row.unit
    what = page.spelled(f"{row.what}{f' ({label})' if label else ''}")
    words = textwrap.wrap(what, _what_width(page), break_on_hyphens=False)
    verdict = _VERDICTS[row.verdict] if row.counts else "fitted"
    cells = ["-", "-", "", ""]
    if shown is not None:
        cells = [number_words(shown.expected), number_words(shown.got), difference_words(row), allowed_words(row)]
    numbers = "  ".join(padded(cell, _NUMBER_WIDTH, right=True) for cell in cells)
    page.line(
        "  ",
        Span(padded(verdict, _VERDICT_WIDTH), "" if row.verdict == "pass" else "strong"),
        f"  {padded(words[0], _what_width(page))}  {numbers}  {padded(str(source), _SOURCE_WIDTH, right=True)}",
    )
    indent = 2 + _VERDICT_WIDTH + 2
    for further in words[1:]:
        page.line(" " * indent + further)
    for about in (setup, row.reason):
        if about:
            page.text(about, indent + 2, style="quiet")
