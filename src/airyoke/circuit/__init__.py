"""What lies between machine and patients: which parts make a build, and which flow network the build means.

``FlowNetwork`` is all that the engine sees; ``Build`` adds the parts and how far their data may be off.
"""

from airyoke.circuit.builds import MAX_PATIENTS, Build, ideal_build, single_build, standard_build
from airyoke.circuit.network import Element, FlowNetwork, Limb, Valve
from airyoke.circuit.part import Part
from airyoke.circuit.parts import PART_NAMES, PARTS

__all__ = [
    "MAX_PATIENTS",
    "PARTS",
    "PART_NAMES",
    "Build",
    "Element",
    "FlowNetwork",
    "Limb",
    "Part",
    "Valve",
    "ideal_build",
    "single_build",
    "standard_build",
]
