"""`airyoke print`: what it refuses, what it writes, and what it says of a record."""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from airyoke.contract.kept_plan import kept_plan
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.record import Record
from airyoke.ward.entries import Draft
from paper.conftest import NOW, Run

NOW_WORDS = ("--now", NOW.isoformat())


@pytest.fixture
def plan_file(tmp_path: Path, two: PlanAnswer) -> Path:
    file = tmp_path / "plan.json"
    file.write_text(two.json_text(), "utf-8")
    return file


def text_of(file: Path) -> str:
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(file.read_bytes())).pages)


def test_what_cannot_be_printed_is_refused_with_the_way_out_and_nothing_is_written(
    run: Run, tmp_path: Path, plan_file: Path, two: PlanAnswer, folder_ward: Path
) -> None:
    kept = tmp_path / "kept.json"
    kept.write_text(json.dumps(kept_plan(two, "P1", based_on=3)), "utf-8")
    other = tmp_path / "other.json"
    other.write_text(two.json_text().replace('"E2"', '"Z9"'), "utf-8")
    broken = tmp_path / "broken.json"
    broken.write_text("{", "utf-8")
    target = tmp_path / "out"
    to = ("--to", str(target))
    cases = [
        (("--plan", str(plan_file), "--sheet", "bedcard"), "did you mean bed-card?"),
        (("--plan", str(plan_file), "--sheet", "xyz"), "the sheets are bed-card, labels"),
        (("--plan", str(plan_file), "--group", "g1"), "did you mean G1?"),
        (("--plan", str(plan_file), "--group", "nothing"), "the shared groups are G1"),
        (("--plan", str(plan_file), "--paper", "a5"), "a4 or letter"),
        (("--plan", str(kept)), "this is what the record keeps of a plan"),
        (("--plan", str(broken)), "it is no plan"),
        (("--plan", str(tmp_path / "missing.json")), "cannot be opened"),
        ((), "give a workbook or folder, --record, or --plan"),
        ((str(folder_ward), "--record", "x.airyoke"), "one of the two"),
        ((str(folder_ward), "--plan", str(other), *NOW_WORDS), "the plan names bed Z9"),
    ]
    for words, said in cases:
        code, out, err = run("print", *words, *to)
        assert (code, out) == (2, ""), words
        assert said in err, (words, err)
        assert not target.exists(), words
    (tmp_path / "file").write_text("x")
    code, _, err = run("print", "--plan", str(plan_file), "--to", str(tmp_path / "file"))
    assert code == 2
    assert "cannot be written to" in err


def test_a_plan_file_alone_is_printed_and_says_that_no_record_stands_behind_it(
    run: Run, tmp_path: Path, plan_file: Path
) -> None:
    words = ("print", "--plan", str(plan_file), "--to", str(tmp_path / "out"), "--json", *NOW_WORDS)
    code, out, err = run(*words)
    assert (code, err) == (0, "")
    answer = json.loads(out)
    assert answer["schema"] == "airyoke/print/1"
    assert answer["head"] is None
    assert len(answer["files"]) == 13
    for one in answer["files"]:
        content = (tmp_path / "out" / one["file"]).read_bytes()
        assert hashlib.sha256(content).hexdigest() == one["sha256"]
        assert len(content) == one["bytes"]
    assert "not from a record" in text_of(tmp_path / "out" / "G1-alarms.pdf")
    assert json.loads(run(*words)[1])["files"] == answer["files"], "the same moment gives the same bytes"
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == sorted(one["file"] for one in answer["files"])


def test_one_sheet_of_one_group_on_letter_for_people(run: Run, tmp_path: Path, plan_file: Path) -> None:
    code, out, _ = run("print", "--plan", str(plan_file), "--to", str(tmp_path), "--sheet", "emergency", "--group", "G1",
                       "--paper", "letter", *NOW_WORDS)  # fmt: skip
    assert code == 0
    assert "1 files, letter" in out
    assert "last resort" in out
    box = PdfReader(tmp_path / "G1-emergency.pdf").pages[0].mediabox
    assert (round(box.width), round(box.height)) == (612, 792)


@pytest.fixture
def record(tmp_path: Path, run: Run, folder_ward: Path) -> Path:
    """The ward in an unlocked record."""
    where = tmp_path / "ward.airyoke"
    password = tmp_path / "password"
    password.write_text("orange bicycle lantern moss\n")
    made = run("record", "create", "--record", str(where), "--site", "st-example", "--keeper", "kim", "--unlocked",
               "--new-password-file", str(password))  # fmt: skip
    assert made[0] == 0, made
    taken = run("record", "import", str(folder_ward), "--record", str(where), "--confirm", "all", "--as", "kim",
                "--password-file", str(password), *NOW_WORDS)  # fmt: skip
    assert taken[0] == 0, taken
    return where


def write(where: Path, *drafts: Draft) -> None:
    with Record.open(where) as record:
        record.write(list(drafts), person="kim", seen=record.state().sequence)


def state_of(where: Path) -> int:
    with Record.open(where, read_only=True) as record:
        return record.state().sequence


def head_of(where: Path) -> str:
    with Record.open(where, read_only=True) as record:
        return record.head().short


def planned(where: Path, run: Run, tmp_path: Path) -> tuple[Path, dict[str, Any]]:
    code, out, _ = run("plan", "--record", str(where), "--json", *NOW_WORDS)
    assert code == 0
    file = tmp_path / "of-the-record.json"
    file.write_text(out, "utf-8")
    return file, json.loads(out)


def test_sheets_of_a_record_name_its_head_and_the_plan_that_was_accepted_and_running_groups_are_compared(
    run: Run, tmp_path: Path, record: Path
) -> None:
    file, content = planned(record, run, tmp_path)
    words = ("print", "--record", str(record), "--plan", str(file), "--to", str(tmp_path / "out"),
             "--sheet", "alarms", "--sheet", "shift-report")  # fmt: skip
    code, _, err = run(*words)
    assert code == 0, err
    assert "NOT kept in this record" in text_of(tmp_path / "out" / "G1-alarms.pdf")

    answer = PlanAnswer.model_validate_json(file.read_text("utf-8"))
    write(record, Draft("plan_made", kept_plan(answer, "P1", based_on=state_of(record))))
    write(record, Draft("plan_accepted", {"plan": "P1", "accepted_by": ["kim", "lee"]}))
    head = head_of(record)
    first = json.loads(run(*words, "--json")[1])
    assert first["head"] == head
    text = text_of(tmp_path / "out" / "G1-alarms.pdf")
    assert head in text
    assert "accepted by kim and lee" in text
    assert json.loads(run(*words, "--json")[1])["files"] == first["files"], "the same entry gives the same bytes"

    # Readings that came after the plan: the figures stand on the old ones, and every sheet says so.
    assert "read again" not in text
    later = {"bed": "E1", "code": "k01", "read_at": "2026-11-25T13:50+00:00", "values": {"spo2_pct": 95}}
    write(record, Draft("reading", later | {"read_by": "ann"}))

    group = content["groups"][0]
    dialled = {**group["settings"], "peep_cmh2o": group["settings"]["peep_cmh2o"] + 1.0}
    write(record, Draft("build_made", {"build": "B1", "patients": 2}))
    write(record, Draft("build_tested", {"build": "B1", "passed": True}))
    write(record, Draft("group_started", {"group": "night", "ventilator": group["ventilator"], "beds": group["beds"],
                                          "build": "B1", "plan": "P1", "settings": group["settings"]}))  # fmt: skip
    write(record, Draft("settings_changed", {"ventilator": group["ventilator"], "settings": dialled,
                                             "reason": "SpO2 fell"}))  # fmt: skip
    write(record, Draft("check_done", {"check": "crossed-monitors", "group": "night", "passed": False}))
    run(*words)
    report = text_of(tmp_path / "out" / "G1-shift-report.pdf")
    assert f"PEEP: planned {group['settings']['peep_cmh2o']:g}, dialled {dialled['peep_cmh2o']:g}" in report
    assert "settings changed (SpO2 fell)" in report
    assert "crossed-monitors NOT passed" in report
    assert "bench check passed" in report
    for what in ("round", "all others clamped", "arterial gas", "new filters and HMEs"):
        assert what in report, what
    assert "B1 of 2026" in report, "filters are as old as the build"
    assert head_of(record) in report
    assert head_of(record) != head
    ward = text_of(tmp_path / "out" / "ward-shift-report.pdf")
    assert "night" in ward
    with Record.open(record, read_only=True) as opened:
        audit = [one for one in opened.entries(stream="audit") if one.kind == "export"]
    assert "G1-shift-report.pdf" in audit[-1].content["what"], "what left the record is in the audit"


def test_a_running_group_that_the_plan_does_not_hold_has_a_report_under_a_name_of_its_own(
    run: Run, tmp_path: Path, record: Path
) -> None:
    file, content = planned(record, run, tmp_path)
    group = content["groups"][0]
    write(record, Draft("group_started", {"group": "G1", "ventilator": group["ventilator"], "beds": group["beds"]}))
    alone = json.loads(file.read_text("utf-8"))
    alone["groups"] = []
    file.write_text(json.dumps(alone), "utf-8")
    code, _, err = run("print", "--record", str(record), "--plan", str(file), "--to", str(tmp_path / "out"))
    assert code == 0, err
    names = sorted(one.name for one in (tmp_path / "out").iterdir())
    assert names == ["running-G1-shift-report.pdf", "ward-order.pdf", "ward-shift-report.pdf"]
    assert "plan not written down" in text_of(tmp_path / "out" / "running-G1-shift-report.pdf")


def test_a_plan_on_older_readings_says_so_and_names_no_patient_that_it_cannot_know(
    run: Run, tmp_path: Path, plan_file: Path, folder_ward: Path
) -> None:
    words = ("--plan", str(plan_file), "--sheet", "labels", "--to", str(tmp_path / "out"), *NOW_WORDS)
    assert run("print", str(folder_ward), *words)[0] == 0
    text = text_of(tmp_path / "out" / "G1-labels.pdf")
    assert "k01" in text
    assert "read again" not in text
    beds = folder_ward / "beds.csv"
    beds.write_text(beds.read_text("utf-8").replace("T13:20", "T13:55").replace("k01", "k77"), "utf-8")
    assert run("print", str(folder_ward), *words)[0] == 0
    text = text_of(tmp_path / "out" / "G1-labels.pdf")
    assert "The ward was read again after this plan was made" in text
    assert "k77" not in text, "this may be another patient than the one of the plan"
    assert "readings of 13:10 to 13:20" in text, "the plan's readings, not the new ones"


def test_a_new_patient_never_gets_the_card_of_the_one_before(run: Run, tmp_path: Path, record: Path) -> None:
    file, _ = planned(record, run, tmp_path)
    answer = PlanAnswer.model_validate_json(file.read_text("utf-8"))
    write(record, Draft("plan_made", kept_plan(answer, "P1", based_on=state_of(record))))
    words = ("print", "--record", str(record), "--plan", str(file), "--sheet", "bed-card", "--to", str(tmp_path / "out"))
    assert run(*words)[0] == 0
    write(record, Draft("patient_out", {"bed": "E1", "code": "k01"}), Draft("patient_in", {"bed": "E1", "code": "k01"}))
    code, _, err = run(*words)
    assert code == 2
    assert "bed E1 has another patient than when this plan was made" in err
