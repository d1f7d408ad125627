"""What holds for every page: nothing from elsewhere, accessible by day and by night, nothing cut off on small screens."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from web.browser.conftest import Served, sign_in

PAGES = ("/", "/beds/E2", "/plan", "/groups/V2", "/groups/V2/circuit", "/groups/V2/why/E2/paco2_mmhg")


@pytest.fixture(scope="session")
def open_page(chromium: Any, planned: Served) -> Iterator[Any]:
    """A signed-in page, and every address that the browser asked for."""
    context = chromium.new_context()
    page = context.new_page()
    page.asked, page.wrong = [], []
    context.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda said: page.wrong.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: page.wrong.append(str(error)))
    sign_in(page, planned)
    yield page
    context.close()


@pytest.mark.parametrize("path", PAGES)
def test_a_page_asks_nobody_but_its_own_server_and_has_no_script_error(
    open_page: Any, planned: Served, path: str
) -> None:
    open_page.asked.clear()
    open_page.wrong.clear()
    open_page.goto(planned.url + path, wait_until="networkidle")
    assert open_page.asked
    assert [url for url in open_page.asked if not url.startswith(planned.url + "/")] == []
    assert open_page.wrong == []


@pytest.mark.parametrize("path", PAGES)
def test_a_page_of_the_demonstration_says_so(open_page: Any, planned: Served, path: str) -> None:
    open_page.goto(planned.url + path)
    assert "every patient and every figure here is made up" in open_page.inner_text("body")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_no_violation(open_page: Any, planned: Served, path: str, scheme: str) -> None:
    """WCAG 2.2 A and AA as axe-core checks them; by night only what depends on colours."""
    open_page.emulate_media(color_scheme=scheme)
    open_page.goto(planned.url + path)
    opened = "document.querySelectorAll('details').forEach(one => { one.open = true; })"
    open_page.evaluate(opened)
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    tags = tags if scheme == "light" else ["color-contrast"]
    found = Axe().run(open_page, options={"resultTypes": ["violations"], "runOnly": tags}).response["violations"]
    assert [(one["id"], [node["target"] for node in one["nodes"]][:4]) for one in found] == []


@pytest.mark.parametrize(("width", "height", "zoom"), [(390, 844, 1), (1366, 768, 2), (320, 640, 1)])
@pytest.mark.parametrize("path", PAGES)
def test_nothing_is_cut_off_or_needs_sideways_scrolling(
    open_page: Any, planned: Served, path: str, width: int, height: int, zoom: int
) -> None:
    """A phone; 200 % on a small laptop, which halves the pixels; 320 px (WCAG 2.2, 1.4.10)."""
    open_page.set_viewport_size({"width": width // zoom, "height": height // zoom})
    open_page.goto(planned.url + path)
    assert open_page.evaluate("document.documentElement.scrollWidth") <= width // zoom
    lost = """[...document.querySelectorAll('main *')].filter(one => {
        const style = getComputedStyle(one), box = one.getBoundingClientRect();
        if (one.closest('.hidden, svg, details:not([open]) > :not(summary), .scroll') || !box.width) return false;
        return box.right > innerWidth + 1 || box.left < -1 ||
            (style.overflowX === 'hidden' && one.scrollWidth > one.clientWidth + 1);
    }).map(one => one.outerHTML.slice(0, 90))"""
    assert open_page.evaluate(lost) == []
    open_page.set_viewport_size({"width": 1280, "height": 720})


@pytest.mark.parametrize("path", PAGES)
def test_what_can_be_pressed_is_large_enough(open_page: Any, planned: Served, path: str) -> None:
    """44 px, the size that WCAG 2.2 asks for at AAA (2.5.5); links inside sentences are exempt there."""
    open_page.goto(planned.url + path)
    small = """[...document.querySelectorAll('button, select, summary, input:not([type=hidden]), nav a, a.button, a.bed')]
        .filter(one => { const box = (one.type === 'checkbox' ? one.closest('label') : one).getBoundingClientRect();
            return box.width > 1 && (box.height < 43.5 || box.width < 43.5); }).map(one => one.outerHTML.slice(0, 90))"""
    assert open_page.evaluate(small) == []


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
