"""Mistakes in height, weight and tidal volume per kg."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, cast

from airyoke.exchange.bed_values import BedValues, Check, ask, refused
from airyoke.lungs.readings import Sex
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.quantities import Finding, convert, quantity

# Judgement: above both, pounds are more likely than kilograms.
_HEAVY_KG: Final = 180.0
_HIGHEST_USUAL_BMI: Final = 60.0


def height_is_a_copy(bed: BedValues) -> Iterator[Finding]:
    """The height equals weight or age: a copy slip."""
    height = bed.get("height_cm")
    for key in ("weight_kg", "age_years"):
        if height is not None and bed.get(key) == height:
            yield ask(
                "height-copied",
                "height_cm",
                f"height and {quantity(key).symbol} are both {height:g}",
                "measure the height again",
            )


def weight_in_pounds(bed: BedValues) -> Iterator[Finding]:
    """A weight that makes a body mass index that hardly occurs."""
    both = bed.all_of("weight_kg", "height_cm")
    if both is None:
        return
    weight, height = both
    body_mass_index = weight / (height / 100) ** 2
    if weight > _HEAVY_KG and body_mass_index > _HIGHEST_USUAL_BMI:
        yield ask(
            "weight-unit",
            "weight_kg",
            f"weight {weight:g} kg at {height:g} cm is a body mass index of {body_mass_index:.0f} kg/m²",
            f"was it typed in pounds? That would be {convert(weight, 'lb', 'kg'):.0f} kg",
        )


def tidal_volume_per_kg(bed: BedValues) -> Iterator[Finding]:
    """Tidal volume for this predicted body weight: refused above 20 mL/kg, asked outside 3.5 to 10."""
    both = bed.all_of("tidal_volume_ml", "height_cm")
    if both is None or "sex" not in bed.words:
        return
    tidal_volume, height = both
    body_weight = predicted_body_weight_kg(cast(Sex, bed.words["sex"]), height)
    entry = quantity("tidal_volume_ml_per_kg")
    per_kg = tidal_volume / body_weight
    level = entry.level(per_kg)
    if level is None:
        return
    bounds = entry.refuse if level == "refused" else entry.ask
    reason = (
        f"VT {tidal_volume:g} mL is {per_kg:.1f} mL/kg at {body_weight:.1f} kg predicted body weight "
        f"({'possible' if level == 'refused' else 'usual'}: {bounds.words(entry.unit)})"
    )
    remedy = "read the volume again, and measure the height again"
    if level == "refused":
        yield refused("tidal-volume-per-kg-out-of-range", "tidal_volume_ml", reason, remedy)
    else:
        yield ask("tidal-volume-per-kg-unusual", "tidal_volume_ml", reason, remedy)


CHECKS: Final[tuple[Check, ...]] = (height_is_a_copy, weight_in_pounds, tidal_volume_per_kg)
