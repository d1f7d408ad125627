"""What a part is: its ends, what it costs the gas, how long it may be used, and how well its data are known.

Pressure drop = linear Q + quadratic Q|Q|, cmH2O with Q in L/s. The catalogue itself stands in ``parts``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from airyoke.circuit.ends import End
from airyoke.circuit.network import Element

MEMORY = "typical value, from memory, low confidence"

Kind = Literal[
    "wye", "tee", "valve", "tube", "filter", "hme", "hmef", "sleeve", "mount", "elbow", "capnograph", "suction",
    "restrictor", "peep_valve", "cap", "test_lung", "humidifier",
]  # fmt: skip
Confidence = Literal["measured", "package", "computed", "low"]


@dataclass(frozen=True, slots=True)
class Part:
    """One kind of thing in the store room.

    element
        Its resistance from end to end; of a splitter into a leg that turns, or both legs where they are alike.
    straight
        Of a T-piece along its run; ``None`` elsewhere.
    compliance_ml_per_cmh2o
        Gas and wall together at working pressure.
    dead_space_ml
        Its volume where it lies between wye and tube. ``volume_ml`` its gas volume anywhere.
    bore_mm
        Its narrowest bore where that is a cylinder; 0 where the word has no meaning.
    length_m
        How far it reaches.
    cracking_cmh2o, back_leak_l_per_s_per_cmh2o
        Of a one-way part: opening pressure and leak when shut.
    venting
        Gas that leaves it goes to the room and never comes back to the ventilator.
    use
        Limits of use in words a person acts on.
    like
        Of a site's own part: the part of the catalogue that it may stand in for everywhere.
    """

    name: str
    meaning: str
    element: Element
    compliance_ml_per_cmh2o: float
    dead_space_ml: float
    source: str = MEMORY
    kind: Kind = "sleeve"
    ends: tuple[End, ...] = ()
    straight: Element | None = None
    volume_ml: float = 0.0
    bore_mm: float = 0.0
    length_m: float = 0.0
    cracking_cmh2o: float = 0.0
    back_leak_l_per_s_per_cmh2o: float = 0.0
    venting: bool = False
    short: str = ""
    use: str = ""
    confidence: Confidence = "low"
    like: str = ""

    def end(self, name: str) -> End:
        """The end of that name. Raises ``KeyError`` where there is none."""
        for one in self.ends:
            if one.name == name:
                return one
        raise KeyError(f"{self.name} has no end {name!r}; its ends are {', '.join(one.name for one in self.ends)}")

    @property
    def one_way(self) -> bool:
        """Whether gas passes it in one direction only."""
        return any(one.flow != "both" for one in self.ends)
