"""A ward of our own without a flaw, from which the tests spoil one thing at a time."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from airyoke.circuit.parts import PART_NAMES

NOW = datetime(2026, 11, 25, 15, 0)
Rows = list[dict[str, Any]]
Tables = dict[str, Rows]

_COMMON: dict[str, Any] = {
    "read_at": "2026-11-25T14:10",
    "read_by": "RT-7",
    "room": "ICU-1",
    "passive": "yes",
    "position": "supine",
    "humidification": "hme",
    "vasopressor": "low",
    "infection": "none-found",
    "weight_kg": 71,
    "age_years": 58,
    "temperature_c": 37.2,
}

# Saturation, bicarbonate and minute volume agree with what they are checked against.
_PATIENTS: tuple[dict[str, Any], ...] = (
    {
        "bed": "1",
        "code": "P-001",
        "sex": "f",
        "height_cm": 165,
        "mode": "vc",
        "flow_shape": "constant",
        "rate_per_min": 20,
        "inspiratory_time_s": 1.0,
        "pause_s": 0.3,
        "tidal_volume_ml": 380,
        "peep_cmh2o": 10,
        "total_peep_cmh2o": 11,
        "plateau_cmh2o": 24,
        "peak_cmh2o": 32,
        "flow_l_per_min": 33,
        "fio2": 0.5,
        "spo2_pct": 94,
        "pao2_mmhg": 72,
        "paco2_mmhg": 46,
        "ph": 7.36,
        "etco2_mmhg": 39,
        "haemoglobin_g_per_dl": 10.5,
        "tube_mm": 7.5,
        "minute_volume_l_per_min": 7.6,
        "bicarbonate_mmol_per_l": 25.5,
        "resistance_cmh2o_s_per_l": 13,
        "ventilator": "V1",
    },
    {
        "bed": "2",
        "code": "P-002",
        "sex": "m",
        "height_cm": 178,
        "mode": "pc",
        "rate_per_min": 22,
        "inspiratory_time_s": 0.9,
        "tidal_volume_ml": 450,
        "peep_cmh2o": 12,
        "total_peep_cmh2o": 12.5,
        "plateau_cmh2o": 26,
        "pressure_above_peep_cmh2o": 15,
        "fio2": 0.6,
        "spo2_pct": 92,
        "pao2_mmhg": 66,
        "paco2_mmhg": 50,
        "ph": 7.32,
        "etco2_mmhg": 42,
        "haemoglobin_g_per_dl": 9.5,
        "tube_mm": 8,
        "minute_volume_l_per_min": 9.9,
        "bicarbonate_mmol_per_l": 25.5,
        "ventilator": "V2",
    },
    {
        "bed": "3",
        "code": "P-003",
        "sex": "m",
        "height_cm": 170,
        "mode": "dual",
        "rate_per_min": 18,
        "inspiratory_time_s": 1.0,
        "tidal_volume_ml": 420,
        "peep_cmh2o": 8,
        "total_peep_cmh2o": 8.5,
        "plateau_cmh2o": 21,
        "fio2": 0.45,
        "spo2_pct": 95,
        "paco2_mmhg": 44,
        "ph": 7.38,
        "etco2_mmhg": 40,
        "haemoglobin_g_per_dl": 11.5,
        "tube_mm": 8,
        "passive": "possible",
        "ventilator": "V3",
    },
    {
        "bed": "4",
        "code": "P-004",
        "sex": "f",
        "height_cm": 158,
        "mode": "vc",
        "flow_shape": "decelerating",
        "rate_per_min": 24,
        "inspiratory_time_s": 0.8,
        "pause_s": 0.1,
        "tidal_volume_ml": 330,
        "peep_cmh2o": 12,
        "total_peep_cmh2o": 13,
        "plateau_cmh2o": 27,
        "peak_cmh2o": 33,
        "fio2": 0.7,
        "pao2_mmhg": 64,
        "paco2_mmhg": 55,
        "ph": 7.28,
        "etco2_mmhg": 45,
        "haemoglobin_g_per_dl": 8.8,
        "tube_mm": 7,
        "position": "prone",
    },
)


def clean_tables() -> Tables:
    """Fresh rows of every sheet; nothing in them gives a finding."""
    return {
        "beds": [{**_COMMON, **patient} for patient in _PATIENTS],
        "ventilators": [
            {
                "ventilator": "V1",
                "room": "ICU-1",
                "usable": "yes",
                "modes": "vc pc",
                "max_peak_flow_l_per_min": 120,
            },
            {
                "ventilator": "V2",
                "room": "ICU-1",
                "pressure_reference": "absolute",
                "pressure_step_cmh2o": 0.5,
            },
            {"ventilator": "V3", "circuit_compensation": "on", "hold_sensor": "expiratory"},
        ],
        "stock": [{"part": part, "count": 12} for part in PART_NAMES],
        "policy": [
            {"name": "sharing", "value": "last-resort-accepted"},
            {"name": "max_group_size", "value": 2},
            {"name": "plateau_cmh2o", "value": 28},
            {"name": "confidence", "value": 0.75},
        ],
    }


def write_csv_ward(
    folder: Path,
    tables: Mapping[str, Sequence[Mapping[str, Any]]],
    *,
    separator: str = ",",
    decimal: str = ".",
    encoding: str = "utf-8",
) -> Path:
    """CSV files as a spreadsheet program of a given country writes them; independent of the writer under
    test.
    """
    folder.mkdir()
    for sheet, rows in tables.items():
        header = list(dict.fromkeys(key for row in rows for key in row))
        with (folder / f"{sheet}.csv").open("w", encoding=encoding, newline="") as stream:
            out = csv.writer(stream, delimiter=separator)
            out.writerow(header)
            for row in rows:
                out.writerow([_text(row.get(key), decimal) for key in header])
    return folder


def write_xlsx_ward(path: Path, tables: Mapping[str, Sequence[Mapping[str, Any]]]) -> Path:
    """A workbook by another library than the one under test."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for sheet, rows in tables.items():
        page = book.create_sheet(sheet)
        header = list(dict.fromkeys(key for row in rows for key in row))
        page.append(header)
        for row in rows:
            page.append([row.get(key) for key in header])
    book.save(path)
    return path


def _text(value: Any, decimal: str) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:g}".replace(".", decimal)
    return str(value)
