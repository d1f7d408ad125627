"""The pictures of the app in the README: `python -m tests.studies.portraits`, from the project's folder.

The demo ward as the app shows it in Chromium: the ward at a glance, what each of a group gets, and one breath of it.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from datetime import datetime
from pathlib import Path

import uvicorn
from playwright.sync_api import sync_playwright

from airyoke.web.app import create_app
from airyoke.web.demo import make_demo_record
from web.browser.conftest import FLAGS, listening

DOCS = Path(__file__).resolve().parents[2] / "docs"


def main() -> int:
    """Make all three."""
    with tempfile.TemporaryDirectory() as folder, listening() as (door, url):
        record, ticket, _ = make_demo_record(Path(folder), datetime.now().astimezone())
        app = create_app(record, ticket=ticket)
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="on"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.05)
        desk = app.state.desk
        job = desk.plan(desk.look())
        while not job.ended:
            time.sleep(0.2)
        shared = next(one.ventilator for one in job.result.groups if one.status == "judged")
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=list(FLAGS))
            page = browser.new_page(viewport={"width": 1180, "height": 900})
            page.goto(f"{url}/enter/{ticket.word}")
            page.screenshot(path=str(DOCS / "app-ward.png"))
            page.goto(f"{url}/groups/{shared}")
            page.get_by_label("pressure above PEEP, slider", exact=True).press("ArrowRight")
            page.locator("#results s").first.wait_for()
            page.set_viewport_size({"width": 1400, "height": 900})
            page.locator("#results .lanes").screenshot(path=str(DOCS / "app-group.png"))
            page.set_viewport_size({"width": 1180, "height": 900})
            page.goto(f"{url}/groups/{shared}/breath", wait_until="networkidle")
            page.locator("figure.breath").screenshot(path=str(DOCS / "app-breath.png"))
            browser.close()
        server.should_exit = True
        thread.join(timeout=10.0)
        record.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
