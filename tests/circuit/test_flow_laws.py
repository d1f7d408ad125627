"""Laws of flow against reference libraries and handbook tables."""

from __future__ import annotations

import fluids
import pytest
from CoolProp import CoolProp
from hypothesis import given
from hypothesis import strategies as st

from airyoke.circuit import PARTS
from airyoke.circuit.flow_laws import (
    AIR_20C_DENSITY,
    AIR_20C_VISCOSITY,
    PA_PER_CMH2O,
    gas_density_kg_per_m3,
    laminar_drop_cmh2o,
    orifice_diameter_mm,
    orifice_quadratic_cmh2o_s2_per_l2,
    reynolds,
    turbulent_drop_cmh2o,
)
from airyoke.circuit.measured import Measurement, element_from_drops, measured_part
from airyoke.circuit.network import Element
from airyoke.quantities import Refused

# Sharp-edged orifice, discharge coefficient 0.62 (handbook value), air at 20 °C: K2 and drops at 10, 15, 30, 60 L/min,
# computed by hand from dP = rho/2 (Q / (Cd A))².
ORIFICES = [
    (2.0, 1619, 45.0, 101, 405, 1619), (2.5, 663, 18.4, 41.4, 166, 663), (3.0, 319.8, 8.88, 20.0, 79.9, 320),
    (3.5, 172.6, 4.79, 10.8, 43.2, 173), (4.0, 101.2, 2.81, 6.32, 25.3, 101), (4.5, 63.2, 1.75, 3.95, 15.8, 63.2),
    (5.0, 41.4, 1.15, 2.59, 10.4, 41.4), (6.0, 20.0, 0.56, 1.25, 5.00, 20.0), (7.0, 10.8, 0.30, 0.67, 2.70, 10.8),
    (8.0, 6.32, 0.18, 0.40, 1.58, 6.32), (10.0, 2.59, 0.07, 0.16, 0.65, 2.59),
]  # fmt: skip
# Air at 20 °C in smooth pipes: bore mm, length m, flow L/min, Reynolds, Poiseuille and Blasius drop cmH2O.
PIPES = [
    (22, 1, 30, 1915, 0.016, 0.023), (22, 1, 60, 3829, 0.032, 0.078), (15, 1, 30, 2808, 0.075, 0.142),
    (15, 1, 60, 5616, 0.149, 0.479), (10, 1, 60, 8424, 0.756, 3.29), (8, 0.32, 60, 10530, 0.591, 3.04),
    (7.5, 0.31, 30, 5616, 0.371, 1.19), (7.5, 0.31, 60, 11232, 0.741, 4.00), (6, 0.28, 60, 14041, 1.63, 10.4),
]  # fmt: skip


@pytest.mark.parametrize("row", ORIFICES, ids=lambda row: f"{row[0]} mm")
def test_the_orifice_table_is_reproduced(row):
    diameter, k2, *drops = row
    ours = orifice_quadratic_cmh2o_s2_per_l2(diameter)
    assert ours == pytest.approx(k2, rel=3e-3)
    for flow, drop in zip((10, 15, 30, 60), drops, strict=True):
        assert Element(0.0, ours).drop_cmh2o(flow / 60) == pytest.approx(drop, rel=0.01, abs=0.006)


@pytest.mark.parametrize("diameter", [2.0, 3.0, 4.0, 6.0, 9.0])
@pytest.mark.parametrize("bore", [15.0, 22.0])
def test_an_orifice_flows_as_the_reference_library_says(diameter, bore):
    # fluids: ISO 5167 form of the orifice equation, incompressible (expansibility 1), given discharge coefficient.
    k2 = orifice_quadratic_cmh2o_s2_per_l2(diameter, bore_mm=bore)
    drop_pa = 20.0 * PA_PER_CMH2O
    mass = fluids.flow_meter.flow_meter_discharge(
        D=bore / 1000,
        Do=diameter / 1000,
        P1=101325 + drop_pa,
        P2=101325,
        rho=AIR_20C_DENSITY,
        C=0.62,
        expansibility=1.0,
    )
    flow_l_per_s = mass / AIR_20C_DENSITY * 1000
    assert Element(0.0, k2).drop_cmh2o(flow_l_per_s) == pytest.approx(20.0, rel=1e-6)


@pytest.mark.parametrize("row", PIPES, ids=lambda row: f"{row[0]} mm {row[2]} L/min")
def test_the_pipe_table_is_reproduced(row):
    bore, length, flow, number, laminar, turbulent = row
    assert reynolds(flow, bore) == pytest.approx(number, rel=1e-3)
    assert laminar_drop_cmh2o(flow, bore, length) == pytest.approx(laminar, rel=0.02, abs=6e-4)
    assert turbulent_drop_cmh2o(flow, bore, length) == pytest.approx(turbulent, rel=0.02, abs=6e-4)


@pytest.mark.parametrize(("bore", "flow"), [(15.0, 60.0), (10.0, 30.0), (8.0, 90.0), (22.0, 120.0)])
def test_pipe_friction_is_that_of_the_reference_library(bore, flow):
    number = fluids.Reynolds(
        V=flow / 60000 / (3.141592653589793 / 4 * (bore / 1000) ** 2),
        D=bore / 1000,
        rho=AIR_20C_DENSITY,
        mu=AIR_20C_VISCOSITY,
    )
    assert reynolds(flow, bore) == pytest.approx(number, rel=1e-9)
    friction = fluids.friction.Blasius(number)
    speed = flow / 60000 / (3.141592653589793 / 4 * (bore / 1000) ** 2)
    drop = fluids.dP_from_K(fluids.K_from_f(friction, 1.0, bore / 1000), AIR_20C_DENSITY, speed) / PA_PER_CMH2O
    assert turbulent_drop_cmh2o(flow, bore, 1.0) == pytest.approx(drop, rel=2e-3)  # 0.3164 against its 0.3164 rounded
    laminar = 64.0 / number * 1.0 / (bore / 1000) * AIR_20C_DENSITY * speed**2 / 2 / PA_PER_CMH2O
    assert laminar_drop_cmh2o(flow, bore, 1.0) == pytest.approx(laminar, rel=1e-9)


def test_constants_of_air_are_those_of_the_reference_library():
    assert CoolProp.PropsSI("D", "T", 293.15, "P", 101325, "Air") == pytest.approx(AIR_20C_DENSITY, rel=1e-3)
    assert CoolProp.PropsSI("V", "T", 293.15, "P", 101325, "Air") == pytest.approx(AIR_20C_VISCOSITY, rel=2e-3)


# Ideal-gas densities at 1 atm, kg/m³: FiO2, 20 °C dry, 37 °C dry, 37 °C saturated (computed from molar masses).
GASES = [(0.21, 1.199, 1.134, 1.107), (0.60, 1.264, 1.195, 1.165), (1.00, 1.330, 1.257, 1.223)]


@pytest.mark.parametrize(("fio2", "dry_20", "dry_37", "wet_37"), GASES)
def test_the_gas_table_is_reproduced(fio2, dry_20, dry_37, wet_37):
    assert gas_density_kg_per_m3(fio2, 20) == pytest.approx(dry_20, abs=1e-3)
    assert gas_density_kg_per_m3(fio2, 37) == pytest.approx(dry_37, abs=1e-3)
    assert gas_density_kg_per_m3(fio2, 37, saturated=True) == pytest.approx(wet_37, abs=1.5e-3)


def test_oxygen_and_humid_air_have_the_density_of_the_reference_library():
    oxygen = CoolProp.PropsSI("D", "T", 293.15, "P", 101325, "Oxygen")
    assert gas_density_kg_per_m3(1.0, 20) == pytest.approx(oxygen, rel=2e-3)
    # Humid air: mass of dry air and water per volume of mixture. Ours leaves argon out: 0.4 % too light.
    ratio = CoolProp.HAPropsSI("W", "T", 310.15, "P", 101325, "RH", 1.0)
    volume = CoolProp.HAPropsSI("Vda", "T", 310.15, "P", 101325, "RH", 1.0)
    assert gas_density_kg_per_m3(0.21, 37, saturated=True) == pytest.approx((1 + ratio) / volume, rel=6e-3)


@given(st.floats(1.0, 14.0))
def test_a_diameter_comes_back_from_its_resistance(diameter):
    assert orifice_diameter_mm(orifice_quadratic_cmh2o_s2_per_l2(diameter)) == pytest.approx(diameter, rel=1e-9)


@pytest.mark.parametrize("diameter", [0.0, -1.0, 22.0, 30.0, float("nan")])
def test_an_orifice_that_is_none_is_refused(diameter):
    with pytest.raises(ValueError):
        orifice_quadratic_cmh2o_s2_per_l2(diameter, bore_mm=22.0)


def test_restrictors_of_the_catalogue_are_orifices_in_a_22_mm_bore():
    for part in PARTS.values():
        if part.kind == "restrictor" and part.bore_mm:
            expected = orifice_quadratic_cmh2o_s2_per_l2(part.bore_mm, bore_mm=22.0)
            assert part.element.quadratic == pytest.approx(expected, abs=0.01)


@given(st.floats(0.0, 5.0), st.floats(0.0, 20.0))
def test_two_drops_give_back_the_part_they_were_measured_on(linear, quadratic):
    part = Element(linear, quadratic)
    found = element_from_drops(part.drop_cmh2o(0.5), part.drop_cmh2o(1.0))
    assert found.linear == pytest.approx(linear, abs=1e-9)
    assert found.quadratic == pytest.approx(quadratic, abs=1e-9)


@pytest.mark.parametrize(
    ("p30", "p60"), [(1.0, 1.5), (1.0, 4.5), (2.0, 1.0), (-0.1, 1.0), (1.0, 500.0), (float("nan"), 1.0)]
)
def test_drops_that_no_part_has_are_refused(p30, p60):
    with pytest.raises(ValueError):
        element_from_drops(p30, p60)


def test_rounding_of_the_manometer_is_no_reason_to_refuse():
    straight = element_from_drops(1.0, 1.9)
    assert straight.quadratic == 0.0
    assert straight.drop_cmh2o(1.0) == pytest.approx(1.9, abs=0.1)


@pytest.mark.parametrize(
    ("change", "id_"),
    [
        ({"like": "y-peice"}, "site-part-like"), ({"name": "hmef"}, "site-part-name"), ({"name": " "}, "site-part-name"),
        ({"drop_60_cmh2o": 9.0}, "site-part-drops"), ({"dead_space_ml": -1.0}, "site-part-data"),
        ({"length_m": 40.0}, "site-part-data"), ({"compliance_ml_per_cmh2o": float("nan")}, "site-part-data"),
    ],
)  # fmt: skip
def test_a_part_with_impossible_data_is_refused_by_name(change, id_):
    good = {"name": "our-hmef", "like": "hmef", "drop_30_cmh2o": 1.0, "drop_60_cmh2o": 2.6}
    assert measured_part(Measurement(**good)).confidence == "measured"
    with pytest.raises(Refused) as refusal:
        measured_part(Measurement(**{**good, **change}))
    assert id_ in {finding.id for finding in refusal.value.findings}
