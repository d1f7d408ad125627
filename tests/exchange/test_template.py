"""The template: empty it is no ward, filled by hand it is one, and its words are those of the reader."""

from __future__ import annotations

import csv
import subprocess
import sys
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.parts import PART_NAMES
from airyoke.exchange import read_ward, write_template
from airyoke.exchange.columns import COLUMNS
from airyoke.limits.policy import limit_policy_names
from airyoke.lungs.conditions import CONDITIONS
from airyoke.quantities import Refused, is_quantity, quantity
from exchange.clean_ward import NOW, clean_tables


def _fill_workbook(path: Path) -> None:
    book = load_workbook(path)
    for sheet, rows in clean_tables().items():
        page = book[sheet]
        header = [cell.value for cell in page[1]]
        for number, row in enumerate(rows, start=3):
            for key, value in row.items():
                page.cell(number, header.index(key) + 1).value = value
    book.save(path)


def _fill_folder(path: Path) -> None:
    for sheet, rows in clean_tables().items():
        file = path / f"{sheet}.csv"
        with file.open(encoding="utf-8-sig", newline="") as stream:
            header = next(csv.reader(stream))
        with file.open("a", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows([[row.get(key, "") for key in header] for row in rows])


@pytest.mark.parametrize("name", ["ward.xlsx", "ward"])
def test_an_empty_template_is_no_ward_and_says_so(tmp_path: Path, name: str) -> None:
    write_template(tmp_path / name)
    with pytest.raises(Refused) as refusal:
        read_ward(tmp_path / name, now=NOW)
    assert [finding.id for finding in refusal.value.findings] == ["beds-empty", "ventilators-empty"]


@pytest.mark.parametrize(("name", "fill"), [("ward.xlsx", _fill_workbook), ("ward", _fill_folder)])
def test_a_template_filled_by_hand_is_a_ward(tmp_path: Path, name: str, fill: Any) -> None:
    write_template(tmp_path / name)
    fill(tmp_path / name)
    ward = read_ward(tmp_path / name, now=NOW)
    assert {(finding.id, finding.level) for finding in ward.findings} == {("example-row-skipped", "note")}
    assert [(finding.sheet, finding.row) for finding in ward.findings] == [
        ("beds", 2), ("ventilators", 2), ("stock", 2), ("policy", 2)]  # fmt: skip
    assert len(ward.beds) == 4
    assert all(bed.readings is not None for bed in ward.beds)
    assert ward.stock == dict.fromkeys(PART_NAMES, 12)


@pytest.mark.parametrize("name", ["ward.xlsx", "ward"])
def test_the_example_row_is_a_good_example(tmp_path: Path, name: str) -> None:
    """Unmarked, the example gives no finding of its own."""
    tables: dict[str, list[dict[str, Any]]] = {
        sheet: [{column.key: column.example for column in columns}] for sheet, columns in COLUMNS.items()
    }
    tables["beds"][0].update(bed="1", ventilator="V1")
    tables["ventilators"][0]["ventilator"] = "V1"
    del tables["stock"], tables["policy"]
    from airyoke.exchange import write_tables

    write_tables(tmp_path / name, tables)
    assert [f.id for f in read_ward(tmp_path / name, now=NOW).findings] == ["stock-missing"]


def test_nothing_is_overwritten_and_the_kind_must_be_clear(tmp_path: Path) -> None:
    write_template(tmp_path / "ward.xlsx")
    for name, finding in (("ward.xlsx", "file-exists"), ("ward.csv", "ward-format"), ("no/ward.xlsx", "folder-missing")):
        with pytest.raises(Refused, match=finding):
            write_template(tmp_path / name)


def test_every_column_is_there_and_explained(tmp_path: Path) -> None:
    write_template(tmp_path / "ward.xlsx")
    book = load_workbook(tmp_path / "ward.xlsx")
    assert book.sheetnames == ["beds", "ventilators", "stock", "policy", "explanation"]
    explained = {(row[0], row[1]): row for row in book["explanation"].iter_rows(min_row=2, values_only=True) if row[0]}
    for sheet, columns in COLUMNS.items():
        assert [cell.value for cell in book[sheet][1]] == [column.key for column in columns]
        for column in columns:
            row = explained[sheet, column.key]
            assert row[3], column.key
            if is_quantity(column.key):
                entry = quantity(column.key)
                assert entry.meaning in row[3]
                assert row[6] == entry.refuse.words(entry.unit)
                for header in entry.columns():
                    assert header == column.key or header in row[5]
            for word in column.choices:
                assert word in row[8]
    for name in limit_policy_names():
        assert ("policy", name) in explained
    for condition in CONDITIONS:
        assert explained["policy", condition.id][9] == condition.rule
        assert condition.id in explained["beds", "conditions"][8]
    for item in fields(Ventilator):
        if item.name not in {"label", "room"}:
            assert explained["ventilators", item.name][9], item.name


def test_drop_downs_stand_on_every_column_of_words(tmp_path: Path) -> None:
    write_template(tmp_path / "ward.xlsx")
    book = load_workbook(tmp_path / "ward.xlsx")
    for sheet, columns in COLUMNS.items():
        page = book[sheet]
        lists = {
            str(rule.sqref).split(":")[0].rstrip("0123456789")
            for rule in page.data_validations.dataValidation
            if rule.type == "list"
        }
        header = {cell.value: cell.column_letter for cell in page[1]}
        wanted = {header[column.key] for column in columns if column.kind == "choice"}
        if sheet in {"stock", "policy"}:
            wanted.add("A")
        assert lists == wanted


def test_template_never_says_safe(tmp_path: Path) -> None:
    write_template(tmp_path / "ward")
    for file in (tmp_path / "ward").iterdir():
        assert "safe" not in file.read_text(encoding="utf-8-sig").casefold()


def test_the_same_template_on_any_day(tmp_path: Path) -> None:
    write_template(tmp_path / "a.xlsx")
    write_template(tmp_path / "b.xlsx")
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_importing_the_room_does_not_load_the_workbook_libraries() -> None:
    code = "import airyoke.exchange, sys; sys.exit(bool({'xlsxwriter', 'python_calamine'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
