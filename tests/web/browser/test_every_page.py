"""What holds for every page: nothing from elsewhere, accessible by day and by night, nothing cut off on small screens."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from airyoke.quantities.cautions import STANDING
from web.browser.conftest import Served, sign_in

PAGES = (
    "/", "/beds/E2", "/plan", "/groups/V2", "/groups/V2/circuit", "/groups/V2/faults",
    "/groups/V2/breath", "/groups/V2/breath?rate_per_min=26",
    "/groups/V2/why/E2/paco2_mmhg", "/record",
    "/record/14", "/people", "/policy", "/stock", "/backup", "/print",
    "/changes-of-the-ward",
)  # fmt: skip


@pytest.fixture(scope="module")
def open_page(chromium: Any, planned: Served) -> Iterator[Any]:
    """A signed-in page, and every address that the browser asked for."""
    context = chromium.new_context()
    page = context.new_page()
    page.set_default_timeout(120_000)  # the faults of a group take seconds of a quiet machine, and it may be busy
    page.asked, page.wrong = [], []
    context.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda said: page.wrong.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: page.wrong.append(str(error)))
    sign_in(page, planned)
    yield page
    context.close()


@pytest.fixture(scope="module", params=PAGES)
def page(open_page: Any, planned: Served, request: pytest.FixtureRequest) -> Any:
    """One page after the other, opened once for everything that is asked of it."""
    open_page.asked.clear()
    open_page.wrong.clear()
    open_page.goto(planned.url + request.param, wait_until="networkidle")
    return open_page


def test_a_page_asks_nobody_but_its_own_server_and_has_no_script_error(page: Any, planned: Served) -> None:
    assert page.asked
    assert [url for url in page.asked if not url.startswith(planned.url + "/")] == []
    assert page.wrong == []


def test_a_page_of_the_demonstration_says_so_and_carries_the_cautions(page: Any) -> None:
    text = page.inner_text("body")
    assert "every patient and every figure here is made up" in text
    assert all(one.text in text for one in STANDING)


def test_the_title_of_a_page_is_words_in_one_line(page: Any) -> None:
    """Part of the page once stood in a title: no browser shows that, and a screen reader reads all of it out."""
    title = page.evaluate("document.querySelector('title').textContent")
    assert "<" not in title
    assert "\n" not in title
    assert 0 < len(title) < 100


def test_what_can_be_pressed_is_large_enough(page: Any) -> None:
    """44 px, the size that WCAG 2.2 asks for at AAA (2.5.5); links inside sentences are exempt there."""
    small = """[...document.querySelectorAll('button, select, summary, input:not([type=hidden]), nav a, a.button, a.bed')]
        .filter(one => { const box = (one.type === 'checkbox' ? one.closest('label') : one).getBoundingClientRect();
            return box.width > 1 && (box.height < 43.5 || box.width < 43.5); }).map(one => one.outerHTML.slice(0, 90))"""
    assert page.evaluate(small) == []


@pytest.mark.parametrize(("width", "zoom"), [(390, 1), (820, 1), (1366, 2), (320, 1)])
def test_nothing_is_cut_off_or_needs_sideways_scrolling(page: Any, width: int, zoom: int) -> None:
    """A phone; a tablet; 200 % on a small laptop, which halves the pixels; 320 px (WCAG 2.2, 1.4.10)."""
    page.set_viewport_size({"width": width // zoom, "height": 800 // zoom})
    assert page.evaluate("document.documentElement.scrollWidth") <= width // zoom
    lost = """[...document.querySelectorAll('main *')].filter(one => {
        const style = getComputedStyle(one), box = one.getBoundingClientRect();
        if (one.closest('.hidden, svg, details:not([open]) > :not(summary), .scroll') || !box.width) return false;
        return box.right > innerWidth + 1 || box.left < -1 ||
            (style.overflowX === 'hidden' && one.scrollWidth > one.clientWidth + 1);
    }).map(one => one.outerHTML.slice(0, 90))"""
    assert page.evaluate(lost) == []
    page.set_viewport_size({"width": 1280, "height": 720})


def test_axe_finds_no_violation_by_day_and_by_night(page: Any) -> None:
    """WCAG 2.2 A and AA as axe-core checks them; by night only what depends on colours."""
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    every = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    for scheme, rules in (("light", every), ("dark", ["color-contrast"])):
        page.emulate_media(color_scheme=scheme)
        axe = Axe().run(page, options={"resultTypes": ["violations"], "runOnly": rules})
        found = [(one["id"], [node["target"] for node in one["nodes"]][:4]) for one in axe.response["violations"]]
        assert found == [], scheme
    page.emulate_media(color_scheme="light")


def test_the_keyboard_reaches_everything_in_the_order_of_the_page(open_page: Any, planned: Served) -> None:
    open_page.goto(planned.url + "/")
    reached: list[str] = []
    for _ in range(60):
        open_page.keyboard.press("Tab")
        now = open_page.evaluate(
            """(() => { const one = document.activeElement; if (one === document.body) return '';
            const style = getComputedStyle(one), box = one.getBoundingClientRect();
            return [one.textContent.trim().slice(0, 30), box.width > 1 && style.outlineStyle !== 'none']; })()"""
        )
        if not now:
            break
        reached.append(now[0])
        assert now[1], f"the focus on {now[0]!r} is not seen"
    wanted = open_page.evaluate(
        """[...document.querySelectorAll('a, button, summary, select, input:not([type=hidden])')]
        .filter(one => one.checkVisibility()).map(one => one.textContent.trim().slice(0, 30))"""
    )
    assert reached == wanted
    assert reached[0] == "To the content"
