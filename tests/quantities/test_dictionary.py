"""The dictionary covers the contract, is consistent with itself, and judges single values."""

from __future__ import annotations

from dataclasses import fields

import pytest

from airyoke.limits.policy import Policy
from airyoke.limits.table import LIMITS
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.readings import Readings
from airyoke.quantities import (
    QUANTITIES,
    Finding,
    Quantity,
    Refused,
    did_you_mean,
    is_quantity,
    quantity,
    value_finding,
)
from airyoke.quantities.units import kind_of

ANSWER = (
    "tidal_volume_ml", "tidal_volume_ml_per_kg", "plateau_cmh2o", "driving_pressure_cmh2o",
    "total_peep_cmh2o", "intrinsic_peep_cmh2o", "end_inspiratory_flow_l_per_min", "minute_volume_l_per_min",
    "peak_pressure_cmh2o", "backflow_ml", "paco2_mmhg", "ph", "spo2_pct", "mechanical_power_j_per_min",
    "delivered_tidal_volume_ml", "displayed_tidal_volume_ml", "compressed_volume_ml", "inspiratory_hold_cmh2o",
    "expiratory_hold_cmh2o",
)
CASE = (
    "compliance_ml_per_cmh2o", "inspiratory_resistance_cmh2o_s_per_l",
    "expiratory_resistance_cmh2o_s_per_l", "quadratic_resistance_cmh2o_s2_per_l2", "vco2_ml_per_min",
    "airway_dead_space_ml", "alveolar_dead_space_fraction", "bicarbonate_mmol_per_l", "shunt_fraction",
    "haemoglobin_g_per_dl", "restrictor_cmh2o_s2_per_l2", "peep_valve_cmh2o", "added_dead_space_ml",
    "rise_time_s", "pause_s", "expiratory_pause_s", "pressure_limit_cmh2o", "bias_flow_l_per_min",
    "max_peak_flow_l_per_min",
)


def _luhn_holds(code: str) -> bool:
    """Check digit of LOINC: Luhn modulo 10 over the digits before it."""
    body, check = code.split("-")
    total = 0
    for place, digit in enumerate(reversed(body)):
        doubled = int(digit) * 2 if place % 2 == 0 else int(digit)
        total += doubled - 9 if doubled > 9 else doubled
    return (10 - total % 10) % 10 == int(check)


def test_every_number_of_the_contract_has_a_row() -> None:
    readings = [field.name for field in fields(Readings) if "float" in str(field.type)]
    policy = [field.name for field in fields(Policy) if str(field.type) in {"float", "int"}]
    assumptions = [field.name for field in fields(Assumptions)]
    limits = [limit.name for limit in LIMITS]
    needed = (*ANSWER, *CASE, *readings, *policy, *assumptions, *limits)
    assert [key for key in needed if not is_quantity(key)] == []


def test_keys_and_column_headers_are_unique() -> None:
    keys = [row.key for row in QUANTITIES]
    assert len(keys) == len(set(keys))
    headers = [header for row in QUANTITIES for header in row.columns()]
    assert len(headers) == len(set(headers))


@pytest.mark.parametrize("row", QUANTITIES, ids=lambda row: row.key)
def test_a_row_agrees_with_itself(row: Quantity) -> None:
    entry = quantity(row.key)
    assert entry.meaning
    for unit in (*entry.columns().values(), *entry.slips):
        assert kind_of(unit) == kind_of(entry.unit)
    for inner, outer in ((entry.ask.low, entry.refuse.low), (entry.refuse.high, entry.ask.high)):
        assert inner is None or outer is None or inner >= outer
    if entry.loinc:
        assert _luhn_holds(entry.loinc)
    if entry.mdc:
        partition, term = divmod(entry.mdc % 2**24, 65536)
        assert partition == 2
        assert term > 0


def test_the_check_digit_test_finds_a_wrong_code() -> None:
    assert not _luhn_holds("3150-6")
    assert _luhn_holds("3150-0")


@pytest.mark.parametrize(
    ("key", "value", "finding", "words"),
    [
        ("height_cm", 65, "height-unit", "inches"),
        ("height_cm", 1.7, "height-unit", "metres"),
        ("height_cm", 5.9, "height-unit", "feet.inches"),
        ("height_cm", 250, "height-out-of-range", "cm"),
        ("height_cm", 140, "height-unusual", "confirm"),
        ("fio2", 60, "fio2-unit", "per cent"),
        ("fio2", 0.15, "fio2-out-of-range", "again"),
        ("paco2_mmhg", 5.3, "paco2-unit", "kPa"),
        ("paco2_mmhg", 10, "paco2-unit", "kPa"),
        ("pao2_mmhg", 9, "pao2-unit", "kPa"),
        ("plateau_cmh2o", 2.5, "plateau-unit", "kPa"),
        ("pressure_above_peep_cmh2o", 1.4, "pressure-above-peep-unit", "kPa"),
        ("tidal_volume_ml", 0.45, "tidal-volume-unit", "litres"),
        ("flow_l_per_min", 0.9, "flow-unit", "L/s"),
        ("haemoglobin_g_per_dl", 110, "haemoglobin-unit", "g/L"),
        ("compliance_ml_per_cmh2o", 500, "compliance-unit", "mL/kPa"),
        ("compliance_ml_per_cmh2o", 0.04, "compliance-unit", "L/cmH2O"),
        ("resistance_cmh2o_s_per_l", 1.2, "resistance-unit", "kPa·s/L"),
        ("temperature_c", 98.6, "temperature-unit", "°F"),
        ("spo2_pct", 0.95, "spo2-unit", "a fraction"),
        ("tube_mm", 0.8, "tube-unit", "cm"),
        ("ph", 74, "ph-out-of-range", "again"),
        ("peep_cmh2o", 2, "peep-unusual", "confirm"),
        ("max_group_size", 2.5, "max-group-size-out-of-range", "again"),
    ],
)
def test_one_value_by_itself(key: str, value: float, finding: str, words: str) -> None:
    found = value_finding(quantity(key), value)
    assert found is not None
    assert found.id == finding
    assert words in found.remedy
    assert found.level == quantity(key).level(value)


@pytest.mark.parametrize("row", QUANTITIES, ids=lambda row: row.key)
def test_levels_change_exactly_at_the_bounds(row: Quantity) -> None:
    entry = quantity(row.key)
    nudge = 1e-6
    for bound, outward in ((entry.refuse.low, -1), (entry.refuse.high, 1)):
        if bound is not None:
            assert entry.level(bound) != "refused"
            assert entry.level(bound + outward * nudge * max(1.0, abs(bound))) == "refused"
    for bound in (entry.ask.low, entry.ask.high):
        if bound is not None and not entry.integer:
            assert entry.level(bound) is None
    assert entry.level(float("nan")) == "refused"


def test_unknown_quantity_names_the_nearest() -> None:
    with pytest.raises(KeyError, match="did you mean 'plateau_cmh2o'"):
        quantity("plateu_cmh2o")
    assert did_you_mean("qqqqqq", ["peep_cmh2o"]) is None


def test_a_refusal_says_all_its_findings() -> None:
    error = Refused((Finding("a-b", "refused", "this", "that"), Finding("c-d", "refused", "those", "that")))
    assert str(error) == "a-b: this; c-d: those"
    with pytest.raises(ValueError, match="at least one"):
        Refused(())
