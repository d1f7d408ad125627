"""One ordinary patient that the tests bend, and readings as a linear patient on a single circuit would give
them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from airyoke.lungs.apparatus import present_apparatus
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.closed_forms import pressure_control, volume_control
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.patient import Patient
from airyoke.lungs.readings import Readings

# Invented. Moderate ARDS in volume control with both holds and a blood gas.
ORDINARY = Readings(
    sex="m",
    height_cm=175.0,
    passive="yes",
    mode="vc",
    rate_per_min=24.0,
    inspiratory_time_s=0.9,
    tidal_volume_ml=420.0,
    peep_cmh2o=10.0,
    fio2=0.6,
    flow_shape="constant",
    pause_s=0.2,
    total_peep_cmh2o=11.0,
    plateau_cmh2o=25.0,
    peak_cmh2o=34.0,
    spo2_pct=94.0,
    pao2_mmhg=75.0,
    paco2_mmhg=50.0,
    ph=7.31,
    etco2_mmhg=36.0,
    haemoglobin_g_per_dl=10.0,
    humidification="hme",
)
ASSUMPTIONS = Assumptions()


def bent(**changes: Any) -> Readings:
    return replace(ORDINARY, **changes)


def estimated(readings: Readings, **options: Any) -> Patient:
    found = estimate_lungs(readings, "4", ASSUMPTIONS, **{"circuit_compensation": "on", **options})
    assert isinstance(found, Patient), found
    return found


def finding_ids(patient: Patient) -> set[str]:
    return {finding.id for finding in patient.findings}


def read_in_volume_control(
    compliance: float, r_in: float, r_out: float, volume: float, peep: float
) -> Readings:
    """What the machine shows for these lungs behind a filter: 24 /min, 0.7 s of flow and 0.2 s of pause."""
    apparatus = present_apparatus("hme")
    flow = volume / 0.7 / 1000.0
    driving = volume / compliance
    path = apparatus.expiratory_resistance_cmh2o_s_per_l(
        0.5 * driving / (r_out + apparatus.linear_cmh2o_s_per_l)
    )
    with_apparatus = r_in + float(apparatus.inspiratory_resistance_cmh2o_s_per_l(flow))
    found = volume_control(compliance, with_apparatus, r_out + path, peep, volume, 24.0, 0.7, 0.2)
    return bent(
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        plateau_cmh2o=float(found.breath.plateau_cmh2o),
        peak_cmh2o=float(found.peak_cmh2o),
        total_peep_cmh2o=float(found.breath.total_peep_cmh2o),
    )


def read_in_pressure_control(
    compliance: float, resistance: float, drive: float, inspiratory_time_s: float
) -> Readings:
    """What the machine shows for these lungs, same resistance in and out, at 20 /min and PEEP 8; square
    pressure.
    """
    apparatus = present_apparatus("hme")
    readings = bent(
        mode="pc",
        rate_per_min=20.0,
        inspiratory_time_s=inspiratory_time_s,
        peep_cmh2o=8.0,
        pressure_above_peep_cmh2o=drive,
        flow_shape=None,
        pause_s=None,
        peak_cmh2o=None,
    )
    volume, path = 400.0, 5.0
    for _ in range(50):
        flow = volume / inspiratory_time_s / 1000.0
        r_in = resistance + float(apparatus.inspiratory_resistance_cmh2o_s_per_l(flow))
        breath = pressure_control(compliance, r_in, resistance + path, 8.0, drive, 20.0, inspiratory_time_s)
        volume = float(breath.tidal_volume_ml)
        driving = float(breath.driving_pressure_cmh2o)
        half_flow = 0.5 * driving / (resistance + apparatus.linear_cmh2o_s_per_l)
        path = float(apparatus.expiratory_resistance_cmh2o_s_per_l(half_flow))
    return replace(
        readings,
        tidal_volume_ml=volume,
        plateau_cmh2o=float(breath.plateau_cmh2o),
        total_peep_cmh2o=float(breath.total_peep_cmh2o),
    )
