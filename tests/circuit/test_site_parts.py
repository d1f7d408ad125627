"""A site's own parts in a CSV file: read with a finding for every wrong cell, and used where their pattern is."""

from __future__ import annotations

import json
from datetime import datetime

import pytest

from airyoke.cli import main
from airyoke.exchange import write_tables
from airyoke.exchange.site_parts import COLUMNS, read_site_parts
from airyoke.quantities import Refused
from ward.small import small_ward

HEADER = "part,like,drop_30_cmh2o,drop_60_cmh2o,dead_space_ml,count"


def _file(tmp_path, text, name="parts.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "text",
    [
        f"{HEADER}\nward-hmef,hmef,0.9,2.4,38,12\nlong-hose,tube-22mm-1800mm,0.4,1.3,,4\n",
        f"{HEADER}\nward-hmef,hmef,0.9,2.4,38,12\n\nlong-hose,tube-22mm-1800mm,0.4,1.3,,4\n".replace(",", ";").replace("0.", "0,"),
        f"\ufeff{HEADER}\r\nward-hmef,hmef,0.9,2.4,38,12\r\nlong-hose,tube-22mm-1800mm,0.4,1.3,,4\r\n",
    ],
    ids=["commas", "semicolons", "windows"],
)  # fmt: skip
def test_what_was_measured_is_read(tmp_path, text):
    if ";" in text:
        text = text.replace("2.4", "2,4").replace("1.3", "1,3")
    found = read_site_parts(_file(tmp_path, text))
    assert found.stock == {"ward-hmef": 12, "long-hose": 4}
    hmef = found.parts["ward-hmef"]
    assert (hmef.dead_space_ml, hmef.kind, hmef.confidence) == (38.0, "hmef", "measured")
    assert hmef.element.linear == pytest.approx(4 * 0.9 - 2.4)
    assert hmef.element.quadratic == pytest.approx(2 * 2.4 - 4 * 0.9)
    assert found.parts["long-hose"].length_m == 1.8


@pytest.mark.parametrize(
    ("row", "id_"),
    [
        ("ward-hmef,hmeff,0.9,2.4,38,12", "site-part-like"), ("hmef,hmef,0.9,2.4,38,12", "site-part-name"),
        ("ward-hmef,hmef,0.9,9,38,12", "site-part-drops"), ("ward-hmef,hmef,,2.4,38,12", "cell-missing"),
        ("ward-hmef,hmef,little,2.4,38,12", "number-unreadable"), ("ward-hmef,hmef,0.9,2.4,38,-1", "count-impossible"),
        ("ward-hmef,hmef,0.9,2.4,38,1.5", "count-impossible"), ("ward-hmef,hmef,0.9,2.4,9999,1", "site-part-data"),
        ("ward-hmef,hmef,0.9,2.4,38,12,7", "row-too-long"), (",hmef,0.9,2.4,38,12", "site-part-name"),
        ("a,hmef,0.9,2.4,38,1\na,hmef,0.9,2.4,38,1", "part-twice"),
    ],
)  # fmt: skip
def test_every_wrong_row_is_named_by_its_number(tmp_path, row, id_):
    with pytest.raises(Refused) as refusal:
        read_site_parts(_file(tmp_path, f"{HEADER}\nlong-hose,tube-22mm-1800mm,0.4,1.3,,4\n{row}\n"))
    found = {finding.id: finding for finding in refusal.value.findings}
    assert id_ in found
    assert found[id_].row == (4 if "twice" in id_ else 3)
    assert found[id_].file == "parts.csv"


@pytest.mark.parametrize(
    ("header", "id_"),
    [
        ("part,like,drop_30_cmh2o", "column-missing"), (f"{HEADER},colour", "column-unknown"),
        (f"{HEADER},count", "column-twice"), (HEADER.replace("drop_30_cmh2o", "drop_30"), "column-unknown"),
    ],
)  # fmt: skip
def test_an_unknown_column_is_refused_and_the_near_one_said(tmp_path, header, id_):
    with pytest.raises(Refused) as refusal:
        read_site_parts(_file(tmp_path, f"{header}\n"))
    findings = [finding for finding in refusal.value.findings if finding.id == id_]
    assert findings
    if "drop_30," in header:
        assert "drop_30_cmh2o" in findings[0].remedy


def test_no_file_no_text_and_an_empty_file_are_refused(tmp_path):
    for path in (tmp_path / "none.csv", _file(tmp_path, ""), tmp_path):
        with pytest.raises(Refused):
            read_site_parts(path)
    noise = tmp_path / "noise.csv"
    noise.write_bytes(bytes(range(256)))
    with pytest.raises(Refused):
        read_site_parts(noise)
    assert set(HEADER.split(",")) <= set(COLUMNS)


def test_the_circuit_command_builds_with_the_site_s_own_parts(tmp_path, capsys):
    # Measured with less resistance than the pattern, so it is preferred where nothing is scarce.
    path = _file(tmp_path, f"{HEADER}\nward-hmef,hmef,0.7,1.8,30,12\n")
    assert main(["circuit", "--patients", "2", "--site-parts", str(path), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert {line["part"]: line["need"] for line in answer["pick_list"]}["ward-hmef"] == 2
    assert answer["lanes"][0]["dead_space_ml"] == 86 - 20
    assert main(["circuit", "--patients", "2", "--site-parts", str(tmp_path / "no.csv")]) == 2


def test_a_plan_takes_the_sites_own_filters_where_the_usual_ones_are_short(tmp_path, capsys):
    """Without any usual HMEF nobody could share; with enough of the site's own, groups do, and the pick list names them."""
    ward = tmp_path / "ward"
    write_tables(ward, small_ward(datetime.fromisoformat("2026-11-25T14:00+00:00")))
    rows = (ward / "stock.csv").read_text(encoding="utf-8").splitlines()
    kept = [row for row in rows if not row.split(",")[0].strip('"').startswith("hme")]
    assert len(kept) < len(rows)
    (ward / "stock.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    own = _file(tmp_path, f"{HEADER}\nward-hmef,hmef,0.9,2.4,38,12\n")
    capsys.readouterr()
    asked = ["plan", str(ward), "--now", "2026-11-25T14:00", "--json"]
    main(asked)
    without = json.loads(capsys.readouterr().out)
    main([*asked, "--site-parts", str(own)])
    with_own = json.loads(capsys.readouterr().out)
    assert not any(len(group["beds"]) > 1 for group in without["groups"])
    assert any(len(group["beds"]) > 1 for group in with_own["groups"])
    assert any(line["part"] == "ward-hmef" and line["need"] > 0 for line in with_own["pick_list"])
    (ward / "stock.csv").unlink()
    assert main([*asked, "--site-parts", str(own)]) == 2
    assert json.loads(capsys.readouterr().out)["errors"][0]["id"] == "site-parts-without-stock"
