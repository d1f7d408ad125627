"""The page of one group: what binds, who gets what, and what that rests on."""

from __future__ import annotations

from airyoke.cli.lanes import BRIEF_HEADINGS, BRIEF_UNITS, brief_row, lane, worst_state
from airyoke.cli.notes import assumed_part, cautions_part, not_computed_part
from airyoke.cli.page import Column, Page, short
from airyoke.contract.case_domain import DomainCase
from airyoke.contract.dials import dial_list
from airyoke.contract.shown_volume import shown_volume_words
from airyoke.contract.standing import binding_words, verdict_words
from airyoke.contract.words import amount_words, name_words, unit_words
from airyoke.limits.answer import Figure, GroupAnswer
from airyoke.limits.policy import Policy
from airyoke.quantities.cautions import Caution

_SHOWN_BY_THE_VENTILATOR = (
    "minute_volume_l_per_min",
    "peak_pressure_cmh2o",
    "inspiratory_hold_cmh2o",
    "expiratory_hold_cmh2o",
)


def prediction_page(
    page: Page, case: DomainCase, answer: GroupAnswer, notes: tuple[Caution, ...], *, brief: bool
) -> None:
    """The answer to one case."""
    policy = Policy()
    number = len(answer.patients)
    people = "1 patient" if number == 1 else f"{number} patients"
    page.title(f"Prediction: {people}, circuit {answer.build}")
    page.text(verdict_words(answer, policy, "lungs as written in the case"))
    binding = binding_words(answer)
    if binding is not None:
        page.text(f"Binding limit: {binding}.")
    page.text(f"Judged by the {answer.judge}: {answer.draws} draws, seed {answer.seed}; ranges are 5-95 %.")
    page.heading("Settings")
    page.table(
        [Column(""), Column("", right=True), Column("")],
        [[dial.name, dial.new, dial.unit] for dial in dial_list((), case.settings, None)],
    )
    if answer.outcome == "solved":
        page.heading("What each patient gets")
        if brief:
            brief_table(page, [("", answer)], policy)
        else:
            for patient in answer.patients:
                lane(page, answer, patient, f"patient {patient.label}", policy)
        ventilator_part(page, answer)
    assumed_part(page, answer.assumed)
    not_computed_part(page, answer.not_computed)
    cautions_part(page, (*answer.cautions, *notes))


def brief_table(page: Page, groups: list[tuple[str, GroupAnswer]], policy: Policy) -> None:
    """One line a patient; the first column says where (``G1 on V2``), empty for a single group."""
    rows = [
        [where, patient.lane if len(answer.patients) > 1 else "", short(patient.label), *brief_row(patient),
         worst_state(patient, policy)]
        for where, answer in groups
        for patient in answer.patients
    ]  # fmt: skip
    heads = ("", "", "", *BRIEF_HEADINGS, "state")
    units = ("", "", "", *BRIEF_UNITS, "")
    rows.insert(0, list(units))
    page.table([Column(head, right=3 <= i < len(heads) - 1) for i, head in enumerate(heads)], rows)


def ventilator_part(page: Page, answer: GroupAnswer) -> None:
    """What the shared ventilator shows: only the sum."""
    page.blank()
    shown = [
        f"{name_words(name)} {amount_words(figure.value, unit_words(name))}"
        for name in _SHOWN_BY_THE_VENTILATOR
        if (figure := answer.ventilator.get(name, Figure(None))).value is not None
    ]
    tail = " A hold on a shared circuit is nobody's plateau or total PEEP." if len(answer.patients) > 1 else ""
    volume = shown_volume_words(answer)
    volumes = [] if volume is None else [f"exhaled volume {volume}"]
    page.text(f"The ventilator should show: {', '.join((*volumes, *shown))}.{tail}", 2)
