"""A demo ward: an invented scenario with everyday untidiness. Every figure in it is made up; nobody is meant.

Twelve beds in two rooms, eight usable ventilators of which one is held back, five patients on borrowed devices that
have to go back tonight. Nothing here is clinical evidence.
"""

from __future__ import annotations

from datetime import datetime, timedelta

_COLUMNS = (
    "bed", "code", "room", "sex", "height_cm", "passive", "mode", "flow_shape", "rate_per_min", "inspiratory_time_s",
    "pause_s", "tidal_volume_ml", "peep_cmh2o", "total_peep_cmh2o", "plateau_cmh2o", "peak_cmh2o", "flow_l_per_min",
    "pressure_above_peep_cmh2o", "fio2", "spo2_pct", "pao2_mmhg", "paco2_mmhg", "ph", "etco2_mmhg",
    "haemoglobin_g_per_dl", "tube_mm", "humidification", "infection", "vasopressor", "conditions", "ventilator",
)  # fmt: skip

_A, _B = "influenza-a", "legionella"
_ICP, _COPD = "raised-intracranial-pressure", "obstructive-lung-disease"
_C = "constant"

_BEDS: tuple[tuple[object, ...], ...] = (
    ("E1", "k21", "East", "f", 163, "yes", "vc", _C, 26, 0.90, 0.2, 355, 12, 12.5, 23.3, 30.3, 30, None,
     0.60, 94, 73, 40, 7.35, 32, 10.4, 7.5, "hme", _A, "low", None, "V1"),
    ("E2", "k07", "East", "m", 178, "yes", "vc", _C, 24, 0.95, 0.2, 455, 12, 12.6, 24.3, 32.7, 36, None,
     0.60, 95, 73, 40, 7.41, 33, 11.2, 8.0, "hme", _A, "low", None, "V2"),
    ("E3", "k15", "East", "m", 171, "yes", "vc", _C, 24, 0.95, 0.2, 430, 10, 10.5, 22.1, 29.5, 34, None,
     0.50, 93, 72, 43, 7.36, 35, 10.8, 8.0, "hme", _A, "none", None, "V3"),
    ("E4", "k33", "East", "f", 158, "possible", "vc", _C, 27, 0.85, 0.2, 335, 12, 12.5, 23.3, 30.4, 31,
     None, 0.60, 94, 69, 38, 7.44, 30, 9.8, 7.5, "hme", _A, "low", None, None),
    ("E5", "k02", "East", "m", 182, "yes", "vc", _C, 20, 1.00, 0.2, 500, 8, 8.4, 18.0, 24.6, 38, None,
     0.40, 96, 80, 35, 7.44, 30, 12.0, 8.5, "heated", _A, "none", _ICP, "V4"),
    ("E6", "k28", "East", "m", 175, "yes", "vc", _C, 14, 1.00, 0.1, 480, 6, 9.0, 16.7, 32.1, 32, None,
     0.45, 98, None, 53, 7.32, 42, 13.1, 8.0, "hme", _A, "none", _COPD, None),
    ("E7", "k19", "East", "f", 168, "yes", "vc", _C, 24, 0.95, 0.2, 380, 10, None, 20.1, 26.6, 30, None,
     0.55, 94, 73, 42, 7.39, 34, 10.9, 7.5, "hme", _A, "none", None, None),
    ("W1", "k11", "West", "m", 180, "yes", "vc", _C, 20, 1.00, 0.2, 490, 8, 8.4, 18.6, 26.6, 37, None,
     0.45, 95, 76, 40, 7.41, 33, 11.5, 8.0, "hme", _A, "none", None, "V5"),
    ("W2", "k36", "West", "f", 165, "yes", "vc", _C, 22, 0.95, 0.2, 380, 8, 8.4, 17.2, 23.7, 30, None,
     0.45, 95, 75, 41, 7.40, 34, 10.6, 7.5, "hme", _A, "low", None, "V6"),
    ("W3", "k30", "West", "m", 174, "yes", "pc", None, 22, 1.00, None, 445, 10, 11.0, 20.6, None, None,
     13, 0.50, 94, 67, 34, 7.48, 28, 10.9, 8.0, "heated", _A, "none", None, None),
    ("W4", "k05", "West", "f", 160, "yes", "vc", _C, 28, 0.80, 0.2, 310, 16, 16.4, 29.3, 37.5, 31, None,
     0.75, 89, 61, 48, 7.35, 36, 9.8, 7.5, "hme", _A, "low", None, None),
    ("W5", "k24", "West", "m", 176, "yes", "vc", _C, 24, 0.95, 0.2, 445, 10, 10.5, 21.6, 29.9, 36, None,
     0.55, 94, 70, 41, 7.40, 34, 11.0, 8.0, "hme", _B, "none", None, "V7"),
)  # fmt: skip

# Minutes before now at which each bed was read; one of them was forgotten at the end of the last shift.
_READ_BEFORE = (35, 40, 50, 70, 25, 45, 55, 65, 60, 30, 20, 430)

_STOCK = {
    "y-piece": 24, "t-piece": 4, "one-way-valve": 18, "tube-22mm-1500mm": 30, "hmef": 40, "expiratory-filter": 9,
    "sleeve-22f-22f": 16, "catheter-mount": 24, "capnograph-adapter": 14,
}  # fmt: skip


def demo_tables(now: datetime) -> dict[str, list[dict[str, object]]]:
    """The demo ward as plain rows, sheet by sheet, with readings taken shortly before ``now``."""
    beds: list[dict[str, object]] = []
    for row, minutes in zip(_BEDS, _READ_BEFORE, strict=True):
        read_at = (now - timedelta(minutes=minutes)).isoformat(timespec="minutes")
        beds.append({**dict(zip(_COLUMNS, row, strict=True)), "read_at": read_at, "read_by": "rt-2"})
    ventilators: list[dict[str, object]] = [
        {"ventilator": f"V{n}", "room": None, "usable": "yes", "modes": "vc pc", "circuit_compensation": "on"}
        for n in range(1, 9)
    ]
    ventilators.append({"ventilator": "V9", "usable": "no", "modes": "vc pc"})  # failed its self-test
    policy: list[dict[str, object]] = [
        {"name": "max_group_size", "value": 2},
        {"name": "reserve_ventilators", "value": 1},
        {"name": "sharing", "value": "last-resort-accepted"},
    ]
    stock: list[dict[str, object]] = [{"part": part, "count": count} for part, count in _STOCK.items()]
    return {"beds": beds, "ventilators": ventilators, "stock": stock, "policy": policy}
