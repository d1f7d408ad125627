"""A ward of three with a build that passed, and a group of it brought to a stage, entry by entry."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from typing import Any

from airyoke.ward.bedside import abandon_steps, exit_steps, gate_objects, start_steps
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.kinds import content_findings
from airyoke.ward.state import WardState
from record.scribe import Scribe, entry

ROLES = {"airway": "ada", "circuit": "ben", "drugs": "cem", "reader": "dee"}
START = datetime(2026, 11, 25, 15, 0, tzinfo=timezone(timedelta(hours=1)))
SETTINGS = {"mode": "pc", "rate_per_min": 22.0, "inspiratory_time_s": 0.9, "peep_cmh2o": 10.0, "fio2": 0.6,
            "pressure_above_peep_cmh2o": 13.0}  # fmt: skip
GATE = ("rehearsal", "accepted", "bench", "alarms", "block", "syringes", "airway", "bag", "clamps", "labels", "reserve")


def at(minutes: float) -> str:
    """So many minutes after the ward was written down."""
    return (START + timedelta(minutes=minutes)).isoformat()


class Bedside:
    """Writes as somebody, and says what came of it."""

    def __init__(self, beds: Sequence[str] = ("1", "2")) -> None:
        self.scribe = Scribe()
        for machine in ("V1", "V2", "V3", "V9"):
            self.write("ventilator", ventilator=machine)
        for bed in ("1", "2", "3"):
            self.write("bed", bed=bed)
            self.write("patient_in", bed=bed, code=f"p{bed}", values={"ventilator": f"V{bed}"})
        self.write("build_made", build="B1", patients=len(beds))
        self.write("build_tested", build="B1", passed=True)
        self.beds = tuple(beds)

    def write(self, kind: str, person: str = "dee", **content: Any) -> None:
        """One entry; what the fold refuses leaves everything as it was."""
        assert content_findings(kind, content) == (), content_findings(kind, content)
        new = entry(len(self.scribe.entries) + 1, kind, content, person)
        self.scribe.fold = self.scribe.fold.with_entries([new], self.scribe.source())
        self.scribe.entries.append(new)

    @property
    def state(self) -> WardState:
        return self.scribe.fold.state

    @property
    def group(self) -> GroupStanding:
        return self.state.standings["G1"]

    def prepare(self, **more: Any) -> Bedside:
        content = {"group": "G1", "ventilator": "V9", "beds": list(self.beds), "build": "B1", "settings": SETTINGS,
                   "gate": gate_objects(self.state)}  # fmt: skip
        self.write("group_prepared", **content | more)
        return self

    def rehearse(self, verdict: str = "confirmed", **more: Any) -> Bedside:
        self.write("rehearsed", group="G1", verdict=verdict, reason="as measured", **more)
        return self

    def tick(self, *but: str) -> Bedside:
        for item in GATE:
            if item not in but:
                by = ["ada", "ben"] if item in ("accepted", "labels") else ["ada"]
                self.write("gate_ticked", group="G1", item=item, passed=True, by=by)
        return self

    def begin(self, minutes: float = 1.0, **more: Any) -> Bedside:
        steps = start_steps(self.state, self.group)
        self.write("coupling_begun", **{"group": "G1", "roles": ROLES, "steps": steps, "at": at(minutes)} | more)
        return self

    def gated(self) -> Bedside:
        return self.prepare().rehearse().tick()

    def step(self, minutes: float, **more: Any) -> str:
        """The next step, with the clamps that it should have; its id."""
        way = self.group.way
        assert way is not None
        step = way.next
        assert step is not None
        counted = {} if step.clamps is None else {"clamps": step.clamps}
        self.write("step_done", **{"group": "G1", "step": step.id, "at": at(minutes), **counted} | more)
        return step.id

    def back(self) -> None:
        """The step done last, taken back."""
        way = self.group.way
        assert way is not None
        assert way.last is not None
        self.write("step_undone", group="G1", step=way.last.id, reason="taken back")

    def coupled(self) -> Bedside:
        self.gated().begin()
        minutes = 1.0
        while self.group.way is not None:
            minutes += 0.1
            self.step(minutes)
        return self

    def abandon(self) -> None:
        self.write("coupling_abandoned", group="G1", reason="SpO2 84", steps=abandon_steps(self.state, self.group))

    def leave(self, *off: str, **more: Any) -> None:
        steps = exit_steps(self.state, self.group, off)
        content = {"group": "G1", "off": list(off), "roles": ROLES, "steps": steps, "reason": "waking"}
        self.write("exit_begun", **content | more)
