"""Errors planted in the tool itself: the rows that should notice do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from airyoke.breath import engine
from airyoke.circuit import flow_laws
from airyoke.lungs import carbon_dioxide, oxygen, power
from airyoke.verify import scenarios
from airyoke.verify.row import Check, has
from airyoke.verify.table import all_checks

CHECKS = {check.id: check for check in all_checks()}


def _of_kind(kind: str) -> list[Check]:
    return [check for check in CHECKS.values() if check.kind == kind]


def _lungs_off_by(factor: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """The engine takes every compliance for `factor` times what it is."""

    def settle(networks: Any, settings: Any, lungs: engine.LungMechanics, **more: Any) -> engine.Breath:
        wrong = replace(lungs, compliance_ml_per_cmh2o=factor * lungs.compliance_ml_per_cmh2o)
        return engine.settle(networks, settings, wrong, **more)

    monkeypatch.setattr(scenarios, "settle", settle)


def test_lungs_one_per_cent_too_soft_fail_closed_forms(monkeypatch: pytest.MonkeyPatch) -> None:
    _lungs_off_by(1.01, monkeypatch)
    failed = [check.id for check in _of_kind("closed form") if check.run().verdict == "fail"]
    # A volume source delivers its volume whatever the lungs are: there the pressure must notice.
    assert len(failed) == len(_of_kind("closed form"))


def test_lungs_one_per_cent_too_soft_fail_every_row_of_lsoda(monkeypatch: pytest.MonkeyPatch) -> None:
    _lungs_off_by(1.01, monkeypatch)
    rows = [check.run() for check in _of_kind("LSODA") if check.id != "lsoda-now"]
    assert {row.verdict for row in rows} == {"fail"}


@pytest.mark.skipif(not has("ngspice"), reason="ngspice is a Debian package")
@pytest.mark.parametrize("name", ["ngspice-two-pc", "ngspice-four-vc-decelerating"])
def test_lungs_three_per_cent_too_soft_fail_netlists(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    _lungs_off_by(1.03, monkeypatch)
    assert CHECKS[name].run().verdict == "fail"


def test_lungs_a_fifth_too_soft_fail_a_predicted_bench(monkeypatch: pytest.MonkeyPatch) -> None:
    from airyoke.verify import benches

    for cached in ("_first_peak", "_first_compliance", "_second_compliance", "_second_network"):
        getattr(benches, cached).cache_clear()
    benches._spread_in_pressure_control.cache_clear()
    assert CHECKS["bench-2012-pressure-spread"].run().verdict == "pass"
    benches._spread_in_pressure_control.cache_clear()
    _lungs_off_by(1.2, monkeypatch)
    assert CHECKS["bench-2012-pressure-spread"].run().verdict == "fail"
    benches._spread_in_pressure_control.cache_clear()


def test_patients_mixed_up_by_the_engine_fail_sign_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    def settle(*given: Any, **more: Any) -> engine.Breath:
        breath = engine.settle(*given, **more)
        return replace(breath, tidal_volume_ml=breath.tidal_volume_ml[:, ::-1])

    monkeypatch.setattr(scenarios, "settle", settle)
    failed = {check.id for check in _of_kind("sign test") if check.run().verdict == "fail"}
    assert {"sign-stiff-loses", "sign-own-lung-changes", "sign-partner-stays"} <= failed


def test_a_circuit_without_valves_fails_the_row_on_backflow(monkeypatch: pytest.MonkeyPatch) -> None:
    def settle(network: Any, *given: Any, **more: Any) -> engine.Breath:
        limbs = tuple(replace(limb, inspiratory_valve=None, expiratory_valve=None) for limb in network.limbs)
        return engine.settle(replace(network, limbs=limbs), *given, **more)

    monkeypatch.setattr(scenarios, "settle", settle)
    assert CHECKS["sign-valves-stop-backflow"].run().verdict == "fail"
    assert CHECKS["law-no-backflow"].run().verdict == "fail"


@pytest.mark.parametrize(
    ("module", "constant", "factor", "name"),
    [
        (carbon_dioxide, "CO2_SOLUBILITY", 1.01, "ph"),
        (carbon_dioxide, "VENTILATION_CONSTANT_MMHG", 1.001, "paco2-from-ventilation"),
        (oxygen, "WATER_VAPOUR_MMHG", 1.01, "alveolar-gas"),
        (oxygen, "HUEFNER_ML_PER_G", 1.01, "oxygen-content"),
        (power, "JOULE_PER_LITRE_CMH2O", 1.0007, "power-volume-control"),
        (flow_laws, "AIR_20C_VISCOSITY", 1.01, "gas-air"),
    ],
)
def test_a_wrong_constant_fails_its_row(
    module: Any, constant: str, factor: float, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, constant, factor * getattr(module, constant))
    assert CHECKS[name].run().verdict == "fail"


def test_a_catalogue_hose_smoother_than_glass_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    from airyoke.circuit import PARTS, Element

    hose = PARTS["tube-22mm-1500mm"]
    monkeypatch.setitem(PARTS, hose.name, replace(hose, element=Element(0.0, 0.05), compliance_ml_per_cmh2o=0.4))
    assert CHECKS["hose-floor"].run().verdict == "fail"
    assert CHECKS["gas-in-a-hose"].run().verdict == "fail"
