"""What a circuit means to the engine: parts in series merged to a flow network, and what it costs in all.

Series merge is exact: the same flow passes, so linear and quadratic coefficients add. A stretch of trunk that some of
the patients share (between a splitter and the next) becomes a branch of its own; ``tests/circuit`` measures what comes
out against a solver that reads the joints. What a splitter costs is counted at the flow of its common end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from airyoke.circuit.assembly import Assembly
from airyoke.circuit.builds import (
    MACHINE_COMPLIANCE_ML_PER_CMH2O,
    MACHINE_EXPIRATORY,
    MACHINE_INSPIRATORY,
    Build,
)
from airyoke.circuit.gas_path import GasPath, Lane, Passage, gas_path
from airyoke.circuit.inspection import Side
from airyoke.circuit.network import Branch, Element, FlowNetwork, Limb, Valve
from airyoke.circuit.part import Part

Mistake = Literal["missing", "reversed"]
# Linear resistance that stands for a shut way: 2 mL/s at 20 cmH2O, so that a settled breath still exists.
BLOCKED = Element(1e4)
TYPICAL_RESISTANCE_SD, TYPICAL_COMPLIANCE_SD = 0.25, 0.20  # of ln; judgement, for data of low confidence
MEASURED_RESISTANCE_SD, MEASURED_COMPLIANCE_SD = (
    0.10,
    0.10,
)  # judgement, where every part was measured or is from its package


@dataclass(frozen=True, slots=True)
class LaneCost:
    """What one patient's own way costs, without what is shared. Resistances as elements; the valve's cracking apart."""

    lane: str
    inspiratory: Element
    expiratory: Element
    patient: Element
    valve_cracking_cmh2o: tuple[float, float]
    compressible_ml_per_cmh2o: float
    dead_space_ml: float


@dataclass(frozen=True, slots=True)
class Costs:
    """Totals of a circuit: each lane, the shared trunks (machine included), volume, and drops at a flow."""

    lanes: tuple[LaneCost, ...]
    inspiratory_trunk: Element
    expiratory_trunk: Element
    compliance_ml_per_cmh2o: float
    gas_volume_ml: float

    def drop_cmh2o(self, flow_l_per_s: float) -> tuple[float, float]:
        """Pressure lost on the way in and out of the first lane with everybody at that flow, cracking included."""
        lane, n = self.lanes[0], len(self.lanes)
        into = self.inspiratory_trunk.drop_cmh2o(n * flow_l_per_s) + lane.inspiratory.drop_cmh2o(flow_l_per_s)
        out = self.expiratory_trunk.drop_cmh2o(n * flow_l_per_s) + lane.expiratory.drop_cmh2o(flow_l_per_s)
        between = lane.patient.drop_cmh2o(flow_l_per_s)
        return into + between + lane.valve_cracking_cmh2o[0], out + between + lane.valve_cracking_cmh2o[1]


def network_of(path: GasPath, mistakes: Mapping[str, Mistake] | None = None) -> FlowNetwork:
    """The flow network of a circuit as built. ``mistakes``: piece id -> what was done to it by mistake.

    A one-way piece that gas would enter by its outlet blocks that way, whether the joints say so or a mistake does.
    """
    wrong = mistakes or {}
    machine = {"inspiratory": MACHINE_INSPIRATORY, "expiratory": MACHINE_EXPIRATORY}
    trunks = {side: machine[side].in_series_with(_trunk(path, side)) for side in ("inspiratory", "expiratory")}
    everybody = frozenset(range(len(path.lanes)))
    inside, outside = (
        MACHINE_COMPLIANCE_ML_PER_CMH2O + _fills(path, side, everybody, wrong) for side in ("inspiratory", "expiratory")
    )
    return FlowNetwork(
        trunks["inspiratory"],
        trunks["expiratory"],
        inside,
        tuple(_limb(path, lane, wrong) for lane in path.lanes),
        outside,
        _branches(path, "inspiratory", everybody, wrong),
        _branches(path, "expiratory", everybody, wrong),
    )


def _sharing(path: GasPath, side: Side) -> dict[str, frozenset[int]]:
    """Piece -> numbers of the lanes that pass it on one side."""
    found: dict[str, set[int]] = {}
    for number, lane in enumerate(path.lanes):
        for step in getattr(lane, side):
            found.setdefault(step.piece, set()).add(number)
    return {piece: frozenset(lanes) for piece, lanes in found.items()}


def _next(path: GasPath, side: Side, lanes: frozenset[int]) -> list[frozenset[int]]:
    """The groups of lanes that share the splitters right behind the one of ``lanes``, in the order of the lanes."""
    smaller = {group for group in _sharing(path, side).values() if len(group) > 1 and group < lanes}
    return sorted((one for one in smaller if not any(one < other for other in smaller)), key=min)


def _branches(path: GasPath, side: Side, lanes: frozenset[int], wrong: Mapping[str, Mistake]) -> tuple[Branch, ...]:
    """What leads from the splitter of ``lanes`` to further ones."""
    found = []
    for group in _next(path, side, lanes):
        behind = _branches(path, side, group, wrong)
        named = {number for branch in behind for number in branch.all_limbs}
        element = Element(0.0)
        for piece, passing in _sharing(path, side).items():
            if passing == group and wrong.get(piece) != "missing":
                step = next(one for one in getattr(path.lanes[min(group)], side) if one.piece == piece)
                element = element.in_series_with(_common_part(path, step, side))
        found.append(Branch(element, _fills(path, side, group, wrong), tuple(sorted(group - named)), behind))
    return tuple(found)


def _fills(path: GasPath, side: Side, lanes: frozenset[int], wrong: Mapping[str, Mistake]) -> float:
    """Compliance that fills with the splitter of ``lanes``: of what they all share, and of what each lane that hangs on
    it has between its valve and the splitter."""
    passing = _sharing(path, side)
    total = sum(
        path.assembly.part(piece).compliance_ml_per_cmh2o
        for piece, group in passing.items()
        if group == lanes and len(lanes) > 1
    )
    further = {number for group in _next(path, side, lanes) for number in group}
    for number in lanes - further:
        behind, _ = _own(path, path.lanes[number], side, wrong)
        total += sum(part.compliance_ml_per_cmh2o for part in behind)
    return total


def costs_of(path: GasPath) -> Costs:
    """What the circuit costs; what some lanes share is counted in each of them, as if they breathed alike."""
    network = network_of(path).merged()
    lanes = tuple(
        LaneCost(
            lane.letter,
            _with_valve(limb.inspiratory, limb.inspiratory_valve),
            _with_valve(limb.expiratory, limb.expiratory_valve),
            limb.patient,
            (_cracking(limb.inspiratory_valve), _cracking(limb.expiratory_valve) + limb.peep_valve_cmh2o),
            limb.wye_compliance_ml_per_cmh2o,
            limb.dead_space_ml,
        )
        for lane, limb in zip(path.lanes, network.limbs, strict=True)
    )
    volume = sum(path.assembly.part(one.id).volume_ml for one in path.assembly.pieces)
    return Costs(lanes, network.inspiratory_trunk, network.expiratory_trunk, network.compliance_ml_per_cmh2o, volume)


def build_of(assembly: Assembly, name: str = "from-stock") -> Build:
    """The build that the engine and the planner know, from a circuit as put together."""
    path = gas_path(assembly)
    known = all(
        assembly.part(one.id).confidence in ("measured", "package")
        for one in assembly.pieces
        if one.part in assembly.catalogue
    )
    return Build(
        name,
        assembly.taken,
        network_of(path),
        MEASURED_RESISTANCE_SD if known else TYPICAL_RESISTANCE_SD,
        MEASURED_COMPLIANCE_SD if known else TYPICAL_COMPLIANCE_SD,
        "built from the parts named, measured or from their packages"
        if known
        else "built from the parts named, typical part data (low confidence)",
    )


def passage_element(part: Part, step: Passage) -> Element:
    """Resistance of one passage; along the run of a T-piece it is the smaller one."""
    if part.straight is not None and {step.enters, step.leaves} == {"run-a", "run-b"}:
        return part.straight
    return part.element


def _trunk(path: GasPath, side: Side | str) -> Element:
    """Everything on one side that all lanes pass together, the first splitter's common part included."""
    first = path.lanes[0]
    passed = path.lanes_through(side)
    n = len(path.lanes)
    total = Element(0.0)
    if n == 1:
        return total
    for step in getattr(first, side):
        if passed[step.piece] == n:
            total = total.in_series_with(_common_part(path, step, side))
    return total


def _common_part(path: GasPath, step: Passage, side: Side | str) -> Element:
    """What a shared piece costs at its common flow: all of it, or of a T-piece what both of its ways have."""
    part = path.assembly.part(step.piece)
    ways = [
        passage_element(part, other)
        for lane in path.lanes
        for other in getattr(lane, side)
        if other.piece == step.piece
    ]
    return min(ways, key=lambda element: element.drop_cmh2o(1.0))


def _limb(path: GasPath, lane: Lane, wrong: Mapping[str, Mistake]) -> Limb:
    assembly = path.assembly
    wye = assembly.part(lane.wye.piece)
    into, valve_in, _ = _branch(path, lane, "inspiratory", wrong)
    out, valve_out, peep = _branch(path, lane, "expiratory", wrong)
    patient = [assembly.part(step.piece) for step in lane.patient if wrong.get(step.piece) != "missing"]
    between = Element(0.0)
    for part in patient:
        between = between.in_series_with(part.element)
    own = [*_own(path, lane, "inspiratory", wrong)[1], *_own(path, lane, "expiratory", wrong)[1], wye, *patient]
    return Limb(
        inspiratory=into.in_series_with(wye.element),
        expiratory=out.in_series_with(wye.element),
        inspiratory_valve=valve_in,
        expiratory_valve=valve_out,
        wye_compliance_ml_per_cmh2o=sum(part.compliance_ml_per_cmh2o for part in own),
        peep_valve_cmh2o=peep,
        dead_space_ml=wye.dead_space_ml + sum(part.dead_space_ml for part in patient),
        patient=between,
    )


def _own(path: GasPath, lane: Lane, side: Side, wrong: Mapping[str, Mistake]) -> tuple[list[Part], list[Part]]:
    """One lane's own pieces of one side: those that fill with the splitter, and those that fill with its wye.

    A one-way piece parts them: what lies between it and the splitter is not emptied or filled through the patient. The
    piece itself counts with the wye; without any, everything does.
    """
    passed = path.lanes_through(side)
    own = [
        path.assembly.part(step.piece)
        for step in getattr(lane, side)
        if passed[step.piece] == 1 and wrong.get(step.piece) != "missing"
    ]
    ways = [number for number, part in enumerate(own) if part.one_way]
    if not ways:
        return [], own
    if side == "inspiratory":  # listed from the machine to the patient
        return own[: ways[-1]], own[ways[-1] :]
    return own[ways[0] + 1 :], own[: ways[0] + 1]


def _branch(path: GasPath, lane: Lane, side: Side, wrong: Mapping[str, Mistake]) -> tuple[Element, Valve | None, float]:
    """One lane's branch: its element, its one-way valve if it has any, and the setting of its PEEP valve."""
    passed = path.lanes_through(side)
    total, valve, peep = Element(0.0), None, 0.0
    for step in getattr(lane, side):
        part, k = path.assembly.part(step.piece), passed[step.piece]
        if wrong.get(step.piece) == "missing":
            continue
        if k > 1:
            common = _common_part(path, step, side)
            mine = passage_element(part, step)
            total = total.in_series_with(
                Element(max(mine.linear - common.linear, 0.0), max(mine.quadratic - common.quadratic, 0.0))
            )
            continue
        if part.one_way and (part.end(step.enters).flow == "out") != (wrong.get(step.piece) == "reversed"):
            total = total.in_series_with(BLOCKED)
        elif part.kind == "valve":
            # The quadratic part joins the branch; linear part, cracking pressure and leak stay with the valve.
            total = total.in_series_with(Element(0.0, part.element.quadratic))
            valve = _in_series(valve, Valve(part.cracking_cmh2o, part.element.linear, part.back_leak_l_per_s_per_cmh2o))
        elif part.kind == "peep_valve":
            total = total.in_series_with(part.element)
            peep += path.assembly.piece(step.piece).setting or 0.0
        else:
            total = total.in_series_with(part.element)
    return total, valve, peep


def _in_series(one: Valve | None, other: Valve) -> Valve:
    """Two valves in one branch: openings and resistances add, the tighter one decides what leaks back."""
    if one is None:
        return other
    leak = min(one.back_leak_l_per_s_per_cmh2o, other.back_leak_l_per_s_per_cmh2o)
    return Valve(one.cracking_cmh2o + other.cracking_cmh2o, one.linear + other.linear, leak)


def _with_valve(element: Element, valve: Valve | None) -> Element:
    return element if valve is None else element.in_series_with(Element(valve.linear))


def _cracking(valve: Valve | None) -> float:
    return 0.0 if valve is None else valve.cracking_cmh2o
