"""Whatever stands in a case, it is read or refused in words; nothing else escapes."""

from __future__ import annotations

import copy
import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.contract.case import read_case
from airyoke.contract.case_findings import unusual
from airyoke.quantities import Finding, Refused
from contract.cases import CIRCUIT, VOLUME_CONTROL, example, two_patients

SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**30), 10**30), st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=8), st.sampled_from(["pc", "vc", "ideal", "standard", "none", "f", "on"]),
)  # fmt: skip
ANYTHING = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a nested value, the whole included."""
    found = [path]
    if isinstance(value, dict):
        for key, inner in value.items():
            found += places(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            found += places(inner, (*path, index))
    return found


def started() -> list[dict[str, Any]]:
    volume = copy.deepcopy(example() | {"circuit": CIRCUIT, "settings": VOLUME_CONTROL})
    return [example(), two_patients(), volume]


def outcome(source: str) -> str:
    findings: tuple[Finding, ...] = ()
    try:
        case = read_case(source)
    except Refused as refusal:
        findings = refusal.findings
    if findings:
        assert all(f.reason and f.remedy and f.reason.isprintable() for f in findings)
        return "refused"
    taken = case.to_domain(unusual(case))
    assert len(taken.patients) == taken.build.patients
    return "read"


@given(data=st.data())
@settings(max_examples=200, deadline=None)
def test_one_place_replaced_by_anything(data: st.DataObject) -> None:
    case = data.draw(st.sampled_from(started()))
    place = data.draw(st.sampled_from(places(case)))
    value = data.draw(ANYTHING)
    if not place:
        outcome(json.dumps(value))
        return
    holder = case
    for part in place[:-1]:
        holder = holder[part]
    holder[place[-1]] = value
    outcome(json.dumps(case))


@given(source=st.text(max_size=60))
@settings(max_examples=100, deadline=None)
def test_any_text(source: str) -> None:
    assert outcome(source) == "refused"


def test_the_starting_points_are_read() -> None:
    assert [outcome(json.dumps(case)) for case in started()] == ["read"] * 3
