"""`--why "BED QUANTITY"`: one number down to its inputs."""

from __future__ import annotations

from airyoke.breath.settings import Settings
from airyoke.cli.lanes import figure_words
from airyoke.cli.notes import cautions_part
from airyoke.cli.page import Column, Page, page_for_stdout, print_page
from airyoke.cli.run import EXIT_DONE
from airyoke.contract.answers import NoteAnswer
from airyoke.contract.case_domain import DomainCase
from airyoke.contract.check_answer import EstimateAnswer, InputAnswer
from airyoke.contract.dials import dial_list
from airyoke.contract.why import WhyAnswer, explain, split_path
from airyoke.contract.words import amount_words, name_words, plain, unit_words
from airyoke.limits.answer import Figure, GroupAnswer
from airyoke.lungs.patient import Patient
from airyoke.plan.plan import Plan
from airyoke.quantities.cautions import Caution
from airyoke.ward.candidates import assess_ward
from airyoke.ward.ward import Ward


def explain_case(case: DomainCase, answer: GroupAnswer, path: str, *, as_json: bool) -> int:
    """One number of a prediction."""
    why = explain(answer, case.patients, path)
    return _show(why, answer.settings, f"patient {why.bed}", as_json=as_json)


def explain_plan(ward: Ward, plan: Plan, path: str, *, as_json: bool) -> int:
    """One number of a plan; the bed tells the group."""
    answers = [group.answer for group in plan.groups if group.answer is not None]
    labels = [one.label for answer in answers for one in answer.patients]
    bed, _ = split_path(path, labels)
    answer = next(one for one in answers if bed in [p.label for p in one.patients])
    group = next(one for one in plan.groups if one.answer is answer)
    lungs = tuple(one.lungs for one in assess_ward(ward) if isinstance(one.lungs, Patient))
    read = {one.label: (one.readings.read_at, one.readings.read_by) for one in ward.beds if one.readings is not None}
    why = explain(answer, lungs, path, read=read)
    return _show(why, answer.settings, f"bed {bed} in {group.id} on {group.ventilator}", as_json=as_json)


def _show(why: WhyAnswer, settings: Settings, who: str, *, as_json: bool) -> int:
    if as_json:
        print(why.json_text())
        return EXIT_DONE
    page = page_for_stdout()
    why_page(page, why, settings, who)
    print_page(page)
    return EXIT_DONE


def why_page(page: Page, why: WhyAnswer, settings: Settings, who: str) -> None:
    """The number, its formula and source, the settings, then each estimate with its readings."""
    figure = Figure(why.figure.value, why.figure.low, why.figure.high)
    page.title(f"Why: {name_words(why.quantity)} of {who}")
    page.text(f"{figure_words(figure, why.quantity)}, at best estimate with the 5-95 % range", style="strong")
    page.text(f"Judged by the {why.judge}: {why.draws} draws, seed {why.seed}, circuit {why.build}.")
    page.heading("Formula")
    page.text(f"{why.formula}.", 2)
    for source in why.sources:
        page.text(f"source: {source.text}", 2, 4)
    page.heading("Settings that go in")
    dials = dial_list((), settings, None)
    page.text(", ".join(f"{dial.name} {dial.new} {dial.unit}".rstrip() for dial in dials), 2)
    page.heading("Estimates that go in")
    for estimate in why.estimates:
        _estimate(page, estimate)
    if why.present:
        page.heading("Present state that it starts from")
        page.table(_COLUMNS, [_reading_row(one) for one in why.present])
    page.heading("Read")
    at = "time not given" if why.read_at is None else why.read_at
    page.text(f"{at} by {why.read_by or 'somebody who is not named'}" if why.read_at or why.read_by else "as typed", 2)
    if why.figure.limit is not None:
        limit = why.figure.limit
        page.heading("Nearest limit")
        side = "at least" if limit.side == "low" else "at most"
        bound = amount_words(limit.bound, unit_words(limit.name))
        page.text(f"{name_words(limit.name)} {side} {bound}, margin {limit.margin:.2f}; {limit.source}", 2)
    cautions_part(page, [_caution(one) for one in why.cautions])


def _estimate(page: Page, one: EstimateAnswer) -> None:
    mark = "  (assumed, not read)" if one.assumed else ""
    page.text(
        f"{name_words(one.quantity)} {plain(float(f'{one.value:.3g}'))} {one.unit}".rstrip()
        + f", {_spread(one)}{mark}",
        2,
        4,
    )
    page.text(one.basis, 6)
    if one.inputs:
        page.table(_COLUMNS, [_reading_row(reading) for reading in one.inputs], indent=8)


_COLUMNS = (Column(""), Column("", right=True), Column(""))


def _reading_row(reading: InputAnswer) -> list[str]:
    value = reading.value if isinstance(reading.value, str) else plain(reading.value)
    return [name_words(reading.quantity), value, unit_words(reading.quantity)]


def _spread(one: EstimateAnswer) -> str:
    spread = one.spread
    if spread.kind == "none" or (spread.kind in ("lognormal", "normal") and spread.sd == 0.0):
        return "no spread"
    if spread.kind == "lognormal":
        return f"spread {100 * spread.sd:.0f} % (sd of ln)"
    if spread.kind == "normal":
        return f"spread {plain(spread.sd)} (sd)"
    return f"anywhere from {plain(spread.low or 0.0)} to {plain(spread.high or 0.0)}"


def _caution(one: NoteAnswer) -> Caution:
    return Caution(one.id, one.text)
