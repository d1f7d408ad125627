"""What runs now: who breathes from which ventilator, through which build, on which lane, at which settings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from airyoke.breath.settings import Settings
from airyoke.circuit import Build, single_build, standard_build, without_limb
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import BuiltCircuit, circuit_of_parts
from airyoke.circuit.needs import Catalogue
from airyoke.plan.store_room import Parts
from airyoke.quantities import Finding, Refused

LANES = "ABCD"


@dataclass(frozen=True, slots=True)
class RunningGroup:
    """Patients who share a ventilator now.

    lanes
        Bed on each lane of the build, in the order of its limbs; ``None``: both ports of the lane are capped.
    settings
        What is dialled; ``None`` where it is not known.
    counted
        Its parts still stand in the stock sheet, which was counted before they were taken; they are taken off.
    """

    ventilator: str
    lanes: tuple[str | None, ...]
    build: Build
    settings: Settings | None
    counted: bool = False

    def __post_init__(self) -> None:
        if len(self.lanes) != self.build.patients:
            raise ValueError(f"{len(self.lanes)} lanes on a build for {self.build.patients}")

    @property
    def beds(self) -> tuple[str, ...]:
        """Who breathes from it, in the order of the lanes."""
        return tuple(bed for bed in self.lanes if bed is not None)

    def lane_of(self, bed: str) -> str:
        """The letter of a bed's lane."""
        return LANES[self.lanes.index(bed)]

    def without(self, gone: Iterable[str]) -> RunningGroup:
        """The same with these beds off and their lanes capped."""
        off = set(gone)
        return replace(self, lanes=tuple(None if bed in off else bed for bed in self.lanes))


def on_lanes(build: Build, taken: Sequence[bool]) -> Build:
    """The build with the ports of the other lanes capped at the splitters. Raises ``ValueError`` for no lane."""
    if all(taken):
        return build
    capped = [number for number, used in enumerate(taken) if not used]
    network = build.network
    for number in reversed(capped):
        network = without_limb(network, number)
    words = " and ".join(LANES[number] for number in capped)
    return replace(build, name=f"{build.name}, lane {words} capped", network=network)


def alike(build: Build) -> bool:
    """Whether every lane is like every other: then it does not matter who is on which."""
    network = build.network
    return len(set(network.limbs)) == 1 and not network.inspiratory_branches and not network.expiratory_branches


def build_of_parts(patients: int, parts: Parts, name: str, catalogue: Catalogue) -> Build:
    """The build that a plan or a record names by its parts. Raises ``Refused`` where they make no circuit."""
    usual = standard_build(patients)
    if parts in ((), usual.parts):
        return single_build("hme") if patients == 1 else usual
    made = circuit_of_parts(patients, dict(parts), catalogue)
    if isinstance(made, CannotBuild):
        reason = f"the parts of circuit {name} make none for {patients}"
        raise Refused((Finding("running-circuit", "refused", reason, "correct the parts of what runs"),))
    assert isinstance(made, BuiltCircuit)
    # A circuit is known by its parts in the order in which they were listed.
    return replace(made.build, name=name, parts=parts)


def stock_without(stock: dict[str, int] | None, running: Iterable[RunningGroup]) -> dict[str, int] | None:
    """What the store room holds while these groups run; what they give back is used and to be reprocessed first."""
    if stock is None:
        return None
    left = Counter(stock)
    for group in running:
        if group.counted:
            left.subtract(dict(group.build.parts))
    return {part: max(count, 0) for part, count in left.items()}
