"""How quantities are named and rounded when people read them. JSON keeps the keys and all digits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from airyoke.quantities import is_quantity, quantity

if TYPE_CHECKING:
    from airyoke.bench_check.checks import Check

_NAMES: Final[dict[str, str]] = {
    "tidal_volume_ml": "tidal volume",
    "tidal_volume_ml_per_kg": "VT per kg PBW",
    "plateau_cmh2o": "plateau pressure",
    "driving_pressure_cmh2o": "driving pressure",
    "total_peep_cmh2o": "total PEEP",
    "intrinsic_peep_cmh2o": "trapped PEEP",
    "trapped_peep_cmh2o": "trapped PEEP",
    "total_peep_fall_cmh2o": "fall of total PEEP",
    "total_peep_rise_cmh2o": "rise of total PEEP",
    "peak_pressure_cmh2o": "peak pressure",
    "end_inspiratory_flow_l_per_min": "flow at end of insp.",
    "minute_volume_l_per_min": "minute volume",
    "backflow_ml": "backflow",
    "paco2_mmhg": "PaCO2",
    "pao2_mmhg": "PaO2",
    "etco2_mmhg": "EtCO2",
    "peep_cmh2o": "PEEP",
    "pressure_above_peep_cmh2o": "pressure above PEEP",
    "tube_mm": "tube",
    "peep": "PEEP",
    "added_dead_space_ml": "apparatus dead space",
    "ph": "pH",
    "spo2_pct": "SpO2",
    "mechanical_power_j_per_min": "mechanical power",
    "fio2": "FiO2",
    "fio2_spread": "spread of FiO2",
    "entry_ph": "entry pH",
    "delivered_tidal_volume_ml": "delivered volume",
    "displayed_tidal_volume_ml": "displayed volume",
    "compressed_volume_ml": "compressed volume",
    "inspiratory_hold_cmh2o": "inspiratory hold",
    "expiratory_hold_cmh2o": "expiratory hold",
    "compliance_ml_per_cmh2o": "compliance",
    "inspiratory_resistance_cmh2o_s_per_l": "inspiratory resistance",
    "expiratory_resistance_cmh2o_s_per_l": "expiratory resistance",
    "quadratic_resistance_cmh2o_s2_per_l2": "quadratic resistance",
    "airway_dead_space_ml": "airway dead space",
    "alveolar_dead_space_fraction": "alveolar dead space",
    "vco2_ml_per_min": "CO2 production",
    "bicarbonate_mmol_per_l": "bicarbonate",
    "shunt_fraction": "shunt",
    "inspired_co2_mmhg": "inspired CO2",
    "leak_pct": "leak",
    "mean_arterial_pressure": "MAP",
    "haemoglobin_g_per_dl": "haemoglobin",
}

# Digits after the point that a bedside reading has, and no more.
_DECIMALS: Final[dict[str, int]] = {
    "mL": 0,
    "mL/kg": 1,
    "cmH2O": 1,
    "L/min": 1,
    "mmHg": 0,
    "%": 0,
    "J/min": 1,
    "mL/min": 0,
    "mL/cmH2O": 0,
    "cmH2O·s/L": 0,
    "cmH2O·s²/L²": 1,
    "mmol/L": 0,
    "g/dL": 1,
    "": 2,
}


def name_words(key: str) -> str:
    """What people call a quantity or a limit: ``driving pressure`` of ``driving_pressure_cmh2o``."""
    if key in _NAMES:
        return _NAMES[key]
    stem = quantity(key).stem if is_quantity(key) else key
    return stem.replace("_", " ")


def unit_words(key: str) -> str:
    """The unit of a quantity as printed, empty where it has none."""
    return quantity(key).unit if is_quantity(key) else ""


def number_words(value: float | None, unit: str) -> str:
    """A number with the digits that its unit is read with; ``-`` where there is none."""
    if value is None:
        return "-"
    text = f"{value:.{_DECIMALS.get(unit, 1)}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def amount_words(value: float | None, unit: str) -> str:
    """The number with its unit: ``12.5 cmH2O``."""
    return number_words(value, unit) if value is None else f"{number_words(value, unit)} {unit}".rstrip()


def plain(value: float) -> str:
    """A number as somebody dials it, without trailing zeros."""
    return f"{value:.6g}"


def as_read_words(value: float, key: str) -> str:
    """A reading with its unit and as many digits as were typed: ``0.95 s``."""
    return f"{plain(value)} {unit_words(key)}".rstrip()


def key_words(text: str) -> str:
    """A sentence in which keys of quantities are replaced by their names."""
    words = []
    for word in text.split():
        bare = word.rstrip(",.;")
        words.append(name_words(bare) + word[len(bare) :] if is_quantity(bare) else word)
    return " ".join(words)


def expected_words(check: Check, between: str) -> str:
    """What the bench should show: figure, accepted range (``between`` its ends), unit."""
    if check.expected is None:
        return "write it down"
    if check.unit == "yes":
        return "yes" if check.expected else "no"
    digits = 0 if check.unit.startswith("mL") and check.unit != "mL/cmH2O" else 1
    if check.low == check.expected:
        return f"at most {check.high:.{digits}f} {check.unit}"
    return f"{check.expected:.{digits}f} ({check.low:.{digits}f}{between}{check.high:.{digits}f}) {check.unit}"
