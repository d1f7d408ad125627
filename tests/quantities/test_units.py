"""Conversions and gas conditions against printed values and against the definitions."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airyoke.quantities.units import (
    STPD,
    GasCondition,
    atpd,
    atps,
    btps,
    convert,
    gas_volume_factor,
    kind_of,
    known_units,
    saturated_vapour_pressure_mmhg,
)


@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        (1, "cmH2O", "Pa", 98.0665),
        (1, "cmH2O", "mbar", 0.980665),
        (1, "cmH2O", "mmHg", 0.735559),
        (1, "mmHg", "Pa", 133.322387415),
        (1, "mmHg", "cmH2O", 1.35951),
        (760, "Torr", "Pa", 101325),
        (1, "kPa", "cmH2O", 10.197162),
        (1, "kPa", "mmHg", 7.500616),
        (1, "mbar", "cmH2O", 1.0197162),
        (1, "hPa", "cmH2O", 1.0197162),
        (1, "in", "cm", 2.54),
        (1, "ft", "in", 12),
        (1, "lb", "kg", 0.45359237),
        (1, "L·cmH2O", "J", 0.0980665),
        (12, "g/dL", "g/L", 120),
        (7, "mmol/L Hb", "g/dL", 7 * 1.6114),
        (24, "mEq/L", "mmol/L", 24),
        (30, "cmH2O", "kPa", 2.941995),
        (8, "kPa", "mmHg", 60.0049),
        (60, "mmHg", "kPa", 7.99934),
        (1, "mL/cmH2O", "mL/kPa", 10.197162),
        (500, "mL/kPa", "mL/cmH2O", 500 * 0.0980665),
        (1, "cmH2O·s/L", "kPa·s/L", 0.0980665),
        (60, "L/min", "L/s", 1),
        (60, "%", "", 0.6),
        (450, "mL", "L", 0.45),
        (98.6, "°F", "°C", 37.0),
        (900, "ms", "s", 0.9),
    ],
)
def test_conversion_equals_the_published_factor(
    value: float, source: str, target: str, expected: float
) -> None:
    assert convert(value, source, target) == pytest.approx(expected, rel=1e-5)


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


@pytest.mark.parametrize(
    ("source", "target", "expected"),
    [
        # 0.826 is printed in a university course in bioengineering (USC BME 403); the rest by the gas law.
        (btps(), STPD, 0.82624),
        (STPD, btps(), 1.21030),
        (atpd(20), btps(), 1.1277),
        (atpd(22), btps(), 1.1201),
        (atpd(25), btps(), 1.1088),
        (atps(20), btps(), 1.1017),
        (atps(22), btps(), 1.0909),
        (atps(25), btps(), 1.0742),
        (atpd(20), STPD, 0.9318),
        (atpd(25), STPD, 0.9161),
    ],
    ids=lambda item: item.name + f"{item.temperature_c:g}" if isinstance(item, GasCondition) else None,
)
def test_gas_volume_factors(source: GasCondition, target: GasCondition, expected: float) -> None:
    assert gas_volume_factor(source, target) == pytest.approx(expected, abs=5.1e-5)


def test_one_litre_at_body_conditions_is_826_ml_dry_at_zero_celsius() -> None:
    assert gas_volume_factor(btps(), STPD) == pytest.approx(0.826, abs=0.001)


@pytest.mark.parametrize(("celsius", "mmhg"), [(20, 17.54), (22, 19.83), (25, 23.76)])
def test_saturated_vapour_pressure(celsius: float, mmhg: float) -> None:
    assert saturated_vapour_pressure_mmhg(celsius) == pytest.approx(mmhg, abs=0.006)


@pytest.mark.parametrize("celsius", [-1.0, 50.1, 373.0])
def test_vapour_pressure_refuses_temperatures_outside_its_range(celsius: float) -> None:
    with pytest.raises(ValueError, match="0 to 50"):
        saturated_vapour_pressure_mmhg(celsius)


@given(st.floats(10, 40), st.floats(450, 800))
def test_gas_factor_and_its_inverse_cancel(celsius: float, pressure: float) -> None:
    a, b = atps(celsius, pressure), btps(pressure)
    assert gas_volume_factor(a, b) * gas_volume_factor(b, a) == pytest.approx(1.0, rel=1e-12)
