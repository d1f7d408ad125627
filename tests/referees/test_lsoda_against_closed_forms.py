"""The referee itself against laws, and against closed forms through a circuit with next to no resistance.

Printed numbers were worked out from the textbook formulas outside this code (to the digits shown).
"""

from __future__ import annotations

import json
from math import exp
from pathlib import Path
from typing import Any

import pytest

from referees.lsoda import solve_case

SCENARIOS = json.loads(
    (Path(__file__).resolve().parents[1] / "data" / "engine_scenarios.json").read_text(encoding="utf-8")
)["scenarios"]

NOTHING = {"linear": 1e-4, "quadratic": 0}
IDEAL = {
    "inspiratory_trunk": NOTHING,
    "expiratory_trunk": NOTHING,
    "inspiratory_limb": NOTHING,
    "expiratory_limb": NOTHING,
    "splitter_compliance_ml_per_cmh2o": 0,
    "wye_compliance_ml_per_cmh2o": 0,
    "valves": {"cracking_cmh2o": 0, "linear": 0, "back_leak_l_per_s_per_cmh2o": 0},
}
REAL = {
    "inspiratory_trunk": {"linear": 1.5, "quadratic": 0.5},
    "expiratory_trunk": {"linear": 1.5, "quadratic": 0.8},
    "inspiratory_limb": {"linear": 1.5, "quadratic": 1.5},
    "expiratory_limb": {"linear": 0.5, "quadratic": 1.5},
    "splitter_compliance_ml_per_cmh2o": 0.5,
    "wye_compliance_ml_per_cmh2o": 1.5,
    "valves": {"cracking_cmh2o": 0.5, "linear": 2.0, "back_leak_l_per_s_per_cmh2o": 0},
}


def lung(label: str, compliance: float, r_in: float, r_out: float, **more: float) -> dict[str, Any]:
    return {
        "label": label,
        "compliance_ml_per_cmh2o": compliance,
        "inspiratory_resistance_cmh2o_s_per_l": r_in,
        "expiratory_resistance_cmh2o_s_per_l": r_out,
        **more,
    }


def pressure(peep: float, above: float, rate: float, inspiration: float, **more: Any) -> dict[str, Any]:
    return {
        "mode": "pc",
        "pressure_above_peep_cmh2o": above,
        "peep_cmh2o": peep,
        "rate_per_min": rate,
        "inspiratory_time_s": inspiration,
        **more,
    }


def volume(peep: float, tidal: float, rate: float, inspiration: float, **more: Any) -> dict[str, Any]:
    return {
        "mode": "vc",
        "tidal_volume_ml": tidal,
        "peep_cmh2o": peep,
        "rate_per_min": rate,
        "inspiratory_time_s": inspiration,
        **more,
    }


def solve(patients: list[dict[str, Any]], settings: dict[str, Any], circuit: Any = IDEAL) -> dict[str, Any]:
    return solve_case({"patients": patients, "circuit": circuit, "settings": settings})


@pytest.mark.parametrize(
    ("patient", "settings", "tidal", "plateau", "total_peep", "end_flow"),
    [
        (lung("A", 30, 12, 12), pressure(12, 15, 25, 0.8), 397.0277, 25.3915, 12.1573, 8.0424),
        (lung("A", 60, 20, 30), pressure(5, 15, 20, 1.0), 398.3366, 14.8970, 8.2580, 15.3091),
        (lung("A", 55, 10, 10), pressure(5, 12, 14, 1.4), 605.2792, 16.0633, 5.0582, 5.6201),
    ],
    ids=["ards-like", "copd-like", "near-normal"],
)
def test_one_lung_under_pressure_control(
    patient: dict[str, Any],
    settings: dict[str, Any],
    tidal: float,
    plateau: float,
    total_peep: float,
    end_flow: float,
) -> None:
    got = solve([patient], settings)["patients"][0]
    assert got["tidal_volume_ml"] == pytest.approx(tidal, rel=5e-5)
    assert got["plateau_cmh2o"] == pytest.approx(plateau, abs=5e-4)
    assert got["total_peep_cmh2o"] == pytest.approx(total_peep, abs=5e-4)
    assert got["intrinsic_peep_cmh2o"] == pytest.approx(total_peep - settings["peep_cmh2o"], abs=5e-4)
    assert got["end_inspiratory_flow_l_per_min"] == pytest.approx(end_flow, abs=2e-3)
    assert got["peak_pressure_cmh2o"] == pytest.approx(
        settings["peep_cmh2o"] + settings["pressure_above_peep_cmh2o"], abs=5e-4
    )


@pytest.mark.parametrize(
    ("patient", "settings", "trapped", "plateau", "peak"),
    [
        (lung("A", 30, 12, 12), volume(12, 400, 25, 0.8, pause_s=0.2), 4.7533, 25.4918, 33.4918),
        (lung("A", 60, 20, 30), volume(5, 450, 16, 0.9), 116.2440, 14.4374, 24.4374),
    ],
    ids=["ards-like", "copd-like"],
)
def test_one_lung_under_volume_control(
    patient: dict[str, Any], settings: dict[str, Any], trapped: float, plateau: float, peak: float
) -> None:
    got = solve([patient], settings)["patients"][0]
    assert got["tidal_volume_ml"] == pytest.approx(settings["tidal_volume_ml"], rel=1e-4)
    assert got["intrinsic_peep_cmh2o"] * patient["compliance_ml_per_cmh2o"] == pytest.approx(trapped, rel=2e-4)
    assert got["plateau_cmh2o"] == pytest.approx(plateau, abs=2e-3)
    assert got["peak_pressure_cmh2o"] == pytest.approx(peak, abs=2e-3)


def test_a_pressure_source_serves_each_lung_alone() -> None:
    patients = [lung(label, c, 12, 12) for label, c in (("A", 20), ("B", 40), ("C", 60))]
    got = solve(patients, pressure(10, 15, 20, 1.0))["patients"]
    assert [p["tidal_volume_ml"] for p in got] == pytest.approx([295.279, 518.148, 643.555], rel=1e-4)
    assert [p["intrinsic_peep_cmh2o"] for p in got] == pytest.approx([0.0035, 0.2040, 0.7111], abs=5e-4)
    assert [p["plateau_cmh2o"] for p in got] == pytest.approx([24.7675, 23.1577, 21.4370], abs=1e-3)


@pytest.mark.parametrize(
    ("one", "two", "expected"),
    [((30, 12), (60, 12), (322.698, 477.302)), ((40, 10), (40, 25), (491.242, 308.758))],
    ids=["unequal compliance", "unequal resistance"],
)
def test_a_volume_source_splits_between_two_lungs(
    one: tuple[float, float], two: tuple[float, float], expected: tuple[float, float]
) -> None:
    # 0.8 L/s for 1 s; the long expiration lets both start from the same pressure.
    patients = [lung(label, c, r, r) for label, (c, r) in (("A", one), ("B", two))]
    got = solve(patients, volume(5, 800, 4, 1.0))["patients"]
    assert [p["tidal_volume_ml"] for p in got] == pytest.approx(expected, rel=1e-4)


def test_rise_time_matches_the_ramp_formula() -> None:
    # A ramp of slope s into one lung: v = C s (t - tau (1 - exp(-t/tau))), then the step response.
    tau, compliance, above, rise, inspiration = 0.36, 0.03, 15.0, 0.2, 0.8
    at_rise = compliance * above / rise * (rise - tau * (1 - exp(-rise / tau)))
    a = exp(-(inspiration - rise) / tau)
    from_rest = compliance * above * (1 - a) + at_rise * a
    # Gas left from the last breath decays through all of this breath.
    kept, b = exp(-inspiration / tau), exp(-(2.4 - inspiration) / tau)
    at_ti = from_rest / (1 - kept * b)
    got = solve([lung("A", 30, 12, 12)], pressure(10, above, 25, inspiration, rise_time_s=rise))["patients"][0]
    assert got["tidal_volume_ml"] == pytest.approx(1000 * at_ti * (1 - b), rel=5e-5)


def test_a_peak_flow_cap_that_always_binds_gives_flow_times_time() -> None:
    settings = pressure(5, 30, 12, 1.0, max_peak_flow_l_per_min=18)
    got = solve([lung("A", 60, 10, 10)], settings)
    assert got["patients"][0]["tidal_volume_ml"] == pytest.approx(300, rel=1e-4)
    assert got["ventilator"]["delivered_tidal_volume_ml"] == pytest.approx(300, rel=1e-7)


def test_decelerating_flow_delivers_its_volume_also_beneath_a_cap() -> None:
    settings = volume(5, 500, 12, 1.0, flow_shape="decelerating")
    got = solve([lung("A", 60, 10, 10)], settings)
    assert got["ventilator"]["delivered_tidal_volume_ml"] == pytest.approx(500, rel=1e-7)
    assert got["patients"][0]["end_inspiratory_flow_l_per_min"] == pytest.approx(0, abs=0.05)
    # From 1 L/s down to 0, cut at 0.6 L/s: the triangle above the cut is (1 - 0.6)^2 of the volume.
    got = solve([lung("A", 60, 10, 10)], settings | {"max_peak_flow_l_per_min": 36})
    assert got["ventilator"]["delivered_tidal_volume_ml"] == pytest.approx(500 * (1 - 0.4**2), rel=1e-7)


def test_a_pressure_limit_turns_volume_control_into_pressure_control() -> None:
    patient, circuit = lung("A", 30, 12, 12), IDEAL
    limited = solve([patient], volume(12, 5000, 25, 0.8, pressure_limit_cmh2o=27), circuit)["patients"][0]
    assert limited["tidal_volume_ml"] == pytest.approx(397.0277, rel=1e-4)
    assert limited["peak_pressure_cmh2o"] == pytest.approx(27, abs=1e-3)


def test_every_quadratic_drop_adds_up_at_the_end_of_constant_flow() -> None:
    flow = 0.5
    patient = lung("A", 30, 12, 12, quadratic_resistance_cmh2o_s2_per_l2=4, restrictor_cmh2o_s2_per_l2=30)
    circuit = REAL | {"splitter_compliance_ml_per_cmh2o": 0, "wye_compliance_ml_per_cmh2o": 0}
    got = solve([patient], volume(5, 450, 15, 0.9), circuit)
    wye = got["patients"][0]["peak_pressure_cmh2o"]
    # The wye's residual volume (1e-6 L/cmH2O) keeps the flow from being exactly 0.5 L/s.
    assert wye - got["patients"][0]["plateau_cmh2o"] == pytest.approx(12 * flow + 4 * flow**2, abs=1e-3)
    limb = 0.5 + (1.5 + 2.0) * flow + (1.5 + 30) * flow**2
    assert got["ventilator"]["peak_pressure_cmh2o"] - wye == pytest.approx(limb, abs=2e-3)


@pytest.mark.parametrize("bias", [0, 6])
def test_a_long_expiration_ends_at_peep_plus_valves_plus_the_drop_of_the_bias_flow(bias: float) -> None:
    patient = lung("A", 20, 8, 8, peep_valve_cmh2o=4)
    settings = pressure(5, 12, 3, 1.0, bias_flow_l_per_min=bias)
    got = solve([patient], settings, REAL)
    flow = bias / 60
    drop = (1.5 + 0.5 + 2.0) * flow + (0.8 + 1.5) * flow**2
    assert got["patients"][0]["total_peep_cmh2o"] == pytest.approx(5 + 0.5 + 4 + drop, abs=1e-6)
    assert got["patients"][0]["intrinsic_peep_cmh2o"] == pytest.approx(0.5 + drop, abs=1e-6)
    delivered = got["ventilator"]["delivered_tidal_volume_ml"] + bias * 1000 * 19 / 60
    assert got["ventilator"]["exhaled_volume_ml"] == pytest.approx(delivered, rel=1e-6)


def test_compensation_adds_what_the_circuit_takes_at_the_peak() -> None:
    patients = [lung("A", 30, 12, 12), lung("B", 45, 14, 16)]
    got = solve(patients, volume(8, 800, 20, 0.9, circuit_compensation="on"), REAL)["ventilator"]
    # Two splitters of 0.5 and two wyes of 1.5 mL/cmH2O.
    expected = 800 + 4.0 * (got["peak_pressure_cmh2o"] - 8)
    assert got["delivered_tidal_volume_ml"] == pytest.approx(expected, rel=1e-7)


def test_gas_is_reversed_only_where_valves_let_it() -> None:
    patients = [lung("A", 20, 12, 12), lung("B", 60, 20, 30)]
    settings = pressure(8, 15, 25, 0.8)
    leaky = REAL | {"valves": REAL["valves"] | {"back_leak_l_per_s_per_cmh2o": 0.002}}
    tight, leaking, none = (
        [p["backflow_ml"] for p in solve(patients, settings, circuit)["patients"]]
        for circuit in (REAL, leaky, REAL | {"valves": "none"})
    )
    assert tight == [0, 0]
    assert min(leaking) > 0
    assert max(leaking) < min(none)


# A pressure limit, bias flow and all kinds of valve, two to four patients.
LAW_IDS = ("s005", "s009", "s022", "s003")


@pytest.mark.parametrize("scenario", [e for e in SCENARIOS if e["id"] in LAW_IDS], ids=lambda e: e["id"])
def test_stored_answers_are_the_referees_and_do_not_depend_on_the_order_of_patients(
    scenario: dict[str, Any],
) -> None:
    case = scenario["case"]
    turned = solve_case(case | {"patients": case["patients"][::-1]}, start_offset_cmh2o=-2)
    assert abs(turned["check"]["volume_balance_ml"]) < 1e-3
    for got, expected in zip(turned["patients"][::-1], scenario["answer"]["patients"], strict=True):
        assert got["label"] == expected["label"]
        for name, value in expected.items():
            if name != "label":
                assert got[name] == pytest.approx(value, rel=2e-6, abs=2e-6), name
    for name, value in scenario["answer"]["ventilator"].items():
        assert turned["ventilator"][name] == pytest.approx(value, rel=2e-6), name


def test_every_stored_answer_is_a_settled_breath() -> None:
    assert len(SCENARIOS) >= 40
    for scenario in SCENARIOS:
        check = scenario["check"]
        # 0.001 % of the tidal volume would be 1e-5.
        assert check["remaining_part_of_tidal_volume"] < 1e-6, scenario["id"]
        assert check["other_start_part_of_tidal_volume"] < 1e-6, scenario["id"]
        assert check["radau_difference_part_of_tidal_volume"] < 2e-6, scenario["id"]
