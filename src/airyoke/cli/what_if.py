"""`airyoke predict CASE --change …`: before and after, side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from airyoke.cli.lanes import SHOWN, lane_mark
from airyoke.cli.notes import assumed_part, cautions_part, not_computed_part
from airyoke.cli.page import Column, Page, page_for_stdout, print_page
from airyoke.contract.change_forms import FORMS, change_words
from airyoke.contract.dials import dial_list
from airyoke.contract.standing import binding_words, standing, verdict_words
from airyoke.contract.what_if_answer import FormsAnswer
from airyoke.contract.words import name_words, number_words, unit_words
from airyoke.limits.answer import Figure
from airyoke.limits.policy import Policy
from airyoke.plan.plan import Alarm
from airyoke.plan.what_if import Moved, Predicted, WhatIf
from airyoke.quantities.cautions import Caution

_LEFT_OUT: Final = frozenset({"intrinsic_peep_cmh2o"})


def forms_command(*, as_json: bool) -> int:
    """Print every form of a change."""
    if as_json:
        print(FormsAnswer.make().json_text())
        return 0
    page = page_for_stdout()
    page.title("What can be asked with --change")
    page.text(
        "A sign makes a step of the number, no sign the new value. Labels with spaces stand in quotation marks. "
        "Several --change are made one after the other."
    )
    page.blank()
    page.table([Column("for example"), Column("", wrap=True)], [[one.example, one.meaning] for one in FORMS])
    print_page(page)
    return 0


def what_if_page(page: Page, answer: WhatIf, notes: tuple[Caution, ...]) -> None:
    """Before and after."""
    policy = answer.before.question.policy
    before, after = answer.before.answer, answer.after.answer
    number = len(before.patients)
    page.title(f"What if: {'1 patient' if number == 1 else f'{number} patients'}, circuit {before.build}")
    for change in answer.changes:
        page.item(change_words(change))
    page.blank()
    for word, side in (("Before", before), ("After", after)):
        page.text(f"{word}: {_small(verdict_words(side, policy, 'lungs as written in the case'))}", hang=2)
        binding = binding_words(side)
        if binding is not None:
            page.text(f"Binding limit: {binding}.", 8)
    page.text(
        f"Judged by the {after.judge}: {after.draws} draws, seed {after.seed}, the same before and after; ranges are "
        "5-95 %. The change is that of each draw, so its range is not the difference of the ranges."
    )
    both_sides_part(page, answer)
    assumed_part(page, (*before.assumed, *after.assumed))
    not_computed_part(page, tuple(dict.fromkeys((*before.not_computed, *after.not_computed))))
    cautions_part(page, (*dict.fromkeys((*before.cautions, *after.cautions)), *notes))


def both_sides_part(page: Page, answer: WhatIf) -> None:
    """Settings, patients, what the machine shows and alarm limits, before and after."""
    before, after = answer.before.answer.settings, answer.after.answer.settings
    page.heading("Settings")
    page.table(
        [Column(""), Column("before", right=True), Column("after", right=True), Column("")],
        [[dial.name, dial.now[0], dial.new, dial.unit] for dial in dial_list((before,), after, None)],
    )
    page.heading("What each patient gets")
    _patients(page, answer, answer.before.question.policy)
    _ventilator(page, answer)
    _alarms(page, answer)


def _small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _patients(page: Page, answer: WhatIf, policy: Policy) -> None:
    by_patient: dict[str, list[Moved]] = {}
    for one in answer.moved:
        by_patient.setdefault(one.patient, []).append(one)
    for label, moved in by_patient.items():
        page.blank()
        page.text(f"{_mark(answer.before, label)}  patient {label}{_comes_or_goes(moved)}", 2, style="strong")
        rows = [_row(one, policy) for name in SHOWN for one in moved if one.quantity == name and _is_shown(one, policy)]
        page.table(
            [Column(""), Column("before", right=True), Column("after (5-95 %)"), Column("change (5-95 %)"),
             Column(""), Column("")],
            rows, 4,
        )  # fmt: skip


def _mark(side: Predicted, label: str) -> str:
    lanes = [one.lane for one in side.answer.patients if one.label == label]
    return lane_mark(lanes[0]) if lanes else "new"


def _comes_or_goes(moved: Sequence[Moved]) -> str:
    if all(one.after is None for one in moved):
        return ", taken off"
    return ", comes in" if all(one.before is None for one in moved) else ""


def _is_shown(one: Moved, policy: Policy) -> bool:
    states = (_state(one, one.before, policy), _state(one, one.after, policy))
    return one.quantity not in _LEFT_OUT or "outside" in states


def _state(one: Moved, figure: Figure | None, policy: Policy) -> str:
    if figure is None:
        return ""
    where = standing(one.quantity, figure, policy)
    return "" if where is None else where.state


def _row(one: Moved, policy: Policy) -> list[str]:
    unit = unit_words(one.quantity)
    before = None if one.before is None else one.before.value
    states = [_state(one, one.before, policy), _state(one, one.after, policy)]
    return [
        name_words(one.quantity), number_words(before, unit), _ranged(one.after, unit, number_words),
        _ranged(one.change, unit, _signed), unit, " → ".join(state for state in dict.fromkeys(states) if state),
    ]  # fmt: skip


def _ranged(figure: Figure | None, unit: str, words: Callable[[float | None, str], str]) -> str:
    if figure is None or figure.value is None:
        return "-"
    value = words(figure.value, unit)
    if figure.low is None or figure.high is None:
        return value
    return f"{value} ({words(figure.low, unit)} to {words(figure.high, unit)})"


def _signed(value: float | None, unit: str) -> str:
    words = number_words(value, unit)
    return words if value is None or words.startswith("-") or not words.strip("0.") else f"+{words}"


def _ventilator(page: Page, answer: WhatIf) -> None:
    rows = []
    for name, after in answer.after.answer.ventilator.items():
        before = answer.before.answer.ventilator.get(name, Figure(None))
        unit = unit_words(name)
        if after.value is not None or before.value is not None:
            rows.append([name_words(name), number_words(before.value, unit), number_words(after.value, unit), unit])
    if not rows:
        return
    page.heading("The ventilator should show")
    page.table([Column(""), Column("before", right=True), Column("after", right=True), Column("")], rows)
    if len(answer.after.answer.patients) > 1:
        page.text("A hold on a shared circuit is nobody's plateau or total PEEP.", 2)


def _alarms(page: Page, answer: WhatIf) -> None:
    """Alarm limits that must be set again with the change."""
    before = {one.name: one for one in answer.before.alarms}
    other = [one for one in answer.after.alarms if _bounds(one) != _bounds(before.get(one.name))]
    if not other:
        return
    page.heading("Alarm limits to set again")
    page.table(
        [Column(""), Column("before", right=True), Column("after", right=True), Column(""), Column("why", wrap=True)],
        [[one.name.replace("_", " "), _bounds(before.get(one.name)), _bounds(one), one.unit, one.why] for one in other],
    )


def _bounds(alarm: Alarm | None) -> str:
    if alarm is None:
        return "-"
    low = "" if alarm.low is None else f"{alarm.low:g}"
    high = "" if alarm.high is None else f"{alarm.high:g}"
    return f"{low or 'none'} to {high}" if high else f"from {low}"
