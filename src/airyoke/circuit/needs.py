"""What a build is asked to do, and the stock it may draw on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from airyoke.circuit.builds import MAX_PATIENTS
from airyoke.circuit.part import Part
from airyoke.circuit.parts import PARTS
from airyoke.quantities import Finding, Refused, did_you_mean

LANES = "ABCD"
USUAL_REACH_M = 1.5
LONGEST_REACH_M = 6.0
Stock = Mapping[str, int]
Catalogue = Mapping[str, Part]


@dataclass(frozen=True, slots=True)
class PatientNeeds:
    """One patient of a group: hose from splitter to wye (``reach_m``, each way), and what hangs on the limb.

    ``restrictor`` and ``peep_valve_cmh2o`` are trims: the name of a restrictor on the way in, the setting of an
    in-line PEEP valve on the way out.
    """

    reach_m: float = USUAL_REACH_M
    restrictor: str | None = None
    peep_valve_cmh2o: float | None = None
    closed_suction: bool = False

    @property
    def reach_cm(self) -> int:
        """The reach in whole centimetres, never less than asked."""
        return math.ceil(100.0 * self.reach_m - 1e-6)


@dataclass(frozen=True, slots=True)
class CircuitNeeds:
    """One group's circuit. ``layout``: splitters branching in pairs (``tree``) or one after another (``chain``).

    ``humidification``: an HME at every patient, or one heated humidifier in the shared inspiratory trunk; never both.
    """

    patients: tuple[PatientNeeds, ...]
    layout: Literal["tree", "chain"] = "tree"
    humidification: Literal["hme", "heated"] = "hme"
    label: str = ""

    @property
    def size(self) -> int:
        """How many breathe through it."""
        return len(self.patients)

    def problems(self) -> tuple[Finding, ...]:
        """Everything impossible in what is asked."""
        if not 1 <= self.size <= MAX_PATIENTS:
            reason = f"a circuit serves 1 to {MAX_PATIENTS} patients, not {self.size}"
            return (_refused("patients", reason, f"ask for 1 to {MAX_PATIENTS}", None, self.size),)
        found: list[Finding] = []
        for lane, patient in zip(LANES, self.patients, strict=False):
            if not 0.0 < patient.reach_m <= LONGEST_REACH_M:
                remedy = f"give metres of hose from splitter to wye, up to {LONGEST_REACH_M:g}; move the beds closer"
                reason = f"a reach of {patient.reach_m:g} m is not possible"
                found.append(_refused("reach", reason, remedy, lane, patient.reach_m))
            valve = patient.peep_valve_cmh2o
            if valve is not None and not 0.0 < valve <= 20.0:
                reason = f"a PEEP valve set to {valve:g} cmH2O is not possible"
                found.append(_refused("peep_valve", reason, "spring valves go from 2.5 to 20 cmH2O", lane, valve))
            name = patient.restrictor
            if name is not None and (name not in PARTS or PARTS[name].kind != "restrictor"):
                names = tuple(name for name, part in PARTS.items() if part.kind == "restrictor")
                near = did_you_mean(name, names)
                remedy = f"did you mean {near}?" if near else f"choose one of {', '.join(names)}"
                found.append(_refused("restrictor", f"{name!r} is no restrictor of the catalogue", remedy, lane, name))
        return tuple(found)


def _refused(column: str, reason: str, remedy: str, lane: str | None, value: str | float) -> Finding:
    id_ = f"circuit-{column.replace('_', '-')}"
    return Finding(id_, "refused", reason, remedy, column=column, bed=lane, value=value)


def check_needs(groups: tuple[CircuitNeeds, ...]) -> None:
    """Raises ``Refused`` with everything impossible in what is asked."""
    found = tuple(finding for one in groups for finding in one.problems())
    if found:
        raise Refused(found)


def check_stock(stock: Stock | None, catalogue: Catalogue = PARTS) -> None:
    """Raises ``Refused`` for unknown parts and counts that are negative or no whole number; ``None`` = no limit."""
    found: list[Finding] = []
    for name, count in (stock or {}).items():
        if name not in catalogue:
            near = did_you_mean(name, tuple(catalogue))
            remedy = f"did you mean {near}?" if near else "`airyoke circuit --parts` lists the names"
            reason = f"the catalogue has no part {name!r}"
            found.append(Finding("part-unknown", "refused", reason, remedy, column="part", value=name))
        elif not math.isfinite(count) or count != int(count) or count < 0:
            reason = f"{count:g} pieces of {name} cannot lie in a store room"
            remedy = "count whole pieces, 0 or more"
            found.append(Finding("count-impossible", "refused", reason, remedy, column="count", value=count))
    if found:
        raise Refused(tuple(found))
