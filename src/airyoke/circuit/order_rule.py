"""The trade's rule for what to order, beside the count of the build, and why the two differ.

Common practice, no source: for every patient attached one extra Y-piece and two one-way valves; four patients need
T-pieces or further Y-pieces on both sides; tubing to reach each bed; one extra filter on the shared expiratory limb.
"""

from __future__ import annotations

from dataclasses import dataclass

from airyoke.circuit.assembly import Assembly
from airyoke.circuit.gas_path import GasPath


@dataclass(frozen=True, slots=True)
class RuleLine:
    """One line: what the rule asks, what the build has, whether it covers the rule, and the reason for a gap."""

    item: str
    rule: int
    build: int
    why: str

    @property
    def covered(self) -> bool:
        """Whether the build has at least what the rule asks."""
        return self.build >= self.rule


def order_rule(path: GasPath) -> tuple[RuleLine, ...]:
    """The rule against the build of a shared circuit; empty for one patient."""
    assembly, n = path.assembly, len(path.lanes)
    if n == 1:
        return ()
    wyes = {lane.wye.piece for lane in path.lanes}
    splitters = _count(assembly, ("wye", "tee")) - len(wyes)
    valves = _count(assembly, ("valve",))
    patient_filters = {
        step.piece
        for lane in path.lanes
        for step in lane.patient
        if assembly.part(step.piece).kind in ("filter", "hmef")
    }
    shared_filters = _count(assembly, ("filter", "hmef")) - len(patient_filters)
    trees = f"dividing to {n} takes {n - 1} a side; the rule counts the patients' own Y-pieces only"
    return (
        RuleLine("Y-piece at each patient", n, len(wyes), "the first comes with the machine's own circuit"),
        RuleLine("splitters, both sides", 2 * (n - 1) if n == 4 else 0, splitters, trees),
        RuleLine("one-way valves", 2 * n, valves, "two a patient: one in, one out"),
        RuleLine("filter at each patient", n, len(patient_filters), ""),
        RuleLine("filter on the shared expiratory limb", 1, shared_filters, ""),
        RuleLine("limbs of tubing", 2 * n, _count_limbs(path), "more tubes where one does not reach"),
    )


def _count(assembly: Assembly, kinds: tuple[str, ...]) -> int:
    return sum(assembly.part(one.id).kind in kinds for one in assembly.pieces)


def _count_limbs(path: GasPath) -> int:
    kinds = path.assembly.part
    return sum(
        any(kinds(step.piece).kind == "tube" for step in side)
        for lane in path.lanes
        for side in (lane.inspiratory, lane.expiratory)
    )
