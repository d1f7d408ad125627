"""Readings over time: a dot where a value was read, nothing invented between, told in words and as a table."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.pictures import trend_rows, trends_svg, trends_told
from airyoke.pictures.trends import Trend, TrendLine, TrendPoint
from pictures.looking import SVG, check_words, texts

START = datetime(2026, 11, 25, 8, 10, tzinfo=UTC)


def _line(lane: str, values: list[float], every_min: float = 60.0) -> TrendLine:
    points = (TrendPoint(START + timedelta(minutes=every_min * i), value, 0.9 * value, 1.1 * value) for i, value in enumerate(values))
    return TrendLine(lane, f"{lane}, bed E{lane}", tuple(points))


def _trend(*lines: TrendLine) -> Trend:
    return Trend("Compliance", "mL/cmH2O", 0, lines, (20.0, None))


def _dots(svg: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r'<circle class="fill" cx="([-\d.]+)" cy="([-\d.]+)"', svg)]


def test_dots_stand_in_proportion_to_time_and_value():
    dots = _dots(trends_svg([_trend(_line("", [30.0, 40.0, 35.0, 30.0]))]))
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = dots
    assert x1 - x0 == pytest.approx(x2 - x1, abs=0.05)
    assert x3 - x0 == pytest.approx(3 * (x1 - x0), abs=0.05)
    assert y0 == pytest.approx(y3, abs=0.01)
    assert y0 - y2 == pytest.approx((y0 - y1) / 2, abs=0.05)  # up is more


@settings(max_examples=20, deadline=None)
@given(st.lists(st.lists(st.floats(5.0, 120.0), min_size=0, max_size=24), min_size=1, max_size=4), st.floats(5.0, 3000.0))
def test_every_value_has_a_dot_and_no_word_lies_on_another(values, every_min):
    lines = [_line("ABCD"[i], own, every_min) for i, own in enumerate(values)]
    count = sum(map(len, values))
    if count == 0:
        with pytest.raises(ValueError, match="needs a value"):
            trends_svg([_trend(*lines)])
        return
    svg = trends_svg([_trend(*lines), _trend(*lines)])
    assert len(_dots(svg)) == 2 * count
    check_words(svg)
    said = [words for words, _ in texts(svg)]
    for line in lines:
        if line.points:
            assert said.count(f"{line.lane} {line.points[-1].value:.0f}") >= 2


def test_the_words_and_the_table_say_first_last_and_every_value():
    trend = _trend(_line("A", [30.0, 40.0]), _line("B", [50.0]))
    told = ElementTree.fromstring(trends_svg([trend])).find(f"{SVG}desc").text
    assert told == trends_told([trend])
    assert "of A, bed EA: 30 at 08:10, 40 mL/cmH2O at 09:10." in told
    ((title, heads, rows),) = trend_rows([trend])
    assert title == "Compliance, mL/cmH2O"
    assert heads == ("time", "A, bed EA", "B, bed EB")
    assert rows == (("09:10", "40 (36 to 44)", ""), ("08:10", "30 (27 to 33)", "50 (45 to 55)"))
