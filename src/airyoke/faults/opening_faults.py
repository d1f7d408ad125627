"""Faults that open one patient's lane to the room, or blow into it: hoses and tubes off, leaks, suction, nebulisers."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Final

from airyoke.circuit.network import FlowNetwork
from airyoke.faults import openings
from airyoke.faults.changes import Side
from airyoke.faults.fault import Effect, Fault, Reasoned
from airyoke.lungs.stores import Airway

REASONED: Final = "reasoned from the circuit; no source"
ORIFICE: Final = "computed: sharp-edged orifice, discharge coefficient 0.62 (handbook); the grade is judgement"
JUDGED: Final = "the size is judgement, no source"
SUCTION_CMH2O: Final = 200.0  # 150 mmHg; common practice, no source
SUCTION_L_PER_MIN: Final = 12.0  # through a catheter of 12 to 14 French; from memory
USUAL_TRIGGER_CMH2O: Final = 2.0  # as it stands for one patient; common practice, no source
NEBULISER_L_PER_MIN: Final = 7.0  # a gas-driven nebuliser takes 6 to 8 L/min; from memory


def opening_faults(network: FlowNetwork, lane: int, x: str) -> Iterator[Fault]:
    """Every fault of lane ``x`` through which gas is lost or added."""
    lost = f"{x}'s CO2 curve is lost; a hiss"
    sides: tuple[Side, Side] = ("inspiratory", "expiratory")
    for side in sides:
        for where, change in (("splitter", openings.hose_off_at_splitter), ("wye", openings.hose_off_at_wye)):
            yield Fault(
                f"hose-off.{side}.{where}.{x}", f"{x}'s {side} hose is off at the {where}", lane, lost, REASONED,
                Effect(
                    partial(change, lane=lane, side=side), airway=_behind(network, lane, side, where), opens=True
                ),
            )  # fmt: skip
    yield Fault(
        f"tube-off.{x}", f"{x}'s tube is off the wye, or out", lane, lost, REASONED,
        Effect(partial(openings.tube_off, lane=lane), airway="room air", opens=True), also=(f"extubated.{x}",),
    )  # fmt: skip
    for size in (2, 4):
        yield Fault(
            f"cuff-leak-{size}mm.{x}", f"{x}'s cuff leaks as through a hole of {size} mm", lane,
            f"a sound at {x}'s mouth; cuff pressure", ORIFICE,
            Effect(partial(openings.cuff_leak, lane=lane, opening_mm=float(size)), opens=True),
            Reasoned("what lies above the cuff runs into the lung", "injury", "delayed"),
        )  # fmt: skip
    yield Fault(
        f"suction.{x}",
        f"{x}'s closed suction draws {SUCTION_L_PER_MIN:g} L/min and is not let go; the trigger stands at "
        f"{USUAL_TRIGGER_CMH2O:g} cmH2O",
        lane, f"{x}'s SpO2; inspiratory branch open, 10 s at most", JUDGED,
        Effect(
            partial(
                openings.suction, lane=lane, vacuum_cmh2o=SUCTION_CMH2O, flow_l_per_min=SUCTION_L_PER_MIN
            ),
            opens=True, trigger_cmh2o=USUAL_TRIGGER_CMH2O,
        ),
    )  # fmt: skip
    yield Fault(
        f"nebuliser.{x}", f"A gas-driven nebuliser blows {NEBULISER_L_PER_MIN:g} L/min into {x}'s limb", lane,
        "no gas-driven nebuliser on a shared circuit", "6 to 8 L/min, from memory",
        Effect(partial(openings.gas_added, lane=lane, flow_l_per_min=NEBULISER_L_PER_MIN)),
    )  # fmt: skip


def _behind(network: FlowNetwork, lane: int, side: Side, where: str) -> Airway:
    """How the lung stands once that hose is off there."""
    limb = network.limbs[lane]
    if where == "wye":
        return "room air"
    if side == "inspiratory":
        return "room air" if limb.inspiratory_valve is None or limb.expiratory_valve is None else "blocked"
    return "room air" if limb.expiratory_valve is None else "circuit"
