"""Laws of conversions and gas conditions; the printed values are rows of `airyoke verify`."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airyoke.quantities.units import (
    atps,
    btps,
    convert,
    gas_volume_factor,
    kind_of,
    known_units,
    saturated_vapour_pressure_mmhg,
)


@given(st.floats(-1e6, 1e6), st.sampled_from(known_units()), st.sampled_from(known_units()))
def test_there_and_back_is_the_same_value_and_kinds_never_mix(value: float, a: str, b: str) -> None:
    if kind_of(a) != kind_of(b):
        with pytest.raises(ValueError, match="measures"):
            convert(value, a, b)
    else:
        assert convert(convert(value, a, b), b, a) == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize("unit", ["cmh2o", "mm hg", "bar", "CMH2O", "psi", "l", "kpa", "g/l"])
def test_unknown_unit_is_an_error_never_a_default(unit: str) -> None:
    with pytest.raises(ValueError, match="unknown unit"):
        convert(1.0, unit, "cmH2O")
    with pytest.raises(ValueError, match="unknown unit"):
        convert(1.0, "cmH2O", unit)


@pytest.mark.parametrize("celsius", [-1.0, 50.1, 373.0])
def test_vapour_pressure_refuses_temperatures_outside_its_range(celsius: float) -> None:
    with pytest.raises(ValueError, match="0 to 50"):
        saturated_vapour_pressure_mmhg(celsius)


@given(st.floats(10, 40), st.floats(450, 800))
def test_gas_factor_and_its_inverse_cancel(celsius: float, pressure: float) -> None:
    a, b = atps(celsius, pressure), btps(pressure)
    assert gas_volume_factor(a, b) * gas_volume_factor(b, a) == pytest.approx(1.0, rel=1e-12)
