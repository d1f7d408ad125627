"""Laws that the formulas keep for any input in range, and the closed forms against a general-purpose solver.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from airyoke.lungs import carbon_dioxide, closed_forms, mechanics, oxygen, size

compliances = st.floats(10.0, 120.0)
resistances = st.floats(3.0, 60.0)
rates = st.floats(8.0, 35.0)
duty_cycles = st.floats(0.2, 0.6)
drives = st.floats(5.0, 30.0)
phs = st.floats(6.9, 7.7)


def settled(
    compliance: float,
    r_in: float,
    r_out: float,
    rate: float,
    duty: float,
    drive: float,
    peep: float = 8.0,
) -> closed_forms.SettledBreath:
    return closed_forms.pressure_control(compliance, r_in, r_out, peep, drive, rate, duty * 60.0 / rate)


@given(compliances, resistances, resistances, rates, duty_cycles, drives)
def test_pressure_control_is_the_fixed_point_of_one_breath(
    compliance: float, r_in: float, r_out: float, rate: float, duty: float, drive: float
) -> None:
    breath = settled(compliance, r_in, r_out, rate, duty, drive)
    ti, te = duty * 60.0 / rate, (1.0 - duty) * 60.0 / rate
    start = compliance * breath.intrinsic_peep_cmh2o
    fall_in = np.exp(-ti / mechanics.time_constant_s(r_in, compliance))
    end = compliance * drive * (1.0 - fall_in) + start * fall_in
    back = end * np.exp(-te / mechanics.time_constant_s(r_out, compliance))
    assert back == pytest.approx(start, rel=1e-9, abs=1e-9)
    assert end - back == pytest.approx(breath.tidal_volume_ml, rel=1e-9)
    assert breath.plateau_cmh2o == pytest.approx(8.0 + end / compliance, rel=1e-12)
    assert breath.plateau_cmh2o <= 8.0 + drive * (1.0 + 1e-12)
    assert breath.driving_pressure_cmh2o == pytest.approx(breath.plateau_cmh2o - breath.total_peep_cmh2o)


@given(compliances, resistances, rates, duty_cycles, drives)
def test_trapping_rises_with_rate_resistance_and_compliance(
    compliance: float, resistance: float, rate: float, duty: float, drive: float
) -> None:
    base = settled(compliance, resistance, resistance, rate, duty, drive).intrinsic_peep_cmh2o
    for more in (
        settled(compliance * 1.2, resistance, resistance, rate, duty, drive),
        settled(compliance, resistance, resistance * 1.2, rate, duty, drive),
        settled(compliance, resistance, resistance, rate * 1.2, duty, drive),
    ):
        assert more.intrinsic_peep_cmh2o >= base


def test_long_times_give_compliance_times_drive() -> None:
    breath = closed_forms.pressure_control(40.0, 10.0, 10.0, 5.0, 12.0, 1.0, 30.0)
    assert breath.tidal_volume_ml == pytest.approx(480.0, rel=1e-12)
    assert breath.intrinsic_peep_cmh2o == pytest.approx(0.0, abs=1e-12)


def integrate(
    compliance_ml: float,
    r_in: float,
    r_out: float,
    rate: float,
    ti: float,
    drive: float | None,
    flow_l_per_s: float | None,
    flow_time: float,
) -> tuple[float, float]:
    """Volumes (mL) above set PEEP at the end of inspiration and of expiration, breath by breath until
    settled.
    """
    compliance = compliance_ml / 1000.0

    def inspire(t: float, v: np.ndarray) -> np.ndarray:
        if drive is not None:
            return (drive - v / compliance) / r_in
        return np.full_like(v, flow_l_per_s)

    def expire(t: float, v: np.ndarray) -> np.ndarray:
        return -v / compliance / r_out

    volume = np.array([0.0])
    for _ in range(80):
        end = solve_ivp(inspire, (0.0, flow_time), volume, rtol=1e-10, atol=1e-12).y[:, -1]
        after = solve_ivp(expire, (0.0, 60.0 / rate - ti), end, rtol=1e-10, atol=1e-12).y[:, -1]
        change, volume = abs(after[0] - volume[0]), after
        if change < 1e-11:
            break
    return 1000.0 * float(end[0]), 1000.0 * float(after[0])


@pytest.mark.parametrize(
    ("compliance", "r_in", "r_out", "rate", "ti", "drive"),
    [(30, 12, 12, 25, 0.8, 15), (60, 20, 30, 20, 1.0, 15), (25, 35, 50, 30, 0.7, 25)],
)
def test_pressure_control_against_integration(
    compliance: float, r_in: float, r_out: float, rate: float, ti: float, drive: float
) -> None:
    end, after = integrate(compliance, r_in, r_out, rate, ti, drive, None, ti)
    breath = closed_forms.pressure_control(compliance, r_in, r_out, 5.0, drive, rate, ti)
    assert breath.tidal_volume_ml == pytest.approx(end - after, rel=1e-6)
    assert breath.total_peep_cmh2o == pytest.approx(5.0 + after / compliance, rel=1e-6)
    assert breath.plateau_cmh2o == pytest.approx(5.0 + end / compliance, rel=1e-6)


def test_volume_control_against_integration() -> None:
    end, after = integrate(60, 20, 30, 16, 1.1, None, 0.5, 0.9)
    found = closed_forms.volume_control(60.0, 20.0, 30.0, 5.0, 450.0, 16.0, 0.9, 0.2)
    assert found.breath.plateau_cmh2o == pytest.approx(5.0 + end / 60.0, rel=1e-6)
    assert found.breath.total_peep_cmh2o == pytest.approx(5.0 + after / 60.0, rel=1e-6)
    assert found.peak_cmh2o == pytest.approx(5.0 + end / 60.0 + 20.0 * 0.5, rel=1e-6)


def test_arrays_broadcast_over_a_grid_of_settings() -> None:
    rate = np.linspace(12.0, 34.0, 12)[:, None, None]
    ti = np.linspace(0.6, 1.2, 7)[None, :, None]
    compliance = np.linspace(20.0, 60.0, 5)
    breath = closed_forms.pressure_control(compliance, 12.0, 14.0, 10.0, 15.0, rate, ti)
    assert np.shape(breath.tidal_volume_ml) == (12, 7, 5)
    one = closed_forms.pressure_control(60.0, 12.0, 14.0, 10.0, 15.0, 34.0, 1.2)
    assert np.asarray(breath.tidal_volume_ml)[-1, -1, -1] == pytest.approx(one.tidal_volume_ml)


@given(st.floats(0.02, 0.999), phs)
def test_saturation_and_its_inverse(saturation: float, ph: float) -> None:
    po2 = oxygen.po2_from_saturation_mmhg(saturation, ph)
    assert oxygen.saturation(po2, ph) == pytest.approx(saturation, rel=1e-8)


@given(st.floats(2.0, 700.0), st.floats(5.0, 18.0), phs)
def test_content_and_its_inverse(po2: float, haemoglobin: float, ph: float) -> None:
    content = oxygen.oxygen_content_ml_per_dl(po2, haemoglobin, ph)
    assert oxygen.po2_from_content_mmhg(content, haemoglobin, ph) == pytest.approx(po2, rel=1e-7)


@given(st.floats(35.0, 130.0), st.floats(0.3, 1.0), st.floats(25.0, 90.0), st.floats(6.0, 16.0), phs)
def test_shunt_and_its_inverse(pao2: float, fio2: float, paco2: float, haemoglobin: float, ph: float) -> None:
    alveolar = oxygen.alveolar_po2_mmhg(fio2, paco2)
    shunt = oxygen.shunt_from_po2(pao2, fio2, paco2, ph, haemoglobin, 5.0)
    if pao2 >= alveolar:
        assert shunt == 0.0
        return
    back = oxygen.po2_from_shunt_mmhg(shunt, fio2, paco2, ph, haemoglobin, 5.0)
    assert back == pytest.approx(pao2, rel=1e-6)


@given(st.floats(0.0, 0.6), st.floats(0.25, 0.9))
def test_more_oxygen_or_less_shunt_never_lowers_po2(shunt: float, fio2: float) -> None:
    base = oxygen.po2_from_shunt_mmhg(shunt, fio2, 45.0, 7.35, 10.0, 5.0)
    assert oxygen.po2_from_shunt_mmhg(shunt, fio2 + 0.1, 45.0, 7.35, 10.0, 5.0) >= base
    assert oxygen.po2_from_shunt_mmhg(shunt * 0.9, fio2, 45.0, 7.35, 10.0, 5.0) >= base * (1 - 1e-12)


@settings(max_examples=20)
@given(st.integers(1, 1000))
def test_inverses_give_a_draw_what_they_give_alone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shunt, ph = rng.uniform(0.0, 0.6, 16), rng.uniform(7.0, 7.6, 16)
    haemoglobin, difference = rng.uniform(6.0, 15.0, 16), rng.uniform(3.0, 7.0, 16)
    together = oxygen.po2_from_shunt_mmhg(shunt, 0.6, 50.0, ph, haemoglobin, difference)
    alone = [
        oxygen.po2_from_shunt_mmhg(*terms)
        for terms in zip(shunt, [0.6] * 16, [50.0] * 16, ph, haemoglobin, difference, strict=True)
    ]
    assert np.asarray(together) == pytest.approx(alone, rel=1e-12)


@pytest.mark.parametrize(("shunt", "paco2"), [(0.95, 40.0), (2.0, 40.0), (0.3, 250.0), (-1.0, 40.0)])
def test_impossible_oxygen_stays_finite(shunt: float, paco2: float) -> None:
    po2 = oxygen.po2_from_shunt_mmhg(shunt, 0.21, paco2, 6.9, 8.0, 5.0)
    assert oxygen.LOWEST_PO2_MMHG * 0.999 <= po2 <= oxygen.HIGHEST_PO2_MMHG


@given(st.floats(10.0, 200.0), st.floats(6.6, 7.8))
def test_henderson_hasselbalch_and_its_inverse(paco2: float, ph: float) -> None:
    bicarbonate = carbon_dioxide.bicarbonate_from_mmol_per_l(ph, paco2)
    assert carbon_dioxide.ph_from(bicarbonate, paco2) == pytest.approx(ph, abs=1e-12)


@given(st.floats(100.0, 400.0), st.floats(1.0, 12.0))
def test_paco2_and_its_inverse_and_fall_with_ventilation(vco2: float, ventilation: float) -> None:
    paco2 = carbon_dioxide.paco2_mmhg(vco2, ventilation)
    assert carbon_dioxide.vco2_ml_per_min(paco2, ventilation) == pytest.approx(vco2, rel=1e-12)
    assert carbon_dioxide.paco2_mmhg(vco2, ventilation * 1.1) < paco2


@given(st.floats(10.0, 40.0), st.floats(20.0, 90.0), st.floats(10.0, 250.0))
def test_acute_bicarbonate_is_bounded_and_follows_paco2(own: float, present: float, new: float) -> None:
    after = carbon_dioxide.acute_bicarbonate_mmol_per_l(own, present, new)
    assert abs(after - own) <= carbon_dioxide.ACUTE_BICARBONATE_MOST + 1e-12
    assert (after - own) * (new - present) >= 0.0
    # buffering softens the change of pH and never turns it round
    assert (carbon_dioxide.ph_from(after, new) - carbon_dioxide.ph_from(own, present)) * (
        new - present
    ) <= 1e-12


@pytest.mark.parametrize("height", [1.75, 65.0, 119.9, 230.1])
def test_height_out_of_range_is_refused(height: float) -> None:
    with pytest.raises(ValueError, match="height must be 120 to 230 cm"):
        size.predicted_body_weight_kg("f", height)
