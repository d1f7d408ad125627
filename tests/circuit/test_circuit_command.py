"""`airyoke circuit` as people and scripts use it."""

from __future__ import annotations

import json
from datetime import datetime
from xml.etree import ElementTree

import pytest

from airyoke.circuit import PARTS
from airyoke.cli import main
from airyoke.contract.circuit_answer import CircuitAnswer, PartsAnswer


def _json(capsys, *words):
    code = main([*words, "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.fixture
def ward(tmp_path):
    from airyoke.ward.demo import demo_tables

    tables = demo_tables(datetime(2026, 1, 31, 14, 0))

    def write(stock):
        folder = tmp_path / "ward"
        folder.mkdir(exist_ok=True)
        for name, rows in tables.items():
            rows = [{"part": part, "count": count} for part, count in stock.items()] if name == "stock" else rows
            keys = list(dict.fromkeys(key for row in rows for key in row))
            lines = [",".join(keys)] + [
                ",".join("" if row.get(k) is None else str(row.get(k)) for k in keys) for row in rows
            ]
            (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        return str(folder)

    return write


@pytest.mark.parametrize("layout", ["tree", "chain"])
@pytest.mark.parametrize("patients", [1, 2, 3, 4])
def test_it_prints_what_to_build_and_the_json_says_the_same(capsys, patients, layout):
    words = ["circuit", "--patients", str(patients), "--layout", layout]
    assert main(words) == 0
    page = capsys.readouterr().out
    assert max(len(line) for line in page.splitlines()) <= 100
    code, answer = _json(capsys, *words)
    assert code == 0
    assert answer["schema"] == "airyoke/circuit/1"
    assert answer["outcome"] == "built"
    for line in answer["pick_list"]:
        assert line["part"] in page
    assert len(answer["steps"]) == len(answer["joints"])
    assert all(goal["status"] == "proved" for goal in answer["proof"])
    assert {one["lane"] for one in answer["lanes"]} == set("ABCD"[:patients])
    assert ("more-than-two" in {one["id"] for one in answer["cautions"]}) == (patients > 2)
    CircuitAnswer.model_validate_json(json.dumps(answer))


def test_a_stock_that_does_not_give_it_exits_3_and_names_the_smallest_set(capsys, ward):
    stock = {**dict.fromkeys(PARTS, 30), "one-way-valve": 2, "one-way-valve-spring": 1}
    code, answer = _json(capsys, "circuit", "--patients", "2", "--stock", ward(stock))
    assert code == 3
    assert answer["outcome"] == "cannot_build"
    assert answer["missing"] == [{"part": "one-way-valve", "count": 1, "others": ["one-way-valve-spring"]}]
    assert main(["circuit", "--patients", "2", "--stock", ward(stock)]) == 3
    assert "one-way-valve" in capsys.readouterr().out


def test_a_stock_with_substitutes_says_what_stands_in_for_what(capsys, ward):
    stock = {**dict.fromkeys(PARTS, 30), "hmef": 0, "catheter-mount": 1}
    code, answer = _json(capsys, "circuit", "--patients", "2", "--stock", ward(stock))
    assert code == 0
    instead = {line["part"]: line["instead"] for line in answer["pick_list"]}
    assert instead["elbow"] == "a catheter mount"
    assert instead["hme-without-filter"] == "an HMEF"
    assert "no-stock-sheet" not in {one["id"] for one in answer["cautions"]}


def test_it_draws_into_the_file_that_was_named(capsys, tmp_path):
    for narrow in ([], ["--narrow"]):
        target = tmp_path / f"c{len(narrow)}.svg"
        assert main(["circuit", "--patients", "3", "--svg", str(target), *narrow]) == 0
        ElementTree.fromstring(target.read_text(encoding="utf-8"))
    assert main(["circuit", "--patients", "2", "--svg", str(tmp_path / "none" / "c.svg")]) == 2
    assert "svg-not-written" in capsys.readouterr().err


def test_what_it_wrote_can_be_typed_back_and_a_change_in_it_is_found(capsys, tmp_path):
    _, answer = _json(capsys, "circuit", "--patients", "2")
    built = {"pieces": answer["pieces"], "joints": answer["joints"], "valves": {"A.in.valve": "right"}}
    file = tmp_path / "built.json"
    file.write_text(json.dumps(built), encoding="utf-8")
    code, again = _json(capsys, "circuit", "--built", str(file))
    assert code == 0
    assert again["findings"] == []
    assert again["lanes"] == answer["lanes"]
    built["joints"].pop()
    file.write_text(json.dumps(built), encoding="utf-8")
    assert main(["circuit", "--built", str(file)]) == 2
    assert "open" in capsys.readouterr().err


def test_readings_typed_back_name_the_valve_that_would_read_like_that(capsys, tmp_path):
    file = tmp_path / "built.json"
    file.write_text(json.dumps({"readings": {"vt.A": 2, "vt.B": 600, "squeeze.A": 1}}), encoding="utf-8")
    code, answer = _json(capsys, "circuit", "--patients", "2", "--built", str(file))
    assert code == 0
    assert [(one["piece"], one["mistake"]) for one in answer["suspects"]] == [("A.in.valve", "reversed")]
    judged = {one["id"]: one["accepted"] for one in answer["bench"] if one["accepted"] is not None}
    assert judged == {"vt.A": False, "vt.B": True, "squeeze.A": False}


@pytest.mark.parametrize(
    ("words", "id_"),
    [
        ([], "circuit-patients"), (["--patients", "0"], "circuit-patients"), (["--patients", "5"], "circuit-patients"),
        (["--patients", "two"], "command-line"), (["--patients", "2", "--reach", "far"], "circuit-reach"),
        (["--patients", "2", "--reach", "1,2,3"], "circuit-reach"), (["--patients", "2", "--reach", "nan"], "circuit-reach"),
        (["--patients", "2", "--layout", "ring"], "command-line"), (["--patients", "2", "--humidification", "both"], "command-line"),
        (["--patients", "2", "--restrictor", "C=restrictor-4.0mm"], "command-line"),
        (["--patients", "2", "--restrictor", "A=restrictor-4mm"], "circuit-restrictor"),
        (["--patients", "2", "--peep-valve", "A=much"], "circuit-peep-valve"),
        (["--patients", "2", "--peep-valve", "5"], "command-line"),
        (["--built", "/nowhere.json"], "built-not-readable"), (["--patients", "2", "--stock", "/nowhere"], "ward-not-found"),
    ],
)  # fmt: skip
def test_bad_input_exits_2_and_says_what_to_do(capsys, words, id_):
    assert main(["circuit", *words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert f"[{id_}]" in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{", '{"pieces": 3}', '{"valves": {"A.in.valve": 3}}', '{"readings": {"vt.A": "much"}}', '{"colour": "red"}',
     '{"joints": [{"upstream": ["a"], "downstream": ["b", "c"]}]}', "[" * 5000],
)  # fmt: skip
def test_something_else_than_a_circuit_typed_back_is_refused(capsys, tmp_path, text):
    file = tmp_path / "built.json"
    file.write_text(text, encoding="utf-8")
    assert main(["circuit", "--patients", "2", "--built", str(file)]) == 2
    assert "[built-" in capsys.readouterr().err


def test_trims_and_suction_of_a_lane_are_built_in(capsys):
    words = ["--restrictor", "A=restrictor-4.0mm", "--peep-valve", "B=5", "--closed-suction"]
    code, answer = _json(capsys, "circuit", "--patients", "2", *words)
    assert code == 0
    pieces = {one["id"]: one for one in answer["pieces"]}
    assert pieces["A.in.restrictor"]["part"] == "restrictor-4.0mm"
    assert pieces["B.out.peep-valve"]["setting"] == 5
    assert {"A.suction", "B.suction"} <= set(pieces)
    assert "B.in.restrictor" not in pieces


def test_the_parts_catalogue_is_listed(capsys):
    assert main(["circuit", "--parts"]) == 0
    page = capsys.readouterr().out
    code, answer = _json(capsys, "circuit", "--parts")
    assert code == 0
    assert [one["part"] for one in answer["parts"]] == list(PARTS)
    assert all(name in page for name in PARTS)
    PartsAnswer.model_validate_json(json.dumps(answer))
