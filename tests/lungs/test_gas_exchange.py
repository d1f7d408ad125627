"""Gas after a change, draw by draw."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airyoke.lungs import gas_exchange
from lungs.bedside import bent, estimated

# Hand-worked: 420 -> 350 mL, 20 -> 28 /min, 100 mL airway and 50 mL apparatus, PaCO2 55 -> 53.036 mmHg.
CHANGE: dict[str, Any] = {
    "present_paco2_mmhg": 55.0,
    "present_tidal_volume_ml": 420.0,
    "present_rate_per_min": 20.0,
    "present_apparatus_dead_space_ml": 50.0,
    "tidal_volume_ml": 350.0,
    "rate_per_min": 28.0,
    "apparatus_dead_space_ml": 50.0,
    "airway_dead_space_ml": 100.0,
}


def test_change_by_hand() -> None:
    assert gas_exchange.paco2_calibrated_mmhg(**CHANGE) == pytest.approx(53.036, rel=1e-4)


def test_error_grows_with_the_change() -> None:
    z = np.array([0.0, 1.0, -1.0])
    found = gas_exchange.paco2_calibrated_mmhg(**CHANGE, paco2_sd_mmhg=3.0, change_sd_fraction=0.09, z=z)
    spread = 3.0 + 0.09 * (55.0 - 53.03571)
    assert np.asarray(found) == pytest.approx([53.03571, 53.03571 + spread, 53.03571 - spread], rel=1e-6)


def test_a_breath_that_stays_in_the_dead_space_fails_the_limit_and_is_a_number() -> None:
    volumes = np.array([100.0, 150.0, 151.0, 350.0])
    found = np.asarray(
        gas_exchange.paco2_calibrated_mmhg(**{**CHANGE, "tidal_volume_ml": volumes, "z": -5.0})
    )
    assert list(found[:3]) == [250.0, 250.0, 250.0]
    assert found[3] < 60.0
    ph = np.asarray(gas_exchange.ph_after_change(45.0, found, 55.0))
    assert np.all(ph[:3] < 7.15)
    typed = gas_exchange.paco2_typed_mmhg(
        vco2_ml_per_min=200.0,
        tidal_volume_ml=120.0,
        rate_per_min=20.0,
        airway_dead_space_ml=100.0,
        apparatus_dead_space_ml=50.0,
        alveolar_dead_space_fraction=0.2,
    )
    assert typed == gas_exchange.HIGHEST_PACO2_MMHG


def test_unknown_stays_unknown() -> None:
    assert np.isnan(gas_exchange.paco2_calibrated_mmhg(**{**CHANGE, "airway_dead_space_ml": float("nan")}))


def test_typed_form_by_hand() -> None:
    # VA = 22 x (398.8 - 110 - 0) x 0.75 = 4.765 L/min; 0.863 x 210 / 4.765
    found = gas_exchange.paco2_typed_mmhg(
        vco2_ml_per_min=210.0,
        tidal_volume_ml=398.8,
        rate_per_min=22.0,
        airway_dead_space_ml=110.0,
        apparatus_dead_space_ml=0.0,
        alveolar_dead_space_fraction=0.25,
    )
    assert found == pytest.approx(0.863 * 210 / 4.7652)
    assert gas_exchange.ph_after_change(26.0, 40.0) == pytest.approx(7.4257, abs=1e-4)


@given(st.floats(200.0, 600.0), st.floats(10.0, 35.0), st.floats(60.0, 180.0), st.floats(20.0, 100.0))
def test_more_ventilation_never_raises_paco2(
    volume: float, rate: float, airway: float, apparatus: float
) -> None:
    def paco2(volume: float, rate: float, apparatus: float) -> Any:
        change = {
            **CHANGE,
            "tidal_volume_ml": volume,
            "rate_per_min": rate,
            "airway_dead_space_ml": airway,
            "apparatus_dead_space_ml": apparatus,
        }
        return gas_exchange.paco2_calibrated_mmhg(**change)

    base = paco2(volume, rate, apparatus)
    assert paco2(volume * 1.1, rate, apparatus) <= base
    assert paco2(volume, rate * 1.1, apparatus) <= base
    assert paco2(volume, rate, apparatus + 30.0) >= base


def test_ph_starts_from_the_own_bicarbonate() -> None:
    patient = estimated(bent())
    assert patient.lungs.bicarbonate is not None
    own = patient.lungs.bicarbonate.value
    assert gas_exchange.ph_after_change(own, 50.0, 50.0) == pytest.approx(7.31, abs=1e-9)
    # 24.895 + 2 mmol/L at 70 mmHg
    assert gas_exchange.ph_after_change(own, 70.0, 50.0) == pytest.approx(7.197, abs=0.001)


def test_the_present_oxygenation_comes_back_in_every_draw() -> None:
    haemoglobin = np.linspace(7.0, 14.0, 64)
    difference = np.linspace(4.0, 6.0, 64)[::-1].copy()
    blood: dict[str, Any] = {
        "fio2": 0.6,
        "paco2_mmhg": 50.0,
        "ph": 7.31,
        "haemoglobin_g_per_dl": haemoglobin,
        "arteriovenous_difference_ml_per_dl": difference,
    }
    shunt = gas_exchange.shunt_calibrated(present_pao2_mmhg=75.0, **blood)
    spo2 = np.asarray(gas_exchange.spo2_predicted_pct(shunt_fraction=shunt, **blood))
    assert spo2 == pytest.approx(np.full(64, spo2[0]), rel=1e-6)
    worse = gas_exchange.shunt_calibrated(present_pao2_mmhg=75.0, **blood, offset=0.05)
    assert np.all(np.asarray(gas_exchange.spo2_predicted_pct(shunt_fraction=worse, **blood)) < spo2)


def test_present_po2_from_a_saturation_only_where_the_curve_is_steep() -> None:
    def present(**changes: Any) -> float | None:
        patient = estimated(bent(**changes))
        assert patient.present is not None
        return gas_exchange.present_arterial_po2_mmhg(patient.present)

    assert present() == 75.0
    assert present(pao2_mmhg=None, spo2_pct=90.0, ph=7.40) == pytest.approx(58.655, rel=1e-4)
    assert present(pao2_mmhg=None, spo2_pct=98.0) is None
    assert present(pao2_mmhg=None, spo2_pct=None) is None
