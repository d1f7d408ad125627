"""A flawless ward, one thing spoiled at a time: each kind of mistake in eight ways, each naming its finding."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from airyoke.exchange import read_ward
from airyoke.quantities import Finding, Refused, is_quantity, quantity
from airyoke.ward.ward import Ward
from exchange.clean_ward import NOW, Tables, clean_tables, write_csv_ward, write_xlsx_ward

Spoil = Callable[[Tables], None]


@dataclass(frozen=True)
class Kind:
    """``level`` ``stop`` = the ward is not read at all. ``column`` = where the finding points."""

    finding: str
    level: str
    column: str | None
    spoils: tuple[Spoil, ...]
    sheet: str = "beds"


def cells(sheet: str, row: int, **changes: Any) -> Spoil:
    """Put values into one row; ``None`` clears the cell."""

    def spoil(tables: Tables) -> None:
        tables[sheet][row].update(changes)

    return spoil


def bed(row: int, **changes: Any) -> Spoil:
    return cells("beds", row, **changes)


def each(column: str, *values: Any, rows: tuple[int, ...] = (0, 1, 2, 3)) -> tuple[Spoil, ...]:
    """One column, these values, in turn in the beds given."""
    return tuple(bed(rows[index % len(rows)], **{column: value}) for index, value in enumerate(values))


def renamed(sheet: str, old: str, new: str, factor: float = 1.0) -> Spoil:
    """Another header for a column, its numbers multiplied."""

    def spoil(tables: Tables) -> None:
        for row in tables[sheet]:
            if old in row:
                value = row.pop(old)
                row[new] = value * factor if isinstance(value, int | float) else value

    return spoil


def both(*spoils: Spoil) -> Spoil:
    def spoil(tables: Tables) -> None:
        for one in spoils:
            one(tables)

    return spoil


def copied(sheet: str, source: int, **changes: Any) -> Spoil:
    """The same row once more."""

    def spoil(tables: Tables) -> None:
        tables[sheet].append({**tables[sheet][source], **changes})

    return spoil


def added(sheet: str, **row: Any) -> Spoil:
    return lambda tables: tables[sheet].append(row)


VC = (0, 3)
KINDS = (
    # Units and slips of one number.
    Kind("height-unit", "refused", "height_cm", each("height_cm", 65, 70, 1.65, 1.78, 5.9, 5.11, 62, 6.1)),
    Kind("height-out-of-range", "refused", "height_cm", each("height_cm", 0, 110, 231, 240, 300, 1650, -165, 119.9)),
    Kind("height-unusual", "ask", "height_cm", each("height_cm", 140, 206, 144.9, 210, 206, 141, 208, 143)),
    Kind("fio2-unit", "refused", "fio2", each("fio2", 60, 50, 45, 70, 100, 21, 40, 80)),
    Kind("fio2-out-of-range", "refused", "fio2", each("fio2", 0.2, 0, 0.05, 1.2, 5, -0.5, 150, 0.209)),
    Kind("tidal-volume-unit", "refused", "tidal_volume_ml", each("tidal_volume_ml", 0.38, 0.45, 0.42, 0.33, 0.5, 0.6, 1.1, 0.2)),
    Kind("tidal-volume-out-of-range", "refused", "tidal_volume_ml", each("tidal_volume_ml", 3, 40, 1501, 4500, 0, 3800, -400, 49)),
    Kind("paco2-unit", "refused", "paco2_mmhg", each("paco2_mmhg", 6.1, 6.6, 5.9, 7.3, 4, 5.3, 7.9, 3.5)),
    Kind("paco2-unit", "ask", "paco2_mmhg", each("paco2_mmhg", 9, 10, 11, 12, 13, 8.5, 9.5, 12.5)),
    Kind("pao2-unit", "refused", "pao2_mmhg", each("pao2_mmhg", 9.6, 8.8, 8.5, 7.9, 10.1, 12.6, 14, 6.5)),
    Kind("pao2-unit", "ask", "pao2_mmhg", each("pao2_mmhg", 16, 20, 26, 28, 29, 18, 22, 30, rows=(0, 1))),
    Kind("plateau-unit", "refused", "plateau_cmh2o", each("plateau_cmh2o", 2.4, 2.6, 2.1, 2.7, 1.9, 3.2, 3.0, 1.5)),
    Kind("peak-unit", "refused", "peak_cmh2o", each("peak_cmh2o", 3.2, 3.3, 2.8, 4.1, 3.9, 2.5, 1.9, 4.4, rows=VC)),
    Kind("peep-unit", "ask", "peep_cmh2o", tuple(
        bed(row, peep_cmh2o=peep, plateau_cmh2o=plateau)
        for row, peep, plateau in ((0, 1, 2.4), (1, 1.2, 2.6), (2, 0.8, 2.1), (3, 1.2, 2.7), (0, 0.5, 2), (1, 1.5, 3),
                                   (2, 0.9, 1.9), (3, 1.4, 3.1)))),
    Kind("pressure-above-peep-unit", "ask", "pressure_above_peep_cmh2o",
         each("pressure_above_peep_cmh2o", 1.5, 1.3, 1.8, 2, 1.1, 2.4, 1.6, 2.9, rows=(1,))),
    Kind("haemoglobin-unit", "refused", "haemoglobin_g_per_dl",
         each("haemoglobin_g_per_dl", 105, 95, 115, 88, 70, 130, 160, 99)),
    Kind("flow-unit", "refused", "flow_l_per_min", each("flow_l_per_min", 0.55, 0.6, 1, 0.7, 0.9, 1.2, 0.4, 0.8, rows=VC)),
    Kind("resistance-unit", "ask", "resistance_cmh2o_s_per_l",
         each("resistance_cmh2o_s_per_l", 1.1, 1.2, 1.5, 1.9, 2.4, 2.9, 3.3, 3.8)),
    Kind("weight-unit", "ask", "weight_kg", each("weight_kg", 195, 210, 230, 240, 190, 220, 245, 235, rows=(0, 3))),
    Kind("spo2-unit", "refused", "spo2_pct", each("spo2_pct", 0.94, 0.92, 0.95, 0.88, 1, 0.9, 0.99, 0.85)),
    Kind("temperature-unit", "refused", "temperature_c", each("temperature_c", 98.6, 99, 100.4, 102, 97, 101, 103, 96)),
    # Ranges.
    Kind("rate-out-of-range", "refused", "rate_per_min", each("rate_per_min", 0, 2, 61, 100, 220, 3.9, -20, 600)),
    Kind("rate-unusual", "ask", "rate_per_min", each("rate_per_min", 36, 7, 6, 38, 5, 36.5, 7.5, 4, rows=(0, 2))),
    Kind("peep-out-of-range", "refused", "peep_cmh2o", each("peep_cmh2o", 31, 50, 100, -1, -5, 80, 31.5, 120)),
    Kind("peep-unusual", "ask", "peep_cmh2o", each("peep_cmh2o", 3, 0, 2, 3.5, 1, 2.5, 0.5, 3.9)),
    Kind("ph-out-of-range", "refused", "ph", each("ph", 74, 736, 6.4, 8, 0, 7.91, 6.49, -7.3)),
    Kind("ph-unusual", "ask", "ph", each("ph", 6.95, 6.8, 7.65, 7.7, 6.9, 7.61, 6.99, 6.6)),
    Kind("paco2-out-of-range", "refused", "paco2_mmhg", each("paco2_mmhg", 251, 460, 0, 1, 2, 300, -46, 999)),
    Kind("pao2-out-of-range", "refused", "pao2_mmhg", each("pao2_mmhg", 701, 720, 0, 1, 2, 3, -72, 5)),
    Kind("spo2-out-of-range", "refused", "spo2_pct", each("spo2_pct", 101, 940, 0, 29, 9.4, 105, -94, 20)),
    Kind("spo2-unusual", "ask", "spo2_pct", each("spo2_pct", 79, 75, 70, 60, 50, 40, 31, 78)),
    Kind("tube-out-of-range", "refused", "tube_mm", each("tube_mm", 75, 80, 4, 12, 3, 25, 0, 11.5)),
    Kind("bicarbonate-out-of-range", "refused", "bicarbonate_mmol_per_l",
         each("bicarbonate_mmol_per_l", 1, 71, 255, 0, 100, -24, 1.9, 240)),
    Kind("age-out-of-range", "refused", "age_years", each("age_years", 5, 150, 0, 1968, 11, 121, -58, 2)),
    # Cross-checks.
    Kind("height-copied", "ask", "height_cm", tuple(
        bed(row, height_cm=value, **{other: value})
        for row, value, other in ((0, 165, "weight_kg"), (1, 178, "weight_kg"), (2, 170, "weight_kg"),
                                  (3, 158, "weight_kg"), (0, 150, "weight_kg"), (1, 180, "weight_kg"),
                                  (2, 120, "age_years"), (3, 120, "age_years")))),
    Kind("inspiratory-time-too-long", "refused", "inspiratory_time_s", tuple(
        bed(row, inspiratory_time_s=time, rate_per_min=rate)
        for row, time, rate in ((0, 3, 20), (1, 2.8, 22), (2, 4, 18), (3, 2.5, 24), (0, 2, 30), (1, 2, 35), (2, 5, 12),
                                (3, 3.1, 20)))),
    Kind("inspiration-longer-than-expiration", "ask", "inspiratory_time_s", tuple(
        bed(row, inspiratory_time_s=time)
        for row, time in ((0, 1.6), (1, 1.5), (2, 1.7), (3, 1.3), (0, 2), (1, 1.8), (2, 2.2), (3, 1.6)))),
    Kind("inspiratory-time-unit", "refused", "inspiratory_time_s",
         each("inspiratory_time_s", 1000, 900, 800, 1100, 700, 1200, 600, 1500)),
    Kind("pause-too-long", "refused", "pause_s", each("pause_s", 1, 0.9, 1.1, 1.2, 2, 3, 1.5, 4, rows=VC)),
    Kind("tidal-volume-per-kg-out-of-range", "refused", "tidal_volume_ml", tuple(
        bed(row, tidal_volume_ml=volume, height_cm=height)
        for row, volume, height in ((0, 1150, 165), (1, 1490, 178), (2, 1400, 170), (3, 1100, 158), (0, 900, 145),
                                    (1, 1200, 155), (2, 1100, 150), (3, 850, 145)))),
    Kind("tidal-volume-per-kg-unusual", "ask", "tidal_volume_ml",
         each("tidal_volume_ml", 650, 800, 700, 560, 180, 220, 200, 150)),
    Kind("minute-volume-mismatch", "ask", "minute_volume_l_per_min",
         each("minute_volume_l_per_min", 12, 5, 11, 9.9, 6, 14, 5.5, 4)),
    Kind("minute-volume-unit", "refused", "minute_volume_l_per_min",
         each("minute_volume_l_per_min", 7600, 9900, 7560, 7920, 6000, 12000, 8000, 5000)),
    Kind("plateau-above-peak", "refused", "plateau_cmh2o", tuple(
        bed(row, plateau_cmh2o=plateau, peak_cmh2o=peak)
        for row, plateau, peak in ((0, 33, 32), (3, 34, 33), (0, 32, 24), (3, 33, 27), (1, 27, 26), (2, 25, 21),
                                   (0, 24, 23.4), (3, 30, 20)))),
    Kind("plateau-not-above-peep", "refused", "plateau_cmh2o", tuple(
        bed(row, plateau_cmh2o=plateau, peep_cmh2o=peep)
        for row, plateau, peep in ((0, 10, 10), (1, 12, 12), (2, 7, 8), (3, 11, 12), (0, 10, 24), (1, 15, 18),
                                   (2, 8, 8), (3, 12, 13)))),
    Kind("peak-not-above-peep", "refused", "peak_cmh2o", each("peak_cmh2o", 10, 12, 8, 12, 9, 7, 6, 5)),
    Kind("total-peep-below-peep", "refused", "total_peep_cmh2o", each("total_peep_cmh2o", 9, 11, 7, 11.5, 5, 0, 7.5, 2)),
    Kind("total-peep-above-plateau", "refused", "total_peep_cmh2o",
         each("total_peep_cmh2o", 24, 26, 21, 27, 30, 28, 25, 40)),
    Kind("intrinsic-peep-high", "ask", "total_peep_cmh2o", each("total_peep_cmh2o", 16, 18, 14, 18, 17, 19, 15, 20)),
    Kind("driving-pressure-out-of-range", "refused", "plateau_cmh2o", tuple(
        bed(row, plateau_cmh2o=plateau, peak_cmh2o=None, pressure_above_peep_cmh2o=None)
        for row, plateau in ((0, 62), (1, 63), (2, 60), (3, 64), (0, 70), (1, 80), (2, 75), (3, 90)))),
    Kind("driving-pressure-unusual", "ask", "plateau_cmh2o", tuple(
        bed(row, plateau_cmh2o=plateau, peak_cmh2o=None, pressure_above_peep_cmh2o=None)
        for row, plateau in ((0, 34), (1, 35), (2, 31), (3, 35.5), (0, 15), (1, 16), (2, 13), (3, 17)))),
    Kind("compliance-out-of-range", "refused", "plateau_cmh2o", tuple(
        bed(row, plateau_cmh2o=plateau)
        for row, plateau in ((0, 12), (1, 14), (2, 10), (3, 14), (0, 12.5), (1, 13.5), (2, 9), (3, 14.5)))),
    Kind("compliance-unusual", "ask", "plateau_cmh2o", tuple(
        bed(row, plateau_cmh2o=plateau)
        for row, plateau in ((0, 14), (1, 16), (2, 12), (3, 16), (0, 13), (1, 15), (2, 11.5), (3, 15.5)))),
    Kind("plateau-above-set-pressure", "ask", "plateau_cmh2o", tuple(
        bed(1, plateau_cmh2o=plateau) for plateau in (28.5, 29, 30, 31, 32, 33, 34, 35))),
    Kind("pressure-above-peep-absolute", "ask", "pressure_above_peep_cmh2o", tuple(
        bed(1, pressure_above_peep_cmh2o=above, plateau_cmh2o=plateau, peak_cmh2o=peak)
        for above, plateau, peak in ((26, 26, None), (27, 26, 27), (27, 26, None), (28, 26, 28), (25.5, 25, None),
                                     (24, 24, None), (26, 24, 26), (30, 27, 29.5)))),
    Kind("pressure-above-peep-in-vc", "ask", "pressure_above_peep_cmh2o",
         each("pressure_above_peep_cmh2o", 14, 12, 10, 16, 15, 18, 9, 20, rows=VC)),
    Kind("resistance-implied-unusual", "ask", "peak_cmh2o", tuple(
        bed(0, peak_cmh2o=peak, flow_l_per_min=flow)
        for peak, flow in ((24, 33), (25, 33), (25, 60), (45, 25), (24.5, 40), (44, 20), (26, 60), (43, 18)))),
    Kind("resistance-below-tube", "ask", "resistance_cmh2o_s_per_l", tuple(
        bed(row, resistance_cmh2o_s_per_l=resistance, tube_mm=tube)
        for row, resistance, tube in ((0, 4, 6), (1, 5, 6), (2, 4.5, 6), (3, 6, 5.5), (0, 5, 5.5), (1, 8, 5), (2, 10, 4.5),
                                      (3, 12, 4.5)))),
    Kind("saturation-mismatch", "ask", "spo2_pct", tuple(
        bed(row, spo2_pct=spo2, pao2_mmhg=pao2)
        for row, spo2, pao2 in ((0, 84, 72), (1, 98, 55), (2, 99, 58), (0, 100, 60), (1, 82, 90), (2, 85, 75), (0, 97, 50),
                                (1, 80, 66)))),
    Kind("blood-gas-swapped", "ask", "paco2_mmhg", tuple(
        bed(row, spo2_pct=94, pao2_mmhg=low, paco2_mmhg=high)
        for row, low, high in ((0, 46, 72), (1, 50, 66), (2, 44, 80), (3, 55, 64), (0, 40, 75), (1, 45, 90), (2, 48, 70),
                               (3, 42, 68)))),
    Kind("pao2-above-alveolar", "refused", "pao2_mmhg", each("pao2_mmhg", 320, 400, 290, 450, 350, 390, 300, 600)),
    Kind("bicarbonate-mismatch", "ask", "bicarbonate_mmol_per_l",
         each("bicarbonate_mmol_per_l", 20, 30, 21, 31, 18, 35, 33, 16)),
    Kind("etco2-above-paco2", "ask", "etco2_mmhg", each("etco2_mmhg", 50, 55, 48, 60, 70, 65, 47, 80)),
    Kind("etco2-far-below-paco2", "ask", "etco2_mmhg", tuple(
        bed(row, etco2_mmhg=end_tidal, paco2_mmhg=arterial, ph=ph, bicarbonate_mmol_per_l=None)
        for row, end_tidal, arterial, ph in ((0, 30, 75, 7.2), (1, 35, 80, 7.2), (2, 25, 70, 7.25), (3, 20, 65, 7.25),
                                             (0, 40, 85, 7.15), (1, 45, 90, 7.15), (2, 16, 60, 7.3), (3, 38, 79, 7.2)))),
    # Missing values.
    Kind("height-missing", "refused", "height_cm", each("height_cm", None, None, None, None, "", " ", "\u00a0", "  ")),
    Kind("sex-missing", "refused", "sex", each("sex", None, None, None, None, "", " ", "\u00a0", "  ")),
    Kind("plateau-missing", "refused", "plateau_cmh2o", each("plateau_cmh2o", None, None, "", " ", "\u00a0", "  ", None, "", rows=VC)),
    Kind("pressure-above-peep-missing", "refused", "pressure_above_peep_cmh2o", tuple(
        bed(1, pressure_above_peep_cmh2o=empty, plateau_cmh2o=other)
        for empty in (None, "", " ", "\u00a0") for other in (None, ""))),
    Kind("oxygenation-missing", "refused", "spo2_pct", tuple(
        bed(row, spo2_pct=None, pao2_mmhg=empty) for row in range(4) for empty in (None, " "))),
    Kind("read-at-missing", "ask", "read_at", each("read_at", None, "", " ", "\u00a0", None, "", "  ", None)),
    # Words.
    Kind("sex-unknown", "refused", "sex", each("sex", "female", "male", "w", "x", "ff", "1", "Frau", "mf")),
    Kind("passive-unknown", "refused", "passive", each("passive", "y", "true", "maybe", "ja", "n", "paralysed", "posible", "?")),
    Kind("mode-unknown", "refused", "mode", each("mode", "vcv", "pcv", "PRVC", "simv", "cv", "vc+", "cpap", "volume")),
    Kind("vasopressor-unknown", "refused", "vasopressor",
         each("vasopressor", "hihg", "yes", "0.2", "risng", "lo", "+", "medium", "stopped")),
    Kind("position-unknown", "refused", "position", each("position", "back", "pron", "left", "suppine", "yes", "0", "belly", "side")),
    Kind("number-unreadable", "refused", "fio2", each("fio2", "60 %", "~0.5", "0.5-0.6", "<0.6", "half", "0..6", "1e-1", "n/a")),
    Kind("number-unreadable", "refused", "paco2_mmhg", each("paco2_mmhg", "46 mmHg", "?", "-", "normal", "4 6", "46*", "0x2e", "nan")),
    Kind("condition-unknown", "refused", "conditions", each(
        "conditions", "pregnant", "raised icp", "air leak", "asthma", "pregnancy;copd", "copd; air-leak", "none", "air-leek")),
    Kind("exclude-unclear", "ask", "exclude", each("exclude", "no", "-", "none", "No", "NONE", "n", "n/a", "0")),
    Kind("infection-letter-case", "ask", "infection",
         each("infection", "None-found", "NONE-FOUND", "none-Found", "None-Found", "none-FOUND", "NoNe-found", "nOne-found", "none-founD")),
    Kind("infection-comma", "ask", "infection",
         each("infection", "mrsa,vre", "a, b", "vre,", "x,y", "mrsa, none-found", "a,b;c", "c;a,b", ",mrsa")),
    Kind("room-letter-case", "ask", "room", each("room", "icu-1", "Icu-1", "ICu-1", "iCU-1", "icU-1", "IcU-1", "ICU-1".lower(), "iCu-1")),
    # Time.
    Kind("reading-old", "ask", "read_at", each(
        "read_at", "2026-11-25T08:59", "2026-11-24T14:10", "2026-11-25 03:00", "2025-11-25T14:10", "2026-10-25T14:10",
        "2026-11-25T00:00:00", "1926-11-25T14:10", "2026-11-25T08:00:00.5")),
    Kind("reading-in-future", "ask", "read_at", each(
        "read_at", "2026-11-25T15:01", "2026-11-26T14:10", "2026-12-25T14:10", "2027-11-25T14:10", "2026-11-25T23:59",
        "2026-11-25 15:00:01", "2062-11-25T14:10", "2026-11-25 18:00")),
    Kind("read-at-unreadable", "refused", "read_at", each(
        "read_at", "14:10", "25.11.2026 14:10", "11/25/2026 2:10 PM", "2026-11-25", "2026-13-01T10:00", "now", "today 14h",
        "2026-11-25T25:10")),
    # The ward as a whole.
    Kind("code-duplicate", "ask", "code",
         each("code", "P-001", "p-001", "P-001", "p-001", "P-001", "P-001", "p-001", "P-001", rows=(1, 2, 3))),
    Kind("bed-letter-case", "ask", "bed", tuple(
        both(bed(0, bed=first), bed(row, bed=second))
        for first, second, row in (("A1", "a1", 1), ("a1", "A1", 2), ("Bay-A", "bay-a", 3), ("x", "X", 1), ("ICU-1", "icu-1", 2),
                                   ("bed a", "bed A", 3), ("Ab", "aB", 1), ("W9", "w9", 2)))),
    Kind("ventilator-unknown", "refused", "ventilator", each("ventilator", "V02", "V9", "v1", "V 2", "2", "Vent 1", "V1 ?", "V11")),
    Kind("ventilator-crowded", "refused", "ventilator", tuple(
        both(*(bed(row, ventilator=machine) for row in range(4)),
             copied("beds", row, bed="5", code="P-005", ventilator=machine))
        for machine in ("V1", "V2") for row in range(4))),
    Kind("ventilator-unusable-in-use", "ask", "ventilator", tuple(
        both(cells("ventilators", machine, usable=word)) for machine in (0, 1, 2) for word in ("no", "NO", "No"))[:8]),
    # Other sheets.
    Kind("modes-unknown", "refused", "modes", tuple(
        cells("ventilators", row, modes=word) for row, word in ((0, "vcv"), (1, "vc pcv"), (2, "simv"), (0, "prvc"), (1, "v c"),
                                                               (2, "vc+pc"), (0, "all"), (1, "pressure"))), "ventilators"),
    Kind("usable-unknown", "refused", "usable", tuple(
        cells("ventilators", row, usable=word) for row, word in ((0, "y"), (1, "true"), (2, "maybe"), (0, "1"), (1, "ok"), (2, "ye"),
                                                                (0, "broken"), (1, "?"))), "ventilators"),
    Kind("max-peak-flow-unit", "refused", "max_peak_flow_l_per_min", tuple(
        cells("ventilators", row, max_peak_flow_l_per_min=flow)
        for row, flow in ((0, 2), (1, 3), (2, 1), (0, 2.5), (1, 1.5), (2, 3.5), (0, 0.9), (1, 4))), "ventilators"),
    Kind("ventilator-range-crossed", "refused", "min_rate_per_min", tuple(
        cells("ventilators", row, min_rate_per_min=low, max_rate_per_min=high)
        for row, low, high in ((0, 30, 20), (1, 40, 40), (2, 12, 10), (0, 60, 5), (1, 20, 15), (2, 10, 10), (0, 15, 12), (1, 50, 30))),
        "ventilators"),
    Kind("part-unknown", "refused", "part", tuple(
        added("stock", part=part, count=3) for part in ("y-peice", "ypiece", "one way valve", "hme", "filter", "t-pieces", "tube", "clamp")),
        "stock"),
    Kind("count-out-of-range", "refused", "count", tuple(
        cells("stock", index % 4, count=count) for index, count in enumerate((-1, 2.5, 100001, -12, 0.5, 1.1, 1000000, -0.5))), "stock"),
    Kind("count-missing", "refused", "count", tuple(
        cells("stock", row, count=empty) for row in range(4) for empty in (None, " ")), "stock"),
    Kind("part-twice", "refused", "part", tuple(copied("stock", row, count=row) for row in range(8)), "stock"),
    Kind("policy-name-unknown", "refused", "name", tuple(
        added("policy", name=name, value=1) for name in ("plateu_cmh2o", "max_goup_size", "reserve", "plateau", "conf", "fi02",
                                                         "tidal_volume_ml_per_kg", "entry_ph_hard")), "policy"),
    Kind("policy-name-twice", "refused", "name", tuple(copied("policy", row, value=value) for row in range(4) for value in (2, 3)),
         "policy"),
    Kind("policy-max-group-size-out-of-range", "refused", "value", tuple(
        cells("policy", 1, value=value) for value in (0, 1, 5, 8, 2.5, -2, 20, 3.1)), "policy"),
    Kind("policy-plateau-out-of-range", "refused", "value", tuple(
        cells("policy", 2, value=value) for value in (0, 91, 100, 300, -28, 120, 1000, 91.5)), "policy"),
    Kind("policy-plateau-unit", "refused", "value", tuple(
        cells("policy", 2, value=value) for value in (2.8, 3, 2.9, 2.5, 2.7, 2.2, 3.2, 2)), "policy"),
    Kind("policy-confidence-unit", "refused", "value", tuple(
        cells("policy", 3, value=value) for value in (70, 75, 80, 90, 95, 65, 60, 99)), "policy"),
    Kind("policy-value-unknown", "refused", "value", tuple(
        cells("policy", 0, value=value) for value in ("yes", "accepted", "last-resort", "ok", "true", "last resort accepted", "1", "never")),
        "policy"),
    Kind("policy-hard-inside-target", "ask", "value", tuple(
        cells("policy", 2, value=value) for value in (32.5, 33, 34, 35, 32.1, 34.5, 33.3, 34.9)), "policy"),
    Kind("policy-value-unknown", "refused", "value", tuple(
        added("policy", name=name, value=value) for name, value in (
            ("pregnancy", "no"), ("air-leak", "yes"), ("tube-trouble", "forbid"), ("resistant-germ", 1), ("rehearse", "never"),
            ("rooms_may_mix", "allow"), ("heavy-secretions", "asked"), ("height-guessed", "0"))), "policy"),
    # What makes the ward unreadable.
    Kind("column-unknown", "stop", None, tuple(
        renamed("beds", old, new) for old, new in (
            ("plateau_cmh2o", "plateu_cmh2o"), ("peep_cmh2o", "peep"), ("height_cm", "height_ft"), ("fio2", "fi02"),
            ("flow_l_per_min", "flow_l_per_s"), ("paco2_mmhg", "pco2"), ("rate_per_min", "RR"), ("tidal_volume_ml", "vt_ml")))),
    Kind("column-twice", "stop", None, tuple(
        bed(0, **{name: 1}) for name in ("height_in", "height_m", "peep_kpa", "peep_mbar", "plateau_hpa", "fio2_pct",
                                         "tidal_volume_l", "paco2_kpa"))),
    Kind("bed-twice", "stop", "bed", tuple(copied("beds", row, code=code) for row in range(4) for code in ("P-009", None))),
    Kind("bed-missing", "stop", "bed", each("bed", None, "", " ", "\u00a0", None, "", "  ", None)),
    Kind("ventilator-twice", "stop", "ventilator", tuple(
        copied("ventilators", row, room=room) for row in range(3) for room in ("ICU-1", None, "ICU-2"))[:8], "ventilators"),
)  # fmt: skip

CASES = [
    pytest.param(kind, spoil, id=f"{kind.finding}-{kind.level}-{index}")
    for kind in KINDS
    for index, spoil in enumerate(kind.spoils)
]
FORMATS: dict[str, Callable[[Path, Tables], Path]] = {
    "csv": lambda path, tables: write_csv_ward(path / "ward", tables),
    "semicolon": lambda path, tables: write_csv_ward(
        path / "ward", tables, separator=";", decimal=",", encoding="utf-8-sig"
    ),
    "xlsx": lambda path, tables: write_xlsx_ward(path / "ward.xlsx", tables),
}


def test_there_are_enough_kinds_in_eight_ways_each() -> None:
    assert len(KINDS) >= 25
    assert {len(kind.spoils) for kind in KINDS} == {8}


@pytest.mark.parametrize("form", FORMATS)
def test_a_flawless_ward_gives_no_finding(tmp_path: Path, form: str) -> None:
    ward = read_ward(FORMATS[form](tmp_path, clean_tables()), now=NOW)
    assert ward.findings == ()
    assert all(bed.readings is not None for bed in ward.beds)


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize(("kind", "spoil"), CASES)
def test_the_mistake_is_found(tmp_path: Path, form: str, kind: Kind, spoil: Spoil) -> None:
    tables = clean_tables()
    spoil(tables)
    path = FORMATS[form](tmp_path, tables)
    if kind.level == "stop":
        with pytest.raises(Refused) as refusal:
            read_ward(path, now=NOW)
        findings, ward = refusal.value.findings, None
    else:
        ward = read_ward(path, now=NOW)
        findings = ward.findings
    level = "refused" if kind.level == "stop" else kind.level
    found = [item for item in findings if item.id == kind.finding and item.level == level]
    assert found, [(item.id, item.level, item.column, item.value) for item in findings]
    for item in found:
        assert item.reason
        assert item.remedy
        assert item.sheet == kind.sheet
        assert item.row is not None
        assert item.row >= (1 if kind.level == "stop" else 2)
        if kind.column is not None:
            assert item.column == kind.column
    if ward is not None:
        _only_the_spoiled_is_touched(ward, kind, found)


_COMPARES_BEDS = {"code-duplicate", "infection-letter-case", "room-letter-case", "bed-letter-case", "ventilator-crowded"}


def _only_the_spoiled_is_touched(ward: Ward, kind: Kind, found: list[Finding]) -> None:
    if kind.sheet == "beds" and kind.finding not in _COMPARES_BEDS:
        assert {item.bed for item in ward.findings if item.bed} == {item.bed for item in found}
    touched = {item.bed for item in ward.findings if item.level == "refused"}
    for bed in ward.beds:
        if bed.label not in touched:
            assert bed.readings is not None
        elif kind.sheet == "beds" and kind.level == "refused" and bed.readings is not None:
            # The refused value is gone; what was not needed is "not known" now.
            assert kind.column is not None
            assert getattr(bed.readings, kind.column, None) is None
    for bed in ward.beds:
        if bed.readings is not None:
            for key in bed.readings.__slots__:
                value = getattr(bed.readings, key)
                if is_quantity(key) and value is not None:
                    assert quantity(key).refuse.holds(value)
