"""Who is hurt and how soon: the matrix of the standard, and what must hold for any group."""

from __future__ import annotations

import pytest

from airyoke.faults.gas_reserve import GasReserve
from airyoke.faults.harm import harms_of, priority_of
from airyoke.faults.runs import FaultRun
from airyoke.limits.policy import Policy
from faults.group_cases import run, runs

# IEC 60601-1-8, alarm condition priorities by result and onset; from memory.
MATRIX = {
    "life": ("high", "high", "medium"), "injury": ("high", "medium", "low"), "minor": ("medium", "low", "low"),
}  # fmt: skip


@pytest.mark.parametrize("result", ["life", "injury", "minor"])
def test_priorities_are_those_of_the_standard(result: str) -> None:
    onsets = ("immediate", "prompt", "delayed")
    assert tuple(priority_of(result, onset) for onset in onsets) == MATRIX[result]  # type: ignore[arg-type]


def test_nothing_changed_hurts_nobody() -> None:
    every = runs(2, "pc")
    reserve = GasReserve(every)
    for fault in ("tube-blocked.A", "stiffer-50.B", "peep-zero"):
        same = FaultRun(run(2, "pc", fault).fault, every.settings, every.baseline, every.shown)
        assert harms_of(same, every, Policy(), reserve) == ()


@pytest.mark.parametrize(("fault", "mode", "kinds"), [
    ("tube-blocked.A", "pc", {(0, "no-ventilation")}),
    ("tube-blocked.A", "vc", {(0, "no-ventilation"), (1, "overdistension")}),
    ("kink-100.expiratory.A", "pc", {(0, "no-ventilation"), (0, "trapping")}),
    ("peep-zero", "pc", {(0, "peep-lost"), (1, "peep-lost")}),
    ("tube-off.A", "pc", {(0, "no-ventilation"), (0, "peep-lost"), (1, "no-ventilation")}),
    ("power-off", "pc", {(0, "no-ventilation"), (1, "no-ventilation")}),
])  # fmt: skip
def test_a_fault_hurts_whom_it_should(fault: str, mode: str, kinds: set[tuple[int, str]]) -> None:
    every = runs(2, mode)
    harms = harms_of(run(2, mode, fault), every, Policy(), GasReserve(every))
    assert {(harm.lane, harm.kind) for harm in harms} == kinds


def test_oxygen_lasts_longest_where_the_circuit_s_gas_still_reaches_the_lung() -> None:
    reserve = GasReserve(runs(4, "pc"))
    for lane in range(4):
        circuit, blocked, off = (reserve.seconds_without_ventilation(lane, one).value for one in ("circuit", "blocked", "room air"))
        assert off < blocked < circuit
        # Anaesthetised and paralysed: about 3 to 4 mmHg a minute (Kobayashi, Masui 1994;43:1130, abstract).
        assert 2.0 < reserve.co2_rise_without_ventilation(lane).value < 5.0
