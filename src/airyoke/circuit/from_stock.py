"""What can be built from the store room: the circuit of each group, or the smallest set of parts that is missing.

``builds_for`` lets several groups compete for one stock and says what is proved; ``build_for`` is one group alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from airyoke.circuit.assembly import Assembly, put_together
from airyoke.circuit.builds import Build
from airyoke.circuit.choice import CannotBuild, Chosen, GoalReached, Pick, choose
from airyoke.circuit.gas_path import gas_path
from airyoke.circuit.needs import Catalogue, CircuitNeeds, PatientNeeds, Stock
from airyoke.circuit.parts import PARTS
from airyoke.circuit.reduction import Costs, build_of, costs_of


@dataclass(frozen=True, slots=True)
class BuiltCircuit:
    """One group's circuit: its joints, the build that the engine knows, what it costs, and what stands in for what."""

    needs: CircuitNeeds
    assembly: Assembly
    build: Build
    costs: Costs
    substitutes: tuple[Pick, ...]


@dataclass(frozen=True, slots=True)
class PickLine:
    """One line of the pick list: ``have`` is ``None`` where nothing was counted, ``instead`` what it stands for."""

    part: str
    need: int
    have: int | None
    instead: str = ""


@dataclass(frozen=True, slots=True)
class FromStock:
    """Every group in the order asked, the goals and their proof, and one pick list over all of them."""

    groups: tuple[BuiltCircuit | CannotBuild, ...]
    goals: tuple[GoalReached, ...]
    pick_list: tuple[PickLine, ...]


def builds_for(
    groups: Sequence[CircuitNeeds], stock: Stock | None, catalogue: Catalogue = PARTS, *, seconds: float = 30.0
) -> FromStock:
    """Circuits for all groups from one stock (``None`` = nothing is scarce): most groups first, then see ``choice``.

    Raises ``Refused`` for an impossible need or stock.
    """
    choice = choose(groups, stock, catalogue, seconds=seconds)
    results = tuple(one if isinstance(one, CannotBuild) else _built(one, catalogue) for one in choice.groups)
    return FromStock(results, choice.goals, _pick_list(results, stock, catalogue))


def build_for(
    needs: CircuitNeeds, stock: Stock | None, catalogue: Catalogue = PARTS, *, seconds: float = 30.0
) -> BuiltCircuit | CannotBuild:
    """The circuit of one group from a stock, or what is missing for it. Raises ``Refused`` as ``builds_for``."""
    return builds_for((needs,), stock, catalogue, seconds=seconds).groups[0]


def circuit_of_parts(
    patients: int, parts: Mapping[str, int], catalogue: Catalogue = PARTS, *, name: str = ""
) -> BuiltCircuit | CannotBuild:
    """The circuit that these parts make, beds within the usual reach: what a plan or a record kept of one.

    Raises ``Refused`` for a part that the catalogue has not.
    """
    heated = any(name in catalogue and catalogue[name].kind == "humidifier" for name in parts)
    people = (PatientNeeds(),) * patients
    return build_for(CircuitNeeds(people, humidification="heated" if heated else "hme", label=name), parts, catalogue)


def _built(chosen: Chosen, catalogue: Catalogue) -> BuiltCircuit:
    assembly = put_together(chosen, catalogue)
    name = chosen.needs.label or "from-stock"
    build = build_of(assembly, name)
    return BuiltCircuit(chosen.needs, assembly, build, costs_of(gas_path(assembly)), chosen.substitutes)


def _pick_list(
    results: Sequence[BuiltCircuit | CannotBuild], stock: Stock | None, catalogue: Catalogue
) -> tuple[PickLine, ...]:
    need: Counter[str] = Counter()
    instead: dict[str, dict[str, None]] = {}
    for one in results:
        if isinstance(one, CannotBuild):
            continue
        need.update(dict(one.build.parts))
        for part, usual, _ in stands_for(one):
            instead.setdefault(part, {})[usual] = None
    return tuple(
        PickLine(part, need[part], None if stock is None else stock.get(part, 0), ", ".join(instead.get(part, ())))
        for part in catalogue
        if need[part]
    )


def stands_for(built: BuiltCircuit) -> tuple[tuple[str, str, str], ...]:
    """Every part that stands in for a usual one: the part, what it stands for, and what to mind (may be empty)."""
    return tuple(
        (part, USUAL[pick.slot], pick.option.note)
        for pick in built.substitutes
        for part in pick.option.parts
    )


USUAL = {
    "splitter": "the usual splitter",
    "bridge": "a sleeve 22F-22F",
    "humidifier": "a humidifier",
    "valve": "a flap or diaphragm valve",
    "limb": "corrugated 22 mm tubing",
    "restrictor": "a fixed restrictor",
    "peep_valve": "an in-line PEEP valve",
    "wye": "a Y-piece at the patient",
    "filter": "an HMEF",
    "capnograph": "a capnograph adapter",
    "mount": "a catheter mount",
    "suction": "closed suction",
    "expiratory_filter": "an expiratory filter",
}  # what a substitute stands for, slot by slot
