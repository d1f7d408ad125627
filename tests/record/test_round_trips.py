"""Out and in again without a difference: any entry as a line, any ward as a workbook.

``AIRYOKE_LONG=1`` runs 10,000 lines and 1,000 wards.
"""

from __future__ import annotations

import json
import math
import os
import random
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.exchange import write_tables
from airyoke.exchange.ward_rows import read_typed_rows, ward_of_rows
from airyoke.quantities import QUANTITIES, Refused, quantity
from airyoke.record.lines import canonical, entry_of, hash_of, line_of
from airyoke.ward.columns import PARTS, PATIENT, READING, VENTILATOR, ValueColumn
from airyoke.ward.proposal import propose
from airyoke.ward.rows import ward_rows
from record.scribe import Scribe, entry

LONG = os.environ.get("AIRYOKE_LONG") == "1"
LINES = 10_000 if LONG else 150
WARDS = 1_000 if LONG else 15
NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)

_SAFE = 2**53 - 1
_LEAVES = (
    st.none()
    | st.booleans()
    | st.integers(-_SAFE, _SAFE)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20)
)
CONTENT = st.dictionaries(
    st.text(max_size=10),
    st.recursive(
        _LEAVES,
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
        max_leaves=12,
    ),
    max_size=6,
)


def alike(one: Any, other: Any) -> bool:
    """Equal as JSON values: 24.0 is 24, minus zero is zero."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(alike(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(alike, one, other))
    return (type(one) is type(other) and one == other) or (
        isinstance(one, float | int) and not isinstance(one, bool) and not isinstance(other, bool) and one == other
    )


@given(CONTENT)
@settings(max_examples=LINES)
def test_any_content_comes_back_from_its_line_and_the_line_has_one_form(content: dict[str, Any]) -> None:
    found = canonical(content)
    assert alike(found, content)
    assert canonical(dict(reversed(found.items()))) == found
    one = entry(7, "note", found)
    line = line_of(one)
    assert entry_of(line, hash_of(line)).content == found
    assert line_of(entry_of(line, "")) == line
    assert "\n" not in line
    assert alike(json.loads(line, parse_int=float)["content"], found)


@pytest.mark.parametrize(
    "content", [{"x": math.nan}, {"x": math.inf}, {"x": "\ud800"}, {"x": 2**60}, {"x": {1, 2}}, {"x": b"y"}]
)
def test_what_json_cannot_hold_is_refused(content: dict[str, Any]) -> None:
    with pytest.raises(Refused, match="entry-form"):
        canonical(content)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "{}",
        "[]",
        "null",
        "{" * 100_000,
        "[" * 100_000,
        '{"a":1}',
        line_of(entry(1, "note", {}))[:-1],
        line_of(entry(1, "note", {})) + "x",
    ],
)
def test_a_line_that_is_none_is_no_entry(line: str) -> None:
    with pytest.raises(ValueError):
        entry_of(line, hash_of(line))


# Test vectors of RFC 8785, sections 3.2.2 and 3.2.3, and its appendix B.
@pytest.mark.parametrize(("content", "text"), [
    ({"numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001]}, '{"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27]}'),
    ({"literals": [None, True, False]}, '{"literals":[null,true,false]}'),
    ({"string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/"}, '{"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'),
    ({"\u20ac": "Euro Sign", "\r": "Carriage Return", "1": "One", "\u0080": "Control\u007f", "\U0001f600": "Emoji", "\ufb33": "Dalet"},
     '{"\\r":"Carriage Return","1":"One","\u0080":"Control\u007f","€":"Euro Sign","\U0001f600":"Emoji","\ufb33":"Dalet"}'),
    ({"n": [-0.0, 5e-324, 1.7976931348623157e308, 9007199254740991, 1e21, 1e23, 0.000001, 1e-7]}, '{"n":[0,5e-324,1.7976931348623157e+308,9007199254740991,1e+21,1e+23,0.000001,1e-7]}'),
])  # fmt: skip
def test_lines_are_canonical_json_as_rfc_8785_prints_it(content: dict[str, Any], text: str) -> None:
    line = line_of(entry(1, "note", content))
    assert f'"content":{text},' in line


def thrown(column: ValueColumn, dice: random.Random) -> Any:
    if column.kind == "choice":
        return dice.choice(column.words)
    if column.kind == "number":
        row = quantity(column.name)
        low = row.ask.low if row.ask.low is not None else row.refuse.low or 0.0
        high = row.ask.high if row.ask.high is not None else row.refuse.high or low + 100
        value = dice.uniform(low, high)
        return (
            round(value)
            if row.integer
            else dice.choice([value, round(value, 2)] + [round(value)] * (low <= round(value) <= high))
        )
    if column.name in ("room", "ventilator"):
        return None
    if column.kind == "flag":
        return dice.random() < 0.5
    if column.kind == "modes":
        return dice.sample(["vc", "pc"], dice.randrange(1, 3))
    if column.kind == "ids":
        return dice.sample(column.words or ("ph-unusual", "reading-old", "code-duplicate"), 2)
    if column.kind == "labels":
        return dice.sample(column.words or ("influenza-a", "Legionella", "none found", "MRSA +"), 2)
    return dice.choice(["=1+1", "transport at 15:00", "'quoted'", "Ärztin; later", "-", "+49", "@home"])


def test_any_ward_comes_back_from_a_workbook_without_a_difference(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = random.SystemRandom().randrange(2**32)
    values = 0
    for number in range(WARDS):
        dice = random.Random(number if number % 2 else seed + number)
        scribe = Scribe()
        for machine in ("V1", "V2"):
            some = {
                c.name: v for c in VENTILATOR.values() if dice.random() < 0.3 and (v := thrown(c, dice)) is not None
            }
            scribe.write("ventilator", ventilator=machine, values=some)
        scribe.write("stock", counts={part: dice.randrange(20) for part in dice.sample(PARTS, 3)})
        for bed in ("1", "Ärzte 2", "=3"):
            scribe.write("bed", bed=bed, room=dice.choice(["East", "West"]))
            patient = {
                c.name: v for c in PATIENT.values() if dice.random() < 0.8 and (v := thrown(c, dice)) is not None
            }
            scribe.write("patient_in", bed=bed, code=f"k{bed}", values=patient)
            read = {c.name: v for c in READING.values() if dice.random() < 0.9 and (v := thrown(c, dice)) is not None}
            scribe.write(
                "reading", bed=bed, code=f"k{bed}", read_at="2026-11-25T13:30+00:00", read_by="rt", values=read
            )
            values += len(patient) + len(read)
        rows = ward_rows(scribe.fold.state)
        target = tmp_path / (f"w{number}.xlsx" if number % 2 else f"w{number}")
        write_tables(target, rows)  # type: ignore[arg-type]
        ward, typed = read_typed_rows(target, now=NOW)
        lost = {finding.bed for finding in ward.findings if finding.level == "refused"}
        machines = {f.row for f in ward.findings if f.level == "refused" and f.sheet == "ventilators"}
        direct = ward_of_rows(rows, file="record", now=NOW)
        assert [(bed.label, bed.code, bed.exclude, bed.infection) for bed in ward.beds] == [
            (bed.label, bed.code, bed.exclude, bed.infection) for bed in direct.beds
        ]
        lines = [line for line in propose(scribe.fold.state, typed) if not machines or "ventilator" not in line.subject]
        assert lines == [], (seed, number, lines, lost)
    with capsys.disabled():
        print(f"\n  {WARDS} wards with {values} values out to a workbook and in again: 0 differences, seed {seed}")


def test_the_columns_of_the_record_are_those_of_the_readings() -> None:
    known = {row.key for row in QUANTITIES}
    for column in (*PATIENT.values(), *READING.values(), *VENTILATOR.values()):
        assert (column.kind == "number") == (column.name in known)
