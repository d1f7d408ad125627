"""The bench: its baselines are right, its stored groups are the referee's, its answer can be compared with another."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from airyoke.breath import layout as at
from airyoke.breath.engine import settle
from airyoke.cli import main
from airyoke.cli.bench import bench_page
from airyoke.cli.page import page_for_stdout
from airyoke.contract.bench_answer import BenchAnswer
from airyoke.speed.baselines import Problem, settle_by_lsoda, slope_numba, slope_numpy
from airyoke.speed.scenarios import errors, stacked, stored_scenarios
from airyoke.speed.spice import has_circuit, settle_by_spice

REFEREE = json.loads((Path(__file__).parents[1] / "data" / "engine_scenarios_four.json").read_text("utf-8"))
STORED = Path(__file__).parents[2] / "benchmarks"
SCENARIOS = stored_scenarios()


def error_of(scenario, settled):
    rows = (settled.tidal_volume_ml, settled.plateau_cmh2o, settled.total_peep_cmh2o)
    return errors((scenario,), *(np.array([row]) for row in rows))


def test_the_stored_groups_are_the_referee_s_first():
    assert len(SCENARIOS) == 24
    for one, referee in zip(SCENARIOS, REFEREE["scenarios"], strict=False):
        assert one.id == referee["id"]
        volumes = [p["tidal_volume_ml"] for p in referee["answer"]["patients"]]
        np.testing.assert_allclose(one.tidal_volume_ml, volumes, atol=1e-5)
        compliances = [p["compliance_ml_per_cmh2o"] for p in referee["case"]["patients"]]
        np.testing.assert_allclose(one.lungs.compliance_ml_per_cmh2o[0], compliances)


@pytest.mark.parametrize("slope", [slope_numpy, slope_numba], ids=["numpy", "numba"])
def test_the_general_purpose_solver_is_no_straw_man(slope):
    for scenario in (SCENARIOS[0], SCENARIOS[2]):
        error = error_of(scenario, settle_by_lsoda(Problem.of(scenario), slope))
        assert error.largest_volume_pct < 0.2
        assert error.largest_pressure_cmh2o < 0.02


def test_both_right_hand_sides_are_the_same_equations():
    rng = np.random.default_rng(3)
    for scenario in SCENARIOS:
        problem = Problem.of(scenario)
        elastance = problem.lungs[:, at.ELASTANCE]
        for phase in problem.phases:
            y = np.concatenate([rng.uniform(2.0, 30.0, 6), rng.uniform(2.0, 30.0, 4) / elastance])
            t = float(rng.uniform(0.0, phase[at.DURATION]))
            rest = (problem.limbs, problem.trunk, problem.lungs, phase, problem.peep, problem.flow_limit, 1.01)
            np.testing.assert_allclose(slope_numba(t, y, *rest), slope_numpy(t, y, *rest), rtol=1e-10, atol=1e-9)


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_the_netlist_is_the_same_group():
    scenario = next(one for one in SCENARIOS if has_circuit(one))
    error = error_of(scenario, settle_by_spice(Problem.of(scenario), scenario, 10))
    assert error.largest_volume_pct < 0.5
    assert error.largest_pressure_cmh2o < 0.05


def test_one_thread_and_two_give_the_same_bits_for_every_output():
    lungs = stacked(SCENARIOS)
    which = np.arange(len(SCENARIOS))
    networks, settings = [s.network for s in SCENARIOS], [s.settings for s in SCENARIOS]
    one, two = (
        settle(networks, settings, lungs, network_of=which, settings_of=which, holds=True, threads=threads)
        for threads in (1, 2)
    )
    for name in one.__dataclass_fields__:
        a, b = getattr(one, name), getattr(two, name)
        if name.endswith("hold"):
            a, b = np.column_stack([a.wyes, a.inspiratory_side]), np.column_stack([b.wyes, b.inspiratory_side])
        np.testing.assert_array_equal(a, b, err_msg=name)


@pytest.mark.parametrize("file", sorted(STORED.glob("*.json")), ids=lambda file: file.stem)
def test_stored_results_can_be_compared_with_what_the_bench_writes_now(file):
    stored = BenchAnswer.model_validate_json(file.read_bytes())
    assert stored.threads_agree
    assert {"engine, one thread", "LSODA, numpy", "LSODA, numba"} <= {one.name for one in stored.solvers}


def test_the_page_shows_every_solver_and_wait_beside_an_earlier_result():
    answer = BenchAnswer.model_validate_json(sorted(STORED.glob("*.json"))[0].read_bytes())
    page = page_for_stdout()
    bench_page(page, answer, answer)
    text = page.rendered()
    for one in (*answer.solvers, *answer.times):
        assert one.name in text
    assert text.count("1.00") >= len(answer.solvers) + len(answer.times)
    assert max(len(line) for line in text.splitlines()) <= 100


def test_something_else_to_compare_with_is_refused_before_anything_is_measured(tmp_path, capsys):
    other = tmp_path / "other.json"
    other.write_text('{"schema": "airyoke/plan/1"}')
    assert main(["bench", "--against", str(other)]) == 2
    assert "other.json: it is not an answer of airyoke bench --json" in capsys.readouterr().err
    assert main(["bench", "--against", str(tmp_path / "nothing.json")]) == 2
    assert main(["bench", "--scenarios", "0"]) == 2
