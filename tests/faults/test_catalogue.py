"""The list of faults: every one once, for every patient and every shared place that the build has."""

from __future__ import annotations

from collections import Counter

import pytest

from airyoke.circuit import build_for
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.faults.catalogue import Group, fault_named, faults_of
from airyoke.faults.fault import Fault
from airyoke.quantities import Refused
from faults.group_cases import PRESSURE, case, volume


def _faults(patients: int, settings: dict | None = None, circuit: object = "standard", **trims: list[float]) -> tuple[Fault, ...]:
    one = case(patients, settings or PRESSURE, circuit, **trims)
    restrictors = tuple(trims.get("restrictor_cmh2o_s2_per_l2", [0.0] * patients))
    return faults_of(Group(one.build, one.settings, restrictors))


@pytest.mark.parametrize("patients", [1, 2, 3, 4])
def test_every_id_names_one_fault_and_every_lane_has_the_same_kinds(patients: int) -> None:
    faults = _faults(patients)
    ids = [name for one in faults for name in (one.id, *one.also)]
    assert max(Counter(ids).values()) == 1
    kinds = [{one.id.rsplit(".", 1)[0] for one in faults if one.lane == lane} for lane in range(patients)]
    assert all(kind == kinds[0] for kind in kinds)
    assert len(kinds[0]) >= (19 if patients > 1 else 15)


def test_stretches_shared_by_some_are_places_of_their_own() -> None:
    build = build_for(CircuitNeeds((PatientNeeds(),) * 4), None).build
    one = case(4, PRESSURE)
    ids = {fault.id for fault in faults_of(Group(build, one.settings, (0.0,) * 4))}
    assert {"branch-shut.inspiratory.AB", "branch-shut.expiratory.CD", "shared-filter-x3"} <= ids


def test_a_part_that_is_not_there_cannot_fail() -> None:
    bare = {
        "inspiratory_trunk": {"linear": 0.1}, "expiratory_trunk": {"linear": 1.5}, "inspiratory_limb": {"linear": 1},
        "expiratory_limb": {"linear": 1}, "splitter_compliance_ml_per_cmh2o": 0.5, "wye_compliance_ml_per_cmh2o": 1,
        "valves": "none",
    }  # fmt: skip
    faults = _faults(2, circuit=bare)
    assert not any(one.id.startswith(("valve-", "filter-", "shared-filter", "peep-valve", "restrictor")) for one in faults)
    with pytest.raises(Refused) as refused:
        fault_named(faults, "valve-missing.inspiratory.A")
    (finding,) = refused.value.findings
    assert finding.id == "fault-part-lacking"
    assert "no one-way valve" in finding.reason
    trimmed = _faults(2, restrictor_cmh2o_s2_per_l2=[0.0, 40.0], peep_valve_cmh2o=[3.0, 0.0])
    assert {"restrictor-open.B", "peep-valve-open.A"} <= {one.id for one in trimmed}
    assert not {"restrictor-open.A", "peep-valve-open.B"} & {one.id for one in trimmed}


def test_an_unknown_fault_is_refused_with_the_nearest_one() -> None:
    faults = _faults(2)
    assert fault_named(faults, "Clamp-left-on.inspiratory.B").id == "kink-100.inspiratory.B"
    with pytest.raises(Refused) as refused:
        fault_named(faults, "tube-bloked.A")
    assert "tube-blocked.A" in refused.value.findings[0].remedy


def test_settings_faults_are_those_of_the_mode() -> None:
    pressure, by_volume = ({one.id for one in _faults(2, settings)} for settings in (PRESSURE, volume(2)))
    assert "drive-up" in pressure - by_volume
    assert "volume-up" in by_volume - pressure
