"""Which ends mate, which need an adapter, and which mate but are wrong."""

from __future__ import annotations

from itertools import product

import pytest

from airyoke.circuit import PARTS
from airyoke.circuit.ends import end
from airyoke.circuit.joints import fit, wrong_here

# Geometry of conical connectors, ISO 5356-1: a cone slides into the socket of its own size. The table lists, row by
# row, what mates: 22 mm male into 22 mm female, 15 mm male into 15 mm female, a coaxial end by either of its two.
WRITTEN = ("22F", "22M", "15F", "15M", "22M/15F", "30M")
MATES = {
    ("22F", "22M"), ("22F", "22M/15F"), ("22M", "22F"), ("15F", "15M"), ("15M", "15F"), ("15M", "22M/15F"),
    ("22M/15F", "22F"), ("22M/15F", "15M"),
}  # fmt: skip
# Adapters that bridge the pairs which do not, from the same table; a pair that is not listed needs more than one part.
ADAPTERS = {
    ("22M", "22M"): "sleeve-22f-22f", ("22F", "22F"): "sleeve-22m-22m", ("15M", "15M"): "sleeve-15f-15f",
    ("15F", "15F"): "sleeve-15m-15m", ("22M", "22M/15F"): "sleeve-22f-22f", ("15M", "22F"): "adapter-22m-15f",
    ("15M", "22M"): "adapter-22f-15f", ("15F", "22M"): "adapter-22f-15m", ("22M", "30M"): "adapter-30f-22f",
    ("22F", "30M"): "adapter-30f-22m",
}  # fmt: skip


@pytest.mark.parametrize(("one", "other"), list(product(WRITTEN, WRITTEN)))
def test_ends_mate_exactly_where_the_standard_s_geometry_says(one, other):
    assert (fit(end("a", one), end("b", other)).verdict == "mates") == ((one, other) in MATES)


@pytest.mark.parametrize(("pair", "adapter"), ADAPTERS.items())
def test_the_adapter_that_the_table_names_is_offered_both_ways_round(pair, adapter):
    one, other = end("a", pair[0]), end("b", pair[1])
    assert adapter in fit(one, other).adapters
    assert adapter in fit(other, one).adapters


def _independent(one: str, other: str) -> bool:
    """Written from the notation alone: some size with M in one and F in the other."""
    sides = [{(word[:-1], word[-1]) for word in text.split("/")} for text in (one, other)]
    return any((size, "F" if gender == "M" else "M") in sides[1] for size, gender in sides[0])


ENDS = [(part.name, an_end) for part in PARTS.values() for an_end in part.ends]


@pytest.mark.parametrize(("name", "an_end"), ENDS, ids=[f"{name}.{e.name}" for name, e in ENDS])
def test_every_end_of_the_catalogue_mates_with_every_other_as_its_notation_says(name, an_end):
    for _, other in ENDS:
        result = fit(an_end, other)
        assert (result.verdict == "mates") == _independent(an_end.written, other.written), other
        assert (an_end.mating_cones(other) is None) == (other.mating_cones(an_end) is None)
        for adapter in result.adapters:
            a, b = (e.written for e in PARTS[adapter].ends)
            assert any(
                _independent(x, an_end.written) and _independent(y, other.written) for x, y in ((a, b), (b, a))
            ), (adapter, other)


@pytest.mark.parametrize("written", ["22", "22X", "M", "22M/22F", "22M/15F/30M", "", "-22M"])
def test_a_notation_that_is_no_end_is_refused(written):
    with pytest.raises(ValueError):
        end("a", written)


def test_gender_alone_does_not_stop_a_valve_turned_round():
    # Its outlet goes onto a male end as well as its inlet once a sleeve is between: only direction tells.
    valve = PARTS["one-way-valve"]
    assert "sleeve-22f-22f" in fit(valve.end("out"), PARTS["y-piece"].end("left")).adapters
    assert "turned round" in wrong_here(valve, "inspiratory", enters_by=valve.end("out"))
    assert wrong_here(valve, "inspiratory", enters_by=valve.end("in")) == ""


@pytest.mark.parametrize(
    ("part", "where", "heated", "word"),
    [
        ("peep-valve-venting", "expiratory", False, "room"),
        ("tube-15mm-1500mm", "trunk", False, "15 mm bore"),
        ("hmef", "patient", True, "humidifier"),
        ("hme-without-filter", "patient", True, "humidifier"),
        ("hmef", "inspiratory", False, "HME"),
        ("restrictor-4.0mm", "expiratory", False, "inspiratory"),
        ("peep-valve-in-line", "inspiratory", False, "expiratory"),
        ("one-way-valve", "patient", False, "blocks"),
        ("test-lung", "expiratory", False, "ends the gas path"),
    ],
)
def test_parts_that_mate_but_are_wrong_are_named(part, where, heated, word):
    assert word in wrong_here(PARTS[part], where, hme_and_heated=heated)


def test_the_same_parts_are_right_where_they_belong():
    for part, where in (
        ("tube-15mm-1500mm", "inspiratory"), ("hmef", "patient"), ("restrictor-4.0mm", "inspiratory"),
        ("peep-valve-in-line", "expiratory"), ("tube-22mm-1500mm", "trunk"),
    ):  # fmt: skip
        assert wrong_here(PARTS[part], where) == ""


def test_every_part_has_ends_data_in_range_and_a_source():
    for part in PARTS.values():
        assert part.ends, part.name
        assert part.source
        assert part.short
        assert part.element.linear >= 0.0
        assert part.element.quadratic >= 0.0
        assert 0.0 <= part.dead_space_ml <= 100.0 or part.kind == "filter", part.name
        assert len({e.name for e in part.ends}) == len(part.ends)
