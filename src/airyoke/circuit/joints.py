"""Two ends pushed together: do they mate, would an adapter help, and is the joint wrong although it mates?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from airyoke.circuit.ends import End
from airyoke.circuit.part import Part
from airyoke.circuit.parts import PARTS

TRUNK_BORE_MM = 17.0  # a 22 mm fitting is moulded to about 18 mm; below this it is a 15 mm bore
Where = Literal["trunk", "inspiratory", "expiratory", "patient"]


@dataclass(frozen=True, slots=True)
class Fit:
    """How two ends go together. ``cones`` as written (``22M into 22F``); ``adapters`` that would bridge them."""

    verdict: Literal["mates", "adapter", "no"]
    cones: str = ""
    adapters: tuple[str, ...] = ()


def fit(one: End, other: End, parts: Iterable[Part] = PARTS.values()) -> Fit:
    """Whether two ends mate; where not, which single adapter or sleeve of ``parts`` lies between."""
    pair = one.mating_cones(other)
    if pair is not None:
        male, female = pair if pair[0].gender == "M" else (pair[1], pair[0])
        return Fit("mates", f"{male} into {female}")
    found = tuple(part.name for part in parts if part.kind == "sleeve" and _bridges(part, one, other))
    return Fit("adapter", "", found) if found else Fit("no")


def _bridges(adapter: Part, one: End, other: End) -> bool:
    a, b = adapter.ends
    return any(x.mating_cones(one) is not None and y.mating_cones(other) is not None for x, y in ((a, b), (b, a)))


def wrong_here(part: Part, where: Where, *, enters_by: End | None = None, hme_and_heated: bool = False) -> str:
    """Why a part may not lie here although its ends mate; empty where nothing speaks against it.

    ``enters_by``: the end through which the gas that flows here enters the part (``None`` where gas passes both
    ways). ``hme_and_heated``: the build has a heated humidifier and this part is an HME or HMEF.
    """
    if enters_by is not None and enters_by.flow == "out":
        return f"the {part.short} is turned round: gas would enter it at its outlet, so it blocks"
    if part.one_way and where == "patient":
        return f"a {part.short} between wye and patient blocks one of the two directions"
    if part.venting and where != "patient":
        return f"a {part.short} loses this breath to the room: nothing returns to the ventilator"
    if where == "trunk" and 0.0 < part.bore_mm < TRUNK_BORE_MM:
        return (
            f"{part.bore_mm:g} mm bore in a trunk carries everybody's flow: its resistance rises with the square of "
            "the flow"
        )
    if part.kind == "restrictor" and where != "inspiratory":
        return "a restrictor belongs on one patient's inspiratory branch"
    if part.kind == "peep_valve" and not part.venting and where != "expiratory":
        return "an in-line PEEP valve belongs on one patient's expiratory branch"
    if part.kind in ("hme", "hmef") and where != "patient":
        return "an HME works only where the same gas goes in and out: between wye and patient"
    if hme_and_heated and part.kind in ("hme", "hmef"):
        return "an HME together with a heated humidifier fills with water and blocks"
    if part.kind in ("cap", "test_lung"):
        return f"a {part.short} ends the gas path"
    return ""
