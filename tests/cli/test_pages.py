"""Pages for people: inside 100 columns, plain where they are piped, and with the words that matter."""

from __future__ import annotations

import pytest

from airyoke.cli.lanes import track
from airyoke.cli.limits import limits_page
from airyoke.cli.page import Column, Page
from airyoke.cli.plan_page import PlanView, plan_page
from airyoke.contract.limits_answer import LimitsAnswer
from airyoke.contract.standing import Standing, binding_words, percent, standing, verdict_words
from airyoke.limits.answer import Figure, LimitDistance
from cli.plans import LONG, POLICY, group_answer, plan, ward


def rendered(*, brief: bool = False, all_pairs: bool = False, width: int = 100) -> str:
    page = Page(width=width)
    plan_page(page, PlanView(ward(), plan()), brief=brief, all_pairs=all_pairs)
    return page.rendered()


@pytest.mark.parametrize("brief", [False, True])
@pytest.mark.parametrize("all_pairs", [False, True])
def test_a_plan_fits_a_hundred_columns_in_plain_letters(brief: bool, all_pairs: bool) -> None:
    text = rendered(brief=brief, all_pairs=all_pairs)
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "\x1b" not in text
    assert text.replace("Ü", "U").isascii(), "only what people typed may need more than ASCII"
    assert not any(line != line.rstrip() for line in text.splitlines())


@pytest.mark.parametrize("width", [80, 90, 100])
def test_a_lane_fits_a_narrow_terminal(width: int) -> None:
    from airyoke.cli.lanes import lane

    page = Page(width=width, letters=True)
    answer = group_answer("1", "2", predicted=16.0)
    for patient in answer.patients:
        lane(page, answer, patient, f"bed {patient.label}", POLICY)
    lines = page.rendered().splitlines()
    assert max(len(line) for line in lines) <= width
    assert any("outside, binds" in line for line in lines)


def test_the_limits_fit_a_hundred_columns() -> None:
    page = Page()
    limits_page(page, LimitsAnswer.default())
    assert max(len(line) for line in page.rendered().splitlines()) <= 100


def test_what_a_plan_page_says() -> None:
    text = rendered()
    one_line = " ".join(text.split())
    for words in (
        "8 of 9 beds have a ventilator: 2 ventilators shared, 1 bed alone, 1 as they are and not judged. Without one: 41. Held in reserve: V5.",
        "Within the stated limits, on readings of 14:30. All targets hold in 84 % of draws (70 % asked)",
        f"Binding limit: driving pressure of bed {LONG}: 14.6 of at most 15.0, 0.4 cmH2O left at best estimate.",
        "Not within the stated limits, on readings of 14:30.",
        "1.0 cmH2O beyond it",
        f"1 is on V1 already; {LONG} comes from a device outside the ward sheet. Circuit: standard.",
        "Needs a decision first",
        "inspiratory pressure, absolute",
        "Rehearsal before anybody is coupled",
        "Read plateau pressure by an inspiratory hold, SpO2.",
        "31 keeps V4; its readings cannot be judged",
        "21 moves to V3 from a device outside the ward sheet",
        "one more ventilator gives it a place",
        "leave instead 1; 21 + 41",
        "pH of 41 7.12, at least 7.20",
        "1 more pair kept apart by rules before any physiology (rooms 1)",
        "short by 2",
        "not counted",
        "proved: no plan gives more",
        "open: 6 is not ruled out",
        "not worked out",
        "sheet beds row 4 read_at (bed 21): the readings are 7 h old. Read again. [reading-old]",
        "115 to 140 mL",
        "Sharing a ventilator is the last resort",
    ):
        assert words in one_line, words
    assert "safe" not in one_line.lower()
    assert "!" not in one_line


def test_order_of_a_plan_page() -> None:
    text = rendered()
    marks = ["-- G1", "-- G2", "-- Alone", "-- Without", "-- Pairs", "-- Parts", "-- How", "-- Findings", "Cautions"]
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)


def test_old_stands_beside_new() -> None:
    row = next(line for line in rendered().splitlines() if line.strip().startswith("PEEP "))
    assert row.split() == ["PEEP", "8", "-", "->", "10", "cmH2O"]


def _standing(value: float, low: float, high: float) -> Standing:
    found = standing("tidal_volume_ml_per_kg", Figure(value, low, high), POLICY)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("value", "low", "high", "state", "drawn"),
    [
        (6.0, 5.5, 6.5, "inside", "  │┄┄┄━┃━┄┄┄│  "),
        (7.8, 7.6, 7.9, "near", "  │┄┄┄┄┄┄┄┄┃│  "),
        (7.0, 6.0, 8.5, "near", "  │┄┄┄┄━━┃━━│━━"),
        (9.0, 8.5, 9.5, "outside", "  │┄┄┄┄┄┄┄┄┄│ ┃"),
        (3.0, 2.0, 5.0, "outside", "┃━│━━━┄┄┄┄┄┄│  "),
        (4.0, 4.0, 4.0, "near", "  │┃┄┄┄┄┄┄┄┄│  "),
        (8.0, 8.0, 8.0, "near", "  │┄┄┄┄┄┄┄┄┃│  "),
    ],
)
def test_tracks(value: float, low: float, high: float, state: str, drawn: str) -> None:
    where = _standing(value, low, high)
    assert where.state == state
    assert track(where, 9, 2) == drawn


def test_a_one_sided_track_has_an_open_end() -> None:
    where = standing("plateau_cmh2o", Figure(22.0, 21.0, 23.0), POLICY)
    assert where is not None
    assert (where.low_bound, where.start, where.high_bound) == (None, 15.0, 30.0)
    assert track(where, 15, 1) == "  ┄┄┄┄┄┄━┃━┄┄┄┄┄┄│ "


def test_total_peep_stands_between_the_changes_allowed() -> None:
    # 0.6 of a scale of 2 is left of a fall of at most 2: it fell by 0.8, from 11.0.
    figure = Figure(10.2, 10.1, 10.4, LimitDistance("total_peep_fall_cmh2o", "high", 2.0, 0.6, ""))
    where = standing("total_peep_cmh2o", figure, POLICY)
    assert where is not None
    assert where.low_bound == pytest.approx(9.0)
    assert where.high_bound == pytest.approx(16.0)
    rise = Figure(12.0, 12.0, 12.0, LimitDistance("total_peep_rise_cmh2o", "high", 5.0, 0.8, ""))
    risen = standing("total_peep_cmh2o", rise, POLICY)
    assert risen is not None
    assert risen.low_bound == pytest.approx(9.0)
    assert risen.high_bound == pytest.approx(16.0)
    assert standing("total_peep_cmh2o", Figure(10.2, 10.1, 10.4), POLICY) is None


def test_without_a_limit_there_is_no_track() -> None:
    assert standing("paco2_mmhg", Figure(40.0, 38.0, 42.0), POLICY) is None


def test_a_chance_just_short_does_not_look_like_enough() -> None:
    assert percent(0.6999) == "69 %"
    assert percent(0.999) == "99 %"
    assert percent(0.7) == "70 %"
    assert percent(1.0) == "100 %"


def test_nothing_judged_is_said() -> None:
    from dataclasses import replace

    answer = replace(group_answer("1"), outcome="impossible", outcome_reason="no gas reaches any patient", margin=None)
    assert verdict_words(answer, POLICY, "readings of 14:30") == "Not judged: no gas reaches any patient."
    assert binding_words(answer) is None


def test_control_codes_in_a_label_do_nothing() -> None:
    page = Page()
    page.table([Column("bed")], [["\x1b[2Jx"]])
    page.text("a\x07b")
    assert page.rendered() == "  bed\n  ?[2Jx\na?b\n"
