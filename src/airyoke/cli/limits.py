"""`airyoke limits`."""

from __future__ import annotations

from airyoke.cli.notes import cautions_part
from airyoke.cli.page import Column, Page, page_for_stdout, print_page
from airyoke.cli.run import EXIT_DONE
from airyoke.contract.limits_answer import DefaultRow, LimitsAnswer
from airyoke.contract.words import plain
from airyoke.quantities.cautions import STANDING


def limits_command(*, as_json: bool) -> int:
    """Print what the tool holds everybody to."""
    answer = LimitsAnswer.default()
    if as_json:
        print(answer.json_text())
        return EXIT_DONE
    page = page_for_stdout()
    limits_page(page, answer)
    print_page(page)
    return EXIT_DONE


def limits_page(page: Page, answer: LimitsAnswer) -> None:
    """Limits, conditions, policy, assumptions, ventilator defaults."""
    page.title("Limits and defaults")
    page.text(
        "A policy sheet changes a target by its name, a hard bound by the name with _hard. A margin is the "
        "distance to the bound divided by the scale: 1 is a comfortable distance."
    )
    page.heading("Limits")
    sources = list(dict.fromkeys(part for one in answer.limits for part in _parts(one.source)))
    page.table(
        [
            Column("name"),
            Column("side"),
            Column("target", right=True),
            Column("hard", right=True),
            Column("scale", right=True),
            Column("unit"),
            Column("of", wrap=False),
            Column("source"),
        ],
        [
            [
                one.policy_name,
                one.side,
                plain(round(one.target, 3)),
                "none" if one.hard is None else plain(one.hard),
                plain(one.scale),
                one.unit,
                one.applies_to,
                _source_numbers(one.source, sources),
            ]
            for one in answer.limits
        ],
    )
    page.blank()
    page.text("Of: each patient; the shared settings; a pair's present values; entry (a decision); the search.", 2)
    for i, source in enumerate(sources, start=1):
        page.text(f"{i}  {source}", 2, 5)
    page.text("Hard bounds: judgement, no source.", 2)
    page.heading("Conditions that bear on sharing (column conditions; a policy row with the id changes the rule)")
    page.table(
        [Column("id"), Column("rule"), Column("meaning", wrap=True)],
        [
            [one.id, one.rule, one.text + (" Equal in a group." if one.must_match else "")]
            for one in answer.conditions
            if one.written
        ],
    )
    page.blank()
    page.text("Found from the readings, nobody writes them:", 2)
    page.table(
        [Column("id"), Column("rule"), Column("meaning", wrap=True)],
        [[one.id, one.rule, one.text] for one in answer.conditions if not one.written],
    )
    page.text("never: stays alone. ask: somebody decides, and the plan says so. allow: of no consequence.", 2)
    _defaults(page, "Policy where the sheet says nothing", answer.policy)
    _defaults(page, "Spreads and defaults of estimates (judgements)", answer.assumptions)
    _defaults(page, "A ventilator where its cell is empty", answer.ventilator_defaults)
    cautions_part(page, STANDING)


def _parts(source: str) -> list[str]:
    """A source may name several: "ARDS Network, N Engl J Med 2000;342:1301; ATS/ESICM/SCCM, …"."""
    return source.split("; ")


def _source_numbers(source: str, sources: list[str]) -> str:
    return ", ".join(str(sources.index(part) + 1) for part in _parts(source))


def _defaults(page: Page, title: str, rows: list[DefaultRow]) -> None:
    page.heading(title)
    page.table(
        [Column("name"), Column("value", right=True), Column("unit"), Column("meaning", wrap=True)],
        [
            [one.name, one.value if isinstance(one.value, str) else plain(one.value), one.unit, one.meaning]
            for one in rows
        ],
    )
