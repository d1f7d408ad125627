"""`airyoke watch`: readings typed in words, refused with what to do, told beside the rules; the same answer again."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from airyoke.cli import main
from airyoke.contract.watch_answer import WatchAnswer
from airyoke.contract.watch_forms import typed_rounds
from airyoke.quantities import Refused
from airyoke.watch import expected
from airyoke.watch.watch_readings import READABLES, WatchReading
from contract.cases import text

CASE = {
    "patients": [
        {"label": label, "sex": "f", "height_cm": 165, "compliance_ml_per_cmh2o": 35} for label in ("bed 3", "Q7")
    ],
    "circuit": "ideal",
    "settings": {"mode": "pc", "pressure_above_peep_cmh2o": 14, "peep_cmh2o": 10, "rate_per_min": 20,
                 "inspiratory_time_s": 0.9, "fio2": 0.6},
}  # fmt: skip


def typed(*read: str, settled_at: datetime | None = None):
    return typed_rounds((), read, ("bed 3", "Q7"), settled_at)


def test_a_reading_is_found_by_label_or_letter_and_readings_of_one_time_are_one_round():
    settled = datetime.fromisoformat("2026-01-31T14:00+00:00")
    found = typed("@30 Q7 etco2 20", "vte 430 mL", "@2026-01-31T14:30+00:00 a curve no", "b plateau 24,5", settled_at=settled)
    assert found.untimed
    untimed, later = found.rounds
    assert (untimed.minutes, later.minutes) == (5.0, 30.0)
    assert untimed.readings == (WatchReading("displayed_tidal_volume_ml", 430.0), WatchReading("plateau_cmh2o", 24.5, 1))
    assert later.readings == (WatchReading("etco2_mmhg", 20.0, 1), WatchReading("co2_curve", 0.0, 0))


def test_no_two_readings_share_a_name():
    names = [name for one in READABLES for name in (one.key, *one.short)]
    assert len(names) == len(set(names)) + sum(one.key in one.short for one in READABLES)


@pytest.mark.parametrize(
    ("line", "id_"),
    [
        ("C etco2 36", "watch-whose"),
        ("etco 40", "watch-unknown"),
        ("Q7 spo2 95 mmHg", "watch-unit"),
        ("Q7 curve perhaps", "watch-yes-or-no"),
        ("Q7 spo2", "watch-form"),
        ("@noon vte 430", "watch-time"),
        ("@2026-01-31T14:30 vte 430", "watch-time"),
    ],
)
def test_what_cannot_be_understood_is_refused_with_what_to_do(line, id_):
    with pytest.raises(Refused) as refused:
        typed(line)
    assert [one.id for one in refused.value.findings] == [id_]
    assert refused.value.findings[0].remedy


def test_every_mistake_of_a_command_is_told_at_once_and_before_the_engine_is_asked(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(expected, "settle", None)  # nothing may be breathed
    path = tmp_path / "case.json"
    path.write_text(text(CASE), encoding="utf-8")
    now = datetime.fromisoformat("2026-01-31T14:10+00:00")
    later = (now + timedelta(minutes=5)).isoformat()
    arguments = ["--settled-at", "2026-01-31T14:00+00:00", "--now", now.isoformat()]
    assert main(["watch", str(path), "--read", f"@{later} vte 43000", *arguments]) == 2
    told = capsys.readouterr().err
    assert "watch-future" in told
    assert "watch-out-of-range" in told


def test_the_answer_stands_on_the_page_and_in_json_the_same(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("airyoke.cli.watch.watch_group", lambda *a, **k: expected.watch_group(*a, **{**k, "draws": 16}))
    path = tmp_path / "case.json"
    path.write_text(text(CASE), encoding="utf-8")
    arguments = ["watch", str(path), "--baseline", "vte 900", "--read", "@10 Q7 curve no", "--read", "@10 vte 460",
                 "--read", "@10 Q7 chest no"]  # fmt: skip
    assert main([*arguments, "--json"]) == 0
    answer = WatchAnswer.model_validate_json(capsys.readouterr().out)
    assert sum(one.probability for one in answer.suspects) + answer.nobody == pytest.approx(1.0, abs=1e-4)
    assert answer.suspects[0].lanes == ["B"]
    assert answer.of_patient["B"] > 0.9
    assert {one.rule for one in answer.compared} == {"act"}
    assert main(arguments) == 0
    page = capsys.readouterr().out
    assert answer.summary.split(":")[0] in " ".join(page.split())
    assert "This is no monitor" in page
