"""Body size: what tidal volumes are scaled to."""

from __future__ import annotations

from typing import Final

from airyoke.lungs.readings import Sex

HEIGHT_RANGE_CM: Final = (120.0, 230.0)

_AT_REFERENCE_HEIGHT_KG: Final[dict[Sex, float]] = {"m": 50.0, "f": 45.5}
_REFERENCE_HEIGHT_CM: Final = 152.4
_KG_PER_CM: Final = 0.91


def predicted_body_weight_kg(sex: Sex, height_cm: float) -> float:
    """Predicted body weight, kg: 50 (men) or 45.5 (women) + 0.91 (height - 152.4 cm). Never the actual
    weight.

    Valid for adults of 120 to 230 cm. Raises ``ValueError`` outside: the line runs on to zero near 100 cm,
    and a height in inches or metres would give a number that looks like a weight.
    Source: ARDS Network, N Engl J Med 2000;342:1301 (form in cm; the form in inches differs by up to 0.2 kg).
    """
    low, high = HEIGHT_RANGE_CM
    if not low <= height_cm <= high:
        raise ValueError(
            f"height must be {low:g} to {high:g} cm for a predicted body weight, not {height_cm:g}"
        )
    return _AT_REFERENCE_HEIGHT_KG[sex] + _KG_PER_CM * (height_cm - _REFERENCE_HEIGHT_CM)
