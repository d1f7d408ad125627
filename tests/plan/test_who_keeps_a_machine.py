"""Beds that stay as they are: nobody is taken off a machine that nobody else needs, for a gap in the sheet."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from random import Random

import pytest

from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.ward.questions import plan_ward
from airyoke.ward.ward import Bed, Ward
from referees.ward_maker import invented_readings

NOW = datetime(2026, 11, 25, 14, 0)
V1, V2, V3 = (Ventilator(f"V{n}", circuit_compensation="on") for n in (1, 2, 3))
POLICY = Policy(sharing="last-resort-accepted", reserve_ventilators=0)
ALONE = "for this test"


def read(seed: int = 2, **changes: object) -> Readings:
    return replace(invented_readings(Random(seed), "moderate", V1), **changes)


def bed(label: str, on: Ventilator | None, readings: Readings | None, **more: object) -> Bed:
    named = {"room": "East", "infection": frozenset({"a"}), **more}
    return Bed(label, None, readings=readings, ventilator=None if on is None else on.label, **named)


def planned(*beds: Bed, machines: tuple[Ventilator, ...], reserve: int = 0):
    ward = Ward(beds, machines, replace(POLICY, reserve_ventilators=reserve))
    return plan_ward(ward, now=NOW, draws=32)


def places(plan) -> dict[str, str]:
    return {b: g.ventilator for g in plan.groups for b in g.beds}


def test_a_bed_with_refused_readings_keeps_its_machine_and_nobody_else_gets_it():
    plan = planned(bed("B1", V1, None), bed("B2", V1, read()), machines=(V1, V2))
    assert places(plan) == {"B1": "V1", "B2": "V2"}


def test_a_bed_whose_volume_does_not_fit_its_pressures_stays_alone_where_it_is():
    plan = planned(bed("B1", V1, read(mode="vc", plateau_cmh2o=8.0, peep_cmh2o=10.0)), machines=(V1, V2))
    assert places(plan) == {"B1": "V1"}


def test_a_bed_read_in_pressure_control_without_its_pressure_keeps_the_machine_it_is_on():
    r = read(
        mode="pc", pressure_above_peep_cmh2o=None, flow_shape=None, pause_s=None, peak_cmh2o=None,
        flow_l_per_min=None,
    )  # fmt: skip
    assert places(planned(bed("B1", V1, r), machines=(V1, V2))) == {"B1": "V1"}


@pytest.mark.parametrize("room", [None, "West"])
def test_a_bed_keeps_the_machine_it_is_on_whatever_the_room_cells_say(room):
    plan = planned(bed("B1", V1, read(), room=room), machines=(replace(V1, room="East"), V2), reserve=1)
    assert places(plan) == {"B1": "V1"}


def test_a_bed_keeps_the_machine_it_is_on_in_the_mode_it_was_read_in():
    plan = planned(bed("B1", V1, read(mode="vc")), machines=(replace(V1, modes=("pc",)),))
    assert places(plan) == {"B1": "V1"}


def test_a_machine_kept_by_a_refused_bed_and_not_usable_takes_no_place_from_the_others():
    beds = (bed("B1", V1, None), bed("B2", V2, read(), exclude=ALONE))
    assert places(planned(*beds, machines=(replace(V1, usable=False), V2))) == {"B1": "V1", "B2": "V2"}


def test_giving_up_the_reserve_is_said_where_two_refused_beds_run_on_one_machine():
    beds = (
        bed("B1", V1, None), bed("B2", V1, None), bed("B3", None, read(3, fio2=0.5), exclude=ALONE),
        bed("B4", V2, read(4, fio2=0.5), exclude=ALONE),
    )  # fmt: skip
    plan = planned(*beds, machines=(V1, V2, V3), reserve=1)
    assert [u.bed for u in plan.unplaced] == ["B3"]
    assert "reserve" in {note.id for note in plan.unplaced[0].would_change}


def test_two_refused_beds_on_one_machine_are_one_running_group():
    plan = planned(bed("B1", V1, None), bed("B2", V1, None), machines=(V1, V2))
    assert [g.beds for g in plan.groups] == [("B1", "B2")]
