"""Laws of flow behind computed part data: orifice, round pipe, and the gas itself.

Units: mm, m, L/min or L/s as named, cmH2O (1 cmH2O = 98.0665 Pa), kg/m³, Pa·s, °C.
"""

from __future__ import annotations

import math

PA_PER_CMH2O = 98.0665
AIR_20C_DENSITY = 1.2046  # kg/m³, dry, 1 atm; CoolProp and handbooks agree
AIR_20C_VISCOSITY = 1.821e-5  # Pa·s
SHARP_EDGE_DISCHARGE = 0.62  # handbook value for a sharp edge; 0.75-0.95 where the inlet is rounded
GAS_CONSTANT = 8.314462618  # J/(mol·K)
ONE_ATM_PA = 101325.0


def orifice_quadratic_cmh2o_s2_per_l2(
    diameter_mm: float,
    *,
    bore_mm: float | None = None,
    discharge: float = SHARP_EDGE_DISCHARGE,
    density_kg_per_m3: float = AIR_20C_DENSITY,
) -> float:
    """K2 of an orifice: dP = rho/2 (Q / (Cd A))² (1 - beta⁴), beta = diameter / bore (``None`` = a wide chamber).

    Raises ``ValueError`` unless 0 < diameter < bore.
    """
    if not diameter_mm > 0.0:
        raise ValueError(f"an orifice of {diameter_mm:g} mm is none")
    if bore_mm is not None and diameter_mm >= bore_mm:
        raise ValueError(f"an orifice of {diameter_mm:g} mm does not restrict a bore of {bore_mm:g} mm")
    area_m2 = math.pi / 4.0 * (diameter_mm / 1000.0) ** 2
    pa_s2_per_m6 = density_kg_per_m3 / (2.0 * (discharge * area_m2) ** 2)
    beta = 0.0 if bore_mm is None else diameter_mm / bore_mm
    return pa_s2_per_m6 * 1e-6 / PA_PER_CMH2O * (1.0 - beta**4)


def orifice_diameter_mm(quadratic_cmh2o_s2_per_l2: float, *, discharge: float = SHARP_EDGE_DISCHARGE) -> float:
    """The diameter of the orifice with that K2 in a wide chamber; K2 goes with d⁻⁴."""
    if not quadratic_cmh2o_s2_per_l2 > 0.0:
        raise ValueError("an orifice has a quadratic resistance above 0")
    one = orifice_quadratic_cmh2o_s2_per_l2(1.0, discharge=discharge)
    return float((one / quadratic_cmh2o_s2_per_l2) ** 0.25)


def reynolds(
    flow_l_per_min: float,
    diameter_mm: float,
    *,
    density_kg_per_m3: float = AIR_20C_DENSITY,
    viscosity_pa_s: float = AIR_20C_VISCOSITY,
) -> float:
    """Reynolds number in a round bore: 4 rho Q / (pi mu D). Laminar below about 2,300."""
    flow = flow_l_per_min / 60000.0
    return 4.0 * density_kg_per_m3 * flow / (math.pi * viscosity_pa_s * diameter_mm / 1000.0)


def laminar_drop_cmh2o(
    flow_l_per_min: float, diameter_mm: float, length_m: float, *, viscosity_pa_s: float = AIR_20C_VISCOSITY
) -> float:
    """Hagen and Poiseuille: 128 mu L Q / (pi D⁴)."""
    flow = flow_l_per_min / 60000.0
    return 128.0 * viscosity_pa_s * length_m * flow / (math.pi * (diameter_mm / 1000.0) ** 4) / PA_PER_CMH2O


def turbulent_drop_cmh2o(
    flow_l_per_min: float,
    diameter_mm: float,
    length_m: float,
    *,
    density_kg_per_m3: float = AIR_20C_DENSITY,
    viscosity_pa_s: float = AIR_20C_VISCOSITY,
) -> float:
    """Blasius, smooth wall, 4,000 < Re < 100,000: Darcy factor 0.3164 Re^-1/4."""
    diameter = diameter_mm / 1000.0
    speed = flow_l_per_min / 60000.0 / (math.pi / 4.0 * diameter**2)
    number = reynolds(flow_l_per_min, diameter_mm, density_kg_per_m3=density_kg_per_m3, viscosity_pa_s=viscosity_pa_s)
    friction: float = 0.3164 * number**-0.25
    return friction * length_m / diameter * density_kg_per_m3 * speed**2 / 2.0 / PA_PER_CMH2O


def gas_density_kg_per_m3(fio2: float, temperature_c: float, *, saturated: bool = False) -> float:
    """Density at 1 atm of oxygen, nitrogen and, where ``saturated``, water vapour, as ideal gases.

    Water vapour by the Magnus formula over water (Alduchov and Eskridge 1996: 6.1094 hPa, 17.625, 243.04 °C; 0 to
    50 °C). Argon is left out: air comes out 0.4 % too light.
    """
    if not 0.0 <= fio2 <= 1.0:
        raise ValueError(f"a fraction of oxygen lies between 0 and 1, not {fio2:g}")
    water_pa = 610.94 * math.exp(17.625 * temperature_c / (temperature_c + 243.04)) if saturated else 0.0
    dry_pa = ONE_ATM_PA - water_pa
    mean = dry_pa * (fio2 * 31.9988e-3 + (1.0 - fio2) * 28.0134e-3) + water_pa * 18.0153e-3
    return mean / (GAS_CONSTANT * (temperature_c + 273.15))
