"""`airyoke verify` as it is run, and the table that docs/proof.md holds."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from airyoke.cli import main
from airyoke.verify.proof import BEGIN, END, markdown, placed
from airyoke.verify.row import Row
from airyoke.verify.table import Table, answer_of

PROOF = Path(__file__).parents[2] / "docs" / "proof.md"


@pytest.fixture
def run(table: Table, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Any:
    """Run the command on the table that was made once, or on another."""

    def command(*words: str, shown: Table = table) -> tuple[int, str, str]:
        monkeypatch.setattr("airyoke.cli.verify.run_checks", lambda progress: shown)
        code = main(["verify", *words])
        return code, *capsys.readouterr()

    return command


def _with(table: Table, **change: Any) -> Table:
    first: Row = table.rows[0]
    return Table((replace(first, **change), *table.rows[1:]))


def test_the_page_is_plain_narrow_and_says_what_it_cannot_show(run: Any) -> None:
    code, out, err = run()
    assert (code, err) == (0, "")
    assert "\x1b" not in out
    assert out.isascii()
    assert max(len(line) for line in out.splitlines()) <= 100
    for words in ("0 fail", "What this does not show", "Model error.", "Sharing a ventilator is the last resort"):
        assert words in out


def test_a_failed_check_is_named_first_and_the_exit_says_so(run: Any, table: Table) -> None:
    wrong = _with(table, got=(1.0,) * len(table.rows[0].got))
    code, out, _ = run(shown=wrong)
    assert code == 1
    assert "1 fail" in out
    assert out.index(f"FAILS: {wrong.rows[0].what.split(':')[0]}") < out.index("Formulas of one patient")
    assert run("--json", shown=wrong)[0] == run("--markdown", shown=wrong)[0] == 1


def test_a_check_that_was_not_run_fails_only_when_all_are_asked_for(run: Any, table: Table) -> None:
    missing = _with(table, ran=False, reason="needs a tool", expected=(), got=())
    assert run(shown=missing)[0] == 0
    code, out, _ = run("--all", shown=missing)
    assert code == 1
    assert "1 not run" in out
    assert "needs a tool" in out


def test_json_holds_every_value_and_nothing_else_is_printed(run: Any, table: Table) -> None:
    code, out, err = run("--json", "--seed", "3")
    answer = json.loads(out)
    assert (code, err) == (0, "")
    assert answer["schema"] == "airyoke/verify/1"
    assert answer["counts"]["failed"] == 0
    assert sum(len(check["values"]) for check in answer["checks"]) == sum(len(row.got) for row in table.rows)


_ROW = re.compile(
    r"^\| `([^`]+)` \| (.+?) \| ([^|]*) \| ([^|]*) \| ([^|]*) \| ([^|]*) \| (pass|fail|not run|fitted) \|$"
)


def _rows(text: str) -> dict[str, tuple[str, ...]]:
    """Check, what is said of it, what is allowed, verdict; numbers that came out may move in their last digits."""
    part = text[text.index(BEGIN) : text.index(END)]
    found = [match.groups() for match in map(_ROW.match, part.splitlines()) if match]
    return {name: (about, allowed, verdict) for name, about, _, _, _, allowed, verdict in found}


def test_the_stored_table_has_the_rows_of_the_command(table: Table) -> None:
    stored, made = _rows(PROOF.read_text("utf-8")), _rows(markdown(answer_of(table)))
    assert len(made) == len(table.rows)
    for name, row in made.items():
        if row[-1] == "not run":  # the tool is missing here; where the table was stored it was not
            stored.pop(name, None)
    made = {name: row for name, row in made.items() if row[-1] != "not run"}
    assert stored == made, "run: python -m airyoke.verify.proof"


def test_a_document_without_a_place_for_the_table_is_refused(table: Table) -> None:
    part = markdown(answer_of(table))
    assert placed(f"before\n{BEGIN}\nold\n{END}\nafter\n", part) == f"before\n{part}after\n"
    with pytest.raises(ValueError, match="no place for the table"):
        placed("nothing", part)
