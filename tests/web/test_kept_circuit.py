"""A plan's circuit after the program was started anew: the one that the record kept, not one chosen again."""

from __future__ import annotations

from starlette.testclient import TestClient

from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import build_for
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.record import Record
from airyoke.ward.entries import Draft
from airyoke.web.desk import Desk
from airyoke.web.engine_process import CircuitQuestion, _circuit
from airyoke.web.saved_groups import saved_groups

SETTINGS = {"mode": "pc", "rate_per_min": 22, "inspiratory_time_s": 0.8, "peep_cmh2o": 11,
            "pressure_above_peep_cmh2o": 18, "fio2": 0.6}  # fmt: skip


def test_the_circuit_of_an_accepted_plan_is_the_kept_one_before_and_after_its_group_runs(
    client: TestClient, record: Record
) -> None:
    needs = CircuitNeeds((PatientNeeds(),) * 2, layout="chain", humidification="heated")
    built = build_for(needs, None)
    assert not isinstance(built, CannotBuild)
    parts = dict(built.build.parts)
    group = {"id": "V2", "ventilator": "V2", "beds": ["E2", "E3"], "settings": SETTINGS,
             "circuit": {"build": "kept", "parts": [{"part": p, "count": n} for p, n in parts.items()]}}  # fmt: skip
    based_on = record.state().sequence
    for draft in (
        Draft("plan_made", {"plan": "P1", "based_on": based_on, "groups": [group]}),
        Draft("plan_accepted", {"plan": "P1", "accepted_by": ["ann", "rob"]}),
        None,
        Draft("group_started", {"group": "G1", "ventilator": "V2", "beds": ["E2", "E3"], "settings": SETTINGS, "plan": "P1"}),
    ):
        if draft is not None:
            record.write([draft], person="ann", seen=record.state().sequence)
            if draft.kind == "plan_made":
                continue
        desk: Desk = client.app.state.desk  # type: ignore[attr-defined]
        saved = saved_groups(desk, desk.look())["V2"]
        assert dict(saved.parts) == parts
    assert saved.standing == "running"
    stock = desk.look().ward.stock  # type: ignore[union-attr]
    one, report = _circuit(CircuitQuestion(saved.needs, stock, None, saved.parts), lambda *_: None)
    assert dict(one.build.parts) == parts
    assert report is not None
    usual, _ = _circuit(CircuitQuestion(saved.needs, stock, None), lambda *_: None)
    assert dict(usual.build.parts) != parts  # else the test could not fail
