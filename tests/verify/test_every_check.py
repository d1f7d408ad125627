"""The table of checks: everything holds, and everything could fail."""

from __future__ import annotations

import math
import os
from dataclasses import replace

import pytest

from airyoke.contract.verify_answer import Kind, VerifyAnswer
from airyoke.verify.row import FITTED, Check, Row, Tolerance, has
from airyoke.verify.table import ORDER, Table, all_checks, answer_of, run_checks

CHECKS = all_checks()
NAMES = [check.id for check in CHECKS]


@pytest.mark.parametrize("name", NAMES)
def test_a_figure_of_the_tool_is_what_an_outside_source_says(table: Table, name: str) -> None:
    row = next(row for row in table.rows if row.id == name)
    if row.verdict == "not run":
        word = "Debian package" if "Debian" in str(row.reason) else "package"
        pytest.skip(f"{word} missing: {row.reason}")
    assert row.verdict == "pass", (row.reason, row.expected, row.got)


def _pushed(row: Row, index: int) -> Row:
    """The row with one of its values moved just beyond what is allowed."""
    tolerance, expected = row.tolerance, row.expected[index]
    if tolerance.side != "both":
        wrong = expected - 1e-9 - 1e-9 * abs(expected) if tolerance.side == "low" else expected * (1 + 1e-9) + 1e-9
    else:
        wrong = expected + 1.001 * tolerance.allowed(expected) + 1e-12 * max(1.0, abs(expected))
    got = list(row.got)
    got[index] = wrong
    return replace(row, got=tuple(got))


@pytest.mark.parametrize("name", NAMES)
def test_a_planted_wrong_value_fails_wherever_it_stands(table: Table, name: str) -> None:
    row = next(row for row in table.rows if row.id == name)
    if row.verdict == "not run":
        pytest.skip(str(row.reason))
    assert row.got
    for index in range(len(row.got)):
        assert _pushed(row, index).verdict == "fail", (index, row.expected[index])


@pytest.mark.parametrize("name", [check.id for check in CHECKS if check.tolerance.side == "both"])
def test_what_is_allowed_is_small_against_what_is_expected(table: Table, name: str) -> None:
    # Else a check could hold with a value of nothing. Differences (expected 0) are judged in their own unit; people
    # differ by more than benches do.
    row = next(row for row in table.rows if row.id == name)
    most = 0.25 if row.kind == "published apnoea" else 0.101
    for expected in row.expected:
        if abs(expected) > 10.0:
            assert row.tolerance.allowed(expected) <= most * abs(expected)


def test_names_are_unique_and_every_kind_is_there() -> None:
    assert len(set(NAMES)) == len(NAMES)
    assert {check.kind for check in CHECKS} == set(ORDER)
    assert all(check.source and check.what for check in CHECKS)


def test_a_value_that_is_no_number_never_passes() -> None:
    for wrong in (math.nan, math.inf, -math.inf):
        for side in ("both", "low", "high"):
            assert Tolerance(absolute=1e300, side=side).excess(1.0, wrong) > 1.0  # type: ignore[arg-type]


def test_a_bound_has_no_slack() -> None:
    assert Tolerance(side="low").excess(1.0, 1.0) <= 1.0 < Tolerance(side="low").excess(1.0, 1.0 - 1e-12)
    assert Tolerance(side="high").excess(1.0, 1.0) <= 1.0 < Tolerance(side="high").excess(1.0, 1.0 + 1e-12)


def _check(compute: object, kind: Kind = "law", **more: object) -> Check:
    return Check("one", kind, "what", "source", "mL", Tolerance(absolute=0.1), compute, **more)  # type: ignore[arg-type]


def test_an_error_inside_a_check_is_a_failed_row_and_hides_no_other() -> None:
    def broken() -> tuple[list[float], list[float]]:
        raise RuntimeError("no answer")

    good = _check(lambda: ([1.0], [1.0]))
    table = run_checks((_check(broken), replace(good, id="two")))
    assert [row.verdict for row in table.rows] == ["fail", "pass"]
    assert table.rows[0].reason == "RuntimeError: no answer"


def test_checks_made_side_by_side_leave_the_output_of_the_process_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    # The solver that chooses parts points file descriptor 1 elsewhere while it runs; two at once would leave it there.
    built = [check for check in CHECKS if check.id.startswith("ngspice-built")]
    assert len(built) >= 4
    monkeypatch.setattr("airyoke.verify.row.has", lambda tool: True)
    monkeypatch.setattr("airyoke.verify.spice.solve", lambda *given: None)  # the netlists do not matter here
    before = os.fstat(1)
    run_checks(replace(check, id=f"{check.id}-{k}") for k in range(10) for check in built)
    after = os.fstat(1)
    assert (after.st_dev, after.st_ino) == (before.st_dev, before.st_ino)


def test_values_that_do_not_pair_up_fail() -> None:
    assert _check(lambda: ([1.0, 2.0], [1.0])).run().verdict == "fail"
    assert _check(lambda: ([], [])).run().verdict == "fail"


def test_a_missing_tool_is_not_run_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("airyoke.verify.row.has", lambda tool: False)
    table = run_checks(check for check in CHECKS if check.needs)
    assert {row.verdict for row in table.rows} == {"not run"}
    assert table.count("not run") == len(table.rows) > 20
    assert all(row.reason and row.reason.startswith("needs the ") for row in table.rows)
    answer = answer_of(table)
    assert answer.outcome == "all_hold"
    assert answer.counts.not_run == len(table.rows)
    assert "not run" in answer.limits_of_truth[0].text


def test_only_figures_that_nothing_was_fitted_to_are_counted(table: Table) -> None:
    fitted = table.of(FITTED)
    assert len(fitted) == table.fitted >= 3
    wrong = Table((*(replace(row, got=(0.0,) * len(row.got)) for row in fitted),))
    assert wrong.count("fail") == 0
    total = table.count("pass") + table.count("fail") + table.count("not run")
    assert total + table.fitted == len(table.rows)


def test_the_answer_is_what_its_schema_says(table: Table) -> None:
    answer = answer_of(table)
    assert VerifyAnswer.model_validate_json(answer.json_text()) == answer
    assert [row.id for row in answer.checks] == NAMES


def test_tools_are_told_apart_from_missing_ones() -> None:
    assert has("scipy")
    assert not has("a-tool-that-nobody-has")  # type: ignore[arg-type]
