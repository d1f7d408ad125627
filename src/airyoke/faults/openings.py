"""What a fault does to a flow network where it opens it: whatever comes off leaves a port open to the room."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal

from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.circuit.network import BLOCKED, Element, FlowNetwork, Limb, Opening, Valve
from airyoke.faults.changes import Side, nearest_first, with_limb

PORT: Final = Element(0.0, 0.2)  # an open 22 mm port: one end of a Y-piece; from memory
OPEN_TUBE: Final = Element(1.6, 6.4)  # a tracheal tube of 8 mm open to the room; from memory


def _with_openings(network: FlowNetwork, *openings: Opening) -> FlowNetwork:
    """The network with these holes, its valves tight.

    What leaks back through shut valves drains lungs behind an open circuit over many minutes. Without it the breaths
    repeat at what holds in the first of them, which is what counts.
    """
    limbs = tuple(
        replace(limb, inspiratory_valve=_tight(limb.inspiratory_valve), expiratory_valve=_tight(limb.expiratory_valve))
        for limb in network.limbs
    )
    return replace(network, limbs=limbs, openings=(*network.openings, *openings))


def _tight(valve: Valve | None) -> Valve | None:
    return None if valve is None else replace(valve, back_leak_l_per_s_per_cmh2o=0.0)


def valve_reversed(network: FlowNetwork, lane: int, side: Side) -> FlowNetwork:
    """A one-way valve was fitted the wrong way round."""
    valve = getattr(network.limbs[lane], f"{side}_valve")
    return with_limb(network, lane, **{f"{side}_valve": replace(valve, reversed=True)})


def tube_off(network: FlowNetwork, lane: int) -> FlowNetwork:
    """The tracheal tube is off the wye: the wye blows into the room, the lung is open to it."""
    limb = network.limbs[lane]
    apart = with_limb(network, lane, patient=BLOCKED)
    return _with_openings(
        apart, Opening("wye", limb.patient.in_series_with(PORT), lane), Opening("lung", OPEN_TUBE, lane)
    )


def cuff_leak(network: FlowNetwork, lane: int, opening_mm: float) -> FlowNetwork:
    """Gas passes the cuff as through a round opening of that diameter."""
    return _with_openings(
        network, Opening("lung", Element(0.0, orifice_quadratic_cmh2o_s2_per_l2(opening_mm)), lane)
    )


def gas_added(network: FlowNetwork, lane: int, flow_l_per_min: float) -> FlowNetwork:
    """Something blows that much gas into one wye all the time."""
    return _with_openings(network, Opening("wye", BLOCKED, lane, draws_l_per_min=-flow_l_per_min))


def suction(network: FlowNetwork, lane: int, vacuum_cmh2o: float, flow_l_per_min: float) -> FlowNetwork:
    """A catheter behind the tube draws ``flow_l_per_min`` at that vacuum, from a lung at the room's pressure."""
    flow = flow_l_per_min / 60.0
    way = Element(0.0, vacuum_cmh2o / flow**2)
    return _with_openings(network, Opening("lung", way, lane, outside_cmh2o=-vacuum_cmh2o))


def hose_off_at_splitter(network: FlowNetwork, lane: int, side: Side) -> FlowNetwork:
    """A hose came off its splitter. Its valve stays with the patient: it holds what it can."""
    limb = network.limbs[lane]
    apart = with_limb(network, lane, **{side: BLOCKED})
    openings = [_at_splitter(network, lane, side, PORT)]
    if side == "expiratory":
        valve = limb.expiratory_valve
        openings.append(
            Opening(
                "wye",
                _with_valve(limb, side),
                lane,
                one_way=valve is not None or limb.peep_valve_cmh2o > 0.0,
                cracking_cmh2o=(0.0 if valve is None else valve.cracking_cmh2o) + limb.peep_valve_cmh2o,
            )
        )
    elif limb.inspiratory_valve is None:
        openings.append(Opening("wye", limb.inspiratory, lane))
    return _with_openings(apart, *openings)


def hose_off_at_wye(network: FlowNetwork, lane: int, side: Side) -> FlowNetwork:
    """A hose came off its wye. Its valve stays at the splitter: the wye is open to the room."""
    limb = network.limbs[lane]
    apart = with_limb(network, lane, **{side: BLOCKED})
    openings = [Opening("wye", PORT, lane)]
    valve = limb.inspiratory_valve if side == "inspiratory" else limb.expiratory_valve
    if side == "inspiratory":
        openings.append(
            _at_splitter(
                network,
                lane,
                side,
                _with_valve(limb, side),
                one_way=valve is not None,
                cracking_cmh2o=0.0 if valve is None else valve.cracking_cmh2o,
            )
        )
    elif valve is None and limb.peep_valve_cmh2o <= 0.0:
        openings.append(_at_splitter(network, lane, side, limb.expiratory))
    return _with_openings(apart, *openings)


def _with_valve(limb: Limb, side: Side) -> Element:
    element = limb.inspiratory if side == "inspiratory" else limb.expiratory
    valve = limb.inspiratory_valve if side == "inspiratory" else limb.expiratory_valve
    return element if valve is None else element.in_series_with(Element(valve.linear))


def trunk_off(network: FlowNetwork, side: Side) -> FlowNetwork:
    """What everybody shares on one side is off at the first splitter."""
    place: Literal["inspiratory_splitter", "expiratory_splitter"]
    place = "inspiratory_splitter" if side == "inspiratory" else "expiratory_splitter"
    return _with_openings(network, Opening(place, PORT))


def _at_splitter(
    network: FlowNetwork,
    lane: int,
    side: Side,
    element: Element,
    *,
    one_way: bool = False,
    cracking_cmh2o: float = 0.0,
) -> Opening:
    """An opening at the splitter that one limb hangs on."""
    branches = network.inspiratory_branches if side == "inspiratory" else network.expiratory_branches
    number = next((i for i, branch in enumerate(nearest_first(branches)) if lane in branch.limbs), None)
    if side == "inspiratory":
        return Opening("inspiratory_splitter", element, None, number, one_way, cracking_cmh2o)
    return Opening("expiratory_splitter", element, None, number, one_way, cracking_cmh2o)
