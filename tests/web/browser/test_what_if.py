"""The what-if in a real browser: the newest value wins, what is late or lost is marked, nothing is written."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from web.browser.conftest import Served, sign_in


@pytest.fixture
def group_page(chromium: Any, planned: Served) -> Iterator[Any]:
    context = chromium.new_context()
    page = context.new_page()
    sign_in(page, planned)
    page.goto(planned.url + "/groups/V2")
    yield page
    context.close()


def volumes_ml(page: Any) -> list[float]:
    """Of both patients, as the page shows them."""
    shown = page.locator("#results tr:has(a:text-is('tidal volume')) td.n strong").all_inner_texts()
    assert len(shown) == 2
    return [float(one) for one in shown]


def test_more_pressure_gives_everybody_more_volume_and_the_old_figure_stands_beside(
    group_page: Any, planned: Served
) -> None:
    before, entries = volumes_ml(group_page), planned.record.state().sequence
    group_page.get_by_label("pressure above PEEP, slider").press("ArrowRight")
    group_page.locator("#results s").first.wait_for()
    after = volumes_ml(group_page)
    assert all(new > old for old, new in zip(before, after, strict=True))
    struck = group_page.locator("#results tr:has(a:text-is('tidal volume')) td.n s").all_inner_texts()
    assert [float(re.sub(r"\D", "", one)) for one in struck] == before
    assert planned.record.state().sequence == entries


def test_of_many_keys_the_last_one_is_shown_with_one_request_in_flight(group_page: Any, planned: Served) -> None:
    flying, most = [0], [0]

    def count(by: int) -> None:
        flying[0] += by
        most[0] = max(most[0], flying[0])

    group_page.on("request", lambda one: count(1) if "/what-if" in one.url else None)
    group_page.on("response", lambda one: count(-1) if "/what-if" in one.url else None)
    slider = group_page.get_by_label("rate, slider")
    start = float(group_page.get_by_label("rate", exact=False).nth(1).input_value())
    for _ in range(5):
        slider.press("ArrowRight")
    with_rate = f"times {start + 5:g}/min"
    group_page.get_by_text(with_rate).wait_for()
    assert most[0] == 1
    assert group_page.locator("#stale").is_hidden()


def test_figures_are_marked_as_old_while_the_server_does_not_answer_and_no_longer_when_it_does(
    group_page: Any,
) -> None:
    group_page.route("**/what-if*", lambda route: route.abort())
    group_page.get_by_label("PEEP, slider", exact=True).press("ArrowRight")
    group_page.locator("#stale").wait_for(state="visible")
    assert group_page.locator("#lost").is_visible()
    group_page.unroute("**/what-if*")
    group_page.locator("#stale").wait_for(state="hidden")
    assert group_page.locator("#lost").is_hidden()


def test_what_no_machine_can_do_is_said_beside_the_knob_and_the_figures_count_as_old(group_page: Any) -> None:
    group_page.locator("#rate_per_min").fill("90")
    group_page.locator("#what-if-findings li").wait_for()
    assert "outside" in group_page.locator("#what-if-findings").inner_text()
    assert group_page.locator("#rate_per_min").get_attribute("aria-invalid") == "true"
    assert group_page.locator("#stale").is_visible()


def test_a_lung_that_stiffens_gets_less_and_who_is_taken_off_leaves_the_letter_of_the_other_alone(
    group_page: Any,
) -> None:
    before = volumes_ml(group_page)
    group_page.get_by_label("And bed E3").select_option(label="lungs stiffen by 30 %")
    group_page.locator("#results s").first.wait_for()
    assert volumes_ml(group_page)[1] < before[1]
    group_page.get_by_label("And bed E3").select_option(label="as read")
    group_page.get_by_label("And bed E2").select_option(label="is taken off")
    group_page.get_by_text("Bed E2 is off").wait_for()
    assert group_page.locator("#results .one-lane").count() == 1
    assert group_page.locator("#results .one-lane").get_attribute("aria-label") == "Patient B, bed E3"
