"""What lies between machine and patients: what can be built from the store room, and which flow network it means.

``builds_for`` chooses and puts together; ``FlowNetwork`` is all that the engine sees; ``Build`` adds the parts and how
far their data may be off. A circuit typed back is read by ``gas_path`` and judged by ``inspect``.
"""

from airyoke.circuit.assembly import Assembly, Joint, Piece
from airyoke.circuit.builds import MAX_PATIENTS, Build, ideal_build, single_build, standard_build
from airyoke.circuit.capping import without_limb
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import BuiltCircuit, FromStock, PickLine, build_for, builds_for, circuit_of_parts
from airyoke.circuit.gas_path import GasPath, gas_path
from airyoke.circuit.inspection import inspect
from airyoke.circuit.measured import Measurement, measured_part
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.circuit.network import BLOCKED, Branch, Element, FlowNetwork, Limb, Opening, Valve
from airyoke.circuit.part import Part
from airyoke.circuit.parts import PART_NAMES, PARTS
from airyoke.circuit.reduction import build_of, network_of
from airyoke.circuit.trim import NO_TRIM, Trim, trimmed

__all__ = [
    "BLOCKED",
    "MAX_PATIENTS",
    "NO_TRIM",
    "PARTS",
    "PART_NAMES",
    "Assembly",
    "Branch",
    "Build",
    "BuiltCircuit",
    "CannotBuild",
    "CircuitNeeds",
    "Element",
    "FlowNetwork",
    "FromStock",
    "GasPath",
    "Joint",
    "Limb",
    "Measurement",
    "Opening",
    "Part",
    "PatientNeeds",
    "PickLine",
    "Piece",
    "Trim",
    "Valve",
    "build_for",
    "build_of",
    "builds_for",
    "circuit_of_parts",
    "gas_path",
    "ideal_build",
    "inspect",
    "measured_part",
    "network_of",
    "single_build",
    "standard_build",
    "trimmed",
    "without_limb",
]
