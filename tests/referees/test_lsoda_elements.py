"""Each element and each setting of the referee against a formula of its own, and gas conserved over a breath."""

from __future__ import annotations

from math import exp
from typing import Any

import pytest

from referees.lsoda import solve_case

# Next to nothing, but enough for a junction's pressure to mean something behind a shut valve.
LITTLE = {"linear": 2e-3, "quadratic": 0}
NEAR_IDEAL = {
    "inspiratory_trunk": LITTLE,
    "expiratory_trunk": LITTLE,
    "inspiratory_limb": LITTLE,
    "expiratory_limb": LITTLE,
    "splitter_compliance_ml_per_cmh2o": 0.01,
    "wye_compliance_ml_per_cmh2o": 0.01,
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


def timing(mode: str, peep: float, rate: float, inspiration: float, **more: Any) -> dict[str, Any]:
    return {
        "mode": mode,
        "peep_cmh2o": peep,
        "rate_per_min": rate,
        "inspiratory_time_s": inspiration,
        **more,
    }


def pressure(peep: float, above: float, rate: float, inspiration: float, **more: Any) -> dict[str, Any]:
    return timing("pc", peep, rate, inspiration, pressure_above_peep_cmh2o=above, **more)


def volume(peep: float, tidal: float, rate: float, inspiration: float, **more: Any) -> dict[str, Any]:
    return timing("vc", peep, rate, inspiration, tidal_volume_ml=tidal, **more)


def solve(
    patients: list[dict[str, Any]], settings: dict[str, Any], circuit: dict[str, Any] = NEAR_IDEAL
) -> dict[str, Any]:
    return solve_case({"patients": patients, "circuit": circuit, "settings": settings})


def test_a_pause_and_constant_flow_give_the_closed_form():
    # C 30, R 12, PEEP 12, 400 mL in 0.6 s, pause 0.2 s, 25 a minute: worked out by hand.
    got = solve([lung("A", 30, 12, 12)], volume(12, 400, 25, 0.8, pause_s=0.2))["patients"][0]
    assert got["tidal_volume_ml"] == pytest.approx(400, rel=1.5e-3)  # the circuit keeps 0.03 mL/cmH2O
    assert got["intrinsic_peep_cmh2o"] == pytest.approx(0.1584, abs=1e-3)
    assert got["plateau_cmh2o"] == pytest.approx(25.4918, abs=0.02)
    assert got["peak_pressure_cmh2o"] == pytest.approx(33.4918, abs=0.03)


@pytest.mark.parametrize(
    ("one", "two", "expected"),
    [((30, 12), (60, 12), (322.698, 477.302)), ((40, 10), (40, 25), (491.242, 308.758))],
    ids=["unequal compliance", "unequal resistance"],
)
def test_constant_flow_splits_between_two_lungs_first_by_resistance_then_by_compliance(one, two, expected):
    # 0.8 L/s for 1 s; the long expiration lets both start from the same pressure.
    patients = [lung(label, c, r, r) for label, (c, r) in (("A", one), ("B", two))]
    got = solve(patients, volume(5, 800, 6, 1.0))["patients"]
    assert [p["tidal_volume_ml"] for p in got] == pytest.approx(expected, rel=1.5e-3)


def test_rise_time_follows_the_ramp_formula():
    # A ramp of slope s into one lung: v = C s (t - tau (1 - exp(-t/tau))), then the step response.
    tau, compliance, above, rise, inspiration = 0.36, 0.03, 15.0, 0.2, 0.8
    at_rise = compliance * above / rise * (rise - tau * (1 - exp(-rise / tau)))
    a = exp(-(inspiration - rise) / tau)
    from_rest = compliance * above * (1 - a) + at_rise * a
    # Gas left from the last breath decays through all of this breath.
    kept, b = exp(-inspiration / tau), exp(-(2.4 - inspiration) / tau)
    at_ti = from_rest / (1 - kept * b)
    got = solve([lung("A", 30, 12, 12)], pressure(10, above, 25, inspiration, rise_time_s=rise))
    assert got["patients"][0]["tidal_volume_ml"] == pytest.approx(1000 * at_ti * (1 - b), rel=1e-3)


def test_a_peak_flow_cap_that_always_binds_gives_flow_times_time():
    settings = pressure(5, 30, 12, 1.0, max_peak_flow_l_per_min=18)
    got = solve([lung("A", 60, 10, 10)], settings)
    assert got["ventilator"]["delivered_tidal_volume_ml"] == pytest.approx(300, rel=1e-7)


def test_decelerating_flow_delivers_its_volume_and_a_cap_cuts_its_triangle():
    settings = volume(5, 500, 12, 1.0, flow_shape="decelerating")
    got = solve([lung("A", 60, 10, 10)], settings)
    assert got["ventilator"]["delivered_tidal_volume_ml"] == pytest.approx(500, rel=1e-7)
    # From 1 L/s down to 0, cut at 0.6 L/s: what is lost is 0.4 squared of the triangle.
    got = solve([lung("A", 60, 10, 10)], settings | {"max_peak_flow_l_per_min": 36})
    assert got["ventilator"]["delivered_tidal_volume_ml"] == pytest.approx(500 * (1 - 0.4**2), rel=1e-7)


def test_a_pressure_limit_that_always_binds_turns_volume_control_into_pressure_control():
    patients = [lung("A", 30, 12, 12), lung("B", 45, 14, 18)]
    limited = solve(patients, volume(12, 9000, 25, 0.8, pressure_limit_cmh2o=27), REAL)["patients"]
    controlled = solve(patients, pressure(12, 15, 25, 0.8), REAL)["patients"]
    for one, other in zip(limited, controlled, strict=True):
        assert one["tidal_volume_ml"] == pytest.approx(other["tidal_volume_ml"], rel=1e-6)


def test_every_drop_adds_up_at_the_end_of_constant_flow():
    flow = 0.5
    patient = lung("A", 30, 12, 12, quadratic_resistance_cmh2o_s2_per_l2=4, restrictor_cmh2o_s2_per_l2=30)
    circuit = REAL | {"splitter_compliance_ml_per_cmh2o": 0.01, "wye_compliance_ml_per_cmh2o": 0.01}
    got = solve([patient], volume(5, 450, 15, 0.9), circuit)
    wye = got["patients"][0]["peak_pressure_cmh2o"]
    plateau = got["patients"][0]["plateau_cmh2o"]
    # Not quite 0.5 L/s: the junctions fill along with the lung.
    assert wye - plateau == pytest.approx(12 * flow + 4 * flow**2, rel=2e-3)
    limb = 0.5 + (1.5 + 2.0) * flow + (1.5 + 30) * flow**2
    assert got["ventilator"]["peak_pressure_cmh2o"] - wye == pytest.approx(limb, rel=2e-3)


@pytest.mark.parametrize("bias", [0, 6])
def test_a_long_expiration_ends_at_peep_plus_valves_plus_the_drop_of_the_bias_flow(bias):
    patient = lung("A", 20, 8, 8, peep_valve_cmh2o=4)
    got = solve([patient], pressure(5, 12, 3, 1.0, bias_flow_l_per_min=bias), REAL)
    flow = bias / 60
    drop = (1.5 + 0.5 + 2.0) * flow + (0.8 + 1.5) * flow**2
    assert got["patients"][0]["total_peep_cmh2o"] == pytest.approx(5 + 0.5 + 4 + drop, abs=1e-6)
    assert got["patients"][0]["intrinsic_peep_cmh2o"] == pytest.approx(0.5 + drop, abs=1e-6)
    in_all = got["ventilator"]["delivered_tidal_volume_ml"] + bias * 1000 * 19 / 60
    assert got["ventilator"]["exhaled_volume_ml"] == pytest.approx(in_all, rel=1e-6)


def test_compensation_adds_what_the_circuit_takes_at_the_peak():
    patients = [lung("A", 30, 12, 12), lung("B", 45, 14, 16)]
    got = solve(patients, volume(8, 800, 20, 0.9, circuit_compensation="on"), REAL)["ventilator"]
    # Two splitters of 0.5 and two wyes of 1.5 mL/cmH2O.
    expected = 800 + 4.0 * (got["peak_pressure_cmh2o"] - 8)
    assert got["delivered_tidal_volume_ml"] == pytest.approx(expected, rel=1e-7)


def test_gas_is_conserved_and_reversed_only_where_valves_let_it():
    patients = [lung("A", 20, 12, 12), lung("B", 60, 20, 30)]
    leaky = REAL | {"valves": REAL["valves"] | {"back_leak_l_per_s_per_cmh2o": 0.002}}
    backflow = []
    for circuit in (REAL, leaky, REAL | {"valves": "none"}):
        got = solve(patients, pressure(8, 15, 25, 0.8), circuit)
        assert abs(got["check"]["volume_balance_ml"]) < 1e-3
        backflow.append([p["backflow_ml"] for p in got["patients"]])
    tight, leaking, none = backflow
    assert tight == [0, 0]
    assert min(leaking) > 0
    assert max(leaking) < min(none)
