"""What a fault does to a flow network: each a changed copy.

A kink is an orifice: it leaves a round opening of the given share of the bore (sharp edge, discharge coefficient 0.62,
handbook). Half of a 22 mm hose is hardly felt, a fifth is; a flattened hose is not round, so the shares are grades and
no measurements.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final, Literal

from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.circuit.network import BLOCKED, Branch, Element, FlowNetwork

Way = Literal["inspiratory", "expiratory", "patient"]
Side = Literal["inspiratory", "expiratory"]

HOSE_BORE_MM: Final = 22.0
# 2 mL/s at 20 cmH2O: where nothing gets in or out at all no breath ever repeats.
NEARLY_SHUT: Final = Element(1e4)
TUBE_BORE_MM: Final = 8.0  # a usual tracheal tube where its size is not known; common practice, no source


def with_limb(network: FlowNetwork, lane: int, **changes: object) -> FlowNetwork:
    """The network with one limb changed."""
    limbs = list(network.limbs)
    limbs[lane] = replace(limbs[lane], **changes)  # type: ignore[arg-type]
    return replace(network, limbs=tuple(limbs))


def narrowed(network: FlowNetwork, lane: int, way: Way, lost: float) -> FlowNetwork:
    """One way loses the share ``lost`` of its inner diameter at one place."""
    bore = TUBE_BORE_MM if way == "patient" else HOSE_BORE_MM
    k2 = orifice_quadratic_cmh2o_s2_per_l2(bore * (1.0 - lost), bore_mm=bore)
    before: Element = getattr(network.limbs[lane], way)
    return with_limb(network, lane, **{way: before.in_series_with(Element(0.0, k2))})


def shut(network: FlowNetwork, lane: int, *ways: Way) -> FlowNetwork:
    """Nothing passes these ways of one limb."""
    return with_limb(network, lane, **dict.fromkeys(ways, BLOCKED))


def filter_clogged(network: FlowNetwork, lane: int, factor: float) -> FlowNetwork:
    """What lies between wye and tube resists ``factor`` times as much."""
    return with_limb(network, lane, patient=network.limbs[lane].patient.scaled(factor))


def valve_missing(network: FlowNetwork, lane: int, side: Side) -> FlowNetwork:
    """A one-way valve is not there, or stuck open: gas passes both ways."""
    return with_limb(network, lane, **{f"{side}_valve": None})


def peep_valve_open(network: FlowNetwork, lane: int) -> FlowNetwork:
    """An in-line PEEP valve holds nothing any more."""
    return with_limb(network, lane, peep_valve_cmh2o=0.0)


def water_standing(network: FlowNetwork, lane: int, head_cmh2o: float) -> FlowNetwork:
    """Gas has to push a head of water aside on its way out, as through a water seal."""
    return with_limb(network, lane, peep_valve_cmh2o=network.limbs[lane].peep_valve_cmh2o + head_cmh2o)


def restrictor_open(network: FlowNetwork, lane: int, restrictor_cmh2o_s2_per_l2: float) -> FlowNetwork:
    """A restrictor of that size slipped open."""
    before = network.limbs[lane].inspiratory
    left = max(before.quadratic - restrictor_cmh2o_s2_per_l2, 0.0)
    return with_limb(network, lane, inspiratory=replace(before, quadratic=left))


def trunk_shut(network: FlowNetwork, side: Side) -> FlowNetwork:
    """Nothing passes what everybody shares on one side."""
    if side == "inspiratory":
        return replace(network, inspiratory_trunk=NEARLY_SHUT)
    return replace(network, expiratory_trunk=NEARLY_SHUT)


def shared_filter_clogged(network: FlowNetwork, filter_element: Element, factor: float) -> FlowNetwork:
    """The filter on the shared expiratory way resists ``factor`` times as much as new."""
    more = network.expiratory_trunk.in_series_with(filter_element.scaled(factor - 1.0))
    return replace(network, expiratory_trunk=more)


def branch_shut(network: FlowNetwork, side: Side, number: int) -> FlowNetwork:
    """Nothing passes one stretch that some share, by its number on that side."""
    branches = network.inspiratory_branches if side == "inspiratory" else network.expiratory_branches
    target = nearest_first(branches)[number]
    changed = tuple(_replaced(branch, target) for branch in branches)
    if side == "inspiratory":
        return replace(network, inspiratory_branches=changed)
    return replace(network, expiratory_branches=changed)


def _replaced(branch: Branch, target: Branch) -> Branch:
    if branch is target:
        return replace(branch, element=BLOCKED)
    return replace(branch, branches=tuple(_replaced(one, target) for one in branch.branches))


def nearest_first(branches: tuple[Branch, ...]) -> list[Branch]:
    """All branches of one side in the order in which openings number them: nearer to the machine first."""
    return list(_levels(branches))


def _levels(branches: tuple[Branch, ...]) -> Iterator[Branch]:
    waiting = list(branches)
    while waiting:
        branch = waiting.pop(0)
        yield branch
        waiting += branch.branches
