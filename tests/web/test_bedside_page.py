"""A group at the bedside without JavaScript and without the engine: from its plan to the end, form by form."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from airyoke.record import Record
from airyoke.record.moment import Moment, system_clock
from airyoke.ward.entries import Draft
from airyoke.web.app import create_app
from airyoke.web.engine_room import EngineRoom
from web.conftest import ADDRESS, signed_in

AT = "/groups/V2/bedside"
SETTINGS = {"mode": "pc", "rate_per_min": 22.0, "inspiratory_time_s": 0.8, "peep_cmh2o": 11.0, "fio2": 0.6,
            "pressure_above_peep_cmh2o": 18.0}  # fmt: skip
PREDICTED = {"": {"displayed_tidal_volume_ml": [1000, 950, 1050]},
             **{bed: {"tidal_volume_ml": [500, 460, 540], "plateau_cmh2o": [25, 23, 27]} for bed in ("E2", "E3")}}  # fmt: skip
ROLES = {"role-airway": "ada", "role-circuit": "ben", "role-drugs": "cem", "role-reader": "ann"}


class Ward:
    """Sends forms as ann does."""

    def __init__(self, client: TestClient, record: Record) -> None:
        self.client, self.record = client, record
        signed_in(client, "ann")
        self.written = 0

    def page(self, path: str = "") -> str:
        answer = self.client.get(AT + path)
        assert answer.status_code == 200, answer.text[:2000]
        return " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())

    def send(self, path: str, *, status: int = 303, **form: str) -> str:
        html = self.client.get(AT).text
        token = re.search(r'name="token" value="([^"]+)"', html)
        assert token is not None
        self.written += 1
        seen = str(self.record.state().sequence)
        sent = {"token": token.group(1), "seen": seen, "once": f"n{self.written}", **form}
        answer = self.client.post(f"{AT}/{path}", data=sent)
        assert answer.status_code == status, " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())[:3000]
        return answer.text

    def write(self, kind: str, content: dict[str, object]) -> None:
        self.record.write([Draft(kind, content)], person="ann", seen=self.record.state().sequence)

    def step(self) -> None:
        way = self.record.state().standings["G1"].way
        assert way is not None
        assert way.next is not None
        clamps = {} if way.next.clamps is None else {"clamps": str(way.next.clamps)}
        self.send("step", step=way.next.id, **clamps)

    def gated(self) -> None:
        group = {"id": "G1", "ventilator": "V2", "beds": ["E2", "E3"], "settings": SETTINGS}
        self.write("plan_made", {"plan": "P1", "based_on": self.record.state().sequence, "groups": [group]})
        self.send("prepare")
        self.write("rehearsed", {"group": "G1", "verdict": "skipped", "reason": "no machine", "settings": SETTINGS,
                                 "values": {"predicted": PREDICTED}})  # fmt: skip
        self.send("tick", item="bench", by="ada", build="C1", tested="on")
        self.send("tick", item="accepted", by="ann", **{"by-2": "dr-second"})
        for one in self.record.state().standings["G1"].gate_items:
            if one.id not in ("bench", "accepted"):
                self.send("tick", item=one.id, by="ada", **({"by-2": "ben"} if one.people > 1 else {}))

    def coupled(self) -> None:
        self.gated()
        self.send("start", **ROLES)
        while self.record.state().standings["G1"].way is not None:
            self.step()


@pytest.fixture
def ward(client: TestClient, record: Record) -> Ward:
    return Ward(client, record)


def test_the_start_waits_for_the_gate_and_a_clamped_tube_has_its_time_on_the_page(ward: Ward) -> None:
    ward.gated()
    assert ward.record.state().plans["P1"].accepted_by == ("ann", "dr-second")
    assert "Gate: 0 of 11 lines open" in ward.page()
    ward.send("tick", item="block", by="ben", **{"not": "on"})
    assert "Begin the change-over" not in ward.page()
    assert "gate-open" in str(ward.send("start", status=422, **ROLES)) or "does not hold" in ward.page()
    ward.send("tick", item="block", by="ben")
    ward.send("start", **ROLES)
    page = ward.page()
    assert "Step 1 of 12" in page
    assert "Exhaled volume with everybody on below 850 or above 1150 mL" in page  # 15 % either side of 1000, by hand
    ward.send("step", step="clamp.A", clamps="1", status=422)
    ward.step()
    asked = ward.send("step", step="clamp.A", clamps="3", status=422)
    assert 'name="confirmed" value="clamps-differ"' in asked
    ward.send("step", step="clamp.A", clamps="3", confirmed="clamps-differ", reason="one spare")
    page = ward.page()
    assert "Tube clamped, bed E2, since" in page
    assert "stop and bag at 20 s" in page or "STOP: bag this patient now" in page
    ward.send("undo", step="clamp.A", reason="not clamped at all")
    assert "Tube clamped" not in ward.page()
    ward.send("abandon", reason="SpO2 84")
    assert ward.record.state().standings["G1"].stage == "dissolved"
    assert "Ended" in ward.page() or "Dissolved" in ward.page()


def test_a_round_keeps_what_was_typed_and_says_what_is_to_be_acted_on(ward: Ward) -> None:
    ward.coupled()
    form = ward.page("/round")
    assert "460 to 540" in form
    assert "950 to 1050" in form
    refused = ward.send("round", status=422, **{"0-spo2_pct": "890", "1-spo2_pct": "95", "1-etco2_mmhg": "thirty"})
    assert 'value="890"' in refused
    assert "thirty" in refused
    both = {"0-spo2_pct": "95", "1-spo2_pct": "95", "0-tidal_volume_ml": "500", "1-tidal_volume_ml": "490,5"}
    ward.send("round", baseline="on", **both, **{"g-displayed_tidal_volume_ml": "1000", "g-rate_per_min": "22"})
    assert "Alarm limits from the baseline" in ward.page()
    ward.send("round", **{"0-spo2_pct": "84", "1-chest": "still"})
    page = ward.page()
    assert "A, bed E2: SpO2 84 % : act: below 88 %" in page
    assert "B, bed E3: chest still : act: still, not both" in page
    assert "G1 on V2" in " ".join(ward.client.get("/").text.split())


def test_two_come_off_one_after_the_other_and_the_group_has_ended(ward: Ward) -> None:
    ward.coupled()
    ward.send("exit", status=422, reason="waking", **ROLES)
    for number, to in (("1", "V3"), ("0", "V2")):
        ward.send("exit", reason="waking", **ROLES, **{f"off-{number}": "on", f"to-{number}": to})
        assert "Coming off, every step" in ward.page()
        while ward.record.state().standings["G1"].way is not None:
            ward.step()
    assert ward.record.state().standings["G1"].stage == "ended"
    assert ward.record.state().beds["E3"].patient.ventilator == "V3"  # type: ignore[union-attr]
    assert "Prepare it" in ward.page()


def later() -> Moment:
    """The clock an hour on."""
    now = system_clock()
    return replace(now, local=now.local + timedelta(hours=1), monotonic_s=now.monotonic_s + 3600.0)


def test_a_tube_that_is_blocked_after_the_baseline_is_named_and_the_round_is_overdue(record: Record) -> None:
    """The planted change: the second gets nothing, so that the machine shows the first one's volume alone."""
    app = create_app(record, engine=EngineRoom(ready=True))
    with TestClient(app, base_url=ADDRESS, follow_redirects=False) as client:
        ward = Ward(client, record)
        group = {"id": "G1", "ventilator": "V2", "beds": ["E2", "E3"], "settings": SETTINGS}
        ward.write("plan_made", {"plan": "P1", "based_on": record.state().sequence, "groups": [group]})
        ward.send("prepare")
        ward.send("rehearse", skip="yes", reason="no second machine")
        standing = record.state().standings["G1"]
        assert standing.rehearsal is not None
        predicted = standing.rehearsal.values["predicted"]
        ward.send("tick", item="bench", by="ada", build="C1", tested="on")
        ward.send("tick", item="accepted", by="ann", **{"by-2": "dr-second"})
        for one in standing.gate_items:
            ward.write("gate_ticked", {"group": "G1", "item": one.id, "passed": True, "by": ["ada", "ben"]})
        ward.send("start", **ROLES)
        while (way := record.state().standings["G1"].way) is not None and way.next is not None:
            counted = {} if way.next.clamps is None else {"clamps": way.next.clamps}
            ward.write("step_done", {"group": "G1", "step": way.next.id, **counted})
        quiet = {"g-rate_per_min": "22"}
        for number in ("0", "1"):
            quiet |= {f"{number}-spo2_pct": "95", f"{number}-etco2_mmhg": "38", f"{number}-chest": "both",
                      f"{number}-block_depth": "no effort"}  # fmt: skip
        own = {f"{n}-tidal_volume_ml": f"{predicted[bed]['tidal_volume_ml'][0]:.0f}" for n, bed in enumerate(("E2", "E3"))}
        shown = f"{predicted['']['displayed_tidal_volume_ml'][0]:.0f}"
        ward.send("round", baseline="on", **quiet, **own, **{"g-displayed_tidal_volume_ml": shown})
        record.clock = later
        assert "Overdue by" in client.get("/").text
        blocked = {"1-etco2_mmhg": "4", "1-spo2_pct": "84", "1-chest": "still"}
        ward.send("round", **quiet | blocked | {"g-displayed_tidal_volume_ml": own["0-tidal_volume_ml"]})
        said = " ".join(client.get(f"{AT}/suspicion").text.split())
        assert "Most likely B&#39;s tube, or one of its two branches, is blocked" in said
        assert "0 to 60 min" in said
