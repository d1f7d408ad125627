"""Readings to lungs: hand-worked numbers, what known lungs show is read back, and what is missing is said."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.lungs import mechanics
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.gas_exchange import paco2_calibrated_mmhg
from airyoke.lungs.reasons import CannotEstimate
from lungs.bedside import (
    ASSUMPTIONS,
    ORDINARY,
    bent,
    estimated,
    finding_ids,
    read_in_pressure_control,
    read_in_volume_control,
)


def refused(**changes: Any) -> set[str]:
    found = estimate_lungs(bent(**changes), "4", ASSUMPTIONS, circuit_compensation="on")
    assert isinstance(found, CannotEstimate), found
    assert found.label == "4"
    assert all(reason.text.endswith(".") and reason.would_change.endswith(".") for reason in found.reasons)
    return {reason.id for reason in found.reasons}


def test_ordinary_patient_by_hand() -> None:
    patient = estimated(ORDINARY)
    lungs, present = patient.lungs, patient.present
    assert lungs.compliance.value == pytest.approx(420 / (25 - 11))
    # flow 420 mL / 0.7 s = 0.6 L/s; apparatus 2.0 + 1.8 x 0.6
    assert lungs.inspiratory_resistance.value == pytest.approx((34 - 25) / 0.6 - (2.0 + 1.8 * 0.6))
    assert lungs.expiratory_resistance.value == lungs.inspiratory_resistance.value
    assert lungs.quadratic_resistance.value == 0.0
    assert lungs.airway_dead_space is not None
    assert lungs.airway_dead_space.value == pytest.approx(2.2 * 70.566, rel=1e-4)
    assert lungs.alveolar_dead_space_fraction is not None
    assert lungs.alveolar_dead_space_fraction.value == pytest.approx(1 - 36 / 50)
    assert lungs.bicarbonate is not None
    assert lungs.bicarbonate.value == pytest.approx(24.895, abs=0.001)
    # VA = 24 x (420 - 155.2 - 80) x 0.72 = 3.192 L/min; VCO2 = 50 x 3.192 / 0.863
    assert lungs.vco2 is not None
    assert lungs.vco2.value == pytest.approx(184.97, abs=0.05)
    assert present is not None
    assert (present.apparatus_dead_space_ml, present.tidal_volume_ml) == (80.0, 420.0)
    assert (present.total_peep.spread.low, present.total_peep.spread.high) == (10.0, 12.0)
    assert patient.findings == ()


def test_every_estimate_says_where_it_comes_from() -> None:
    lungs = estimated(ORDINARY).lungs
    for name in lungs.__dataclass_fields__:
        estimate = getattr(lungs, name)
        assert estimate.basis, name
        assert estimate.assumed or estimate.inputs, name


def test_circuit_compensation_off_takes_the_compressed_volume_off() -> None:
    # 2 mL/cmH2O x (25 - 10) with a pause; x (34 - 10) without one
    assert estimated(ORDINARY, circuit_compensation="off").present.tidal_volume_ml == 390.0  # type: ignore[union-attr]
    no_pause = estimated(bent(pause_s=0.0), circuit_compensation="off")
    assert no_pause.present is not None
    assert no_pause.present.tidal_volume_ml == 372.0
    in_pc = bent(mode="pc", pressure_above_peep_cmh2o=16.0, flow_shape=None, peak_cmh2o=None)
    in_pc_patient = estimated(in_pc, circuit_compensation="off")
    assert in_pc_patient.present is not None
    assert in_pc_patient.present.tidal_volume_ml == 388.0
    found = estimate_lungs(bent(tidal_volume_ml=70.0), "4", ASSUMPTIONS, circuit_compensation="off")
    assert isinstance(found, CannotEstimate)
    assert found.reasons[0].id == "tidal-volume-lost-in-circuit"


@settings(max_examples=60, deadline=None)
@given(st.floats(18, 70), st.floats(5, 25), st.floats(300, 550), st.floats(5, 14))
def test_volume_control_is_read_back(
    compliance: float, resistance: float, volume: float, peep: float
) -> None:
    lungs = estimated(read_in_volume_control(compliance, resistance, resistance, volume, peep)).lungs
    assert lungs.compliance.value == pytest.approx(compliance, rel=1e-9)
    assert lungs.inspiratory_resistance.value == pytest.approx(resistance, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(25, 80), st.floats(8, 20), st.floats(10, 20), st.floats(0.6, 1.2))
def test_pressure_control_with_holds_is_read_back(
    compliance: float, resistance: float, drive: float, ti: float
) -> None:
    readings = read_in_pressure_control(compliance, resistance, drive, ti)
    patient = estimated(readings)
    assert patient.lungs.compliance.value == pytest.approx(compliance, rel=1e-9)
    assert readings.plateau_cmh2o is not None
    if 8.0 + drive - readings.plateau_cmh2o >= 2.0:
        assert patient.lungs.inspiratory_resistance.value == pytest.approx(resistance, rel=1e-6)
        assert not patient.lungs.inspiratory_resistance.assumed
    else:
        # A plateau that close to the set pressure says only that the resistance is not larger.
        assert patient.lungs.inspiratory_resistance.assumed
        assert "resistance-assumed" in finding_ids(patient)


@settings(max_examples=40, deadline=None)
@given(st.floats(15, 28), st.floats(10, 25))
def test_pressure_control_without_a_hold(compliance: float, drive: float) -> None:
    resistance = 12.0  # what is assumed in ARDS
    readings = read_in_pressure_control(compliance, resistance, drive, 1.5)
    without = estimated(bent(**{**_fields(readings), "plateau_cmh2o": None, "total_peep_cmh2o": None}))
    assert without.lungs.compliance.value == pytest.approx(compliance, rel=0.01)
    assert without.present is not None
    assert without.present.plateau_cmh2o == pytest.approx(readings.plateau_cmh2o, abs=0.1)
    assert "plateau-assumed-from-pressure-control" in finding_ids(without)
    assert without.lungs.compliance.spread.sd > ASSUMPTIONS.compliance_relative_sd


def _fields(readings: Any) -> dict[str, Any]:
    return {name: getattr(readings, name) for name in readings.__dataclass_fields__}


def test_no_plateau_is_refused_with_the_remedy() -> None:
    assert refused(plateau_cmh2o=None) == {"plateau-missing"}
    in_pc = {"mode": "pc", "flow_shape": None, "peak_cmh2o": None, "plateau_cmh2o": None}
    # 0.9 s is not three time constants of 30 mL/cmH2O and 15 cmH2O·s/L
    assert refused(**in_pc, pressure_above_peep_cmh2o=16.0) == {"plateau-missing"}
    assert refused(**in_pc) == {"plateau-missing"}
    assert refused(mode="dual", plateau_cmh2o=None) == {"plateau-missing"}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"plateau_cmh2o": 11.0}, "plateau-not-above-peep"),
        ({"plateau_cmh2o": 12.0}, "compliance-impossible"),
        ({"tidal_volume_ml": 30.0}, "compliance-impossible"),
        ({"height_cm": 70.0}, "height-impossible"),
        ({"inspiratory_time_s": 2.5}, "inspiration-longer-than-breath"),
    ],
)
def test_impossible_readings_are_refused(changes: dict[str, Any], expected: str) -> None:
    assert refused(**changes) == {expected}


def test_total_peep_not_read_is_a_range_and_never_the_set_value() -> None:
    patient = estimated(bent(total_peep_cmh2o=None))
    assert "total-peep-missing" in finding_ids(patient)
    assert patient.present is not None
    total = patient.present.total_peep
    assert (total.spread.kind, total.spread.low, total.spread.high) == ("uniform", 10.0, 14.0)
    assert total.assumed
    assert 10.0 < total.value < 14.0
    assert patient.lungs.compliance.value == pytest.approx(420 / (25 - total.value))


def test_total_peep_not_read_comes_back_where_lungs_are_linear() -> None:
    readings = read_in_volume_control(60.0, 18.0, 18.0, 450.0, 6.0)
    patient = estimated(bent(**{**_fields(readings), "total_peep_cmh2o": None}))
    assert patient.present is not None
    assert patient.present.total_peep.value == pytest.approx(readings.total_peep_cmh2o, abs=0.01)
    assert patient.lungs.compliance.value == pytest.approx(60.0, rel=0.001)


def test_trapping_that_was_read_sets_the_expiratory_resistance() -> None:
    # apparatus and circuit are counted, so the patient's own 45 comes back and not 45 + the path
    readings = read_in_volume_control(60.0, 15.0, 45.0, 450.0, 5.0)
    patient = estimated(readings)
    assert "expiratory-resistance-from-trapping" in finding_ids(patient)
    assert patient.lungs.expiratory_resistance.value == pytest.approx(45.0, rel=0.05)
    assert not patient.lungs.expiratory_resistance.assumed


def test_obstruction_raises_the_assumed_expiratory_resistance() -> None:
    plain = estimated(bent(total_peep_cmh2o=None)).lungs
    obstructed = estimated(bent(total_peep_cmh2o=None), conditions=("obstructive-lung-disease",)).lungs
    assert obstructed.expiratory_resistance.value == pytest.approx(1.5 * plain.expiratory_resistance.value)


def test_resistance_is_not_taken_from_a_flow_that_is_not_constant() -> None:
    for shape in ("decelerating", None):
        patient = estimated(bent(flow_shape=shape))
        assert patient.lungs.inspiratory_resistance.assumed
        assert "resistance-assumed" in finding_ids(patient)
    given = estimated(bent(flow_shape="decelerating", resistance_cmh2o_s_per_l=14.0)).lungs
    assert given.inspiratory_resistance.value == 14.0
    assert not given.inspiratory_resistance.assumed


def test_a_narrower_tube_raises_the_assumed_resistance() -> None:
    values = [
        estimated(bent(flow_shape=None, tube_mm=tube)).lungs.inspiratory_resistance.value
        for tube in (6.5, 7.0, 7.5, 8.0, 8.5)
    ]
    assert values == sorted(values, reverse=True)


def test_resistance_below_a_tube_is_said() -> None:
    patient = estimated(bent(peak_cmh2o=25.5))
    assert patient.lungs.inspiratory_resistance.value == 2.0
    assert {"resistance-below-tube", "resistance-unusual"} <= finding_ids(patient)


def test_efforts_widen_the_spread_and_are_asked() -> None:
    patient = estimated(bent(passive="no"))
    assert patient.lungs.compliance.spread.sd == ASSUMPTIONS.not_passive_relative_sd
    assert {f.id: f.level for f in patient.findings}["not-passive-mechanics"] == "ask"
    assert "mechanics-before-block" in finding_ids(estimated(bent(passive="possible")))


def test_unusual_and_contradictory_readings_are_asked() -> None:
    assert "compliance-unusual" in finding_ids(estimated(bent(plateau_cmh2o=14.0)))
    above = bent(mode="pc", pressure_above_peep_cmh2o=12.0, flow_shape=None, peak_cmh2o=None)
    assert "plateau-above-set-pressure" in finding_ids(estimated(above))
    assert "dual-mode" in finding_ids(estimated(bent(mode="dual")))
    assert "humidification-missing" in finding_ids(estimated(bent(humidification=None)))
    assert "pause-assumed-none" in finding_ids(estimated(bent(pause_s=None)))


def test_findings_carry_the_bed() -> None:
    patient = estimated(bent(total_peep_cmh2o=None, humidification=None, paco2_mmhg=None, passive="no"))
    assert patient.findings
    assert {finding.bed for finding in patient.findings} == {"4"}
    assert all(f.reason.endswith(".") and f.remedy.endswith(".") for f in patient.findings)


def test_without_a_blood_gas_gas_is_not_known_and_said() -> None:
    patient = estimated(bent(paco2_mmhg=None, ph=None, pao2_mmhg=None))
    assert (patient.lungs.vco2, patient.lungs.bicarbonate) == (None, None)
    assert patient.lungs.shunt is not None
    assert "no-gas" in finding_ids(patient)
    no_ph = estimated(bent(ph=None))
    assert no_ph.lungs.vco2 is not None
    assert no_ph.lungs.bicarbonate is None
    assert "no-gas" in finding_ids(no_ph)
    from_laboratory = estimated(bent(ph=None, bicarbonate_mmol_per_l=27.0)).lungs.bicarbonate
    assert from_laboratory is not None
    assert from_laboratory.value == 27.0
    assert estimated(bent(pao2_mmhg=None, spo2_pct=None)).lungs.shunt is None


def test_gas_that_cannot_be_is_said() -> None:
    assert "ventilation-below-dead-space" in finding_ids(estimated(bent(tidal_volume_ml=220.0)))
    assert "vco2-implausible" in finding_ids(estimated(bent(rate_per_min=8.0)))
    assert "end-tidal-above-arterial" in finding_ids(estimated(bent(etco2_mmhg=55.0)))
    assert "pao2-above-alveolar" in finding_ids(estimated(bent(pao2_mmhg=400.0)))


def test_a_high_saturation_is_only_a_bound_on_shunt() -> None:
    shunt = estimated(bent(pao2_mmhg=None, spo2_pct=99.0)).lungs.shunt
    assert shunt is not None
    assert shunt.spread.kind == "uniform"
    assert (shunt.spread.low, shunt.spread.high) == (0.0, shunt.value)
    assert "shunt-upper-bound" in finding_ids(estimated(bent(pao2_mmhg=None, spo2_pct=99.0)))
    read = estimated(bent(pao2_mmhg=None, spo2_pct=94.0)).lungs.shunt
    assert read is not None
    assert read.spread.kind == "normal"
    assert read.value > shunt.value


@settings(max_examples=60, deadline=None)
@given(st.floats(300, 600), st.floats(14, 34), st.floats(30, 90), st.sampled_from(["hme", "heated", None]))
def test_the_present_paco2_comes_back_at_the_present_settings(
    volume: float, rate: float, paco2: float, humidification: Any
) -> None:
    patient = estimated(
        bent(tidal_volume_ml=volume, rate_per_min=rate, paco2_mmhg=paco2, humidification=humidification)
    )
    present, airway = patient.present, patient.lungs.airway_dead_space
    assert present is not None
    assert airway is not None
    again = paco2_calibrated_mmhg(
        present_paco2_mmhg=paco2,
        present_tidal_volume_ml=present.tidal_volume_ml,
        present_rate_per_min=present.rate_per_min,
        present_apparatus_dead_space_ml=present.apparatus_dead_space_ml,
        tidal_volume_ml=present.tidal_volume_ml,
        rate_per_min=present.rate_per_min,
        apparatus_dead_space_ml=present.apparatus_dead_space_ml,
        airway_dead_space_ml=airway.value,
    )
    assert again == pytest.approx(paco2, rel=1e-12)


def test_systematic_bound_holds_the_estimate() -> None:
    low, high = mechanics.compliance_systematic_bound_ml_per_cmh2o(420.0, 25.0, 11.0)
    # (420 - 67) / (14 + 2.56) and (420 + 67) / (14 - 2.56)
    assert low == pytest.approx(353 / 16.56)
    assert high == pytest.approx(487 / 11.44)
    assert mechanics.compliance_systematic_bound_ml_per_cmh2o(420.0, 13.0, 11.0)[1] == float("inf")


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


@settings(max_examples=300)
@given(
    st.fixed_dictionaries(
        {
            "sex": st.sampled_from(["f", "m"]),
            "height_cm": st.floats(120, 230),
            "passive": st.sampled_from(["yes", "no", "possible"]),
            "mode": st.sampled_from(["vc", "pc", "dual"]),
            "rate_per_min": st.floats(4, 60),
            "inspiratory_time_s": st.floats(0.2, 5),
            "tidal_volume_ml": st.floats(50, 1500),
            "peep_cmh2o": st.floats(0, 30),
            "fio2": st.floats(0.21, 1.0),
            "flow_shape": maybe(st.sampled_from(["constant", "decelerating"])),
            "pause_s": maybe(st.floats(0, 5)),
            "total_peep_cmh2o": maybe(st.floats(0, 40)),
            "plateau_cmh2o": maybe(st.floats(5, 80)),
            "peak_cmh2o": maybe(st.floats(5, 90)),
            "flow_l_per_min": maybe(st.floats(5, 120)),
            "pressure_above_peep_cmh2o": maybe(st.floats(1, 60)),
            "resistance_cmh2o_s_per_l": maybe(st.floats(1, 150)),
            "spo2_pct": maybe(st.floats(30, 100)),
            "pao2_mmhg": maybe(st.floats(15, 700)),
            "paco2_mmhg": maybe(st.floats(8, 250)),
            "ph": maybe(st.floats(6.5, 7.9)),
            "etco2_mmhg": maybe(st.floats(0, 150)),
            "tube_mm": maybe(st.floats(4.5, 11)),
        }
    ),
    st.sampled_from(["on", "off"]),
)
def test_anything_the_door_lets_in_gives_finite_lungs_or_reasons(
    fields: dict[str, Any], compensation: Any
) -> None:
    found = estimate_lungs(bent(**fields), "4", ASSUMPTIONS, circuit_compensation=compensation)
    if isinstance(found, CannotEstimate):
        assert found.reasons
        return
    for name in found.lungs.__dataclass_fields__:
        estimate = getattr(found.lungs, name)
        if estimate is not None:
            assert math.isfinite(estimate.value), name
            assert estimate.value >= 0.0, name
    present = found.present
    assert present is not None
    assert present.total_peep.spread.low is not None
    assert present.total_peep.spread.high is not None
    slack = 1e-9
    assert present.total_peep.spread.low - slack <= present.total_peep.value
    assert present.total_peep.value <= present.total_peep.spread.high + slack
    assert present.plateau_cmh2o is not None
    assert present.plateau_cmh2o > present.total_peep.value
