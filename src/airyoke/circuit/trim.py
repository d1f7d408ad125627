"""Trims: what is added to one patient's limb to bring this patient inside limits that the others already keep."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from airyoke.circuit.builds import Build
from airyoke.circuit.network import Element

NOTHING = Element(0.0)


@dataclass(frozen=True, slots=True)
class Trim:
    """What is added to one limb.

    restrictor_cmh2o_s2_per_l2
        On the way in, never on the way out: there it would trap gas.
    peep_valve_cmh2o
        In line, on the way out. It raises this patient's PEEP and takes as much of this patient's drive.
    peep_valve_element
        Resistance of that valve once it is open, beside its setting.
    added_dead_space_ml
        Between wye and tracheal tube.
    """

    restrictor_cmh2o_s2_per_l2: float = 0.0
    peep_valve_cmh2o: float = 0.0
    peep_valve_element: Element = NOTHING
    added_dead_space_ml: float = 0.0


NO_TRIM = Trim()


def trimmed(build: Build, trims: Sequence[Trim]) -> Build:
    """The build with these trims, one a limb. Raises ``ValueError`` where the numbers differ."""
    if all(trim == NO_TRIM for trim in trims):
        return build
    limbs = tuple(
        replace(
            limb.trimmed(trim.restrictor_cmh2o_s2_per_l2, trim.peep_valve_cmh2o, trim.added_dead_space_ml),
            expiratory=limb.expiratory.in_series_with(trim.peep_valve_element),
        )
        for limb, trim in zip(build.network.limbs, trims, strict=True)
    )
    return replace(build, network=replace(build.network, limbs=limbs), basis=f"{build.basis}, with trims")
