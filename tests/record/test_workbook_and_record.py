"""A ward that came in through a workbook plans like the workbook itself, and what changes is proposed line by line."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from airyoke.exchange import read_ward, write_tables
from airyoke.exchange.ward_rows import read_typed_rows, ward_of_rows
from airyoke.ward.demo import demo_tables
from airyoke.ward.proposal import Line, propose
from airyoke.ward.rows import ward_rows
from airyoke.ward.ward import Ward
from exchange.clean_ward import clean_tables, write_csv_ward, write_xlsx_ward
from record.scribe import Scribe

NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)


def plain(ward: Ward) -> Ward:
    """The ward without where it was read from, and without how a time was spelled there."""
    places = [replace(f, file=None, row=None) for f in ward.findings]
    findings = tuple(sorted((replace(f, value=None) if f.column == "read_at" else f for f in places), key=repr))
    return replace(ward, beds=tuple(replace(bed, row=None) for bed in ward.beds), findings=findings, file=None)


def taken_in(path: Path) -> Scribe:
    scribe = Scribe()
    for line in propose(scribe.fold.state, read_typed_rows(path, now=NOW)[1]):
        assert line.kind == "new"
        scribe.write_drafts(line.drafts)
    return scribe


@pytest.fixture(params=["demo", "clean.xlsx", "clean"])
def workbook(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / request.param
    if request.param == "demo":
        write_tables(path, demo_tables(NOW))  # type: ignore[arg-type]
        return path
    tables = clean_tables()
    tables["policy"] = [
        {"name": "max_group_size", "value": 3},
        {"name": "ph_low", "value": 7.25},
        {"name": "rehearse", "value": "no"},
        {"name": "pregnancy", "value": "ask"},
    ]
    return write_xlsx_ward(path, tables) if path.suffix else write_csv_ward(path, tables)


def test_the_ward_of_the_record_is_the_ward_of_the_workbook(workbook: Path) -> None:
    scribe = taken_in(workbook)
    ward = ward_of_rows(ward_rows(scribe.fold.state), file="record", now=NOW)
    assert plain(ward) == plain(read_ward(workbook, now=NOW))


def test_a_workbook_that_is_taken_in_proposes_nothing_more(workbook: Path) -> None:
    scribe = taken_in(workbook)
    assert propose(scribe.fold.state, read_typed_rows(workbook, now=NOW)[1]) == ()


def test_the_workbook_written_from_the_record_reads_as_the_same_ward(workbook: Path, tmp_path: Path) -> None:
    scribe = taken_in(workbook)
    write_tables(tmp_path / "out.xlsx", ward_rows(scribe.fold.state))
    assert plain(read_ward(tmp_path / "out.xlsx", now=NOW)) == plain(read_ward(workbook, now=NOW))


def proposed(scribe: Scribe, tmp_path: Path, **changes: Any) -> list[Line]:
    tables = demo_tables(NOW)
    tables["beds"][0].update(changes)
    write_tables(tmp_path / "again", tables)  # type: ignore[arg-type]
    return list(propose(scribe.fold.state, read_typed_rows(tmp_path / "again", now=NOW)[1]))


@pytest.fixture
def demo(tmp_path: Path) -> Scribe:
    write_tables(tmp_path / "demo", demo_tables(NOW))  # type: ignore[arg-type]
    return taken_in(tmp_path / "demo")


@pytest.mark.parametrize(
    ("changes", "kind", "before", "after"),
    [
        ({"conditions": "pregnancy"}, "new", {}, {"conditions": ["pregnancy"]}),
        ({"height_cm": 160}, "changed", {"height_cm": 163}, {"height_cm": 160}),
        ({"plateau_cmh2o": 25, "read_at": "2026-11-25T13:59+00:00"}, "changed", {"plateau_cmh2o": 23.3}, {"plateau_cmh2o": 25}),
        ({"plateau_cmh2o": 25}, "conflicting", {"plateau_cmh2o": 23.3}, {"plateau_cmh2o": 25}),
        ({"plateau_cmh2o": 25, "read_at": "2026-11-25T12:00+00:00"}, "conflicting", {"plateau_cmh2o": 23.3}, {"plateau_cmh2o": 25}),
        ({"room": "North"}, "changed", {"room": "East"}, {"room": "North"}),
    ],
)  # fmt: skip
def test_what_differs_is_proposed_with_both_values(
    demo: Scribe, tmp_path: Path, changes: dict[str, Any], kind: str, before: dict[str, Any], after: dict[str, Any]
) -> None:
    (line,) = proposed(demo, tmp_path, **changes)
    assert (line.kind, dict(line.before), dict(line.after)) == (kind, before, after)
    assert line.why or kind != "conflicting"
    demo.write_drafts(line.drafts)


def test_another_patient_in_the_bed_is_a_conflict_and_confirmed_replaces_the_old_one(
    demo: Scribe, tmp_path: Path
) -> None:
    (line,) = proposed(demo, tmp_path, code="k99")
    assert line.kind == "conflicting"
    assert [draft.kind for draft in line.drafts] == ["patient_out", "patient_in", "reading"]
    demo.write_drafts(line.drafts)
    assert demo.fold.state.bed_of("k99") == "E1"
    assert demo.fold.state.bed_of("k21") is None


def test_a_patient_who_is_elsewhere_in_the_record_is_a_conflict_and_confirmed_moves(
    demo: Scribe, tmp_path: Path
) -> None:
    tables = demo_tables(NOW)
    tables["beds"] = [{**tables["beds"][0], "bed": "E9"}]
    write_tables(tmp_path / "again", tables)  # type: ignore[arg-type]
    lines = propose(demo.fold.state, read_typed_rows(tmp_path / "again", now=NOW)[1])
    assert [line.kind for line in lines] == ["new", "conflicting"]
    for line in lines:
        demo.write_drafts(line.drafts)
    assert demo.fold.state.bed_of("k21") == "E9"


def test_what_a_workbook_leaves_empty_stays_as_it_is(demo: Scribe, tmp_path: Path) -> None:
    assert proposed(demo, tmp_path, conditions=None, haemoglobin_g_per_dl=None, tube_mm=None) == []


def test_a_machine_that_is_usable_again_is_proposed_though_that_is_the_default(demo: Scribe, tmp_path: Path) -> None:
    tables = demo_tables(NOW)
    tables["ventilators"][-1]["usable"] = "yes"
    write_tables(tmp_path / "again", tables)  # type: ignore[arg-type]
    (line,) = propose(demo.fold.state, read_typed_rows(tmp_path / "again", now=NOW)[1])
    assert (line.kind, dict(line.before), dict(line.after)) == ("changed", {"usable": False}, {"usable": True})


def test_the_oldest_value_in_use_dates_a_bed(demo: Scribe) -> None:
    demo.write(
        "reading", bed="E1", code="k21", read_at="2026-11-25T13:58+00:00", read_by="rt-9", values={"spo2_pct": 95}
    )
    row = ward_rows(demo.fold.state)["beds"][0]
    assert (row["spo2_pct"], row["read_at"], row["read_by"]) == (95, "2026-11-25T13:25:00+00:00", "rt-9")
