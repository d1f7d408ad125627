"""How long oxygen lasts and how CO2 rises: against published apnoea, a second solver, and what must hold anyway."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.lungs.carbon_dioxide import acute_bicarbonate_mmol_per_l, ph_from
from airyoke.lungs.oxygen import alveolar_po2_mmhg, saturation
from airyoke.lungs.sampling import sample_patient
from airyoke.lungs.stores import (
    Airway,
    Stores,
    StoresAssumptions,
    carbon_dioxide_after,
    carbon_dioxide_rise,
    gas_course,
    sample_stores,
    seconds_to_desaturation,
)
from lungs.bedside import ASSUMPTIONS, bent, estimated
from referees import outside_stores

_A = StoresAssumptions()


def body(
    *,
    volume: Any = 1000.0,
    fio2: Any = 0.5,
    shunt: Any = 0.3,
    haemoglobin: Any = 10.0,
    vo2: Any = 250.0,
    vco2: Any = 200.0,
    output: Any = 5.5,
    paco2: Any = 50.0,
    bicarbonate: Any = 25.0,
    peep: Any = 10.0,
    compliance: Any = 30.0,
    weight: float = 66.0,
) -> Stores:
    """A patient with moderate ARDS, bent where a test says so; every term a number or one a row."""
    terms = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(value, dtype=np.float64))
            for value in (volume, compliance, peep, fio2, paco2, bicarbonate, shunt, haemoglobin, vo2, vco2, output)
        )
    )
    ones = np.ones_like(terms[0])
    return Stores(
        terms[0],
        0.3 * terms[0],
        *terms[1:],
        _A.venous_blood_ml_per_kg * weight / 1000.0 * ones,
        _A.fast_co2_ml_per_mmhg_per_kg * weight * ones,
        _A.slow_co2_ml_per_mmhg_per_kg * weight * ones,
        _A.slow_co2_minutes,
        _A.blood_co2_ml_per_l_per_mmhg,
        _A.barometric_pressure_mmhg,
    )


# Anaesthetised adults without lung disease; lung volume 30 mL/kg, oxygen uptake 3 mL/min/kg (both from memory).
HEALTHY: dict[str, Any] = {
    "volume": 2000.0, "shunt": 0.05, "haemoglobin": 14.0, "vo2": 210.0, "vco2": 170.0, "output": 5.0, "paco2": 38.0,
    "bicarbonate": 24.0, "peep": 0.0, "compliance": 55.0, "weight": 70.0,
}  # fmt: skip
# Lung volume of the anaesthetised obese 0.645 L, paralysed supine (Pelosi, J Appl Physiol 1997;82:811, abstract);
# tripled oxygen needs are not assumed: 300 mL/min (from memory).
OBESE: dict[str, Any] = HEALTHY | {
    "volume": np.array([645.0, 1000.0]), "shunt": 0.15, "vo2": 300.0, "vco2": 240.0, "output": 6.5, "compliance": 34.0,
}  # fmt: skip


def test_first_minute_of_apnoea_raises_paco2_as_measured() -> None:
    # 9.8 ± 1.9 mmHg in the first minute, then 3.4 to 4.4 mmHg/min: 15 anaesthetised adults, 4 min without oxygen flow.
    # Kobayashi, Masui 1994;43:1130 (abstract).
    rise = carbon_dioxide_rise(body(**HEALTHY | {"vco2": np.array([170.0, 200.0, 230.0])}), "circuit")
    assert np.all(np.abs(rise.first_minute_mmhg - 9.8) < 1.9)
    assert np.all((rise.per_minute_mmhg > 2.7) & (rise.per_minute_mmhg < 4.4))
    assert rise.per_minute_mmhg[1] == pytest.approx(3.4, abs=0.3)


def test_first_seconds_of_apnoea_bring_paco2_to_venous() -> None:
    # +7 mmHg in 10 s and +2 in the next 10 s at functional residual capacity, FiO2 1.0: 20 awake volunteers.
    # Stock, J Clin Anesth 1988;1:96 (abstract).
    awake = body(**HEALTHY | {"fio2": 1.0, "volume": 2400.0, "vo2": 280.0, "vco2": 230.0})
    paco2 = carbon_dioxide_after(awake, "circuit", np.array([0.0, 10.0, 20.0]))[:, 0]
    assert paco2[1] - paco2[0] == pytest.approx(7.0, abs=1.0)
    assert paco2[2] - paco2[1] == pytest.approx(2.0, abs=1.0)


def test_obese_after_oxygen_desaturate_as_timed() -> None:
    # To 90 %: 162 ± 38 s, tube open to air, 20 patients supine: Altermatt, Br J Anaesth 2005;95:706 (abstract).
    # 196 ± 80 s in six: Berthoud, Br J Anaesth 1991;67:464 (abstract).
    found = seconds_to_desaturation(body(**OBESE | {"fio2": 0.95}), "room air", spo2_pct=90.0)
    assert found[0] > 162.0 - 2 * 38.0
    assert found[1] < 162.0 + 2 * 38.0
    assert found.mean() == pytest.approx(162.0, abs=38.0)


def test_healthy_after_oxygen_desaturate_as_timed() -> None:
    # To 90 %: 595 ± 142 s, range 430 to 825 s, six of normal weight: Berthoud, Br J Anaesth 1991;67:464 (abstract).
    healthy = body(**HEALTHY | {"volume": np.array([2000.0, 2400.0]), "fio2": 0.95})
    found = seconds_to_desaturation(healthy, "room air", spo2_pct=90.0)
    assert np.all((found > 430.0) & (found < 825.0))


def test_healthy_on_air_are_critical_in_a_minute() -> None:
    # Some 290 mL of oxygen in the lung against 250 mL/min: critical after 1 min, then about 30 % a minute.
    # Sirian, Contin Educ Anaesth Crit Care Pain 2009;9:105.
    on_air = body(**HEALTHY | {"fio2": 0.21, "vo2": 250.0, "vco2": 200.0, "volume": 2200.0})
    spo2 = gas_course(on_air, "blocked", np.array([0.0, 60.0, 75.0])).spo2_pct[:, 0]
    assert spo2[0] > 95.0
    assert 60.0 < spo2[1] < 85.0
    assert 20.0 < 4.0 * (spo2[1] - spo2[2]) < 50.0


def test_oxygen_flowing_in_carries_most_obese_past_18_minutes() -> None:
    # Apnoea of 18 min under oxygen without 92 %: 25 of 39 and 36 of 41 morbidly obese (PMC9875910, abstract).
    found = seconds_to_desaturation(body(**OBESE | {"fio2": 1.0}), "circuit", spo2_pct=92.0, within_s=18 * 60.0)
    assert np.all(np.isinf(found))


REFEREED: dict[str, tuple[Airway, dict[str, Any], float]] = {
    "ARDS, tube blocked": ("blocked", {}, 0.0),
    "ARDS, off the circuit": ("room air", {}, 0.0),
    "ARDS, circuit open": ("circuit", {}, 0.0),
    "ARDS, a third of its ventilation": ("circuit", {}, 1.1),
    "severe, FiO2 0.9, blocked": ("blocked", {"fio2": 0.9, "shunt": 0.42, "volume": 800.0, "output": 8.0}, 0.0),
    "healthy on air, blocked": ("blocked", HEALTHY | {"fio2": 0.21}, 0.0),
    "healthy on oxygen, off": ("room air", HEALTHY | {"fio2": 1.0}, 0.0),
    "obstructed, alkalotic start": ("circuit", {"paco2": 30.0, "bicarbonate": 30.0, "shunt": 0.1}, 0.5),
}


@pytest.mark.parametrize("name", REFEREED)
def test_a_general_solver_on_the_equations_written_again_agrees(name: str) -> None:
    airway, changes, ventilation = REFEREED[name]
    ours = body(**changes)
    lost = 0.0
    if airway == "room air":
        lost = min(float((ours.compliance_ml_per_cmh2o * ours.peep_cmh2o)[0]), 0.7 * float(ours.lung_volume_ml[0]))
    other = outside_stores.Body(
        float(ours.lung_volume_ml[0]), float(ours.least_lung_volume_ml[0]), float(ours.fio2[0]),
        float(ours.paco2_mmhg[0]), float(ours.bicarbonate_mmol_per_l[0]), float(ours.shunt_fraction[0]),
        float(ours.haemoglobin_g_per_dl[0]), float(ours.vo2_ml_per_min[0]), float(ours.vco2_ml_per_min[0]),
        float(ours.cardiac_output_l_per_min[0]), float(ours.venous_blood_l[0]),
        float(ours.fast_co2_ml_per_mmhg[0]), float(ours.slow_co2_ml_per_mmhg[0]), ours.slow_co2_minutes,
        ours.blood_co2_ml_per_l_per_mmhg, airway == "room air", airway == "blocked", ventilation,
    )  # fmt: skip
    expected = outside_stores.seconds_until(other, 85.0, 900.0, lost)
    found = float(seconds_to_desaturation(ours, airway, ventilation)[0])
    assert found == pytest.approx(expected, abs=0.2)
    last = min(expected, 300.0)
    times = np.array([0.0, 0.1, 0.5, 1.0]) * last
    solved = outside_stores.run(other, last, lost)
    course = gas_course(ours, airway, times, ventilation)
    assert course.paco2_mmhg[:, 0] == pytest.approx(
        [outside_stores.paco2(other, solved.sol(t)) for t in times], abs=0.1
    )
    assert course.spo2_pct[:, 0] == pytest.approx([outside_stores.spo2(other, solved.sol(t)) for t in times], abs=0.1)


@given(st.floats(0.3, 1.0), st.floats(0.02, 0.4), st.floats(35.0, 60.0))
@settings(max_examples=15, deadline=None)
def test_unchanged_ventilation_changes_nothing(fio2: float, shunt: float, paco2: float) -> None:
    still = body(fio2=fio2, shunt=shunt, paco2=paco2)
    course = gas_course(still, "circuit", np.array([0.0, 300.0]), 0.863 * 200.0 / paco2)
    assert course.paco2_mmhg[1] == pytest.approx(course.paco2_mmhg[0], abs=1e-3)
    assert course.spo2_pct[1] == pytest.approx(course.spo2_pct[0], abs=1e-3)


def test_a_new_ventilation_ends_where_the_alveolar_equations_say() -> None:
    # 0.863 VCO2 / VA and the alveolar gas equation; stores of a small body, so that an hour is long enough.
    end = 0.863 * 200.0 / 2.5
    course = gas_course(body(fio2=0.25, shunt=1e-6, weight=6.0, bicarbonate=25.0), "circuit", np.array([3600.0]), 2.5)
    assert course.paco2_mmhg[0, 0] == pytest.approx(end, rel=1e-3)
    ph = ph_from(acute_bicarbonate_mmol_per_l(25.0, 50.0, end), end)
    expected = 100.0 * saturation(alveolar_po2_mmhg(0.25, end), ph)
    assert course.spo2_pct[0, 0] == pytest.approx(expected, abs=0.05)


@given(
    st.sampled_from(["circuit", "blocked", "room air"]),
    st.floats(0.3, 0.9),
    st.floats(0.05, 0.4),
    st.floats(600.0, 2000.0),
)
@settings(max_examples=25, deadline=None)
def test_more_oxygen_more_lung_less_shunt_last_longer(airway: Airway, fio2: float, shunt: float, volume: float) -> None:
    rows = body(
        fio2=[fio2, fio2 + 0.1, fio2, fio2],
        shunt=[shunt, shunt, shunt + 0.05, shunt],
        volume=[volume, volume, volume, 1.2 * volume],
    )
    base, more_oxygen, more_shunt, more_lung = seconds_to_desaturation(rows, airway)
    assert more_oxygen >= base
    assert more_lung >= base
    assert more_shunt <= base


def test_no_ventilation_is_the_limit_of_little_and_more_lasts_longer() -> None:
    left = np.array([0.0, 1e-6, 0.2, 0.4, 0.6])
    same = body(fio2=np.full(5, 0.5))
    found = seconds_to_desaturation(same, "circuit", left)
    assert found[1] == pytest.approx(found[0], abs=1e-3)
    assert np.all(np.diff(found[1:]) > 0.0)
    rise = carbon_dioxide_rise(same, "circuit", left)
    assert rise.first_minute_mmhg[1] == pytest.approx(rise.first_minute_mmhg[0], abs=1e-3)
    assert np.all(np.diff(rise.per_minute_mmhg[1:]) < 0.0)


def test_losing_peep_and_breathing_in_air_is_worst() -> None:
    here = body(fio2=0.6)
    open_, off = (seconds_to_desaturation(here, way)[0] for way in ("circuit", "room air"))
    assert off < open_
    assert seconds_to_desaturation(body(fio2=0.6, peep=15.0), "room air")[0] < off


def test_each_row_gets_what_it_would_get_alone() -> None:
    volumes, shunts = np.array([700.0, 1000.0, 1500.0]), np.array([0.4, 0.3, 0.1])
    together = seconds_to_desaturation(body(volume=volumes, shunt=shunts), "blocked")
    alone = [
        seconds_to_desaturation(body(volume=v, shunt=s), "blocked")[0] for v, s in zip(volumes, shunts, strict=True)
    ]
    assert together == pytest.approx(alone, abs=0.1)
    twice = seconds_to_desaturation(body(volume=volumes, shunt=shunts).tiled(2), "circuit", np.repeat([0.0, 0.3], 3))
    for part, left in ((twice[:3], 0.0), (twice[3:], 0.3)):
        assert part == pytest.approx(
            seconds_to_desaturation(body(volume=volumes, shunt=shunts), "circuit", left), abs=0.1
        )


def test_below_at_the_start_is_zero_and_never_is_inf() -> None:
    assert seconds_to_desaturation(body(shunt=0.6), "circuit")[0] == 0.0
    assert seconds_to_desaturation(body(fio2=1.0, shunt=0.05), "circuit", within_s=600.0)[0] == np.inf


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="blocked"):
        seconds_to_desaturation(body(), "blocked", 1.0)
    with pytest.raises(ValueError, match="negative"):
        seconds_to_desaturation(body(), "circuit", -0.1)
    with pytest.raises(ValueError, match="rise"):
        gas_course(body(), "circuit", np.array([10.0, 5.0]))


def sampled(draws: int = 64, **changes: Any) -> Stores:
    patient = estimated(bent(**changes))
    columns = sample_patient(patient, ASSUMPTIONS, draws, 0)
    return sample_stores(patient, columns, fio2=patient.present.fio2 if patient.present else 0.6, seed=0)


def test_a_patient_with_a_blood_gas_has_nothing_assumed_and_a_range() -> None:
    stores = sampled()
    assert stores.assumed == ()
    # Moderate, 175 cm: 17 mL/kg x 70.57 kg, and compliance 30 mL/cmH2O (420 mL over 25 - 11) x (11 - 5) cmH2O more.
    assert stores.lung_volume_ml[0] == pytest.approx(17.0 * 70.566 + 30.0 * 6.0, rel=1e-3)
    found = seconds_to_desaturation(stores, "room air")
    assert np.isfinite(found).all()
    low, high = np.quantile(found[1:], [0.05, 0.95])
    assert 20.0 < low < found[0] < high < 200.0
    assert high - low > 10.0


def test_a_patient_without_gas_gets_a_wider_range_and_the_assumptions_are_named() -> None:
    known = sampled()
    unknown = sampled(pao2_mmhg=None, spo2_pct=None, paco2_mmhg=None, ph=None, etco2_mmhg=None)
    assert set(unknown.assumed) == {"CO2 output", "shunt", "PaCO2", "bicarbonate"}
    spread = [
        float(np.ptp(np.quantile(seconds_to_desaturation(s, "room air")[1:], [0.05, 0.95]))) for s in (known, unknown)
    ]
    assert spread[1] > spread[0]


def test_fewer_draws_are_the_first_of_more() -> None:
    few, many = sampled(16), sampled(64)
    for name in ("lung_volume_ml", "vo2_ml_per_min", "venous_blood_l", "fast_co2_ml_per_mmhg"):
        assert np.array_equal(getattr(few, name), getattr(many, name)[:17])


def test_stores_of_the_group_start_from_its_own_gas() -> None:
    patient = estimated(bent())
    columns = sample_patient(patient, ASSUMPTIONS, 8, 0)
    higher = sample_stores(
        patient, columns, fio2=1.0, seed=0, paco2_mmhg=np.full(9, 65.0), total_peep_cmh2o=np.full(9, 15.0)
    )
    usual = sample_stores(patient, columns, fio2=1.0, seed=0)
    assert np.all(higher.paco2_mmhg == 65.0)
    assert np.all(higher.lung_volume_ml > usual.lung_volume_ml)
    # 1 mmol/L per 10 mmHg within minutes (textbook).
    assert higher.bicarbonate_mmol_per_l == pytest.approx(usual.bicarbonate_mmol_per_l + 1.5)
