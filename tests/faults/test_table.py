"""What each failure does, as practitioners reason it, against the engine.

Source of every row: reasoned from the circuit, no published table. ``DIFFERS`` holds where the engine says otherwise, and
why it is right; `docs/proof.md` tells it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pytest

from airyoke.faults.catalogue import Group, faults_of
from airyoke.faults.runs import FaultRuns, run_faults
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import sample_group
from faults.group_cases import PRESSURE, case, run, runs, volume

Mode = Literal["pc", "vc"]
MODES: tuple[Mode, Mode] = ("pc", "vc")


@dataclass(frozen=True)
class Change:
    """What a fault of A changed: volumes against before, pressures as differences, backflow in mL."""

    shown: float
    in_ml: float
    peak: float
    a: float
    b: float
    peep_a: float
    peep_b: float
    plateau_a: float
    plateau_b: float
    back_a: float


def change(fault: str, mode: Mode, among: FaultRuns | None = None) -> Change:
    every = runs(2, mode) if among is None else among
    found = next(one for one in every.runs if one.fault.id == fault).outcome
    assert found is not None
    base, now = every.baseline.breath, found.breath
    share = now.tidal_volume_ml[0] / base.tidal_volume_ml[0]
    peep = now.total_peep_cmh2o[0] - base.total_peep_cmh2o[0]
    plateau = now.plateau_cmh2o[0] - base.plateau_cmh2o[0]
    return Change(
        shown=float(now.exhaled_ml[0] / base.exhaled_ml[0]),
        in_ml=float(now.delivered_ml[0]),
        peak=float(now.ventilator_peak_cmh2o[0] - base.ventilator_peak_cmh2o[0]),
        a=float(share[0]), b=float(share[1]), peep_a=float(peep[0]), peep_b=float(peep[1]),
        plateau_a=float(plateau[0]), plateau_b=float(plateau[1]), back_a=float(now.backflow_ml[0, 0]),
    )  # fmt: skip


def share_of_a(mode: Mode) -> float:
    base = runs(2, mode).baseline.breath
    return float(base.tidal_volume_ml[0, 0] / base.exhaled_ml[0])


SHUT = ("kink-100.inspiratory.A", "kink-100.expiratory.A", "tube-blocked.A", "valve-reversed.inspiratory.A",
        "valve-reversed.expiratory.A", "limbs-crossed.A")  # fmt: skip


@pytest.mark.parametrize("fault", SHUT)
def test_a_shut_way_takes_a_s_share_in_pressure_control_and_hurts_b_in_volume_control(fault: str) -> None:
    pressure, by_volume = change(fault, "pc"), change(fault, "vc")
    assert pressure.a < 0.02
    assert by_volume.a < 0.02
    assert 1.0 - pressure.shown == pytest.approx(share_of_a("pc"), abs=0.03)
    assert abs(pressure.peak) < 0.3
    assert 1.0 <= pressure.b < 1.10
    assert by_volume.shown == pytest.approx(1.0, abs=0.02)
    assert by_volume.peak > 10.0
    assert by_volume.b > 1.6


@pytest.mark.parametrize("fault", ["kink-100.expiratory.A", "valve-reversed.expiratory.A"])
def test_a_shut_way_out_holds_a_s_pressure_near_the_peak_and_no_pressure_alarm_can_tell(fault: str) -> None:
    found = change(fault, "pc")
    assert 13.0 < found.peep_a < 17.0
    assert abs(found.peep_b) < 1.0
    assert change(fault, "vc").peep_a > 30.0


@pytest.mark.parametrize(("fault", "least", "most"), [
    ("kink-80.inspiratory.A", 0.4, 0.85), ("tube-narrow-50.A", 0.3, 0.85), ("airway-x2.A", 0.5, 0.95),
    ("airway-x4.A", 0.3, 0.7), ("filter-clogged-x5.A", 0.6, 0.95), ("stiffer-30.A", 0.7, 0.95),
    ("stiffer-50.A", 0.5, 0.9), ("main-stem.A", 0.5, 0.9),
])  # fmt: skip
def test_narrow_or_stiff_a_loses_volume_unseen_in_pressure_control_and_gives_it_to_b_in_volume_control(
    fault: str, least: float, most: float
) -> None:
    pressure, by_volume = change(fault, "pc"), change(fault, "vc")
    assert least < pressure.a < most
    assert 0.99 < pressure.b < 1.06
    assert abs(pressure.peak) < 0.3
    assert pressure.shown < 0.97
    assert by_volume.b > 1.02
    assert by_volume.peak > 0.0
    if fault.startswith("airway"):
        assert pressure.peep_a > 0.3
    if fault.startswith("stiffer"):
        assert by_volume.plateau_a > 1.0


def test_a_lung_that_recovers_gets_more_of_both_and_takes_it_from_b_in_volume_control() -> None:
    pressure, by_volume = change("softer-50.A", "pc"), change("softer-50.A", "vc")
    assert pressure.a > 1.05
    assert 0.97 < pressure.b <= 1.0
    assert by_volume.a > 1.03
    assert by_volume.b < 0.98
    assert by_volume.plateau_a < -0.5


@pytest.mark.parametrize("fault", ["hose-off.inspiratory.splitter.A", "hose-off.inspiratory.wye.A", "hose-off.expiratory.wye.A"])
@pytest.mark.parametrize("mode", MODES)
def test_a_hose_off_is_a_big_leak_and_low_pressure(fault: str, mode: Mode) -> None:
    found = change(fault, mode)
    assert found.shown < 0.05
    assert found.peak < -10.0
    assert found.a < 0.1
    assert found.b < 0.5
    # Valves hold a lung's PEEP against an open circuit: B's always, A's own where the hose is off beyond its valve.
    assert found.peep_b > -6.0
    assert (found.peep_a > -6.0) == (fault == "hose-off.inspiratory.splitter.A")


@pytest.mark.parametrize("fault", ["hose-off.expiratory.splitter.A", "trunk-off.expiratory"])
@pytest.mark.parametrize("mode", MODES)
def test_an_expiratory_manifold_that_is_open_takes_everybody_s_pressure_away(fault: str, mode: Mode) -> None:
    found = change(fault, mode)
    assert found.shown < 0.02
    assert max(found.a, found.b) < 0.35
    assert max(found.peep_a, found.peep_b) < -8.0


def test_a_tube_off_leaves_b_partly_ventilated_by_a_strong_pressure_source_and_not_in_volume_control() -> None:
    pressure, by_volume = change("tube-off.A", "pc"), change("tube-off.A", "vc")
    assert pressure.a < 0.02
    assert 0.2 < pressure.b < 0.8
    assert by_volume.b < 0.1
    assert pressure.peep_b > -3.0


@pytest.mark.parametrize("mode", MODES)
def test_the_inspiratory_trunk_off_or_shut_is_the_loss_of_everybody(mode: Mode) -> None:
    for fault in ("trunk-off.inspiratory", "trunk-shut.inspiratory"):
        found = change(fault, mode)
        assert max(found.a, found.b, found.shown) < 0.02
    shut = change("trunk-shut.expiratory", mode)
    assert max(shut.a, shut.b) < 0.05
    assert min(shut.peep_a, shut.peep_b) > 13.0
    assert max(change("ports-crossed", "pc").a, change("ports-crossed", "pc").b) < 0.02


@pytest.mark.parametrize("mode", MODES)
def test_a_cuff_leak_is_gas_that_goes_in_and_does_not_come_back(mode: Mode) -> None:
    for size, least in ((2, 100.0), (4, 300.0)):
        found = run(2, mode, f"cuff-leak-{size}mm.A").outcome
        assert found is not None
        assert found.breath.delivered_ml[0] - found.breath.exhaled_ml[0] > least
        assert change(f"cuff-leak-{size}mm.A", mode).peep_a < -1.0


def test_a_clogged_shared_filter_traps_everybody() -> None:
    pressure, by_volume = change("shared-filter-x10", "pc"), change("shared-filter-x10", "vc")
    assert min(pressure.peep_a, pressure.peep_b) > 1.5
    assert pressure.shown < 0.95
    assert by_volume.peak > 1.0
    assert min(by_volume.peep_a, by_volume.peep_b) > 1.5


def test_a_gas_driven_nebuliser_comes_back_as_exhaled_volume() -> None:
    found = change("nebuliser.A", "pc")
    assert found.shown > 1.1


def test_trims_that_slip_do_what_they_were_holding_back() -> None:
    for mode, settings in (("pc", PRESSURE), ("vc", volume(2))):
        one = case(2, settings, restrictor_cmh2o_s2_per_l2=[60.0, 0.0], peep_valve_cmh2o=[5.0, 0.0])
        group = sample_group(one.patients, one.build, Policy().assumptions, 0, 0)
        every = run_faults(group, one.settings, faults_of(Group(one.build, one.settings, (60.0, 0.0))))
        opened = change("restrictor-open.A", mode, every)
        assert opened.a > 1.1
        assert opened.b < (1.001 if mode == "pc" else 0.97)
        assert change("peep-valve-open.A", mode, every).peep_a < -3.0


# The reasoned table: a missing inspiratory valve lets A breathe out into the inspiratory side, a missing expiratory one
# lets gas pass between lungs. The engine: only while one wye is above the other, and in pressure control all wyes fall
# together through the machine's one valve, so that next to nothing flows.
DIFFERS = [("valve-missing.inspiratory.A", "pc", 0.0, 1.0), ("valve-missing.inspiratory.A", "vc", 1.0, 60.0),
           ("valve-missing.expiratory.A", "pc", 0.0, 1.0)]  # fmt: skip


@pytest.mark.parametrize(("fault", "mode", "least", "most"), DIFFERS)
def test_a_missing_valve_shows_nothing_at_the_machine_and_passes_gas_only_where_wyes_differ(
    fault: str, mode: Mode, least: float, most: float
) -> None:
    found = change(fault, mode)
    assert 0.95 < found.shown < 1.05
    assert abs(found.peak) < 2.0
    assert least <= found.back_a <= most


def test_both_valves_missing_pass_gas_from_the_lung_that_empties_slowly() -> None:
    """Without valves at all the engine gives what published benches see: gas goes from lung to lung."""
    bare = {
        "inspiratory_trunk": {"linear": 0.5}, "expiratory_trunk": {"linear": 3.0}, "inspiratory_limb": {"linear": 1},
        "expiratory_limb": {"linear": 1}, "splitter_compliance_ml_per_cmh2o": 0.5, "wye_compliance_ml_per_cmh2o": 1,
        "valves": "none",
    }  # fmt: skip
    one = case(2, PRESSURE, bare)
    group = sample_group(one.patients, one.build, Policy().assumptions, 0, 0)
    base = run_faults(group, one.settings, ()).baseline.breath
    assert base.backflow_ml[0].max() > 20.0


@pytest.mark.parametrize("patients", [2, 3, 4])
def test_in_pressure_control_the_machine_misses_one_of_n(patients: int) -> None:
    base = runs(patients, "pc").baseline.breath
    for lane in range(patients):
        found = run(patients, "pc", f"tube-blocked.{'ABCD'[lane]}").outcome
        assert found is not None
        missed = (base.exhaled_ml[0] - found.breath.exhaled_ml[0]) / base.exhaled_ml[0]
        share = base.tidal_volume_ml[0, lane] / base.tidal_volume_ml[0].sum()
        # Less than the share: what is left of the shared resistance gives a little to the others.
        assert 0.7 * share < missed < 1.02 * share


def test_what_changes_no_flow_changes_no_volume() -> None:
    for fault in ("oxygen-lost", "oxygen-100"):
        np.testing.assert_allclose([change(fault, "pc").a, change(fault, "pc").b], 1.0, rtol=1e-4)
