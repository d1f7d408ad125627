"""How long from a key on a slider to the new figures: `python -m tests.studies.what_if_times --keys 60`.

In Chromium, on a small invented ward, with the engine running: from the key going down to the frame after the figures
have changed. The load average is printed, since on a shared machine the times say little without it.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

from web.browser.conftest import FLAGS, planned_app, sign_in

# Resolves with the milliseconds from the next key to the frame in which the figures have changed.
_WATCH = """() => { window.passed = new Promise((done) => {
    let began = 0;
    addEventListener("keydown", () => { began = performance.now(); }, { once: true, capture: true });
    new MutationObserver((_, seen) => { seen.disconnect(); requestAnimationFrame(() => done(performance.now() - began)); })
        .observe(document.getElementById("results"), { childList: true });
}); }"""


def main() -> int:
    """Print median, 95th percentile and the longest."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keys", type=int, default=60)
    keys = parser.parse_args().keys
    with tempfile.TemporaryDirectory() as folder, planned_app(Path(folder)) as served, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=list(FLAGS))
        page = browser.new_page()
        sign_in(page, served)
        page.goto(served.url + "/groups/V2")
        times = [_one(page, number) for number in range(keys + 5)][5:]  # the first load what comes later from memory
        browser.close()
    at = np.percentile(times, [50, 95, 100])
    load = os.getloadavg()[0]
    print(f"{keys} keys: median {at[0]:.0f}, 95 % {at[1]:.0f}, longest {at[2]:.0f} ms; load average {load:.1f}")
    return 0


def _one(page: Page, number: int) -> float:
    """One key on a slider that has not been at that value before, where the slider allows it."""
    slider = page.get_by_label(("pressure above PEEP, slider", "rate, slider", "FiO2, slider")[number % 3], exact=True)
    slider.focus()
    page.evaluate(_WATCH)
    page.keyboard.press("ArrowRight" if number // 3 % 9 < 6 else "ArrowLeft")
    passed: float = page.evaluate("() => window.passed")
    page.wait_for_timeout(120)
    return passed


if __name__ == "__main__":
    sys.exit(main())
