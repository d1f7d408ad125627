"""`airyoke predict CASE --trim`: the best trim of a group."""

from __future__ import annotations

from typing import Final

from airyoke.cli.notes import assumed_part, cautions_part, not_computed_part
from airyoke.cli.page import Column, Page
from airyoke.cli.what_if import both_sides_part
from airyoke.contract.standing import binding_words, verdict_words
from airyoke.contract.trim_answer import Found, outcome_of
from airyoke.contract.words import name_words, number_words
from airyoke.plan.trim_sensitivity import sensitivity
from airyoke.plan.trim_steps import fitting_words, steps
from airyoke.plan.trims import Proposal, TrimSearch
from airyoke.quantities.cautions import Caution

_OUTCOMES: Final[dict[Found, str]] = {
    "none_needed": "Everybody is inside without a trim. A trim is one more thing that can clog, drift or sit on the "
    "wrong limb: none is proposed.",
    "found": "This trim brings everybody inside the stated limits.",
    "better_but_outside": "The best trim is better than none, but somebody stays outside.",
    "none_helps": "No piece helps: neither a restrictor, nor an in-line PEEP valve, nor added dead space on one or two "
    "limbs, with the drive as it is or moved.",
}


def trim_page(page: Page, found: TrimSearch, notes: tuple[Caution, ...], *, stock_known: bool) -> None:
    """What was found."""
    before = found.before.answer
    policy = found.before.question.policy
    number = len(before.patients)
    page.title(f"Trim: {'1 patient' if number == 1 else f'{number} patients'}, circuit {before.build}")
    page.text(_OUTCOMES[outcome_of(found)])
    pieces = "pieces of the stock" if stock_known else "pieces of the catalogue (no stock was given)"
    if found.tried:
        page.text(f"{found.tried} combinations of {pieces}, limbs and drives were put to the engine.")
    page.text(f"Without a trim: {verdict_words(before, policy, 'lungs as written in the case')}")
    binding = binding_words(before)
    if binding is not None:
        page.text(f"Binding limit: {binding}.")
    for one in found.proposals:
        _proposal(page, one)
    assumed_part(page, before.assumed)
    not_computed_part(page, before.not_computed)
    cautions_part(page, (*before.cautions, *notes))


def _proposal(page: Page, one: Proposal) -> None:
    policy = one.after.question.policy
    kept = one.what_if.before.coupling.settings == one.after.coupling.settings
    page.part("At the present settings" if kept else "With the drive moved as well")
    for fitting in one.fittings:
        page.item(fitting_words(fitting))
    if not one.fittings:
        page.item("no piece: the settings alone do as much")
    page.text(verdict_words(one.after.answer, policy, "lungs as written in the case"))
    binding = binding_words(one.after.answer)
    if binding is not None:
        page.text(f"Binding limit: {binding}.")
    both_sides_part(page, one.what_if)
    if not one.fittings:
        return
    page.heading("What it forgives (at best estimate; a margin below 0 is outside)")
    labels = one.after.coupling.labels
    page.table(
        [Column(""), *(Column(f"VT {label}, mL", right=True) for label in labels), Column("margin", right=True),
         Column("nearest limit", wrap=True)],
        [
            [row.what, *(f"{volume:.0f}" for volume in row.tidal_volumes_ml), number_words(row.margin, ""),
             f"{name_words(row.limit)} of {row.whose or 'the group'}"]
            for row in sensitivity(one)
        ],
    )  # fmt: skip
    page.heading("How it is set")
    for number, step in enumerate(steps(one), 1):
        page.text(f"{number}. {step}", 2, 5)
