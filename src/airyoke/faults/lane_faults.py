"""Faults of one patient's own lane: hoses, tube, filter, valves, trims, lung, and what hands do there."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Final

from airyoke.breath.events import Effort
from airyoke.circuit.network import FlowNetwork
from airyoke.faults import changes
from airyoke.faults.fault import Effect, Fault, LungChange, Reasoned, Unrest
from airyoke.faults.opening_faults import USUAL_TRIGGER_CMH2O, opening_faults
from airyoke.faults.openings import valve_reversed
from airyoke.lungs.stores import Airway

REASONED: Final = "reasoned from the circuit; no source"
ORIFICE: Final = "computed: sharp-edged orifice, discharge coefficient 0.62 (handbook); the grade is judgement"
JUDGED: Final = "the grade is judgement, no source"
OPEN_WAY: Final = Reasoned(
    "a way from lung to lung stands open: gas and germs pass at the next cough, or when one lung holds more", "injury",
    "delayed",
)  # fmt: skip
# Muscles that come back, coughs, water in a hose: sizes by judgement.
EFFORT_CMH2O, EFFORT_S, EFFORT_EVERY_S = 15.0, 0.8, 2.0
COUGH_CMH2O, COUGH_S, COUGH_EVERY_S = 60.0, 0.4, 2.5
WATER_CMH2O, WATER_EVERY_S = 5.0, 1.5
MAIN_STEM_SHUNT: Final = 0.20  # added where one lung is not ventilated; judgement


def lane_faults(network: FlowNetwork, lane: int, x: str, restrictor_cmh2o_s2_per_l2: float) -> Iterator[Fault]:
    """Every fault of lane ``x``, in the order of the gas."""
    yield from _hoses(network, lane, x)
    yield from _valves(network, lane, x)
    yield from _trims(network, lane, x, restrictor_cmh2o_s2_per_l2)
    yield from _tube_and_filter(network, lane, x)
    yield from opening_faults(network, lane, x)
    yield from _lung(lane, x)
    yield from _muscles(lane, x)
    yield from _water(lane, x)
    yield from _hands(lane, x)


def _hoses(network: FlowNetwork, lane: int, x: str) -> Iterator[Fault]:
    # Behind a shut way in and a one-way valve out nothing can be drawn in: the lung shrinks as its oxygen is used.
    closed: Airway = "circuit" if network.limbs[lane].expiratory_valve is None else "blocked"
    sides: tuple[tuple[changes.Side, str, str], ...] = (
        ("inspiratory", f"{x}'s CO2 curve falls, {x}'s flow", f"{x}'s CO2 curve is flat within two breaths"),
        ("expiratory", f"pressure at {x}'s wye stays up", f"{x}'s CO2 curve is flat; {x}'s pressure is held"),
    )
    for side, partly, shut in sides:
        for lost in (50, 80):
            yield Fault(
                f"kink-{lost}.{side}.{x}", f"{x}'s {side} hose is kinked: {100 - lost} % of its width is left", lane,
                partly, ORIFICE, Effect(partial(changes.narrowed, lane=lane, way=side, lost=lost / 100.0)),
            )  # fmt: skip
        also = [f"clamp-left-on.{side}.{x}", f"valve-stuck-shut.{side}.{x}"]
        also += [f"restrictor-shut.{x}"] if side == "inspiratory" else [f"peep-valve-shut.{x}"]
        yield Fault(
            f"kink-100.{side}.{x}",
            f"{x}'s {side} branch is shut: kinked flat, a clamp left on, a part in it stuck shut", lane, shut, REASONED,
            Effect(partial(_shut_one, lane=lane, way=side), airway=closed if side == "inspiratory" else "circuit"),
            also=tuple(also),
        )  # fmt: skip
    yield Fault(
        f"limbs-crossed.{x}", f"{x}'s two hoses are crossed: in is out", lane,
        f"{x}'s CO2 curve is flat from the start; found by the bench check", REASONED,
        # Both valves stand against the gas. Shutting the way in says as much, and leaves the lung at the PEEP it had.
        Effect(partial(_shut_one, lane=lane, way="inspiratory"), airway=closed),
    )  # fmt: skip


def _shut_one(network: FlowNetwork, lane: int, way: changes.Way) -> FlowNetwork:
    return changes.shut(network, lane, way)


def _valves(network: FlowNetwork, lane: int, x: str) -> Iterator[Fault]:
    limb = network.limbs[lane]
    sides: tuple[tuple[changes.Side, bool], ...] = (
        ("inspiratory", limb.inspiratory_valve is not None),
        ("expiratory", limb.expiratory_valve is not None),
    )
    for side, there in sides:
        if not there:
            continue
        yield Fault(
            f"valve-missing.{side}.{x}", f"{x}'s {side} valve is missing or stuck open", lane,
            f"inspired CO2 above 0 at {x}; the squeeze test before anybody is attached", REASONED,
            Effect(partial(changes.valve_missing, lane=lane, side=side)), OPEN_WAY,
            also=(f"valve-stuck-open.{side}.{x}",),
        )  # fmt: skip
        yield Fault(
            f"valve-reversed.{side}.{x}", f"{x}'s {side} valve is the wrong way round", lane,
            f"{x}'s CO2 curve is flat; the bench check before anybody is attached", REASONED,
            Effect(partial(valve_reversed, lane=lane, side=side)), OPEN_WAY,
        )  # fmt: skip


def _trims(network: FlowNetwork, lane: int, x: str, restrictor: float) -> Iterator[Fault]:
    if network.limbs[lane].peep_valve_cmh2o > 0.0:
        yield Fault(
            f"peep-valve-open.{x}", f"{x}'s in-line PEEP valve holds nothing", lane, f"pressure at {x}'s wye, SpO2",
            REASONED, Effect(partial(changes.peep_valve_open, lane=lane)),
        )  # fmt: skip
    if restrictor > 0.0:
        yield Fault(
            f"restrictor-open.{x}", f"{x}'s restrictor slipped open", lane, f"{x}'s tidal volume; lock it and mark it",
            REASONED, Effect(partial(changes.restrictor_open, lane=lane, restrictor_cmh2o_s2_per_l2=restrictor)),
        )  # fmt: skip


def _tube_and_filter(network: FlowNetwork, lane: int, x: str) -> Iterator[Fault]:
    for lost in (50, 80):
        yield Fault(
            f"tube-narrow-{lost}.{x}", f"{x}'s tube is narrow: {100 - lost} % of its width is left", lane,
            f"shape of {x}'s CO2 curve", ORIFICE,
            Effect(partial(changes.narrowed, lane=lane, way="patient", lost=lost / 100.0)),
        )  # fmt: skip
    yield Fault(
        f"tube-blocked.{x}", f"{x}'s tube is blocked or bitten shut", lane,
        f"{x}'s CO2 curve is flat within two breaths", REASONED,
        Effect(partial(_shut_one, lane=lane, way="patient"), airway="blocked"),
        also=(f"tube-bitten.{x}", f"filter-blocked.{x}"),
    )  # fmt: skip
    if network.limbs[lane].patient.drop_cmh2o(1.0) > 0.0:
        for factor in (2, 5):
            yield Fault(
                f"filter-clogged-x{factor}.{x}", f"{x}'s filter is wet or clogged: {factor} times the resistance", lane,
                f"trend of {x}'s resistance; change it by the clock", JUDGED,
                Effect(partial(changes.filter_clogged, lane=lane, factor=float(factor))),
            )  # fmt: skip


def _lung(lane: int, x: str) -> Iterator[Fault]:
    for percent in (30, 50):
        yield Fault(
            f"stiffer-{percent}.{x}", f"{x}'s lung becomes {percent} % stiffer to fill: oedema, a plug, pneumothorax",
            lane, f"{x}'s tidal volume and plateau, clamped apart; SpO2", JUDGED,
            Effect(lungs=LungChange(lane, compliance=1.0 - percent / 100.0)),
            also=(f"pneumothorax.{x}",) if percent == 50 else (),
        )  # fmt: skip
    yield Fault(
        f"main-stem.{x}", f"{x}'s tube has slipped into one main bronchus", lane,
        f"depth of {x}'s tube; one side of the chest; SpO2",
        f"compliance halved and {MAIN_STEM_SHUNT:g} of shunt added: judgement, no source",
        Effect(lungs=LungChange(lane, compliance=0.5, shunt_added=MAIN_STEM_SHUNT)),
    )  # fmt: skip
    for percent in (30, 50):
        yield Fault(
            f"softer-{percent}.{x}", f"{x}'s lung recovers: {percent} % more compliance", lane,
            f"{x}'s tidal volume", JUDGED, Effect(lungs=LungChange(lane, compliance=1.0 + percent / 100.0)),
        )  # fmt: skip
    for factor in (2, 4):
        yield Fault(
            f"airway-x{factor}.{x}", f"{x}'s airway resistance is {factor} times what it was: secretions, spasm", lane,
            f"shape of {x}'s CO2 curve; trapping read with the others clamped", JUDGED,
            Effect(lungs=LungChange(lane, resistance=float(factor))),
        )  # fmt: skip


def _muscles(lane: int, x: str) -> Iterator[Fault]:
    yield Fault(
        f"effort.{x}",
        f"{x} breathes: {EFFORT_CMH2O:g} cmH2O, {60.0 / EFFORT_EVERY_S:g} a minute, and the trigger stands at "
        f"{USUAL_TRIGGER_CMH2O:g} cmH2O",
        lane, f"rate above the set one; {x}'s block and sedation; trigger as insensitive as it goes", JUDGED,
        Effect(
            unrest=Unrest(EFFORT_EVERY_S, Effort(lane, EFFORT_CMH2O, EFFORT_S)), trigger_cmh2o=USUAL_TRIGGER_CMH2O,
            cut_short=True,
        ),
    )  # fmt: skip
    yield Fault(
        f"cough.{x}", f"{x} coughs: {COUGH_CMH2O:g} cmH2O, every {COUGH_EVERY_S:g} s", lane,
        f"pressure alarms in a row; {x}'s block and sedation", JUDGED,
        Effect(unrest=Unrest(COUGH_EVERY_S, Effort(lane, -COUGH_CMH2O, COUGH_S)), cut_short=True),
    )  # fmt: skip


def _water(lane: int, x: str) -> Iterator[Fault]:
    yield Fault(
        f"water-in-a-loop.{x}",
        f"Water swings in a low loop of {x}'s expiratory hose: {WATER_CMH2O:g} cm of it stand there and fall back",
        lane, f"a rattle at {x}; drain it, hoses falling to the trap", JUDGED,
        Effect(
            partial(changes.water_standing, lane=lane, head_cmh2o=WATER_CMH2O),
            unrest=Unrest(WATER_EVERY_S, swings_to=_as_it_is), trigger_cmh2o=USUAL_TRIGGER_CMH2O,
        ),
    )  # fmt: skip


def _as_it_is(network: FlowNetwork) -> FlowNetwork:
    return network


def _hands(lane: int, x: str) -> Iterator[Fault]:
    yield Fault(
        f"sampling-blocked.{x}", f"{x}'s CO2 sampling line is blocked: a false flat curve", lane,
        f"{x}'s chest still rises; a second method before anything is done", REASONED,
        reasoned=Reasoned("an alarm without cause; harm only from what is done about it", "minor", "prompt"),
    )  # fmt: skip
