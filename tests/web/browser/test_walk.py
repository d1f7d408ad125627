"""The whole job once through, in a real browser, by two people."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from web.browser.conftest import Served, planned_app, sign_in


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Served]:
    """An app of its own, because the walk writes."""
    with planned_app(tmp_path) as served:
        yield served


def test_from_a_slip_that_is_mended_to_a_group_that_runs_and_ends(chromium: Any, own: Served) -> None:
    context, other = chromium.new_context(), chromium.new_context()
    page, colleague = context.new_page(), other.new_page()
    wrong: list[str] = []
    page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    page.set_default_timeout(60_000)
    sign_in(page, own)

    # A PaCO2 typed in kPa is told beside the field while it is typed, and cannot be saved; mended, it can.
    page.goto(own.url + "/beds/E3")
    page.get_by_label("PaCO2", exact=True).fill("5.7")
    page.get_by_label("PaCO2", exact=True).blur()
    page.locator("ul[data-for=paco2_mmhg] .refused").wait_for()
    page.get_by_role("button", name="Save in the record").click()
    page.get_by_text("This was not done").or_(page.locator("ul[data-for=paco2_mmhg] .refused")).first.wait_for()
    entries = own.record.state().sequence
    page.get_by_label("PaCO2", exact=True).fill("43")
    page.get_by_role("button", name="Save in the record").click()
    page.get_by_text("Saved in the record").wait_for()
    assert own.record.state().sequence == entries + 1

    # The plan is worked out anew, and accepted by two.
    page.goto(own.url + "/plan")
    page.get_by_role("button", name="Work").click()
    page.get_by_role("heading", name="V2 for E2 and E3").wait_for()
    page.get_by_label("Second person").fill("dr-second")
    page.get_by_label("Nothing else is left here").check()
    page.get_by_role("button", name="Accept this plan").click()
    page.get_by_text("This plan is accepted").wait_for()

    # The group: what if, what to build, one sheet on paper, then coupled.
    page.get_by_role("link", name="Open V2").click()
    page.get_by_label("rate, slider").press("ArrowRight")
    page.get_by_text("As it is saved").wait_for()
    page.get_by_role("link", name="What to build").click()
    drawn = page.locator("figure img")
    drawn.wait_for()
    assert drawn.evaluate("one => one.decode().then(() => one.naturalWidth)") > 100
    page.get_by_role("link", name="What can go wrong").click()
    page.get_by_role("heading", name="If something goes wrong now").wait_for(timeout=180_000)
    page.get_by_role("link", name="One breath").click()
    breath = page.locator("figure.breath img")
    assert breath.evaluate("one => one.decode().then(() => one.naturalWidth)") > 100
    page.goto(own.url + "/print")
    link = page.get_by_role("link", name="Bed card").first.get_attribute("href")
    assert page.request.get(own.url + str(link)).body().startswith(b"%PDF-")
    page.goto(own.url + "/groups/V2")
    for words in ("rehearsed alone", "bench check", "alarm limits are dialled", "At every bed"):
        page.get_by_label(words).check()
    page.get_by_role("button", name="breathe from V2 now").click()
    page.get_by_text("Written down in the record").wait_for()
    assert ("E2", "E3") in [group.beds for group in own.record.state().groups.values()]

    # A colleague sees it, and changes a reading; the first page is told whose change it was.
    page.goto(own.url + "/")
    sign_in(colleague, own, "ann")
    colleague.get_by_text("shared").wait_for()
    colleague.goto(own.url + "/beds/E2")
    colleague.locator("#plateau_cmh2o").fill("25.1")
    colleague.get_by_role("button", name="Save in the record").click()
    page.get_by_text("Changed since this page was made: ann: read at bed E2: plateau pressure 25.1").wait_for()

    # Who did what stands in the record; the group ends; out.
    page.goto(own.url + "/record?bed=E2")
    assert "read at bed E2: plateau pressure 25.1" in page.inner_text("table")
    assert "E2 and E3 breathe from V2" in page.inner_text("table")
    page.goto(own.url + "/groups/V2")
    page.get_by_text("Sharing has ended here").click()
    page.locator("form[action$='/end']").get_by_label("Why").fill("two machines came back")
    page.get_by_label("Bed E2 breathes from").select_option("V2")
    page.get_by_label("Bed E3 breathes from").select_option("V3")
    page.get_by_role("button", name="Write it down").click()
    page.wait_for_url(own.url + "/")
    assert own.record.state().groups == {}
    page.get_by_role("button", name="Sign out").click()
    page.get_by_role("heading", name="Sign in").wait_for()
    assert all("422" in one or "401" in one for one in wrong), wrong  # what was refused, and the signed-out page
