"""A site's own part: what was measured on it, on the pattern of a part of the catalogue.

Two pressure drops are enough, at 30 and at 60 L/min (0.5 and 1 L/s), through the part alone and with air:
drop = K1 Q + K2 Q² gives K1 = 4 p30 - p60 and K2 = 2 p60 - 4 p30. Both are 0 or more only where p60 is between 2 and
4 times p30; a little outside is rounding and goes to the nearest of the two, more is a slip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from airyoke.circuit.network import Element
from airyoke.circuit.part import Part
from airyoke.circuit.parts import PARTS
from airyoke.quantities import Finding, Refused, did_you_mean

ROUNDING_CMH2O = 0.1  # half a step of a usual manometer on each drop; judgement
LARGEST_DROP_CMH2O = 200.0
MOST_COMPLIANCE_ML_PER_CMH2O, MOST_DEAD_SPACE_ML, LONGEST_M = 10.0, 500.0, 5.0


@dataclass(frozen=True, slots=True)
class Measurement:
    """What was measured on one part. ``None`` = as its pattern in the catalogue.

    ``like``: the part of the catalogue whose kind and ends it has. Drops contain the opening pressure of a valve,
    ``cracking_cmh2o``.
    """

    name: str
    like: str
    drop_30_cmh2o: float
    drop_60_cmh2o: float
    compliance_ml_per_cmh2o: float | None = None
    dead_space_ml: float | None = None
    length_m: float | None = None
    cracking_cmh2o: float | None = None


def element_from_drops(drop_30_cmh2o: float, drop_60_cmh2o: float) -> Element:
    """K1 and K2 from the drops at 30 and 60 L/min. Raises ``ValueError`` where no K1, K2 >= 0 come near them."""
    p30, p60 = drop_30_cmh2o, drop_60_cmh2o
    if not (math.isfinite(p30) and math.isfinite(p60)) or not 0.0 <= p30 <= p60 <= LARGEST_DROP_CMH2O:
        raise ValueError(f"drops of {p30:g} at 30 and {p60:g} cmH2O at 60 L/min are not possible")
    linear, quadratic = 4.0 * p30 - p60, 2.0 * p60 - 4.0 * p30
    if linear >= 0.0 and quadratic >= 0.0:
        return Element(linear, quadratic)
    # The nearest straight line or parabola through both points, least squares.
    if quadratic < 0.0:
        linear, quadratic = (0.5 * p30 + p60) / 1.25, 0.0
        misfit = max(abs(0.5 * linear - p30), abs(linear - p60))
    else:
        linear, quadratic = 0.0, (0.25 * p30 + p60) / 1.0625
        misfit = max(abs(0.25 * quadratic - p30), abs(quadratic - p60))
    if misfit > ROUNDING_CMH2O:
        raise ValueError(f"{p60:g} at 60 L/min is not 2 to 4 times {p30:g} at 30: no part does that")
    return Element(linear, quadratic)


def measured_part(one: Measurement) -> Part:
    """The part as measured. Raises ``Refused`` with everything impossible about it."""
    found = list(_problems(one))
    if found:
        raise Refused(tuple(found))
    pattern = PARTS[one.like]
    cracking = pattern.cracking_cmh2o if one.cracking_cmh2o is None else one.cracking_cmh2o
    element = element_from_drops(one.drop_30_cmh2o - cracking, one.drop_60_cmh2o - cracking)
    ratio = element.drop_cmh2o(1.0) / max(pattern.element.drop_cmh2o(1.0), 1e-9)
    return replace(
        pattern,
        name=one.name,
        meaning=f"{pattern.meaning}, measured on site",
        like=one.like,
        element=element,
        straight=None if pattern.straight is None else pattern.straight.scaled(ratio),
        compliance_ml_per_cmh2o=_or(one.compliance_ml_per_cmh2o, pattern.compliance_ml_per_cmh2o),
        dead_space_ml=_or(one.dead_space_ml, pattern.dead_space_ml),
        length_m=_or(one.length_m, pattern.length_m),
        cracking_cmh2o=cracking,
        confidence="measured",
        source="measured on site at 30 and 60 L/min",
    )


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _problems(one: Measurement) -> list[Finding]:
    found: list[Finding] = []

    def refuse(id_: str, column: str, reason: str, remedy: str, value: str | float | None) -> None:
        found.append(Finding(id_, "refused", f"{one.name or 'part'}: {reason}", remedy, column=column, value=value))

    if not one.name.strip():
        refuse("site-part-name", "part", "it has no name", "name it as on the stock sheet", None)
    if one.name in PARTS:
        refuse(
            "site-part-name", "part", "the catalogue has a part of that name", "give yours a name of its own", one.name
        )
    if one.like not in PARTS:
        near = did_you_mean(one.like, tuple(PARTS))
        remedy = f"did you mean {near}?" if near else "`airyoke circuit --parts` lists the names"
        refuse("site-part-like", "like", f"the catalogue has no part {one.like!r}", remedy, one.like)
    for column, value, most in (
        ("compliance_ml_per_cmh2o", one.compliance_ml_per_cmh2o, MOST_COMPLIANCE_ML_PER_CMH2O),
        ("dead_space_ml", one.dead_space_ml, MOST_DEAD_SPACE_ML),
        ("length_m", one.length_m, LONGEST_M),
        ("cracking_cmh2o", one.cracking_cmh2o, 5.0),
    ):
        if value is not None and not 0.0 <= value <= most:
            refuse(
                "site-part-data",
                column,
                f"{column} of {value:g} is not possible",
                f"measure again: 0 to {most:g}",
                value,
            )
    if not found:
        pattern = PARTS[one.like]
        cracking = _or(one.cracking_cmh2o, pattern.cracking_cmh2o)
        try:
            element_from_drops(one.drop_30_cmh2o - cracking, one.drop_60_cmh2o - cracking)
        except ValueError as error:
            less = f" (less {cracking:g} cmH2O to open)" if cracking else ""
            refuse("site-part-drops", "drop_60_cmh2o", f"{error}{less}", "measure both again", one.drop_60_cmh2o)
    return found
