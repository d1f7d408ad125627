"""Files as wards have them: separators, decimal marks, encodings, dates, and files that are no wards."""

from __future__ import annotations

import re
import zipfile
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from airyoke.exchange import read_ward, write_tables
from airyoke.quantities import Refused, convert
from exchange.clean_ward import NOW, Tables, clean_tables, write_csv_ward, write_xlsx_ward


def _stops(path: Path) -> set[str]:
    with pytest.raises(Refused) as refusal:
        read_ward(path, now=NOW)
    return {finding.id for finding in refusal.value.findings}


def _ids(path: Path, now: datetime = NOW) -> list[str]:
    return [finding.id for finding in read_ward(path, now=now).findings]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize(("separator", "decimal"), [(",", "."), (";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", ",")])
def test_every_csv_dialect_reads_the_same(tmp_path: Path, encoding: str, separator: str, decimal: str) -> None:
    plain = read_ward(write_csv_ward(tmp_path / "plain", clean_tables()), now=NOW)
    path = write_csv_ward(tmp_path / "other", clean_tables(), separator=separator, decimal=decimal, encoding=encoding)
    other = read_ward(path, now=NOW)
    assert other.findings == ()
    assert (other.beds, other.ventilators, other.policy, other.stock) == (
        plain.beds,
        plain.ventilators,
        plain.policy,
        plain.stock,
    )


def test_workbook_and_csv_read_the_same(tmp_path: Path) -> None:
    a = read_ward(write_csv_ward(tmp_path / "ward", clean_tables()), now=NOW)
    b = read_ward(write_xlsx_ward(tmp_path / "ward.xlsx", clean_tables()), now=NOW)
    assert (a.beds, a.ventilators, a.policy, a.stock) == (b.beds, b.ventilators, b.policy, b.stock)


def test_windows_1252_is_read_and_said(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0]["read_by"] = "Ärztin"
    path = write_csv_ward(tmp_path / "ward", tables, encoding="cp1252")
    ward = read_ward(path, now=NOW)
    assert [finding.id for finding in ward.findings] == ["encoding-cp1252"]
    assert ward.beds[0].readings is not None
    assert ward.beds[0].readings.read_by == "Ärztin"


def test_declared_separator_line_stray_spaces_blank_lines_and_letter_case(tmp_path: Path) -> None:
    path = write_csv_ward(tmp_path / "ward", clean_tables(), separator=";", decimal=",")
    beds = path / "beds.csv"
    header, *rows = beds.read_text(encoding="utf-8").splitlines()
    padded = [";".join(f" {cell}\u00a0 " for cell in row.split(";")) for row in rows]
    loud = header.replace("height_cm", " Height_CM ").replace("bed;", "BED;")
    beds.write_text("\r\n".join(["sep=;", loud, "", *padded, "", ""]), encoding="utf-8")
    (path / "beds.csv").rename(path / "Beds.CSV")
    ward = read_ward(path, now=NOW)
    assert ward.findings == ()
    assert [bed.row for bed in ward.beds] == [3, 4, 5, 6]


def test_a_mixed_decimal_mark_is_refused_not_guessed(tmp_path: Path) -> None:
    path = write_csv_ward(tmp_path / "ward", clean_tables(), separator=";", decimal=",")
    beds = path / "beds.csv"
    beds.write_text(beds.read_text(encoding="utf-8").replace(";7,36;", ";7.36;"), encoding="utf-8")
    ward = read_ward(path, now=NOW)
    assert [(finding.id, finding.column, finding.bed) for finding in ward.findings] == [("number-decimal-mark", "ph", "1")]
    assert ward.beds[0].readings is not None
    assert ward.beds[0].readings.ph is None


@pytest.mark.parametrize(("text", "separator", "decimal"), [("1,050", ",", "."), ("1.050", ";", ",")])
def test_a_thousands_separator_never_becomes_a_small_number(
    tmp_path: Path, text: str, separator: str, decimal: str
) -> None:
    tables = clean_tables()
    tables["beds"][0]["tidal_volume_ml"] = text
    path = write_csv_ward(tmp_path / "ward", tables, separator=separator, decimal=decimal)
    ward = read_ward(path, now=NOW)
    assert [finding.id for finding in ward.findings] == ["number-decimal-mark"]
    assert ward.beds[0].readings is None


def test_a_decimal_comma_between_commas_stops(tmp_path: Path) -> None:
    path = write_csv_ward(tmp_path / "ward", clean_tables())
    beds = path / "beds.csv"
    beds.write_text(beds.read_text(encoding="utf-8").replace(",7.36,", ",7,36,"), encoding="utf-8")
    assert _stops(path) == {"row-too-long"}


@pytest.mark.parametrize(
    ("old", "new", "unit", "target"),
    [
        ("height_cm", "height_in", "in", "cm"),
        ("height_cm", "height_m", "m", "cm"),
        ("peep_cmh2o", "peep_kpa", "kPa", "cmH2O"),
        ("plateau_cmh2o", "plateau_mbar", "mbar", "cmH2O"),
        ("peak_cmh2o", "peak_hpa", "hPa", "cmH2O"),
        ("total_peep_cmh2o", "total_peep_mbar", "mbar", "cmH2O"),
        ("pressure_above_peep_cmh2o", "pressure_above_peep_kpa", "kPa", "cmH2O"),
        ("resistance_cmh2o_s_per_l", "resistance_kpa_s_per_l", "kPa·s/L", "cmH2O·s/L"),
        ("tidal_volume_ml", "tidal_volume_l", "L", "mL"),
        ("fio2", "fio2_pct", "%", ""),
        ("pao2_mmhg", "pao2_kpa", "kPa", "mmHg"),
        ("paco2_mmhg", "paco2_kpa", "kPa", "mmHg"),
        ("etco2_mmhg", "etco2_kpa", "kPa", "mmHg"),
        ("haemoglobin_g_per_dl", "haemoglobin_g_per_l", "g/L", "g/dL"),
        ("haemoglobin_g_per_dl", "haemoglobin_mmol_per_l", "mmol/L Hb", "g/dL"),
    ],
)
@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_another_unit_in_the_header_is_converted(
    tmp_path: Path, old: str, new: str, unit: str, target: str, form: str
) -> None:
    tables = clean_tables()
    expected = [row.get(old) for row in tables["beds"]]
    for row in tables["beds"]:
        if old in row:
            # Seven digits: what a spreadsheet shows, so that rounding stays far below any tolerance.
            row[new] = float(f"{convert(row.pop(old), target, unit):.7g}")
    if form == "csv":
        path = write_csv_ward(tmp_path / "ward", tables)
    else:
        path = write_xlsx_ward(tmp_path / "ward.xlsx", tables)
    ward = read_ward(path, now=NOW)
    got = [getattr(bed.readings, old) for bed in ward.beds]
    assert got == [None if value is None else pytest.approx(value, rel=1e-4) for value in expected]
    assert ward.findings == ()


@pytest.mark.parametrize(
    ("column", "value", "finding", "words"),
    [
        ("fio2_pct", 0.5, "fio2-unit", "name the column fio2"),
        ("peep_kpa", 10, "peep-unit", "name the column peep_cmh2o"),
        ("paco2_kpa", 46, "paco2-unit", "name the column paco2_mmhg"),
        ("height_in", 165, "height-unit", "name the column height_cm"),
        ("height_m", 165, "height-unit", "name the column height_cm"),
        ("tidal_volume_l", 380, "tidal-volume-unit", "name the column tidal_volume_ml"),
        ("haemoglobin_g_per_l", 10.5, "haemoglobin-unit", "name the column haemoglobin_g_per_dl"),
        ("resistance_kpa_s_per_l", 12, "resistance-unit", "cmH2O·s/L"),
    ],
)
def test_the_usual_unit_in_a_column_of_another(
    tmp_path: Path, column: str, value: float, finding: str, words: str
) -> None:
    tables = clean_tables()
    stem = column.removesuffix("_pct").removesuffix("_kpa").removesuffix("_in").removesuffix("_m").removesuffix("_l")
    for row in tables["beds"]:
        for key in [key for key in row if key.startswith(stem.split("_g_per")[0].split("_kpa_s")[0])]:
            del row[key]
        row[column] = value
    found = [item for item in read_ward(write_csv_ward(tmp_path / "w", tables), now=NOW).findings if item.id == finding]
    assert len(found) == 4
    assert all(item.column == column and words in item.remedy for item in found)


# Times.


def _with_time(tables: Tables, value: Any) -> Tables:
    for row in tables["beds"]:
        row["read_at"] = value
    return tables


def test_excel_dates_and_zones(tmp_path: Path) -> None:
    cell = write_xlsx_ward(tmp_path / "a.xlsx", _with_time(clean_tables(), datetime(2026, 11, 25, 14, 10)))
    assert _ids(cell) == []
    zone = timezone(timedelta(hours=1))
    now = datetime(2026, 11, 25, 15, 0, tzinfo=zone)
    assert _ids(cell, now) == []
    read_at = read_ward(cell, now=now).beds[0].readings.read_at  # type: ignore[union-attr]
    assert read_at == datetime(2026, 11, 25, 14, 10, tzinfo=zone)
    # The same hour written in another zone: 16:10 at +03:00 is 14:10 at +01:00; as local time it is the future.
    assert _ids(write_csv_ward(tmp_path / "b", _with_time(clean_tables(), "2026-11-25T16:10+03:00")), now) == []
    assert _ids(write_csv_ward(tmp_path / "c", _with_time(clean_tables(), "2026-11-25T13:10Z")), now) == []
    assert set(_ids(write_csv_ward(tmp_path / "d", _with_time(clean_tables(), "2026-11-25T16:10")), now)) == {
        "reading-in-future"
    }
    assert set(_ids(write_csv_ward(tmp_path / "e", _with_time(clean_tables(), "2026-11-25T13:10+06:00")), now)) == {
        "reading-old"
    }


def test_a_zone_in_the_file_and_none_in_now(tmp_path: Path) -> None:
    now = datetime.now()
    text = (now.astimezone(UTC) - timedelta(minutes=50)).isoformat(timespec="seconds")
    ward = read_ward(write_csv_ward(tmp_path / "ward", _with_time(clean_tables(), text)), now=now)
    assert ward.findings == ()
    read_at = ward.beds[0].readings.read_at  # type: ignore[union-attr]
    assert read_at is not None
    assert read_at.tzinfo is None


def test_the_policy_decides_what_is_old(tmp_path: Path) -> None:
    tables = _with_time(clean_tables(), "2026-11-25T05:00")
    assert set(_ids(write_csv_ward(tmp_path / "a", tables))) == {"reading-old"}
    tables["policy"].append({"name": "reading_max_age_h", "value": 12})
    assert _ids(write_csv_ward(tmp_path / "b", tables)) == []


def test_dates_where_numbers_or_labels_belong(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0]["ph"] = datetime(2026, 4, 7)
    tables["beds"][1]["infection"] = datetime(2026, 3, 1)
    tables["beds"][2]["read_at"] = 46351.59
    tables["beds"][3]["room"] = datetime(2026, 3, 4)
    ward = read_ward(write_xlsx_ward(tmp_path / "ward.xlsx", tables), now=NOW)
    assert [(finding.id, finding.column) for finding in ward.findings] == [
        ("number-is-date", "ph"),
        ("text-is-date", "infection"),
        ("read-at-unreadable", "read_at"),
        ("text-is-date", "room"),
    ]
    # An unreadable room could forbid sharing; the others become "not known".
    assert [bed.readings is not None for bed in ward.beds] == [True, True, True, False]
    assert ward.beds[1].infection is None


def test_numbers_as_labels_keep_their_digits(tmp_path: Path) -> None:
    tables = clean_tables()
    for number, row in enumerate(tables["beds"], start=4):
        row["bed"] = number
    ward = read_ward(write_xlsx_ward(tmp_path / "ward.xlsx", tables), now=NOW)
    assert [bed.label for bed in ward.beds] == ["4", "5", "6", "7"]


# Files that are no wards.


def test_missing_sheets(tmp_path: Path) -> None:
    tables = clean_tables()
    for sheet in ("beds", "ventilators"):
        rest = {name: rows for name, rows in tables.items() if name != sheet}
        assert _stops(write_csv_ward(tmp_path / sheet, rest)) == {"sheet-missing"}
        assert _stops(write_xlsx_ward(tmp_path / f"{sheet}.xlsx", rest)) == {"sheet-missing"}
    del tables["policy"]
    assert _ids(write_csv_ward(tmp_path / "no-policy", tables)) == []
    del tables["stock"]
    ward = read_ward(write_csv_ward(tmp_path / "no-stock", tables), now=NOW)
    assert ward.stock is None
    assert [finding.id for finding in ward.findings] == ["stock-missing"]


def test_an_empty_stock_sheet_is_said_loudly(tmp_path: Path) -> None:
    path = write_csv_ward(tmp_path / "ward", clean_tables())
    (path / "stock.csv").write_text("part,count\n", encoding="utf-8")
    ward = read_ward(path, now=NOW)
    assert ward.stock == {}
    assert [(finding.id, finding.level) for finding in ward.findings] == [("stock-empty", "ask")]


def test_mistyped_sheet_is_asked_other_sheets_are_noted(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["polcy"] = tables.pop("policy")
    assert _stops(write_csv_ward(tmp_path / "a", tables)) == {"sheet-unknown"}
    tables["policy"] = tables.pop("polcy")
    tables["staff rota"] = [{"who": "RT-7"}]
    assert _ids(write_xlsx_ward(tmp_path / "b.xlsx", tables)) == ["sheet-ignored"]


@pytest.mark.parametrize("name", ["ward.xls", "ward.xlsm", "ward.ods", "ward.csv", "ward.pdf", "ward"])
def test_other_formats_are_refused_with_the_way_out(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"bed,sex\n1,f\n")
    assert _stops(tmp_path / name) == {"ward-format"}


def test_no_such_file(tmp_path: Path) -> None:
    assert _stops(tmp_path / "nowhere.xlsx") == {"ward-not-found"}
    assert _stops(tmp_path / "nowhere") == {"ward-not-found"}
    (tmp_path / "empty").mkdir()
    assert _stops(tmp_path / "empty") == {"sheet-missing"}


@pytest.mark.parametrize(
    "content",
    [b"", b"PK\x03\x04", b"\xd0\xcf\x11\xe0" * 200, b"<html></html>", bytes(range(256)) * 40, b"bed,sex\n1,f\n"],
)
def test_garbage_named_xlsx(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "ward.xlsx"
    path.write_bytes(content)
    assert _stops(path) == {"workbook-unreadable"}


@pytest.mark.parametrize("content", [b"\x00\x01\x02", b"bed,sex\x00\n1,f", b'bed,sex\n"1,f\n2,m\n', b"\x81\x8d\x8f"])
def test_garbage_named_csv(tmp_path: Path, content: bytes) -> None:
    path = write_csv_ward(tmp_path / "ward", clean_tables())
    (path / "beds.csv").write_bytes(content)
    assert _stops(path) == {"csv-unreadable"}


def _rewritten(source: Path, target: Path, part: str, change: Any) -> Path:
    """A copy of a workbook with one part changed."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            data = old.read(info)
            new.writestr(info.filename, change(data) if info.filename == part else data)
    return target


def test_a_zip_bomb_is_refused(tmp_path: Path) -> None:
    source = write_xlsx_ward(tmp_path / "a.xlsx", clean_tables())
    bomb = _rewritten(source, tmp_path / "bomb.xlsx", "xl/worksheets/sheet1.xml", lambda data: data + b" " * 40_000_000)
    assert bomb.stat().st_size < 100_000
    assert _stops(bomb) == {"workbook-unpacks-too-large"}


def test_a_cell_at_the_far_corner_is_refused(tmp_path: Path) -> None:
    source = write_xlsx_ward(tmp_path / "a.xlsx", clean_tables())
    far = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    path = _rewritten(source, tmp_path / "far.xlsx", "xl/worksheets/sheet1.xml",
                      lambda data: data.replace(b"</sheetData>", far))
    assert _stops(path) == {"sheet-too-large"}


def test_entities_macros_and_sizes_are_refused(tmp_path: Path) -> None:
    source = write_xlsx_ward(tmp_path / "a.xlsx", clean_tables())
    entity = _rewritten(source, tmp_path / "entity.xlsx", "xl/workbook.xml",
                        lambda data: b'<!DOCTYPE x [<!ENTITY a "b">]>' + data)
    assert _stops(entity) == {"workbook-unreadable"}
    macro = tmp_path / "macro.xlsx"
    macro.write_bytes(source.read_bytes())
    with zipfile.ZipFile(macro, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"x")
    assert _stops(macro) == {"workbook-has-macros"}
    large = tmp_path / "large.xlsx"
    large.write_bytes(b"PK" + bytes(10 * 1024 * 1024))
    assert _stops(large) == {"file-too-large"}
    wide = write_csv_ward(tmp_path / "wide", clean_tables())
    (wide / "beds.csv").write_text("bed" + "," * 250_000, encoding="utf-8")
    assert _stops(wide) == {"sheet-too-large"}


def test_a_damaged_part_is_refused(tmp_path: Path) -> None:
    source = write_xlsx_ward(tmp_path / "a.xlsx", clean_tables())
    data = bytearray(source.read_bytes())
    for place in range(len(data) // 3, len(data) // 3 + 200):
        data[place] ^= 0x5A
    path = tmp_path / "damaged.xlsx"
    path.write_bytes(data)
    assert _stops(path) == {"workbook-unreadable"}


def test_cells_without_a_value_are_never_taken_for_empty(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0]["paco2_mmhg"] = "=40+6"
    tables["beds"][1]["conditions"] = '="pregnancy"'
    path = write_xlsx_ward(tmp_path / "a.xlsx", tables)
    ward = read_ward(path, now=NOW)
    assert [(finding.id, finding.bed, finding.column) for finding in ward.findings] == [
        ("formula-without-value", "1", "paco2_mmhg"),
        ("formula-without-value", "2", "conditions"),
    ]
    # A condition that cannot be read could forbid sharing.
    assert [bed.readings is not None for bed in ward.beds] == [True, False, True, True]


def test_a_merged_cell_is_never_taken_for_empty(tmp_path: Path) -> None:
    from openpyxl import load_workbook

    path = write_xlsx_ward(tmp_path / "a.xlsx", clean_tables())
    book = load_workbook(path)
    sheet = book["beds"]
    room = [cell.value for cell in sheet[1]].index("room") + 1
    sheet.merge_cells(start_row=2, end_row=3, start_column=room, end_column=room)
    book.save(path)
    far = b'<mergeCell ref="A900:XFD1048576"/></mergeCells>'
    huge = _rewritten(path, tmp_path / "b.xlsx", "xl/worksheets/sheet1.xml", lambda data: data.replace(b"</mergeCells>", far))
    ward = read_ward(huge, now=NOW)
    assert [(finding.id, finding.bed, finding.column) for finding in ward.findings] == [("cell-merged", "2", "room")]
    # The room could forbid sharing, so the bed is not judged.
    assert [bed.readings is not None for bed in ward.beds] == [True, False, True, True]


def test_a_formula_that_gives_an_empty_text_is_an_empty_cell(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0]["exclude"] = '=IF(1,"","")'
    source = write_xlsx_ward(tmp_path / "a.xlsx", tables)
    assert _ids(source) == ["formula-without-value"]

    def stored(data: bytes) -> bytes:
        return re.sub(rb'<c r="(\w+)"([^>]*)><f>(.*?)</f><v ?/>', rb'<c r="\1"\2 t="str"><f>\3</f><v></v>', data)

    assert _ids(_rewritten(source, tmp_path / "b.xlsx", "xl/worksheets/sheet1.xml", stored)) == []


def test_an_error_cell_is_refused(tmp_path: Path) -> None:
    from openpyxl import load_workbook

    path = write_xlsx_ward(tmp_path / "a.xlsx", clean_tables())
    book = load_workbook(path)
    sheet = book["beds"]
    column = [cell.value for cell in sheet[1]].index("ph") + 1
    sheet.cell(2, column).value = "#DIV/0!"
    sheet.cell(2, column).data_type = "e"
    book.save(path)
    assert _ids(path) == ["cell-error"]


def test_text_that_looks_like_a_formula_is_written_as_text_and_comes_back(tmp_path: Path) -> None:
    for target in (tmp_path / "ward", tmp_path / "ward.xlsx"):
        tables = clean_tables()
        nasty = "=HYPERLINK(\"x\")"
        tables["beds"][0]["exclude"] = nasty
        tables["beds"][1]["read_by"] = "@RT"
        write_tables(target, tables)
        if target.is_dir():
            text = (target / "beds.csv").read_text(encoding="utf-8-sig")
            assert "'=HYPERLINK" in text
            assert "'@RT" in text
        ward = read_ward(target, now=NOW)
        assert ward.beds[0].exclude == nasty
        assert ward.beds[1].readings is not None
        assert ward.beds[1].readings.read_by == "@RT"
        assert ward.findings == ()


def test_written_tables_read_back_the_same(tmp_path: Path) -> None:
    reference = read_ward(write_csv_ward(tmp_path / "reference", clean_tables()), now=NOW)
    for target in (tmp_path / "ward", tmp_path / "ward.xlsx"):
        write_tables(target, clean_tables())
        ward = read_ward(target, now=NOW)
        assert (ward.beds, ward.ventilators, ward.policy, ward.stock, ward.findings) == (
            reference.beds,
            reference.ventilators,
            reference.policy,
            reference.stock,
            (),
        )
        with pytest.raises(Refused, match="file-exists"):
            write_tables(target, clean_tables())
    with pytest.raises(ValueError, match="no sheet"):
        write_tables(tmp_path / "x", {"bed": []})
    with pytest.raises(Refused, match="ward-format"):
        write_tables(tmp_path / "x.csv", {})


def test_the_same_rows_make_the_same_bytes(tmp_path: Path) -> None:
    write_tables(tmp_path / "a.xlsx", clean_tables())
    write_tables(tmp_path / "b.xlsx", clean_tables())
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
