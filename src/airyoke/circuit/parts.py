"""The parts that the default builds are made of: what a stock sheet counts, and typical data of each.

All data here are typical values of low confidence (from memory where no source is named): a site should overwrite
them with package data or its own measurement. Pressure drop = linear Q + quadratic Q|Q|, cmH2O with Q in L/s.
"""

from __future__ import annotations

from dataclasses import dataclass

from airyoke.circuit.network import Element

MEMORY = "typical value, from memory, low confidence"


@dataclass(frozen=True, slots=True)
class Part:
    """One kind of thing in the store room.

    ``dead_space_ml`` counts where the part lies between wye and tube; ``compliance_ml_per_cmh2o`` is gas and wall
    together at working pressure.
    """

    name: str
    meaning: str
    element: Element
    compliance_ml_per_cmh2o: float
    dead_space_ml: float
    source: str = MEMORY


PARTS: dict[str, Part] = {
    part.name: part
    for part in (
        Part("y-piece", "Y-piece 22 mm: splitter, or patient wye", Element(0.0, 0.2), 0.02, 5.0),
        Part("t-piece", "T-piece 22 mm: splitter for three or four patients", Element(0.0, 0.3), 0.02, 5.0),
        Part("one-way-valve", "one-way valve 22 mm, flap or diaphragm", Element(1.2, 0.3), 0.02, 20.0),
        Part("tube-22mm-1500mm", "corrugated tube 22 mm, 1.5 m, one limb", Element(0.2, 0.8), 0.8, 0.0),
        Part("hmef", "heat and moisture exchanging filter, one at every patient", Element(2.0, 1.0), 0.06, 50.0),
        Part("expiratory-filter", "breathing filter on the shared expiratory limb", Element(1.0, 0.5), 0.15, 0.0),
        Part("sleeve-22f-22f", "short sleeve 22F-22F, ventilator port to Y-piece", Element(0.0, 0.02), 0.01, 0.0),
        Part("catheter-mount", "catheter mount with elbow", Element(0.0, 0.6), 0.03, 25.0),
        Part("capnograph-adapter", "capnograph adapter, one at every patient", Element(0.0, 0.05), 0.01, 6.0),
    )
}  # fmt: skip

PART_NAMES: tuple[str, ...] = tuple(PARTS)
