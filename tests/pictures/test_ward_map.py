"""The map of drives: its lines are the definitions that they stand for, and everybody on the ward can be found on it."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.pictures import map_rows, map_told, ward_map_svg
from airyoke.ward.candidates import assess_ward
from airyoke.ward.demo import demo_tables
from airyoke.ward.drive_map import DriveBounds, DriveMap, DrivePoint, drive_map, suits_cmh2o
from pictures.looking import SVG, check_words, texts

NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
BOUNDS = DriveBounds(4.0, 8.0, 15.0)


@lru_cache
def _map() -> DriveMap:
    ward = ward_of_rows(demo_tables(NOW), file="demo", now=NOW)
    return drive_map(assess_ward(ward), ward.policy)


def _planned() -> DriveMap:
    points = tuple(replace(one, planned_cmh2o=11.0) if one.bed in ("E2", "E3") else one for one in _map().points)
    return replace(_map(), points=points, groups=(("V2", ("E2", "E3")),))


def test_a_patient_stands_where_its_volume_and_its_compliance_per_kg_say():
    """By hand, bed E2: woman or man of the sheet, predicted body weight of the ARDS Network (N Engl J Med 2000;342:1301),
    volume per kg = compliance per kg x driving pressure."""
    sheet = {row["bed"]: row for row in demo_tables(NOW)["beds"]}["E2"]
    kg = (50.0 if sheet["sex"] == "m" else 45.5) + 0.91 * (sheet["height_cm"] - 152.4)
    point = next(one for one in _map().points if one.bed == "E2")
    volume_ml = point.compliance_ml_per_cmh2o_per_kg * point.now_cmh2o * kg
    assert volume_ml == pytest.approx(sheet["tidal_volume_ml"], rel=0.02)  # compressed gas is taken off by the machine
    assert point.compliance_range[0] < point.compliance_ml_per_cmh2o_per_kg < point.compliance_range[1]


@given(st.floats(0.1, 3.0))
def test_the_drives_that_suit_are_those_within_both_targets(compliance):
    span = suits_cmh2o(compliance, BOUNDS)
    for drive in (0.5, 3.0, 6.0, 9.0, 12.0, 14.9, 15.1, 30.0):
        inside = 4.0 <= compliance * drive <= 8.0 and drive <= 15.0
        assert inside is (span is not None and span[0] <= drive <= span[1])


def _point(bed: str, compliance: float, volume_ml_per_kg: float, alone: str = "") -> DrivePoint:
    drive = volume_ml_per_kg / compliance
    return DrivePoint(bed, compliance, (0.9 * compliance, 1.1 * compliance), drive, (0.9 * drive, 1.1 * drive),
                      suits_cmh2o(compliance, BOUNDS), None, alone)  # fmt: skip


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.floats(0.2, 1.5), st.floats(4.0, 9.0)), min_size=1, max_size=24))
def test_every_bed_is_named_once_and_on_no_other_word_however_crowded_the_ward(lungs):
    points = tuple(_point(f"N{i:02d}", c, v, "alone" if i % 3 == 0 else "") for i, (c, v) in enumerate(lungs))
    for shape in ("wide", "narrow"):
        svg = ward_map_svg(DriveMap(points, BOUNDS, (), ()), shape=shape)
        check_words(svg)
        words = [said for said, _ in texts(svg)]
        assert all(words.count(one.bed) == 1 for one in points) or (shape == "narrow" and len(points) > 12)
        assert svg.count('<circle class="box"') == sum(not one.alone for one in points)


def test_a_ring_stands_at_its_values_and_the_corner_of_the_targets_where_they_meet():
    """15 cmH2O and 8 mL/kg meet at 8/15 mL/cmH2O per kg."""
    low, high = _point("E1", 0.4, 6.0), _point("E2", 0.8, 6.0)
    svg = ward_map_svg(DriveMap((low, high), BOUNDS, (), ()))
    rings = [(float(x), float(y)) for x, y in re.findall(r'<circle class="box" cx="([\d.]+)" cy="([\d.]+)"', svg)]
    per_log = (rings[1][0] - rings[0][0]) / math.log(2.0)
    line = re.search(r'<polyline class="ink" fill="none" points="([^"]+)"', svg).group(1)
    corner = [tuple(map(float, one.split(","))) for one in line.split()][1]
    assert corner[0] == pytest.approx(rings[0][0] + per_log * math.log(8.0 / 15.0 / 0.4), abs=3.0)


def test_a_planned_group_is_joined_and_the_map_is_told_in_words_and_as_a_table():
    svg = ward_map_svg(_planned())
    assert svg.count('<circle class="fill"') == 2
    assert "V2" in [said for said, _ in texts(svg)]
    assert "planned group" in " ".join(said for said, _ in texts(svg))
    told = ElementTree.fromstring(svg).find(f"{SVG}desc").text
    assert told == map_told(_planned())
    assert "V2: E2 and E3." in told
    rows = {row[0]: row for row in map_rows(_planned())}
    assert set(rows) == {one.bed for one in _map().points}
    assert rows["E2"][-1] == "11.0"


def test_a_label_that_is_typed_cannot_become_markup():
    odd = replace(_map(), points=(replace(_map().points[0], bed="<script>"), *_map().points[1:]))
    svg = ward_map_svg(odd)
    ElementTree.fromstring(svg)
    assert "<script" not in svg
