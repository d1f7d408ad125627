"""One breath as a figure: its curves are those of the equation of motion and of the answer, and it can be read."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import ideal_build, standard_build
from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.limits.answering import answer_group
from airyoke.limits.curves import GroupCurves, group_curves
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import predict, sample_group
from airyoke.lungs.patient import Since
from airyoke.pictures import wave_tables, waves_svg, waves_told
from airyoke.pictures.lines import fewer, ticks
from airyoke.ward.candidates import assess_ward
from airyoke.ward.demo import demo_tables
from pictures.looking import SVG, check_words, texts

NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
PRESSURE = Settings("pc", 22, 0.8, 11, pressure_above_peep_cmh2o=18)
VOLUME = Settings("vc", 20, 1.0, 8, tidal_volume_ml=900, flow_shape="constant", pause_s=0.2)
BEDS = ("E2", "E3", "W1", "W3")


@lru_cache
def _patients():
    ward = ward_of_rows(demo_tables(NOW), file="demo", now=NOW)
    return {one.bed.label: one.lungs for one in assess_ward(ward)}


def _group(n, build=None, draws=16, **since):
    patients = [_patients()[bed] for bed in BEDS[:n]]
    patients[-1] = replace(patients[-1], since=Since(**since))
    return sample_group(patients, build or standard_build(n), Policy().assumptions, draws, 0)


@lru_cache
def _curves(n, dialled=PRESSURE, **since) -> GroupCurves:
    return group_curves(_group(n, **since), dialled, Policy())


def test_on_an_ideal_circuit_the_drawn_curves_are_those_of_the_equation_of_motion():
    """One compartment, R and C, at a constant pressure: V approaches C x drive with the time constant R C (any textbook
    of respiratory mechanics; solved here, period by period, for the breath that begins where it ends)."""
    group = _group(2, ideal_build(2), draws=0)
    curves = group_curves(group, PRESSURE, Policy())
    drive, inspired_s, period_s = 18.0, 0.8, 60.0 / 22.0
    for i, one in enumerate(curves.patients):
        c = group.lungs.compliance_ml_per_cmh2o[0, i]
        into, out = (x[0, i] * c / 1000.0 for x in (group.lungs.inspiratory_resistance_cmh2o_s_per_l,
                                                     group.lungs.expiratory_resistance_cmh2o_s_per_l))  # fmt: skip
        a, b = math.exp(-inspired_s / into), math.exp(-(period_s - inspired_s) / out)
        trapped = c * drive * b * (1 - a) / (1 - a * b)
        t = curves.times_s
        filled = c * drive - (c * drive - trapped) * a
        expected = np.where(
            t <= inspired_s + 1e-9, c * drive - (c * drive - trapped) * np.exp(-t / into),
            filled * np.exp(-(t - inspired_s) / out),
        )  # fmt: skip
        np.testing.assert_allclose(one.lungs_cmh2o.best[1:], 11.0 + expected[1:] / c, atol=0.05)
        np.testing.assert_allclose(one.volume_ml.best[1:], expected[1:] - trapped, atol=0.005 * c * drive)


@pytest.mark.parametrize("dialled", [PRESSURE, VOLUME], ids=["pc", "vc"])
def test_what_is_written_into_the_figure_is_the_answer_and_what_is_drawn_agrees_with_it(dialled):
    group = _group(2)
    answer = answer_group(group, predict(group, [dialled]), Policy(), 0)
    curves = group_curves(group, dialled, Policy())
    end = curves.end_of_inspiration
    for one, told in zip(curves.patients, answer.patients, strict=True):
        assert one.tidal_volume_ml == pytest.approx(told.figures["tidal_volume_ml"].value, rel=2e-3)
        assert one.plateau_cmh2o == pytest.approx(told.figures["plateau_cmh2o"].value, abs=0.02)
        assert one.total_peep_cmh2o == pytest.approx(told.figures["total_peep_cmh2o"].value, abs=0.02)
        assert one.volume_ml.best[end] == pytest.approx(one.tidal_volume_ml, rel=5e-3)
        assert one.lungs_cmh2o.best[end] == pytest.approx(one.plateau_cmh2o, abs=0.1)
    delivered = answer.ventilator["delivered_tidal_volume_ml"].value
    assert curves.inspired_ml == pytest.approx(delivered, rel=5e-3)
    assert curves.ventilator_volume_ml.best[end] == pytest.approx(delivered, rel=5e-3)
    # The ventilator has given what the patients hold and what is compressed in the circuit, never less.
    summed = np.sum([one.volume_ml.best for one in curves.patients], axis=0)
    assert np.all(curves.ventilator_volume_ml.best >= summed - 0.01 * delivered)


@pytest.mark.parametrize("n", [2, 3, 4])
@pytest.mark.parametrize("columns", [0, 2, 3])
def test_every_word_lies_inside_the_figure_and_on_no_other_word(n, columns):
    stiff = _curves(n, compliance=0.5)
    for curves, before in ((_curves(n), None), (_curves(n, VOLUME), None), (stiff, _curves(n))):
        svg = waves_svg(curves, "ABCD"[:n], before=before, ventilator="V2", columns=columns)
        check_words(svg)
        words = " ".join(said for said, _ in texts(svg))
        for one in curves.patients:
            assert words.count(f"bed {one.label}") == 3
            for told in (f"{one.tidal_volume_ml:.0f} mL", f"plateau {one.plateau_cmh2o:.1f}",
                         f"total PEEP {one.total_peep_cmh2o:.1f}"):  # fmt: skip
                assert told in words


def test_the_breath_before_is_drawn_behind_for_whoever_was_there():
    """Volume and flow have one line of a patient, pressure two; the sum one of each."""
    alone = replace(_curves(2), patients=_curves(2).patients[:1])
    for before, lines in ((None, 0), (_curves(2), 11), (alone, 7)):
        svg = waves_svg(_curves(2, compliance=0.5), "AB", before=before)
        assert svg.count('<polyline class="edge"') == lines
        assert ("Thin grey" in svg) is (before is not None)


def test_the_tables_say_what_the_figure_shows():
    curves = _curves(2)
    tables = wave_tables(curves, "AB")
    assert [title for title, _, _ in tables] == ["A, bed E2", "B, bed E3", "Together, at the ventilator"]
    for one, (_, heads, rows) in zip(curves.patients, tables, strict=False):
        assert all(len(row) == len(heads) for row in rows)
        ends = dict(zip(heads, rows[4], strict=True))
        assert ends["moment"] == "inspiration ends"
        assert float(ends["volume, mL"]) == pytest.approx(one.tidal_volume_ml, abs=2.0)
        assert float(ends["in the lungs, cmH2O"]) == pytest.approx(one.plateau_cmh2o, abs=0.1)
        assert rows[0][2] == rows[-1][2] == "0"
    told = ElementTree.fromstring(waves_svg(curves, "AB")).find(f"{SVG}desc").text
    assert told == waves_told(curves, "AB")
    assert "sees only the sum" in told


def test_a_label_that_is_typed_cannot_become_markup_and_nothing_is_loaded():
    curves = _curves(2)
    odd = replace(curves, patients=(replace(curves.patients[0], label='<script>"'), *curves.patients[1:]))
    svg = waves_svg(odd, "AB", ventilator='"&<a href')
    ElementTree.fromstring(svg)
    assert not re.search(r"<script|<a |url\(|<image|onload", svg)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 300), min_size=2, max_size=60))
def test_a_line_with_fewer_corners_is_nowhere_seen_beside_the_whole_one(heights):
    """The distance of every corner that was left out from the line that is drawn (Douglas, Peucker 1973)."""
    places = [(float(i), y) for i, y in enumerate(heights)]
    drawn = fewer(places, 0.3)
    assert drawn[0] == places[0]
    assert drawn[-1] == places[-1]
    across, up = zip(*drawn, strict=True)
    beside = np.abs(np.interp([x for x, _ in places], across, up) - heights)
    slopes = np.abs(np.diff(up) / np.diff(across))
    steepest = np.repeat(slopes, np.diff(across).astype(int))
    assert np.all(beside[:-1] / np.hypot(1.0, steepest) <= 0.3 + 1e-9)


@given(st.floats(-500, 500), st.floats(0.1, 5000))
def test_ticks_are_few_round_and_within(low, span):
    found = ticks(low, low + span)
    assert 1 <= len(found) <= 5
    assert all(low - 1e-6 * span <= one <= low + span * (1 + 1e-6) for one in found)
