"""The places of a build that have to be filled, and with what: the usual part first, then what would do instead.

A slot is one function ("a filter and an HME at each patient"); an option is the parts that fill it once, with a rank:
0 the usual part, 1 another that does the same, 2 one with a caution attached. Every option of a slot has the ends that
its neighbours need, so that any mixture of options can be pushed together (``assembly`` shows it, tests check it).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations_with_replacement, product
from typing import Literal

from airyoke.circuit.needs import Catalogue, CircuitNeeds
from airyoke.circuit.part import Part

FLOW_L_PER_S = 0.5  # one patient at 30 L/min, where parts are compared
DEAD_SPACE_ML_PER_CMH2O = 25.0  # judgement, no source: so much dead space weighs as much as 1 cmH2O at that flow
MOST_TUBES_IN_A_LIMB = 4
CONNECTOR = "sleeve-22m-22m"
LUER_OF_THE_HMEF = "no adapter: sample from the port of the HMEF (sidestream only)"

SlotName = Literal[
    "splitter", "bridge", "humidifier", "valve", "limb", "restrictor", "peep_valve", "wye", "filter", "capnograph",
    "mount", "suction", "expiratory_filter",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Option:
    """One way to fill a slot once. ``cost`` in milli-cmH2O at one patient's 30 L/min, dead space counted in."""

    parts: tuple[str, ...]
    rank: int
    cost: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class Slot:
    """A function to fill ``count`` times. ``key`` tells limbs of different reach apart."""

    name: SlotName
    count: int
    options: tuple[Option, ...]
    key: str = ""


# Function -> (parts, rank, caution). What a fitting may stand in for, common practice, no source.
_VALVES = ((("one-way-valve",), 0, ""), (("one-way-valve-spring",), 1, "opens at 1 to 2 cmH2O"))
_BRIDGES = (
    (("sleeve-22f-22f",), 0, ""),
    (("tube-22mm-300mm",), 1, ""),
    (("tube-22mm-500mm",), 1, ""),
    (("tube-22mm-1000mm",), 1, "longer than it need be"),
)
_WYES = ((("y-piece",), 0, ""), (("t-piece",), 1, ""))
_FILTERS = (
    (("hmef",), 0, ""),
    (("filter-pleated", "hme-without-filter"), 1, "two parts: more dead space and resistance"),
    (("filter-electrostatic", "hme-without-filter"), 2, "wet, an electrostatic filter passes liquid at 12 cmH2O"),
)
_FILTERS_HEATED = (
    (("filter-pleated",), 0, ""),
    (("filter-electrostatic",), 2, "wet, an electrostatic filter passes liquid at 12 cmH2O"),
)
_CAPNOGRAPHS = ((("capnograph-adapter",), 0, ""), (("capnograph-cuvette",), 1, "mainstream sensor needed"))
_MOUNTS = (
    (("catheter-mount",), 0, ""),
    (("elbow",), 1, "rigid: hold the weight off the tube"),
    ((), 2, "no mount: the tube carries the filter's weight, and only the tube can be clamped"),
)
_EXPIRATORY_FILTERS = (
    (("expiratory-filter",), 0, ""),
    (("expiratory-cartridge",), 1, ""),
    (("filter-pleated",), 1, ""),
    (("filter-electrostatic",), 2, "everybody's flow and moisture pass it: penetration rises, wet it passes liquid"),
)
_SPLITTERS_TREE = ((("y-piece",), 0, ""), (("t-piece",), 1, ""), (("t-piece-22f",), 1, ""))
_SPLITTERS_CHAIN = ((("t-piece",), 0, ""), (("t-piece-22f",), 1, ""), (("y-piece",), 1, ""))
_USUAL_TUBES = frozenset(
    f"tube-22mm-{length}mm" for length in (300, 500, 1000, 1500, 1800)
)  # what most store rooms hold
NEEDS_NO_BRIDGE = "t-piece-22f"
_AT_THE_PATIENT = frozenset({"wye", "filter", "capnograph", "mount", "suction"})


def slots(needs: CircuitNeeds, catalogue: Catalogue) -> tuple[Slot, ...]:
    """Everything to be filled for one group, apart from the bridges, which depend on the splitters chosen."""
    n = needs.size
    heated = needs.humidification == "heated"
    found: list[Slot] = []

    def add(name: SlotName, count: int, table: Iterable[tuple[tuple[str, ...], int, str]], key: str = "") -> None:
        if count:
            found.append(Slot(name, count, _with_site_parts(table, catalogue, name in _AT_THE_PATIENT), key))

    shared = n > 1
    add("splitter", 2 * (n - 1), _SPLITTERS_TREE if needs.layout == "tree" else _SPLITTERS_CHAIN)
    add("humidifier", int(heated), ((("humidifier-chamber",), 0, ""),))
    add("valve", 2 * n if shared else 0, _VALVES)
    for reach_cm in sorted({patient.reach_cm for patient in needs.patients}):
        count = 2 * sum(patient.reach_cm == reach_cm for patient in needs.patients)
        found.append(Slot("limb", count, limb_options(reach_cm / 100.0, tuple(catalogue.items())), key=str(reach_cm)))
    for name in sorted({patient.restrictor for patient in needs.patients if patient.restrictor}):
        count = sum(patient.restrictor == name for patient in needs.patients)
        table: list[tuple[tuple[str, ...], int, str]] = [((name,), 0, "")]
        if name != "restrictor-adjustable":
            table.append((("restrictor-adjustable",), 1, f"set it to the drop of {name}, measure, mark and lock it"))
        add("restrictor", count, table, name)
    valves = sum(patient.peep_valve_cmh2o is not None for patient in needs.patients)
    add("peep_valve", valves, ((("peep-valve-in-line",), 0, ""),))
    add("wye", n, _WYES)
    add("filter", n, _FILTERS_HEATED if heated else _FILTERS)
    luer = () if heated else (((), 2, LUER_OF_THE_HMEF),)
    add("capnograph", n, (*_CAPNOGRAPHS, *luer))
    add("suction", sum(patient.closed_suction for patient in needs.patients), ((("closed-suction",), 0, ""),))
    add("mount", n, _MOUNTS)
    add("expiratory_filter", 1, _EXPIRATORY_FILTERS)
    return tuple(found)


def bridge_options(catalogue: Catalogue) -> tuple[Option, ...]:
    """What joins two male ends: a sleeve, or a short tube of full bore (it lies in a trunk)."""
    return _with_site_parts(_BRIDGES, catalogue, dead_space_counts=False)


def needs_no_bridge(option: Option, catalogue: Catalogue) -> bool:
    """Whether a splitter's common end is female and goes straight onto a male one."""
    return len(option.parts) == 1 and NEEDS_NO_BRIDGE in (option.parts[0], catalogue[option.parts[0]].like)


def _with_site_parts(
    table: Iterable[tuple[tuple[str, ...], int, str]], catalogue: Catalogue, dead_space_counts: bool
) -> tuple[Option, ...]:
    """Every row, and every row again with a site's own parts in the place of what they are like."""
    found: list[Option] = []
    for names, rank, note in table:
        kinds = [[name, *(part.name for part in catalogue.values() if part.like == name)] for name in names]
        found += [_option(mixture, rank, note, catalogue, dead_space_counts) for mixture in product(*kinds)]
    return tuple(found)


@lru_cache(maxsize=64)
def limb_options(reach_m: float, catalogue: tuple[tuple[str, Part], ...]) -> tuple[Option, ...]:
    """Every mixture of tubes that reaches and would not without one of them, with the connectors between.

    Empty where no ``MOST_TUBES_IN_A_LIMB`` tubes of the catalogue reach.
    """
    parts = dict(catalogue)
    tubes = [name for name, part in parts.items() if part.kind == "tube"]
    found: list[Option] = []
    for count in range(1, MOST_TUBES_IN_A_LIMB + 1):
        for names in combinations_with_replacement(tubes, count):
            lengths = [parts[name].length_m for name in names]
            if sum(lengths) >= reach_m - 1e-9 and sum(lengths) - min(lengths) < reach_m - 1e-9:
                narrow = any(parts[name].bore_mm < 20.0 for name in names)
                note = "narrow bore: measure its pressure drop" if narrow else ""
                rank = 0 if all({name, parts[name].like} & _USUAL_TUBES for name in names) else 1
                found.append(_option((*names, *(CONNECTOR,) * (count - 1)), rank, note, parts))
    return tuple(found)


def _option(
    names: tuple[str, ...], rank: int, note: str, catalogue: Mapping[str, Part], dead_space_counts: bool = False
) -> Option:
    cost = sum(catalogue[name].element.drop_cmh2o(FLOW_L_PER_S) + catalogue[name].cracking_cmh2o for name in names)
    if dead_space_counts:
        cost += sum(catalogue[name].dead_space_ml for name in names) / DEAD_SPACE_ML_PER_CMH2O
    return Option(names, rank, round(1000.0 * cost), note)
