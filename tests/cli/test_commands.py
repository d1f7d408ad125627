"""Commands as they are run: exit codes, nothing but the answer on stdout, refusals in one line each."""

from __future__ import annotations

import io
import json
import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from airyoke import __version__
from airyoke.cli import main
from contract.cases import example, text, two_patients
from ward.small import small_ward

NOW = "2026-01-10T14:30+00:00"


@pytest.fixture
def case_file(tmp_path: Path) -> Path:
    path = tmp_path / "case.json"
    path.write_text(text(example()), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def demo_ward(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    from datetime import datetime

    from airyoke.exchange import write_tables
    from airyoke.ward.demo import demo_tables

    path = tmp_path_factory.mktemp("ward") / "ward"
    write_tables(path, demo_tables(datetime.fromisoformat(NOW)))  # type: ignore[arg-type]
    return path


@pytest.fixture(scope="module")
def four_beds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where only the form of an answer matters."""
    from datetime import datetime

    from airyoke.exchange import write_tables

    path = tmp_path_factory.mktemp("four") / "ward"
    write_tables(path, small_ward(datetime.fromisoformat(NOW)))
    return path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    out, err = capsys.readouterr()
    return code, out, err


def process(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "import sys; from airyoke.cli import main; sys.exit(main())", *words]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)


def test_predict_prints_json_and_nothing_else(capsys: pytest.CaptureFixture[str], case_file: Path) -> None:
    code, out, err = run(capsys, "predict", str(case_file), "--json")
    assert code == 0
    assert json.loads(out)["patients"][0]["tidal_volume_ml"]["value"] == pytest.approx(398.8, rel=1e-3)
    assert err == ""


def test_predict_for_people_is_plain_when_piped(case_file: Path) -> None:
    done = process("predict", str(case_file))
    assert done.returncode == 0
    assert done.stderr == ""
    assert "\x1b" not in done.stdout
    assert done.stdout.isascii()
    assert max(len(line) for line in done.stdout.splitlines()) <= 100
    assert "399 (354-443) mL" in done.stdout
    assert "Sharing a ventilator is the last resort" in done.stdout


def test_predict_reads_stdin(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text(two_patients()).encode())))
    code, out, _ = run(capsys, "predict", "-", "--brief")
    assert code == 0
    assert out.count("mL/kg") == 1


def test_seed_changes_draws_not_values(capsys: pytest.CaptureFixture[str], case_file: Path) -> None:
    answers = [json.loads(run(capsys, "predict", str(case_file), "--json", "--seed", seed)[1]) for seed in "0017"]
    assert answers[0] == answers[1]
    assert answers[2] != answers[0]
    figures = [answer["patients"][0]["tidal_volume_ml"] for answer in answers]
    assert figures[3]["value"] == figures[0]["value"]
    assert figures[3]["low"] != figures[0]["low"]


def test_a_case_that_cannot_be_solved_exits_with_1(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    case = example()
    shut = {"linear": 1e9}
    case["circuit"] = {
        "inspiratory_trunk": shut, "expiratory_trunk": shut, "inspiratory_limb": shut, "expiratory_limb": shut,
        "splitter_compliance_ml_per_cmh2o": 0, "wye_compliance_ml_per_cmh2o": 0, "valves": "none",
    }  # fmt: skip
    path = tmp_path / "shut.json"
    path.write_text(text(case), encoding="utf-8")
    code, out, _ = run(capsys, "predict", str(path))
    assert code == 1
    assert "Not judged:" in out
    assert "What each patient gets" not in out


def bad_input(tmp_path: Path) -> list[tuple[str, list[str]]]:
    """What the finding is called, and the words of the command."""
    broken = tmp_path / "broken.json"
    broken.write_text('{"patients": 1', encoding="utf-8")
    latin = tmp_path / "latin.json"
    latin.write_bytes(b'{"patients": "\xe4"}')
    slip = tmp_path / "slip.json"
    slip.write_text(text(example()).replace('"height_cm": 160', '"height_cm": 63'), encoding="utf-8")
    good = tmp_path / "good.json"
    good.write_text(text(example()), encoding="utf-8")
    return [
        ("not-json", ["predict", str(broken)]),
        ("case-encoding", ["predict", str(latin)]),
        ("height-unit", ["predict", str(slip)]),
        ("case-not-found", ["predict", str(tmp_path / "none.json")]),
        ("case-not-found", ["predict", str(tmp_path)]),
        ("ward-not-found", ["plan", str(tmp_path / "none")]),
        ("ward-not-found", ["check", str(tmp_path / "none.xlsx")]),
        ("ward-format", ["check", str(good)]),
        ("now-form", ["check", str(tmp_path), "--now", "tomorrow"]),
        ("now-form", ["demo", "--to", str(tmp_path / "demo"), "--now", "14:30h"]),
        ("file-exists", ["template", str(tmp_path)]),
        ("why-unknown", ["predict", str(good), "--why", "B paco2_mmhg"]),
        ("why-unknown", ["predict", str(good), "--why", "A pulse"]),
        ("why-unknown", ["predict", str(good), "--why", "paco2_mmhg"]),
        ("command-line", ["predict"]),
        ("command-line", ["nothing"]),
        ("command-line", ["predict", str(good), "--sed", "1"]),
        ("command-line", ["predict", str(good), "--seed", "one"]),
    ]


def test_bad_input_exits_with_2_in_words(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for id_, words in bad_input(tmp_path):
        code, out, err = run(capsys, *words)
        assert code == 2, words
        assert out == "", words
        assert err.count("\n") == 1, (words, err)
        assert err.rstrip().endswith(f"[{id_}]"), (words, err)
        assert "Traceback" not in err


def test_bad_input_as_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for id_, words in bad_input(tmp_path):
        code, out, err = run(capsys, *words, "--json")
        answer = json.loads(out)
        assert code == 2, words
        assert err == "", words
        assert (answer["schema"], answer["outcome"]) == ("airyoke/error/1", "refused")
        assert [error["id"] for error in answer["errors"]] == [id_], words
        assert list(answer["errors"][0]) == [
            "id", "level", "file", "sheet", "row", "column", "bed", "value", "reason", "remedy",
        ]  # fmt: skip


def test_a_defect_of_ours_is_owned_up_to(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, case_file: Path
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a secret of the machine")

    monkeypatch.setattr("airyoke.ward.questions.predict_case", broken)
    monkeypatch.delitem(sys.modules, "airyoke.cli.predict", raising=False)
    code, out, err = run(capsys, "predict", str(case_file))
    assert code == 70
    assert out == ""
    assert err.startswith("This is a defect of the tool, please report it; nothing was changed.")
    assert "Traceback" not in err
    monkeypatch.setenv("AIRYOKE_DEBUG", "1")
    with pytest.raises(RuntimeError):
        main(["predict", str(case_file)])
    monkeypatch.undo()
    sys.modules.pop("airyoke.cli.predict", None)


def test_limits(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "limits", "--json")
    answer = json.loads(out)
    assert code == 0
    drive = next(one for one in answer["limits"] if one["name"] == "driving_pressure_cmh2o")
    assert (drive["side"], drive["target"], drive["hard"], drive["scale"], drive["unit"]) == (
        "high",
        15,
        18,
        5,
        "cmH2O",
    )
    assert "raised-intracranial-pressure" in [one["id"] for one in answer["conditions"]]
    defaults = {one["name"]: one["value"] for one in answer["ventilator_defaults"]}
    assert defaults["max_peak_flow_l_per_min"] == 120
    assert run(capsys, "limits")[1].startswith("Limits and defaults")


def test_every_policy_name_in_limits_is_one_a_sheet_may_use(capsys: pytest.CaptureFixture[str]) -> None:
    from airyoke.exchange.stock_policy import policy_names

    answer = json.loads(run(capsys, "limits", "--json")[1])
    names = {one["name"] for one in (*answer["policy"], *answer["assumptions"])}
    names |= {one["policy_name"] for one in answer["limits"]} | {one["id"] for one in answer["conditions"]}
    assert names <= set(policy_names(tuple(one["id"] for one in answer["conditions"])))


def test_template_then_check(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    book = tmp_path / "ward.xlsx"
    code, out, _ = run(capsys, "template", str(book))
    assert code == 0
    assert "airyoke check" in out
    code, out, err = run(capsys, "check", str(book))
    assert code == 2
    assert "beds-empty" in err
    answer = json.loads(run(capsys, "template", str(tmp_path / "folder"), "--json")[1])
    assert answer["kind"] == "folder"


def test_check_lists_and_exits(capsys: pytest.CaptureFixture[str], demo_ward: Path) -> None:
    code, out, err = run(capsys, "check", str(demo_ward), "--now", NOW, "--json")
    answer = json.loads(out)
    assert code == 0
    assert err == ""
    assert answer["schema"] == "airyoke/check/1"
    assert answer["counts"]["refused"] == 0
    assert sum(answer["counts"].values()) == len(answer["findings"])
    assert len(answer["beds"]) == 12
    e1 = answer["beds"][0]
    assert next(one["quantity"] for one in e1["lungs"]) == "compliance_ml_per_cmh2o"
    code, out, _ = run(capsys, "check", str(demo_ward), "--now", NOW)
    assert "Lungs as estimated" in out
    assert max(len(line) for line in out.splitlines()) <= 100


def test_check_exits_with_1_where_something_is_refused(
    capsys: pytest.CaptureFixture[str], demo_ward: Path, tmp_path: Path
) -> None:
    import shutil

    ward = tmp_path / "ward"
    shutil.copytree(demo_ward, ward)
    beds = ward / "beds.csv"
    beds.write_bytes(beds.read_bytes().replace(b",163,", b",63,", 1))
    code, out, _ = run(capsys, "check", str(ward), "--now", NOW)
    assert code == 1
    assert "[height-unit]" in " ".join(out.split())


def test_plan_for_people_and_as_json(capsys: pytest.CaptureFixture[str], demo_ward: Path, four_beds: Path) -> None:
    done = process("plan", str(four_beds), "--now", NOW)
    assert done.returncode in (0, 3)
    assert done.stderr == ""
    assert done.stdout.isascii()
    assert "\x1b" not in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 100
    assert "-- G1 . ventilator" in done.stdout
    code, out, err = run(capsys, "plan", str(demo_ward), "--now", NOW, "--json")
    assert code == 3
    assert err == ""
    _check_plan(json.loads(out))
    code, out, _ = run(capsys, "plan", str(four_beds), "--now", NOW, "--why", "E2 paco2", "--json")
    why = json.loads(out)
    assert code == 0
    assert (why["bed"], why["quantity"], why["read_by"]) == ("E2", "paco2_mmhg", "rt-2")
    assert why["formula"].startswith("present PaCO2")
    assert "compliance_ml_per_cmh2o" in [one["quantity"] for one in why["estimates"]]
    assert {"quantity": "paco2_mmhg", "value": 40.0} in why["present"]


def _check_plan(plan: dict[str, Any]) -> None:
    assert list(plan) == [
        "schema", "version", "seed", "draws", "outcome", "outcome_reason", "readings_at", "rounds", "groups",
        "unplaced", "reserve", "proof", "runner_up", "refused_pairs", "findings", "pick_list", "assumed", "sources",
        "cautions",
    ]  # fmt: skip
    assert plan["outcome"] == "some_left"
    for group in plan["groups"]:
        assert list(group) == [
            "id", "ventilator", "beds", "needs", "circuit", "settings", "present_settings", "alarms", "patients",
            "margin", "inside_probability", "hard_inside_probability", "draws", "ventilator_shows", "switches",
            "room_left", "status", "rehearsal", "breaks",
        ]  # fmt: skip
        assert [one["label"] for one in group["patients"]] == group["beds"]
        shared = len(group["beds"]) > 1
        assert (group["settings"] is not None) == shared
        assert bool(group["alarms"]) == shared
    assert [goal["goal"] for goal in plan["proof"]] == [
        "placed", "couplings", "needs", "smallest_margin", "breaks", "margin_sum",
    ]  # fmt: skip


def test_demo_writes_where_it_says(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, out, err = run(capsys, "demo", "--to", str(tmp_path / "ward.xlsx"), "--now", NOW, "--brief")
    assert code == 0
    assert err == ""
    assert out.startswith("The demo ward, every figure of it made up, is in ")
    assert (tmp_path / "ward.xlsx").exists()


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "--version")[1] == f"airyoke {__version__}\n"
    code, out, _ = run(capsys)
    assert code == 0
    assert out.startswith("Usage: airyoke")
    for command in ("demo", "template", "check", "plan", "predict", "limits"):
        code, out, _ = run(capsys, command, "--help")
        assert code == 0
        assert "--json" in out
        assert "--seed" in out


def test_help_answers_at_once_and_loads_nothing_heavy() -> None:
    script = (
        "import sys; from airyoke.cli import main; main(['--help']); "
        "print([m for m in ('numpy', 'numba', 'pydantic', 'highspy', 'rich', 'xlsxwriter') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.rstrip().endswith("[]")
    best = min(_seconds("--help") for _ in range(5))
    assert best < 0.3


def _seconds(*words: str) -> float:
    """Processor time of the command: on a machine that does nothing else, what a person waits."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    process(*words)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_a_reader_that_goes_away_is_no_error(case_file: Path) -> None:
    command = f'"{sys.executable}" -c "import sys; from airyoke.cli import main; sys.exit(main())" limits | head -1'
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False, env=dict(os.environ))
    assert done.stdout == "Limits and defaults\n"
    assert done.stderr == ""
