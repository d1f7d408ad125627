"""`airyoke faults`: silent and harmful ones first, refusals in one line, the same answer for the same seed."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from airyoke.cli import main
from airyoke.cli.faults_page import card_page, faults_page
from airyoke.cli.page import Page
from airyoke.contract.fault_words import cautions_of, time_words
from airyoke.contract.faults_answer import FaultsAnswer
from airyoke.faults.card import card_of
from airyoke.faults.gas_reserve import GasReserve
from airyoke.faults.harm import PRIORITIES
from airyoke.faults.report import STANDINGS
from faults.group_cases import PRESSURE, case_text, report, runs


@pytest.fixture
def case_file(tmp_path: Path) -> str:
    path = tmp_path / "case.json"
    path.write_text(case_text(2, PRESSURE), encoding="utf-8")
    return str(path)


def test_the_answer_puts_silent_harm_first_and_says_each_thing_of_each_fault() -> None:
    found = report(2, "pc")
    cautions = cautions_of(2, typical_parts=True)
    answer = FaultsAnswer.of(found, found.findings, (), cautions)
    order = [STANDINGS.index(one.standing) for one in answer.faults]
    assert order == sorted(order)
    silent = [PRIORITIES.index(one.priority) for one in answer.faults if one.standing == "silent" and one.priority]
    assert silent
    assert silent == sorted(silent)
    for one in answer.faults:
        assert one.watch_instead
        assert one.source
        assert one.from_engine == bool(one.patients) or one.id == "power-off"
        assert (one.standing == "told") <= (one.alarm is not None and one.alarm.probability >= 0.95)
    assert json.loads(answer.json_text())["schema"] == "airyoke/faults/1"


@pytest.mark.parametrize("width", [80, 100])
@pytest.mark.parametrize("mode", ["pc", "vc"])
def test_the_page_fits_the_terminal_and_names_the_patient_s_own_monitor(width: int, mode: str) -> None:
    found = report(2, mode)
    page = Page(width=width)
    faults_page(page, found, found.findings, (), cautions_of(2, typical_parts=True), one=False)
    text = page.rendered()
    assert max(len(line) for line in text.splitlines()) <= width
    assert text.isascii()
    assert "Watch: " in text
    assert "Sharing a ventilator is the last resort" in text
    assert text.index("Silent: ") < text.index("Told by an alarm")


def test_the_card_says_who_bag_close_check_with_this_group_s_numbers() -> None:
    found = report(2, "vc")
    page = Page()
    card_page(page, found, cautions_of(2, typical_parts=True))
    text = " ".join(page.rendered().split())
    before = found.runs.baseline.breath
    for words in ("1. Who is it?", "2. Bag that one", "Change to pressure control first. Close that one's inspiratory",
                  "4. Check the others", f"{before.exhaled_ml[0]:.0f} mL on the ventilator's display"):  # fmt: skip
        assert words in text


def test_the_card_gives_the_volume_that_a_compensating_machine_displays() -> None:
    """In pressure control compensation changes nothing but the display: circuit compliance x (peak - PEEP) is off it."""
    found = runs(2, "pc")
    compensating = replace(found, settings=replace(found.settings, circuit_compensation="on"))
    before = found.baseline.breath
    swing = float(before.ventilator_peak_cmh2o[0]) - found.settings.peep_cmh2o
    taken_off = found.group.build.network.compliance_ml_per_cmh2o * swing
    assert taken_off > 10.0
    for one, off in ((found, 0.0), (compensating, taken_off)):
        for line in card_of(one, GasReserve(one)).lines:
            assert line.shown_before_ml == pytest.approx(before.exhaled_ml[0] - off, abs=1e-3)


def test_a_named_fault_alone_and_the_same_for_the_same_seed(case_file: str, capsys: pytest.CaptureFixture[str]) -> None:
    texts = []
    for _ in range(2):
        assert main(["faults", case_file, "--only", "tube-bitten.b", "--json", "--seed", "3"]) == 0
        texts.append(capsys.readouterr().out)
    assert texts[0] == texts[1]
    (fault,) = json.loads(texts[0])["faults"]
    assert fault["id"] == "tube-blocked.B"
    assert fault["harms"][0]["kind"] == "no-ventilation"


@pytest.mark.parametrize(
    ("name", "id_", "words"),
    [
        ("tube-bloked.A", "fault-unknown", "did you mean tube-blocked.A?"),
        ("peep-valve-open.A", "fault-part-lacking", "no in-line PEEP valve"),
    ],
)
def test_a_fault_that_is_not_there_is_refused(
    name: str, id_: str, words: str, case_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["faults", case_file, "--only", name]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert id_ in printed.err
    assert words in printed.err
    assert len(printed.err.strip().splitlines()) == 1


def test_times_are_told_with_the_precision_that_they_have() -> None:
    assert [time_words(s) for s in (4.0, 83.0, 119.0, 250.0, float("inf"))] == [
        "at once", "85 s", "2 min", "4 min", "over 15 min",
    ]  # fmt: skip
