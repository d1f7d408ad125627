"""A group at the bedside in a real browser, with the record's clock in the hand of the test."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from airyoke.record.moment import Moment, system_clock
from airyoke.ward.entries import Draft
from web.browser.conftest import Served, served_app, sign_in

SETTINGS = {"mode": "pc", "rate_per_min": 22.0, "inspiratory_time_s": 0.8, "peep_cmh2o": 11.0, "fio2": 0.6,
            "pressure_above_peep_cmh2o": 18.0}  # fmt: skip
ROLES = {"airway": "ada", "circuit": "ben", "drugs": "cem", "reader": "ann"}


class Clock:
    """The clock of the machine, set forward by the test."""

    def __init__(self) -> None:
        self.forward = timedelta(0)

    def __call__(self) -> Moment:
        now = system_clock()
        return replace(now, local=now.local + self.forward, monotonic_s=now.monotonic_s + self.forward.total_seconds())

    def pass_min(self, minutes: float) -> None:
        self.forward += timedelta(minutes=minutes)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Served]:
    """An app of its own, because the walk writes."""
    with served_app(tmp_path) as served:
        began = time.monotonic()
        while not served.desk.engine.ready:
            assert time.monotonic() - began < 180.0, "the engine is not ready within three minutes"
            time.sleep(0.05)
        yield served


def step(page: Any, served: Served) -> None:
    """The step that comes now, its clamps counted as they should be."""
    way = served.record.state().standings["G1"].way
    assert way is not None
    assert way.next is not None
    if way.next.clamps is not None:
        page.get_by_label("Clamps on now").fill(str(way.next.clamps))
    number = 1 + sum(one.done is not None for one in way.steps)
    page.get_by_role("button", name=f"Done: step {number}", exact=True).click()
    page.get_by_text("Written down in the record").wait_for()


def read(page: Any, served: Served, values: dict[str, float | str], *, baseline: bool = False) -> None:
    page.goto(served.url + "/groups/V2/bedside/round")
    for key, value in values.items():
        field = page.locator(f'[id="{key}"]')
        if isinstance(value, str):
            field.select_option(value)
        else:
            field.fill(f"{value:g}")
    if baseline:
        page.get_by_label("This is the baseline").check()
    page.get_by_role("button", name="Save in the record").click()


def test_from_the_gate_to_a_planted_change_that_is_named_and_off_again(chromium: Any, own: Served) -> None:
    record = own.record
    clock = Clock()
    record.clock = clock
    group = {"id": "G1", "ventilator": "V2", "beds": ["E2", "E3"], "settings": SETTINGS}
    based_on = record.state().sequence
    record.write([Draft("plan_made", {"plan": "P1", "based_on": based_on, "groups": [group]}),
                  Draft("plan_accepted", {"plan": "P1", "accepted_by": ["ann", "dr-second"]})],
                 person="ann", seen=based_on)  # fmt: skip
    page = chromium.new_context().new_page()
    page.set_default_timeout(60_000)
    sign_in(page, own)

    # Planned, then prepared; the rehearsal is skipped, and the reason stands.
    page.goto(own.url + "/groups/V2")
    page.get_by_role("link", name="At the bedside").click()
    page.get_by_role("button", name="Prepare E2 and E3").click()
    page.get_by_text("It cannot be rehearsed").click()
    page.get_by_label("Why").fill("no second ventilator to try on")
    page.get_by_role("button", name="Skip the rehearsal").click()
    page.get_by_text("Skipped.").wait_for()
    assert "no second ventilator to try on" in page.inner_text("main")

    # The gate: a line that needs two is refused with one name written twice; all others by somebody who is named.
    assert "Begin the change-over" not in page.inner_text("main")
    page.locator("#by-2-labels").fill("ann")
    page.get_by_role("button", name="It holds: Every hose").click()
    page.get_by_text("needs 2 different people").wait_for()
    page.locator('[id="build"]').fill("C1")
    page.get_by_label("It passed its bench check").check()
    page.get_by_role("button", name="It holds: This build").click()
    for item in ("accepted", "labels", "rehearsal"):
        if item != "rehearsal":
            page.locator(f"#by-2-{item}").fill("dr-second")
        page.locator(f"form:has(#by-{item}) button").click()
        page.locator(f"#by-{item}").wait_for(state="detached")
    assert "Gate: 7 of 11 lines open" in page.inner_text("main")
    state = record.state()
    left = [one.id for one in state.standings["G1"].gate_items if one.id not in state.standings["G1"].gate]
    record.write([Draft("gate_ticked", {"group": "G1", "item": one, "passed": True, "by": ["ada"]}) for one in left],
                 person="ann", seen=state.sequence)  # fmt: skip

    # The change-over: step by step; while a tube is clamped its clock is on the page.
    page.goto(own.url + "/groups/V2/bedside")
    for role, name in ROLES.items():
        page.locator(f"#start-{role}").fill(name)
    page.get_by_role("button", name="Begin the change-over").click()
    page.get_by_role("heading", name="Step 1 of 12").wait_for()
    predicted = record.state().standings["G1"].rehearsal.values["predicted"]  # type: ignore[union-attr]
    volume = predicted[""]["displayed_tidal_volume_ml"][0]
    assert f"below {0.85 * volume:.0f} or above {1.15 * volume:.0f} mL" in page.inner_text("main")
    step(page, own)
    page.get_by_label("Clamps on now").fill("3")
    page.get_by_role("button", name="Done: step 2", exact=True).click()
    page.get_by_text("3 clamps are on after clamp.A, it should be 1").first.wait_for()
    step(page, own)
    clock.pass_min(0.4)
    page.reload()
    assert "Tube clamped, bed E2" in page.inner_text("main")
    page.get_by_text("STOP: bag this patient now").wait_for()
    for _ in range(10):
        step(page, own)
    standing = record.state().standings["G1"]
    assert standing.stage == "running"
    assert standing.way is None

    # The baseline, as predicted.
    clock.pass_min(15)
    settled: dict[str, float | str] = {"g-displayed_tidal_volume_ml": round(volume, -1), "g-rate_per_min": 22}
    for number, bed in enumerate(("E2", "E3")):
        mine = predicted[bed]
        settled |= {f"{number}-spo2_pct": 95, f"{number}-etco2_mmhg": 38, f"{number}-chest": "both",
                    f"{number}-block_depth": "no effort",
                    **{f"{number}-{key}": round(mine[key][0], 1) for key in ("plateau_cmh2o", "total_peep_cmh2o")},
                    f"{number}-tidal_volume_ml": round(mine["tidal_volume_ml"][0], -1)}  # fmt: skip
    read(page, own, settled, baseline=True)
    page.get_by_text("Alarm limits from the baseline").wait_for()

    # An hour: overdue on the ward; what cannot be is refused beside its field; then a tube of the second is blocked.
    clock.pass_min(60)
    page.goto(own.url + "/")
    page.get_by_text("Overdue by").first.wait_for()
    quiet = {key: value for key, value in settled.items() if "plateau" not in key and "peep" not in key and "volume" not in key}
    own_volume = settled["0-tidal_volume_ml"]
    assert isinstance(own_volume, float)
    blocked = {**quiet, "g-displayed_tidal_volume_ml": own_volume, "1-etco2_mmhg": 4.0, "1-spo2_pct": 890.0, "1-chest": "still"}
    read(page, own, blocked)
    page.locator('.field:has([id="1-spo2_pct"]) .finding.refused').wait_for()
    assert page.locator('[id="1-etco2_mmhg"]').input_value() == "4"
    page.locator('[id="1-spo2_pct"]').fill("84")
    page.get_by_role("button", name="Save in the record").click()
    page.get_by_text("Act on these first").wait_for()
    assert "SpO2 84 %: act: below 88 %" in page.inner_text("main")
    page.get_by_text("How likely").wait_for()
    suspected = page.inner_text("[data-load]")
    assert "Most likely" in suspected
    assert "B" in suspected.split("Most likely", 1)[1].split(":", 1)[0], suspected
    assert "Read next" in suspected

    # The second comes off, to a ventilator of its own; then the first, and the group has ended. The sheets are there.
    for bed, to in (("E3", "V3"), ("E2", "V2")):
        page.goto(own.url + "/groups/V2/bedside")
        page.get_by_text("Somebody comes off").click()
        page.get_by_label(f"bed {bed}, comes off").check()
        page.get_by_label(f"Bed {bed} then breathes from").select_option(to)
        for role, name in ROLES.items():
            page.locator(f"#exit-{role}").fill(name)
        page.locator("#exit-reason").fill("its tube is blocked")
        page.get_by_role("button", name="Begin to take off").click()
        page.get_by_text("Coming off, every step").wait_for()
        while record.state().standings["G1"].stage == "leaving":
            step(page, own)
    assert record.state().standings["G1"].stage == "ended"
    assert record.state().beds["E3"].patient.ventilator == "V3"  # type: ignore[union-attr]

    # The report for the next shift is on paper.
    page.goto(own.url + "/print")
    link = page.get_by_role("link", name="Shift report").first.get_attribute("href")
    assert page.request.get(own.url + str(link)).body().startswith(b"%PDF-")
