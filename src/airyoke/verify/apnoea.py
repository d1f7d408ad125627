"""Rows of apnoea: what was measured in patients and volunteers whose breathing had stopped, and what the stores say.

The abstracts give times and rises, not every body. What is missing (lung volume, oxygen use, cardiac output) is taken
as usual for such people and said in the set-up; nothing was fitted to these figures. What the stores were fitted to,
the rise of PaCO2 after the first minute, is no row here.
"""

from __future__ import annotations

from functools import partial
from typing import Final

import numpy as np

from airyoke.lungs.stores import (
    Airway,
    Stores,
    StoresAssumptions,
    carbon_dioxide_after,
    seconds_to_desaturation,
)
from airyoke.verify.row import Check, Compared, Tolerance

_ANAESTHETISED: Final = "70 kg, lung 30 mL/kg, oxygen 3 mL/min/kg, quotient 0.8, cardiac output 5 L/min, Hb 14 assumed"
_OBESE: Final = "lung 0.65 and 1.0 L (middle of both), oxygen 300 mL/min, shunt 15 %, cardiac output 6.5 L/min assumed"


def checks() -> tuple[Check, ...]:
    """Carbon dioxide, then oxygen."""
    return (
        Check("apnoea-first-minute", "published apnoea", "rise of PaCO2 in the first minute, 15 anaesthetised adults",
              "Kobayashi, Masui 1994;43:1130 (abstract): 9.8 (SD 1.9)", "mmHg", Tolerance(absolute=1.9),
              _first_minute, _ANAESTHETISED),
        Check("apnoea-first-seconds", "published apnoea",
              "rise of PaCO2 in the first and the next 10 s at functional residual capacity, 20 awake volunteers",
              "Stock, J Clin Anesth 1988;1:96 (abstract); no spread given, 1.5 mmHg allowed", "mmHg",
              Tolerance(absolute=1.5), _first_seconds, "lung 2.4 L, CO2 output 230 mL/min assumed",
              ("first 10 s", "next 10 s")),
        Check("apnoea-obese", "published apnoea",
              "after oxygen, tube open to air: time to 90 %, 20 obese patients, supine",
              "Altermatt, Br J Anaesth 2005;95:706 (abstract): 162 (SD 38)", "s", Tolerance(absolute=38.0),
              _obese, _OBESE),
        Check("apnoea-normal-weight", "published apnoea",
              "after oxygen, tube open to air: time to 90 %, six patients of normal weight",
              "Berthoud, Br J Anaesth 1991;67:464 (abstract): 595 (SD 142)", "s", Tolerance(absolute=142.0),
              partial(_to_ninety, 595.0), _ANAESTHETISED),
    )  # fmt: skip


def _stores(
    volume_ml: float, vo2: float, shunt: float = 0.05, output: float = 5.0, fio2: float = 0.95, weight_kg: float = 70.0
) -> Stores:
    a = StoresAssumptions()

    def one(value: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.array([value])

    return Stores(
        lung_volume_ml=one(volume_ml),
        least_lung_volume_ml=one(0.3 * volume_ml),
        compliance_ml_per_cmh2o=one(50.0),
        peep_cmh2o=one(0.0),
        fio2=one(fio2),
        paco2_mmhg=one(38.0),
        bicarbonate_mmol_per_l=one(a.bicarbonate_mmol_per_l),
        shunt_fraction=one(shunt),
        haemoglobin_g_per_dl=one(14.0),
        vo2_ml_per_min=one(vo2),
        vco2_ml_per_min=one(0.8 * vo2),
        cardiac_output_l_per_min=one(output),
        venous_blood_l=one(a.venous_blood_ml_per_kg * weight_kg / 1000.0),
        fast_co2_ml_per_mmhg=one(a.fast_co2_ml_per_mmhg_per_kg * weight_kg),
        slow_co2_ml_per_mmhg=one(a.slow_co2_ml_per_mmhg_per_kg * weight_kg),
        slow_co2_minutes=a.slow_co2_minutes,
        blood_co2_ml_per_l_per_mmhg=a.blood_co2_ml_per_l_per_mmhg,
        barometric_pressure_mmhg=a.barometric_pressure_mmhg,
    )


def _rises(stores: Stores, airway: Airway, seconds: tuple[float, ...]) -> list[float]:
    paco2 = carbon_dioxide_after(stores, airway, np.array([0.0, *seconds]))[:, 0]
    return [float(rise) for rise in np.diff(paco2)]


def _first_minute() -> Compared:
    return [9.8], _rises(_stores(2100.0, 210.0), "circuit", (60.0,))


def _first_seconds() -> Compared:
    return [7.0, 2.0], _rises(_stores(2400.0, 287.5, fio2=1.0), "circuit", (10.0, 20.0))


def _obese() -> Compared:
    found = [
        float(seconds_to_desaturation(_stores(volume, 300.0, 0.15, 6.5), "room air", spo2_pct=90.0)[0])
        for volume in (650.0, 1000.0)
    ]
    return [162.0], [sum(found) / 2.0]


def _to_ninety(expected: float) -> Compared:
    return [expected], [float(seconds_to_desaturation(_stores(2100.0, 210.0), "room air", spo2_pct=90.0)[0])]
