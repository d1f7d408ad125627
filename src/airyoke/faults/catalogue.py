"""Every fault of one group on one build: one list for each patient, one for what is shared.

Sizes (how far a hose is kinked, how much stiffer a lung becomes) are grades by judgement. What each does follows from
the network; what shows it at the patient is common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.circuit.network import Element, FlowNetwork
from airyoke.circuit.parts import PARTS
from airyoke.faults import changes
from airyoke.faults.fault import Effect, Fault, Reasoned
from airyoke.faults.lane_faults import lane_faults
from airyoke.faults.openings import trunk_off
from airyoke.faults.setting_faults import setting_faults
from airyoke.quantities import Finding, Refused, did_you_mean

LANES: Final = "ABCD"
REASONED: Final = "reasoned from the circuit; no source"


@dataclass(frozen=True, slots=True)
class Group:
    """What decides which faults a group can have. ``restrictors``: quadratic resistance of each lane's, 0 = none."""

    build: Build
    settings: Settings
    restrictors_cmh2o_s2_per_l2: tuple[float, ...]

    @property
    def network(self) -> FlowNetwork:
        """The circuit as it should be."""
        return self.build.network


def faults_of(group: Group) -> tuple[Fault, ...]:
    """Every fault this group can have, each patient's and then the shared ones; ids are unique."""
    found: list[Fault] = []
    for lane in range(len(group.network.limbs)):
        restrictor = group.restrictors_cmh2o_s2_per_l2[lane]
        found += lane_faults(group.network, lane, LANES[lane], restrictor)
    found += _shared(group)
    found += setting_faults(group.settings, len(group.network.limbs))
    found += _of_people(len(group.network.limbs))
    return tuple(found)


def fault_named(faults: Sequence[Fault], name: str) -> Fault:
    """The fault of that id, or of another id of the same thing.

    Raises ``Refused`` where there is none: the build lacks the part, or the name is mistyped (did you mean).
    """
    known = {other: one for one in faults for other in (one.id, *one.also)}
    folded = {id_.casefold(): one for id_, one in known.items()}
    found = folded.get(name.strip().casefold())
    if found is not None:
        return found
    raise Refused((_unknown(name, tuple(known)),))


def _unknown(name: str, known: tuple[str, ...]) -> Finding:
    lacking = next((why for start, why in _LACKING if name.strip().casefold().startswith(start)), None)
    near = did_you_mean(name, known)
    if lacking is not None and near is not None and near.split(".")[0] != name.strip().casefold().split(".")[0]:
        reason, remedy = f"this build has no place for {name!r}: {lacking}", "leave it out, or write that part down"
        return Finding("fault-part-lacking", "refused", reason, remedy, column="--only", value=name)
    remedy = f"did you mean {near}?" if near else "`airyoke faults CASE` lists them all"
    return Finding("fault-unknown", "refused", f"there is no fault {name!r}", remedy, column="--only", value=name)


_LACKING: Final = (
    ("valve-", "that lane has no one-way valve there"),
    ("peep-valve-", "that lane has no in-line PEEP valve"),
    ("restrictor-", "that lane has no restrictor"),
    ("filter-clogged", "nothing lies between that wye and its tube"),
    ("shared-filter", "the shared expiratory way has no filter"),
    ("branch-shut", "no stretch of it is shared by some of the patients only"),
    ("monitors-crossed", "it takes two patients"),
)


def _shared(group: Group) -> Iterator[Fault]:
    network = group.network
    sides: tuple[tuple[changes.Side, str, str], ...] = (
        ("inspiratory", "what leads from the machine to the first splitter", "every CO2 curve is flat at once"),
        ("expiratory", "what leads from the last splitter to the machine", "every chest, every pressure at a wye"),
    )
    for side, what, shows in sides:
        yield Fault(
            f"trunk-off.{side}", f"The shared {side} limb is off: {what}", None, shows, REASONED,
            Effect(partial(trunk_off, side=side), airway="room air", opens=True), also=(f"port-off.{side}",),
        )  # fmt: skip
        yield Fault(
            f"trunk-shut.{side}", f"The shared {side} limb is shut: {what}, kinked or clamped", None, shows, REASONED,
            Effect(partial(changes.trunk_shut, side=side), airway="blocked" if side == "inspiratory" else "circuit"),
        )  # fmt: skip
        branches = network.inspiratory_branches if side == "inspiratory" else network.expiratory_branches
        for number, branch in enumerate(changes.nearest_first(branches)):
            letters = "".join(LANES[lane] for lane in sorted(branch.all_limbs))
            yield Fault(
                f"branch-shut.{side}.{letters}", f"The {side} stretch shared by {' and '.join(letters)} is shut", None,
                f"CO2 curves of {' and '.join(letters)}", REASONED,
                Effect(partial(changes.branch_shut, side=side, number=number)),
            )  # fmt: skip
    element = _shared_filter(group.build)
    if element is not None:
        for factor in (3, 10):
            yield Fault(
                f"shared-filter-x{factor}", f"The shared expiratory filter is clogged: {factor} times its resistance",
                None, "total PEEP at each patient against the machine's; a change by the clock", REASONED,
                Effect(partial(changes.shared_filter_clogged, filter_element=element, factor=float(factor))),
            )  # fmt: skip
    yield Fault(
        "power-off", "Power or driving gas fails: the machine stands still", None,
        "no chest moves, every CO2 curve is flat", REASONED, Effect(airway="room air", stops=True), also=("gas-off",),
    )  # fmt: skip
    yield Fault(
        "ports-crossed", "The machine's ports are crossed: inspiratory and expiratory side exchanged", None,
        "no chest moves; found by the bench check", REASONED, Effect(_all_shut, airway="blocked"),
    )  # fmt: skip


def _all_shut(network: FlowNetwork) -> FlowNetwork:
    """What blows into the expiratory side meets shut valves; without valves gas goes the other way round, and every
    lung is ventilated through its expiratory hose: nothing is shut."""
    for lane, limb in enumerate(network.limbs):
        if limb.inspiratory_valve is not None and limb.expiratory_valve is not None:
            network = changes.shut(network, lane, "inspiratory")
    return network


def _shared_filter(build: Build) -> Element | None:
    for name, _ in build.parts:
        part = PARTS.get(name)
        if part is not None and part.kind == "filter" and name in _EXPIRATORY_FILTERS:
            return part.element
    return None


_EXPIRATORY_FILTERS: Final = ("expiratory-filter", "expiratory-cartridge", "filter-pleated", "filter-electrostatic")


def _of_people(patients: int) -> Iterator[Fault]:
    """What nobody's pressure or volume shows: labels, lines, alarms."""
    if patients > 1:
        pairs = tuple(f"monitors-crossed.{LANES[a]}{LANES[b]}" for a in range(patients) for b in range(a + 1, patients))
        yield Fault(
            "monitors-crossed", "Monitors or labels of two patients are crossed", None,
            "clamp or press one: whose curve changes? every shift", REASONED,
            reasoned=Reasoned("nothing shows it until one is treated for what the other has", "life", "delayed"),
            also=pairs,
        )  # fmt: skip
    yield Fault(
        "alarms-changed", "Somebody widened or silenced the shared alarms", None,
        "compare with the plan every hour", REASONED,
        reasoned=Reasoned("every fault that an alarm would have told stays silent", "life", "delayed"),
    )  # fmt: skip
