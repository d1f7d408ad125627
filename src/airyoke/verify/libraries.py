"""Rows of reference libraries: gas data by CoolProp, losses of pipes and orifices by fluids."""

from __future__ import annotations

import importlib
from math import pi
from typing import Any, Final

from airyoke.circuit import PARTS, flow_laws
from airyoke.quantities.units import (
    STPD,
    GasCondition,
    atpd,
    atps,
    btps,
    convert,
    gas_volume_factor,
    saturated_vapour_pressure_mmhg,
)
from airyoke.verify.row import Check, Compared, Tolerance

_COOLPROP: Final = "CoolProp (equations of state of air, oxygen, nitrogen, water; humid air after ASHRAE)"
_FLUIDS: Final = "fluids (general library of fluid mechanics)"
_ATM_PA: Final = 101325.0
_HOSE: Final = "tube-22mm-1500mm"

# Bore mm, length m, flow L/min: all turbulent.
_PIPES: Final = ((10.0, 1.0, 60.0), (9.0, 0.30, 60.0), (8.0, 0.32, 60.0), (7.5, 0.31, 60.0), (7.0, 0.30, 60.0))
_LAMINAR: Final = ((22.0, 1.0, 30.0), (15.0, 1.0, 20.0))
_ORIFICES_MM: Final = (3.0, 3.5, 4.0, 4.5, 5.0, 6.0)


def checks() -> tuple[Check, ...]:
    """Gas first, then losses."""
    return (*_gas(), *_losses())


def _gas() -> tuple[Check, ...]:
    return (
        Check("gas-vapour-pressure", "library", "saturated water vapour at 20, 25, 30, 37 °C", _COOLPROP, "mmHg",
              Tolerance(relative=0.003), _vapour_pressure, needs=("CoolProp",)),
        Check("gas-volume-factors", "library", "volume at body conditions of dry gas of 20 °C, saturated of 20 and "
              "25 °C, dry of 0 °C (real humid air)", _COOLPROP, "", Tolerance(relative=0.003), _volume_factors,
              needs=("CoolProp",)),
        Check("gas-air", "library", "air at 20 °C", _COOLPROP, "",
              Tolerance(relative=0.001), _air, labels=("density g/L", "viscosity µPa·s"), needs=("CoolProp",)),
        Check("gas-density-mixtures", "library", "density of dry oxygen in nitrogen, FiO2 0.21 to 1.0, at 20 and 37 °C",
              _COOLPROP, "g/L", Tolerance(relative=0.002), _mixtures, needs=("CoolProp",)),
        Check("gas-density-humid", "library", "density of air saturated at 37 °C", _COOLPROP, "g/L",
              Tolerance(relative=0.006), _humid, "Ours leaves argon out: 0.4 % too light.", needs=("CoolProp",)),
        Check("gas-in-a-hose", "library", "no hose takes up less than its gas does: compliance of the catalogue hose, "
              "at least that of the gas alone", _COOLPROP, "mL/cmH2O", Tolerance(side="low"), _hose_compliance,
              needs=("CoolProp",)),
    )  # fmt: skip


def _losses() -> tuple[Check, ...]:
    return (
        Check("pipe-reynolds", "library", "Reynolds number in five tubes of 7 to 10 mm at 60 L/min", _FLUIDS, "",
              Tolerance(relative=0.001), _reynolds, needs=("fluids",)),
        Check("pipe-turbulent", "library", "turbulent drop in the same tubes, Blasius", _FLUIDS, "cmH2O",
              Tolerance(relative=0.002), _turbulent, needs=("fluids",)),
        Check("pipe-turbulent-colebrook", "library", "the same against Colebrook's law for a smooth wall", _FLUIDS,
              "cmH2O", Tolerance(relative=0.03), _colebrook, needs=("fluids",)),
        Check("pipe-laminar", "library", "laminar drop in hoses of 22 and 15 mm", _FLUIDS, "cmH2O",
              Tolerance(relative=0.002), _laminar, needs=("fluids",)),
        Check("orifice", "library", "sharp-edged orifices of 3 to 6 mm in 22 mm, by formula and as catalogue parts: K2 "
              "from the discharge equation", _FLUIDS, "cmH2O·s²/L²", Tolerance(relative=0.005), _orifices,
              "Discharge coefficient 0.62 taken on both sides: the equation is checked, not the coefficient.",
              needs=("fluids",)),
        Check("hose-floor", "library", "no corrugated hose is smoother than a smooth pipe: catalogue hose at 30 and 60 "
              "L/min, at least", _FLUIDS, "cmH2O", Tolerance(side="low"), _hose_floor, needs=("fluids",)),
        Check("tube-floor", "library", "the check of a typed resistance asks below that of a smooth tube of 7, 8, 9 mm "
              "at 0.5 L/s: where it begins to ask", _FLUIDS, "cmH2O·s/L", Tolerance(relative=0.03), _tube_floor,
              "Air of 37 °C, tube of 0.30 m, Colebrook for a smooth wall.", needs=("fluids", "CoolProp")),
    )  # fmt: skip


def _coolprop() -> Any:
    return importlib.import_module("CoolProp.CoolProp")


def _fluids() -> Any:
    return importlib.import_module("fluids")


def _vapour_pressure() -> Compared:
    outside = _coolprop()
    celsius = (20.0, 25.0, 30.0, 37.0)
    pascal = [outside.PropsSI("P", "T", c + 273.15, "Q", 0, "Water") for c in celsius]
    return [convert(p, "Pa", "mmHg") for p in pascal], [saturated_vapour_pressure_mmhg(c) for c in celsius]


def _volume_factors() -> Compared:
    """Volume of humid air per mass of dry air, at body conditions over that at the other condition."""
    outside = _coolprop()

    def volume(celsius: float, relative_humidity: float) -> float:
        state = ("T", celsius + 273.15, "P", _ATM_PA, "R", relative_humidity)
        return float(outside.HAPropsSI("Vda", *state))

    body = volume(37.0, 1.0)
    others: tuple[tuple[GasCondition, float, float], ...] = (
        (atpd(20.0), 20.0, 0.0),
        (atps(20.0), 20.0, 1.0),
        (atps(25.0), 25.0, 1.0),
        (STPD, 0.0, 0.0),
    )
    return (
        [body / volume(celsius, humidity) for _, celsius, humidity in others],
        [gas_volume_factor(condition, btps()) for condition, _, _ in others],
    )


def _air() -> Compared:
    outside = _coolprop()
    state = ("T", 293.15, "P", _ATM_PA, "Air")
    expected = (outside.PropsSI("D", *state), 1e6 * outside.PropsSI("V", *state))
    return expected, (flow_laws.AIR_20C_DENSITY, 1e6 * flow_laws.AIR_20C_VISCOSITY)


def _mixtures() -> Compared:
    """Pure gases by CoolProp, mixed by volume: at 1 atm they hardly notice each other."""
    outside = _coolprop()
    expected, ours = [], []
    for celsius in (20.0, 37.0):
        oxygen, nitrogen = (outside.PropsSI("D", "T", celsius + 273.15, "P", _ATM_PA, gas) for gas in ("O2", "N2"))
        for fio2 in (0.21, 0.4, 0.6, 0.8, 1.0):
            expected.append(fio2 * oxygen + (1.0 - fio2) * nitrogen)
            ours.append(flow_laws.gas_density_kg_per_m3(fio2, celsius))
    return expected, ours


def _humid() -> Compared:
    outside = _coolprop()
    state = ("T", 310.15, "P", _ATM_PA, "R", 1.0)
    density = (1.0 + outside.HAPropsSI("W", *state)) / outside.HAPropsSI("Vda", *state)
    return [density], [flow_laws.gas_density_kg_per_m3(0.21, 37.0, saturated=True)]


def _hose_compliance() -> Compared:
    """Gas alone: volume of the bore times the isothermal compressibility, per cmH2O."""
    outside, hose = _coolprop(), PARTS[_HOSE]
    compressibility = outside.PropsSI("ISOTHERMAL_COMPRESSIBILITY", "T", 293.15, "P", _ATM_PA, "Air")
    bore_ml = pi / 4.0 * 2.2**2 * 150.0
    return [bore_ml * compressibility * convert(1.0, "cmH2O", "Pa")], [hose.compliance_ml_per_cmh2o]


def _speed(diameter_mm: float, flow_l_per_min: float) -> float:
    return flow_l_per_min / 60000.0 / (pi / 4.0 * (diameter_mm / 1000.0) ** 2)


def _reynolds_by_fluids(diameter_mm: float, flow_l_per_min: float) -> float:
    speed, bore = _speed(diameter_mm, flow_l_per_min), diameter_mm / 1000.0
    return float(_fluids().Reynolds(V=speed, D=bore, rho=flow_laws.AIR_20C_DENSITY, mu=flow_laws.AIR_20C_VISCOSITY))


def _drop_by_fluids(diameter_mm: float, length_m: float, flow_l_per_min: float, method: str = "") -> float:
    """Friction of a straight smooth pipe, cmH2O."""
    outside, number = _fluids(), _reynolds_by_fluids(diameter_mm, flow_l_per_min)
    friction = outside.friction.Blasius(number) if method == "Blasius" else outside.friction_factor(Re=number)
    loss = outside.K_from_f(fd=friction, L=length_m, D=diameter_mm / 1000.0)
    pascal = outside.dP_from_K(K=loss, rho=flow_laws.AIR_20C_DENSITY, V=_speed(diameter_mm, flow_l_per_min))
    return float(convert(pascal, "Pa", "cmH2O"))


def _reynolds() -> Compared:
    return (
        [_reynolds_by_fluids(bore, flow) for bore, _, flow in _PIPES],
        [flow_laws.reynolds(flow, bore) for bore, _, flow in _PIPES],
    )


def _turbulent() -> Compared:
    return (
        [_drop_by_fluids(*pipe, "Blasius") for pipe in _PIPES],
        [flow_laws.turbulent_drop_cmh2o(flow, bore, length) for bore, length, flow in _PIPES],
    )


def _colebrook() -> Compared:
    return (
        [_drop_by_fluids(*pipe) for pipe in _PIPES],
        [flow_laws.turbulent_drop_cmh2o(flow, bore, length) for bore, length, flow in _PIPES],
    )


def _laminar() -> Compared:
    return (
        [_drop_by_fluids(*pipe) for pipe in _LAMINAR],
        [flow_laws.laminar_drop_cmh2o(flow, bore, length) for bore, length, flow in _LAMINAR],
    )


def _orifices() -> Compared:
    """The discharge equation of an orifice at 1 kPa without expansion, as a coefficient."""
    outside, density, pascal = _fluids(), flow_laws.AIR_20C_DENSITY, 1000.0
    expected = []
    for diameter in _ORIFICES_MM:
        mass_kg_per_s = outside.flow_meter_discharge(
            D=0.022, Do=diameter / 1000.0, P1=_ATM_PA + pascal, P2=_ATM_PA, rho=density, C=0.62
        )
        flow_l_per_s = 1000.0 * mass_kg_per_s / density
        expected.append(convert(pascal, "Pa", "cmH2O") / flow_l_per_s**2)
    parts = [PARTS[f"restrictor-{diameter:.1f}mm"].element.quadratic for diameter in _ORIFICES_MM]
    laws = [flow_laws.orifice_quadratic_cmh2o_s2_per_l2(diameter, bore_mm=22.0) for diameter in _ORIFICES_MM]
    return [*expected, *expected], [*laws, *parts]


def _hose_floor() -> Compared:
    element = PARTS[_HOSE].element
    floors = [_drop_by_fluids(22.0, 1.5, flow) for flow in (30.0, 60.0)]
    return floors, [element.drop_cmh2o(flow / 60.0) for flow in (30.0, 60.0)]


def _tube_floor() -> Compared:
    from airyoke.exchange.bed_values import BedValues
    from airyoke.exchange.check_pressure import resistance_below_tube

    def asks(resistance: float, tube_mm: float) -> bool:
        typed = {"resistance_cmh2o_s_per_l": resistance, "tube_mm": tube_mm}
        return any(resistance_below_tube(BedValues(typed, {}, typed, 760.0)))

    outside, expected, ours = _fluids(), [], []
    air = ("T", 310.15, "P", _ATM_PA, "Air")
    density, viscosity = (_coolprop().PropsSI(letter, *air) for letter in "DV")
    for tube in (7.0, 8.0, 9.0):
        speed, bore = _speed(tube, 30.0), tube / 1000.0
        friction = outside.friction_factor(Re=outside.Reynolds(V=speed, D=bore, rho=density, mu=viscosity))
        pascal = outside.dP_from_K(K=outside.K_from_f(fd=friction, L=0.30, D=bore), rho=density, V=speed)
        expected.append(convert(pascal, "Pa", "cmH2O") / 0.5)
        low, high = 0.1, 20.0
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if asks(middle, tube) else (low, middle)
        ours.append(low)
    return expected, ours
