"""Whatever is typed: no crash, and no value ever comes out that lies outside its refused range."""

from __future__ import annotations

import io
import tempfile
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from airyoke.exchange import read_ward
from airyoke.exchange.cells import decimal_mark, read_number
from airyoke.exchange.columns import COLUMNS
from airyoke.quantities import Finding, Refused, is_quantity, quantity
from airyoke.ward.ward import Ward
from exchange.clean_ward import NOW, clean_tables, write_csv_ward, write_xlsx_ward

_NUMBERS = st.one_of(
    st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: round(value, 3)),
    st.integers(-10, 2000),
    st.sampled_from([0, 1, 1e15, 1e300, -1e300, 1e-300, 0.21, 100, 98.6]),
)
# What a workbook can hold as text; a CSV file holds the same and more.
_TEXT = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FFF, exclude_categories=["Cs"]), max_size=12)
_WORDS = st.sampled_from(
    ["f", "m", "yes", "no", "vc", "pc", "dual", "possible", "1,5", "1.5", "7,36", "60 %", "-", "=1+1", "EXAMPLE", "V1", "1",
     "2026-11-25T14:10", "2026-11-25", "9999-12-31T23:59+14:00", "0001-01-01T00:00-14:00", ";", "'=x", "pregnancy", "∞", "٣"]
)  # fmt: skip
_CELLS = st.one_of(st.none(), _NUMBERS, _TEXT, _WORDS)
_XLSX_CELLS = st.one_of(
    _CELLS,
    st.booleans(),
    st.datetimes(datetime(1901, 1, 1), datetime(2100, 1, 1)),
    st.dates(date(1901, 1, 1), date(2100, 1, 1)),
    st.times(),
)
_KEYS = [(sheet, column.key) for sheet, columns in COLUMNS.items() for column in columns]
_HEADERS = [(sheet, header) for sheet, columns in COLUMNS.items() for column in columns for header in column.headers()]


def _spoils(cells: st.SearchStrategy[Any]) -> st.SearchStrategy[list[tuple[tuple[str, str], int, Any]]]:
    places = st.one_of(*[st.sampled_from(_KEYS)] * 5, st.sampled_from(_HEADERS))
    return st.lists(st.tuples(places, st.integers(0, 3), cells), min_size=1, max_size=12)


def _every_value_is_possible(ward: Ward) -> None:
    for bed in ward.beds:
        for key in bed.readings.__slots__ if bed.readings is not None else ():
            value = getattr(bed.readings, key)
            if is_quantity(key) and value is not None:
                assert quantity(key).refuse.holds(value), (key, value)
    for machine in ward.ventilators:
        for key in machine.__slots__:
            if is_quantity(key):
                assert quantity(key).refuse.holds(getattr(machine, key)), key
    for count in (ward.stock or {}).values():
        assert 0 <= count <= 100_000
    for limit in ward.policy.limits:
        assert quantity(limit.name).refuse.holds(limit.target)
        assert limit.hard is None or quantity(limit.name).refuse.holds(limit.hard)


def _read_anything(path: Path) -> None:
    try:
        ward = read_ward(path, now=NOW)
    except Refused as refusal:
        findings: tuple[Finding, ...] = refusal.findings
    else:
        _every_value_is_possible(ward)
        findings = ward.findings
    for finding in findings:
        assert finding.id == finding.id.lower()
        assert " " not in finding.id
        assert finding.reason
        assert finding.remedy
        assert "safe" not in (finding.reason + finding.remedy).replace(str(finding.value), "").casefold().split()


def _spoiled(spoils: list[tuple[tuple[str, str], int, Any]]) -> dict[str, list[dict[str, Any]]]:
    tables = clean_tables()
    for (sheet, key), row, value in spoils:
        tables[sheet][row % len(tables[sheet])][key] = value
    return tables


@settings(max_examples=250, suppress_health_check=[HealthCheck.too_slow])
@given(_spoils(_CELLS), st.sampled_from([(",", "."), (";", ","), ("\t", ",")]))
def test_garbage_in_csv_cells(spoils: list[tuple[tuple[str, str], int, Any]], dialect: tuple[str, str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        separator, decimal = dialect
        _read_anything(write_csv_ward(Path(folder) / "w", _spoiled(spoils), separator=separator, decimal=decimal))


@settings(max_examples=120, suppress_health_check=[HealthCheck.too_slow])
@given(_spoils(_XLSX_CELLS))
def test_garbage_in_workbook_cells(spoils: list[tuple[tuple[str, str], int, Any]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        _read_anything(write_xlsx_ward(Path(folder) / "w.xlsx", _spoiled(spoils)))


@settings(max_examples=200)
@given(st.sampled_from(["beds", "ventilators", "stock", "policy"]), st.binary(max_size=300))
def test_garbage_as_a_whole_csv_file(sheet: str, content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = write_csv_ward(Path(folder) / "w", clean_tables())
        (path / f"{sheet}.csv").write_bytes(content)
        _read_anything(path)


_WORKBOOK = io.BytesIO()


@settings(max_examples=200)
@given(st.lists(st.tuples(st.integers(0, 20_000), st.integers(1, 255)), min_size=1, max_size=20))
def test_flipped_bytes_in_a_workbook(flips: list[tuple[int, int]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "w.xlsx"
        if not _WORKBOOK.getvalue():
            _WORKBOOK.write(write_xlsx_ward(path, clean_tables()).read_bytes())
        data = bytearray(_WORKBOOK.getvalue())
        for place, mask in flips:
            data[place % len(data)] ^= mask
        path.write_bytes(data)
        _read_anything(path)


@given(st.text(max_size=20), st.sampled_from([".", ","]))
def test_a_number_read_is_the_number_typed(text: str, mark: Any) -> None:
    """Nothing is accepted that does not print back as it was typed."""
    got = read_number(text, mark)
    if not isinstance(got, Finding):
        assert set(text) <= set("0123456789+-" + mark)
        assert float(text.replace(",", ".")) == got


@given(st.lists(st.sampled_from(["1.5", "1,5", "10", "a", "1.000,5", ".5", ",5", ""]), max_size=10))
def test_no_cell_is_read_with_the_other_mark(cells: list[str]) -> None:
    mark = decimal_mark(cells, None)
    other = "," if mark == "." else "."
    for cell in cells:
        if other in cell:
            assert isinstance(read_number(cell, mark), Finding)


def test_times_of_day_are_no_values() -> None:
    for cell in (time(9, 30), date(2026, 11, 25), datetime(2026, 11, 25)):
        assert isinstance(read_number(cell, "."), Finding)
