"""`airyoke record`, and `plan` and `check` on a record: proposals confirmed line by line, refusals in one line."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from airyoke.cli import main
from airyoke.contract.record_answer import RecordAnswer
from airyoke.exchange import write_tables
from airyoke.record import passwords
from airyoke.ward.demo import demo_tables

NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
PASSWORD = "orange bicycle lantern moss"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder with a demo workbook, a record, a keeper kim and a planner ann; hashes cost little here."""
    folder = tmp_path_factory.mktemp("made")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_MEMORY_KIB", 64)
        patch.setattr(passwords, "_PASSES", 1)
        patch.setattr(passwords, "_NOBODY", [])
        patch.setenv("AIRYOKE_RECORD", "ward.airyoke")
        patch.chdir(folder)
        Path("p").write_text(f"{PASSWORD}\nsecond line\n")
        write_tables(Path("ward.xlsx"), demo_tables(NOW))  # type: ignore[arg-type]
        assert main(["record", "create", "--site", "st-example", "--keeper", "kim", "--new-password-file", "p"]) == 0
        assert main(["record", "space", "--release"]) == 0  # copied for each test
        assert (
            main(
                [
                    "record",
                    "people",
                    "add",
                    "ann",
                    "--role",
                    "planner",
                    "--as",
                    "kim",
                    "--password-file",
                    "p",
                    "--new-password-file",
                    "p",
                ]
            )
            == 0
        )
        yield folder


@pytest.fixture
def folder(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it for one test, which stands in it."""
    shutil.copytree(made, tmp_path / "here")
    monkeypatch.chdir(tmp_path / "here")
    return tmp_path / "here"


@pytest.fixture
def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """Run a command under `record` with --json; (exit code, answer)."""
    capsys.readouterr()

    def run(*words: str) -> tuple[int, dict[str, Any]]:
        code = main([*words, "--json"])
        answer = json.loads(capsys.readouterr().out)
        if answer["schema"] == "airyoke/record/1":
            RecordAnswer.model_validate(answer)
        return code, answer

    return run


ANN = ("--as", "ann", "--password-file", "p")


def test_a_proposal_writes_nothing_until_it_is_confirmed_and_then_what_was_confirmed(run: Any) -> None:
    code, proposed = run("record", "import", "ward.xlsx")
    assert (code, proposed["written"], len(proposed["lines"])) == (0, 0, 37)
    assert run("record", "head")[1]["heads"] == proposed["heads"]
    code, some = run("record", "import", "ward.xlsx", "--confirm", "1,2", "--proposal", proposed["proposal"], *ANN)
    assert (code, some["written"]) == (0, 2)
    code, rest = run("record", "import", "ward.xlsx", "--confirm", "all", *ANN)
    assert (code, rest["written"]) == (0, 32)  # the three lines of policy are a keeper's
    code, policy = run("record", "import", "ward.xlsx", "--confirm", "all", "--as", "kim", "--password-file", "p")
    assert (code, policy["written"]) == (0, 3)
    assert run("record", "import", "ward.xlsx")[1]["lines"] == []
    kinds = [entry["kind"] for entry in run("record", "entries", "--last", "4")[1]["entries"]]
    assert kinds == ["import", "policy", "policy", "policy"]


def test_numbers_of_another_proposal_confirm_nothing(run: Any) -> None:
    proposal = run("record", "import", "ward.xlsx")[1]["proposal"]
    run("record", "import", "ward.xlsx", "--confirm", "1", "--proposal", proposal, *ANN)
    code, refused = run("record", "import", "ward.xlsx", "--confirm", "1", "--proposal", proposal, *ANN)
    assert (code, refused["errors"][0]["id"]) == (2, "proposal-other")
    for words in ("0", "999", "one", "", "1,,2"):
        code, refused = run("record", "import", "ward.xlsx", "--confirm", words, *ANN)
        assert (code, refused["errors"][0]["id"]) == (2, "confirm-form")


def test_a_conflict_is_confirmed_by_number_only(run: Any) -> None:
    run("record", "import", "ward.xlsx", "--confirm", "all", *ANN)
    tables = demo_tables(NOW)
    tables["beds"][0]["code"] = "k99"
    write_tables(Path("other.xlsx"), tables)  # type: ignore[arg-type]
    proposed = run("record", "import", "other.xlsx")[1]
    (line,) = [line for line in proposed["lines"] if line["kind"] == "conflicting"]
    assert (line["subject"], line["before"], line["after"]["code"]) == ("patient in bed E1", {"code": "k21"}, "k99")
    run("record", "import", "other.xlsx", "--confirm", "all", *ANN)
    again = run("record", "import", "other.xlsx")[1]
    assert [one["kind"] for one in again["lines"] if "E1" in one["subject"]] == ["conflicting"]
    number = next(one["number"] for one in again["lines"] if one["kind"] == "conflicting")
    assert (
        run("record", "import", "other.xlsx", "--confirm", str(number), "--proposal", again["proposal"], *ANN)[0] == 0
    )
    assert [one for one in run("record", "import", "other.xlsx")[1]["lines"] if one["kind"] == "conflicting"] == []


def test_a_workbook_of_another_site_is_not_taken_in_by_a_word(run: Any) -> None:
    run("record", "import", "ward.xlsx", "--confirm", "all", *ANN)
    tables = demo_tables(NOW)
    for number, bed in enumerate(tables["beds"]):
        bed.update(bed=f"X{number}", ventilator=None, code=f"other-{number}")
    for number, machine in enumerate(tables["ventilators"]):
        machine["ventilator"] = f"Y{number}"
    write_tables(Path("other.xlsx"), tables)  # type: ignore[arg-type]
    head = run("record", "head")[1]["heads"][0]
    code, refused = run("record", "import", "other.xlsx", "--confirm", "all", *ANN)
    assert (code, refused["errors"][0]["id"]) == (2, "import-other-site")
    assert run("record", "head")[1]["heads"][0] == head
    proposed = run("record", "import", "other.xlsx")[1]
    assert run("record", "import", "other.xlsx", "--confirm", "1", "--proposal", proposed["proposal"], *ANN)[0] == 0


def test_check_of_a_record_says_what_check_of_the_workbook_says(run: Any) -> None:
    for who in ("ann", "kim"):
        run(
            "record",
            "import",
            "ward.xlsx",
            "--now",
            NOW.isoformat(),
            "--confirm",
            "all",
            "--as",
            who,
            "--password-file",
            "p",
        )
    _, book = run("check", "ward.xlsx", "--now", NOW.isoformat())
    _, record = run("check", "--record", "ward.airyoke", "--now", NOW.isoformat())
    assert book["beds"] == record["beds"]
    assert sorted((f["id"], f["bed"]) for f in book["findings"]) == sorted(
        (f["id"], f["bed"]) for f in record["findings"]
    )
    last = run("record", "entries", "--audit", "--last", "1")[1]["entries"][0]
    assert (last["kind"], last["content"]) == ("read", {"what": "check of the ward"})


def test_the_workbook_of_a_record_reads_like_the_record(run: Any) -> None:
    run("record", "import", "ward.xlsx", "--confirm", "all", *ANN)
    _, out = run("record", "export", "out.xlsx")
    assert len(out["sha256"]) == 64
    assert run("record", "import", "out.xlsx")[1]["lines"] == []
    assert run("record", "export", "csv")[1]["sha256"] is None
    assert Path("csv", "beds.csv").exists()


def test_lines_become_a_new_record_on_another_machine(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    run("record", "import", "ward.xlsx", "--confirm", "all", *ANN)
    heads = run("record", "export", "out.jsonl")[1]["heads"]
    code, made = run("record", "import", "out.jsonl", "--record", "new.airyoke")
    assert (code, made["heads"][0]) == (0, heads[0])
    code, refused = run("record", "import", "out.jsonl", "--record", "new.airyoke")
    assert (code, refused["errors"][0]["id"]) == (2, "file-exists")


def test_verify_finds_a_cut_record_against_a_kept_head_and_says_so_with_one(run: Any, folder: Path) -> None:
    shutil.copy("ward.airyoke", "before")
    Path("ward.airyoke-wal").exists() and shutil.copy("ward.airyoke-wal", "before-wal")
    run("record", "import", "ward.xlsx", "--confirm", "all", *ANN)
    head = run("record", "head", "--append", "heads.txt")[1]["heads"][0]
    assert run("record", "verify", "--heads", "heads.txt")[0] == 0
    code, answer = run("record", "verify", "--record", "before", "--head", head)
    assert (code, [finding["id"] for finding in answer["findings"]]) == (1, ["chain-cut"])
    assert run("record", "verify", "--record", "before")[0] == 0


@pytest.mark.parametrize(("words", "finding"), [
    (("record", "status", "--record", "nowhere"), "record-missing"),
    (("record", "status", "--record", "ward.xlsx"), "record-foreign"),
    (("record", "status", "--site", "st-other"), "site-unknown"),
    (("record", "import", "ward.xlsx", "--confirm", "all"), "person-missing"),
    (("record", "import", "ward.xlsx", "--confirm", "all", "--as", "eve", "--password-file", "p"), "sign-in-wrong"),
    (("record", "import", "ward.xlsx", "--confirm", "all", "--as", "ann", "--password-file", "ward.xlsx"), "sign-in-wrong"),
    (("record", "import", "ward.xlsx", "--confirm", "all", "--as", "ann", "--password-file", "none"), "disk-error"),
    (("record", "import", "ward.xlsx", "--confirm", "all", "--as", "ann"), "password-missing"),
    (("record", "import", "nothing.xlsx"), "ward-not-found"),
    (("record", "backup", "nowhere"), "folder-missing"),
    (("record", "restore", "ward.airyoke", "--record", "x"), "backup-unproved"),
    (("record", "create", "--site", "st-x", "--keeper", "kim", "--new-password-file", "p"), "file-exists"),
    (("record", "create", "--record", "y", "--site", "st-x", "--keeper", "kim", "--new-password-file", "/dev/null"), "password-length"),
    (("record", "verify", "--head", "x"), "head-form"),
    (("record", "people", "add", "bo", "--role", "boss", "--as", "kim", "--password-file", "p", "--new-password-file", "p"), "role-unknown"),
    (("record", "people", "add", "bo", "--role", "writer", *ANN, "--new-password-file", "p"), "right-missing"),
    (("record", "people", "remove", "kim", "--as", "kim", "--password-file", "p"), "keeper-last"),
    (("record", "people", "password", "kim", *ANN, "--new-password-file", "p"), "right-missing"),
    (("record", "space", "--record", "postgresql://a@b/c"), "space-server"),
    (("check",), "ward-source"),
    (("check", "ward.xlsx", "--record", "ward.airyoke"), "ward-source"),
    (("check", "--record", "ward.airyoke"), "beds-empty"),
    (("plan", "ward.xlsx", "--keep", "--as", "ann"), "keep-where"),
])  # fmt: skip
def test_what_cannot_be_done_is_refused_with_the_reason_and_the_way_out(
    run: Any, words: tuple[str, ...], finding: str
) -> None:
    code, answer = run(*words)
    assert (code, answer["schema"]) == (2, "airyoke/error/1")
    assert finding in [one["id"] for one in answer["errors"]]
    assert all(one["reason"] and one["remedy"] for one in answer["errors"])
    assert not Path("x").exists()
    assert not Path("y").exists()


def test_an_unlocked_record_needs_a_name_but_no_password_and_says_so(run: Any) -> None:
    assert (
        run(
            "record",
            "create",
            "--record",
            "open.airyoke",
            "--site",
            "st-open",
            "--keeper",
            "kim",
            "--unlocked",
            "--new-password-file",
            "p",
        )[0]
        == 0
    )
    assert (
        run("record", "import", "ward.xlsx", "--record", "open.airyoke", "--confirm", "all", "--as", "anybody")[1][
            "written"
        ]
        == 34
    )
    assert "record-unlocked" in [
        finding["id"] for finding in run("record", "status", "--record", "open.airyoke")[1]["findings"]
    ]


def test_people_come_go_and_get_new_passwords(run: Any) -> None:
    Path("q").write_text("seven quiet herons wading\n")
    assert run("record", "people", "password", "ann", *ANN, "--new-password-file", "q")[0] == 0
    assert run("record", "import", "ward.xlsx", "--confirm", "all", *ANN)[1]["errors"][0]["id"] == "sign-in-wrong"
    assert (
        run("record", "people", "password", "ann", "--as", "kim", "--password-file", "p", "--new-password-file", "p")[0]
        == 0
    )
    assert run("record", "people", "remove", "ann", "--as", "kim", "--password-file", "p")[1]["people"] == []
    assert [one["name"] for one in run("record", "people", "list")[1]["people"]] == ["kim"]


def test_pages_for_people_are_plain_text_with_heads(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["record", "import", "ward.xlsx"]) == 0
    page = capsys.readouterr().out
    assert "Proposal " in page
    assert "new: patient in bed E1" in page
    assert "head ward:" in page
    assert main(["record", "status"]) == 0
    assert "no backup was ever made" in capsys.readouterr().out
