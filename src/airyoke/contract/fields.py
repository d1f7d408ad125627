"""Fields of models made from the dictionary of quantities: one range, one unit, one meaning for each name."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from airyoke.quantities import quantity


class Frozen(BaseModel):
    """Settings common to every model: nothing unknown gets in, nothing changes, nothing is guessed."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        validate_by_name=True,
        validate_by_alias=True,
    )


def measured(key: str) -> Any:
    """Bounds, unit and meaning of a quantity, for ``Annotated``. A value outside the bounds is impossible."""
    row = quantity(key)
    return Field(
        ge=row.refuse.low,
        le=row.refuse.high,
        description=row.meaning,
        json_schema_extra={"unit": row.unit or "1"},
    )


def coefficient(highest: float, unit: str, description: str) -> Any:
    """A number of a circuit, from 0 up; the dictionary has no row for it because nobody reads it at a bed."""
    return Field(ge=0.0, le=highest, description=description, json_schema_extra={"unit": unit})
