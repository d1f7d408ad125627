"""`airyoke predict CASE --change …` as it is run."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from airyoke.cli import main
from contract.cases import text, two_patients


@pytest.fixture
def case_file(tmp_path: Path) -> Path:
    path = tmp_path / "case.json"
    path.write_text(text(two_patients()), encoding="utf-8")
    return path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    out, err = capsys.readouterr()
    return code, out, err


def test_before_is_the_prediction_and_after_that_of_the_changed_case(capsys, case_file):
    _, out, _ = run(capsys, "predict", str(case_file), "--json")
    plain = json.loads(out)
    code, out, err = run(capsys, "predict", str(case_file), "--json", "--change", "drive +2", "--change", "rate 24")
    answer = json.loads(out)
    assert (code, err) == (0, "")
    assert answer["schema"] == "airyoke/what_if/1"
    assert answer["before"]["patients"] == plain["patients"]
    assert answer["before"]["ventilator"] == plain["ventilator"]
    case = two_patients()
    case["settings"] |= {"pressure_above_peep_cmh2o": 16, "rate_per_min": 24}
    case_file.write_text(text(case), encoding="utf-8")
    changed = json.loads(run(capsys, "predict", str(case_file), "--json")[1])
    assert answer["after"]["patients"] == changed["patients"]
    assert answer["after"]["margin"] == changed["margin"]
    assert [one["kind"] for one in answer["changes"]] == ["drive", "rate"]
    assert {one["id"] for one in answer["cautions"]} >= {"last-resort", "who-decides", "cannot-see"}


def test_the_page_has_both_figures_the_signed_change_and_the_alarm_limits_to_set_again(capsys, case_file):
    code, page, _ = run(capsys, "predict", str(case_file), "--change", "out B")
    assert code == 0
    assert max(len(line) for line in page.splitlines()) <= 100
    for words in ("taken off", "Before: ", "After: ", "change (5-95 %)", "Alarm limits to set again", "last resort"):
        assert words in page
    answer = json.loads(run(capsys, "predict", str(case_file), "--json", "--change", "out B")[1])
    moved = {(one["patient"], one["quantity"]): one for one in answer["moved"]}
    one = moved["A", "tidal_volume_ml"]
    assert f"+{one['change']['value']:.0f} (+{one['change']['low']:.0f} to +{one['change']['high']:.0f})" in page
    assert moved["B", "tidal_volume_ml"]["after"] is None


@pytest.mark.parametrize("words", [
    ("--change", "drve +2"), ("--change", "drive +2", "--why", "A ph"), ("--change", "drive +2", "--brief"),
    ("--with", "CASE"), ("--change", "add C"),
])  # fmt: skip
def test_what_cannot_be_asked_is_refused_in_one_line(capsys, case_file, words):
    code, out, err = run(capsys, "predict", str(case_file), *(str(case_file) if w == "CASE" else w for w in words))
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1


def test_every_form_is_listed(capsys):
    code, out, _ = run(capsys, "predict", "--changes", "--json")
    assert code == 0
    page = run(capsys, "predict", "--changes")[1]
    for form in json.loads(out)["forms"]:
        assert form["example"] in page


def test_the_room_left_of_two_is_drawn_and_told(capsys, case_file, tmp_path):
    drawn = tmp_path / "room.svg"
    code, page, err = run(capsys, "predict", str(case_file), "--room-left", str(drawn))
    assert code == 0
    assert drawn.read_text(encoding="utf-8").startswith("<svg")
    assert "A against B" in page
    assert "last resort" in page
    assert err.splitlines() == [f"Drawn in {drawn}"]
    code, _, err = run(capsys, "predict", str(case_file), "--room-left", str(tmp_path / "no" / "room.svg"))
    assert code == 2
    assert "give another place" in err
