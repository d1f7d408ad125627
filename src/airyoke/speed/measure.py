"""The measurement: solvers in turns on the same groups, and the times that people wait."""

from __future__ import annotations

import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from importlib import metadata
from pathlib import Path
from typing import Final

import numpy as np
from llvmlite.binding import get_host_cpu_name

from airyoke import __version__
from airyoke.breath.engine import Breath, pack, settle
from airyoke.contract.answers import caution_answers
from airyoke.contract.bench_answer import BenchAnswer, ErrorsAnswer, MachineAnswer, SolverAnswer, TimeAnswer
from airyoke.contract.case import read_case
from airyoke.quantities.cautions import STANDING
from airyoke.speed.baselines import Problem, Settled, settle_by_lsoda, slope_numba, slope_numpy
from airyoke.speed.scenarios import Errors, StoredScenario, errors, errors_of, stacked, stored_scenarios
from airyoke.speed.spice import has_circuit, settle_by_spice

ONE_THREAD, TWO_THREADS = "engine, one thread", "engine, two threads"
NUMPY, NUMBA, SPICE = "LSODA, numpy", "LSODA, numba", "ngspice"
SPICE_BREATHS: Final = 10  # where no other solver says how many it takes
COPIES: Final = 40  # of the sample in one batch of the engine
WHAT_IF_DRAWS: Final = 64
# Aims for two such cores: what feels like at once, and what a first call may take.
TARGET_WHAT_IF_S, TARGET_START_S, TARGET_HELP_S, TARGET_COLD_S = 0.025, 2.5, 0.3, 20.0

Progress = Callable[[str, int, int], None]


@dataclass(slots=True)
class Runs:
    """Times of one solver, s a scenario, and its answers where it has them."""

    processor: list[float] = field(default_factory=list)
    wall: list[float] = field(default_factory=list)
    answers: list[Settled] = field(default_factory=list)
    scenarios: list[int] = field(default_factory=list)
    reason: str | None = None


def measure(sample: int = 12, progress: Progress = lambda what, done, of: None) -> BenchAnswer:
    """Measure everything with ``sample`` stored groups (1 to 24) for the slow solvers."""
    load_before = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    every = stored_scenarios()
    chosen = every[:sample]
    problems = [Problem.of(one) for one in chosen]
    whole = _Batch(every, COPIES)
    part = _Batch(chosen, COPIES)
    runs = {name: Runs() for name in (ONE_THREAD, TWO_THREADS, NUMBA, NUMPY, SPICE)}
    for name, tool in ((NUMBA, _version("scipy")), (NUMPY, _version("scipy")), (SPICE, shutil.which("ngspice"))):
        runs[name].reason = None if tool else f"{'scipy' if name != SPICE else 'ngspice'} is not installed"
    threads_agree = _same(whole.run(1), whole.run(2))
    if runs[NUMBA].reason is None:
        settle_by_lsoda(problems[0], slope_numba)  # compiled before the clock runs
    # In turns, so that whatever else the machine does falls on all alike.
    for i, (scenario, problem) in enumerate(zip(chosen, problems, strict=True)):
        progress("solvers in turns, group", i + 1, sample)
        _timed(runs[ONE_THREAD], lambda: part.run(1), len(part))
        _timed(runs[TWO_THREADS], lambda: whole.run(2), len(whole))
        breaths = SPICE_BREATHS
        for name, slope in ((NUMBA, slope_numba), (NUMPY, slope_numpy)):
            if runs[name].reason is None:
                breaths = _solve(runs[name], i, partial(settle_by_lsoda, problem, slope))
        if runs[SPICE].reason is None and has_circuit(scenario):
            _solve(runs[SPICE], i, partial(settle_by_spice, problem, scenario, breaths))
    engine = statistics.median(runs[ONE_THREAD].processor)
    return BenchAnswer(
        version=__version__,
        machine=_machine(load_before),
        solvers=[
            _engine_answer(ONE_THREAD, runs[ONE_THREAD], sample, engine, errors_of(chosen, part.first)),
            _engine_answer(TWO_THREADS, runs[TWO_THREADS], len(every), engine, errors_of(every, whole.first)),
            *(_solver_answer(name, runs[name], chosen, engine) for name in (NUMBA, NUMPY, SPICE)),
        ],
        scenarios_per_second=_rounded(1.0 / statistics.median(runs[TWO_THREADS].wall)),
        threads_agree=threads_agree,
        times=_times(progress),
        cautions=caution_answers(STANDING),
    )


class _Batch:
    """Scenarios copied into one call of the engine."""

    def __init__(self, scenarios: tuple[StoredScenario, ...], copies: int) -> None:
        self.networks = pack([one.network for one in scenarios])
        self.settings = tuple(one.settings for one in scenarios)
        self.index = np.tile(np.arange(len(scenarios)), copies)
        self.lungs = stacked(scenarios).rows(self.index)
        self.first = settle(
            self.networks, self.settings, stacked(scenarios),
            network_of=np.arange(len(scenarios)), settings_of=np.arange(len(scenarios)),
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.index)

    def run(self, threads: int) -> Breath:
        """Every copy settled."""
        return settle(
            self.networks, self.settings, self.lungs, network_of=self.index, settings_of=self.index, threads=threads
        )


def _same(one: Breath, other: Breath) -> bool:
    names = ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o", "peak_pressure_cmh2o", "delivered_ml", "steps")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def _timed(runs: Runs, work: Callable[[], object], scenarios: int) -> None:
    wall, processor = time.perf_counter(), _processor_s()
    work()
    runs.wall.append((time.perf_counter() - wall) / scenarios)
    runs.processor.append((_processor_s() - processor) / scenarios)


def _solve(runs: Runs, number: int, work: Callable[[], Settled]) -> int:
    """Time one solver on one group; a failure leaves the rest of its column out and says why."""
    wall, processor = time.perf_counter(), _processor_s()
    try:
        settled = work()
    except (RuntimeError, OSError, subprocess.SubprocessError) as error:
        runs.reason = f"gave up on group {number + 1}: {str(error).splitlines()[0][:80]}"
        return SPICE_BREATHS
    runs.wall.append(time.perf_counter() - wall)
    runs.processor.append(_processor_s() - processor)
    runs.answers.append(settled)
    runs.scenarios.append(number)
    return settled.breaths


def _processor_s() -> float:
    """Processor time of this process and of children that have ended, s."""
    spent = os.times()
    return time.process_time() + spent.children_user + spent.children_system


_WHAT: Final = {
    ONE_THREAD: "this engine, a batch of the sample on one thread",
    TWO_THREADS: "this engine, a batch of all stored groups on two threads",
    NUMBA: "scipy LSODA, rtol 1e-4, plain breaths from PEEP to the engine's own stop; equations compiled by numba",
    NUMPY: "the same with the equations in numpy",
    SPICE: "ngspice in batch at its own tolerances, as many breaths as LSODA needed; pressure control only",
}


def _engine_answer(name: str, runs: Runs, scenarios: int, engine: float, error: Errors) -> SolverAnswer:
    processor = statistics.median(runs.processor)
    return SolverAnswer(
        name=name,
        what=_WHAT[name],
        scenarios=scenarios,
        processor_us=_rounded(1e6 * processor),
        wall_us=_rounded(1e6 * statistics.median(runs.wall)),
        times_the_engine=_rounded(processor / engine),
        errors=_errors_answer(error),
        reason=None,
    )


def _solver_answer(name: str, runs: Runs, chosen: tuple[StoredScenario, ...], engine: float) -> SolverAnswer:
    if not runs.answers:
        return SolverAnswer(
            name=name, what=_WHAT[name], scenarios=0, processor_us=None, wall_us=None, times_the_engine=None,
            errors=None, reason=runs.reason or "no group that it can take",
        )  # fmt: skip
    solved = tuple(chosen[i] for i in runs.scenarios)
    error = errors(
        solved,
        np.array([one.tidal_volume_ml for one in runs.answers]),
        np.array([one.plateau_cmh2o for one in runs.answers]),
        np.array([one.total_peep_cmh2o for one in runs.answers]),
    )
    if len(solved) < len(chosen):
        batch, own = _Batch(solved, COPIES), Runs()
        for _ in range(5):
            _timed(own, lambda: batch.run(1), len(batch))
        engine = statistics.median(own.processor)
    return SolverAnswer(
        name=name,
        what=_WHAT[name],
        scenarios=len(solved),
        processor_us=_rounded(1e6 * statistics.median(runs.processor)),
        wall_us=_rounded(1e6 * statistics.median(runs.wall)),
        times_the_engine=_rounded(statistics.mean(runs.processor) / engine),
        errors=_errors_answer(error),
        reason=runs.reason,
    )


def _errors_answer(error: Errors) -> ErrorsAnswer:
    return ErrorsAnswer(
        median_volume_pct=_rounded(error.median_volume_pct),
        largest_volume_pct=_rounded(error.largest_volume_pct),
        largest_pressure_cmh2o=_rounded(error.largest_pressure_cmh2o),
    )


def _rounded(value: float) -> float:
    return float(f"{value:.3g}")


# Four invented patients, everything that gas exchange needs known.
_WHAT_IF: Final = {
    "patients": [
        {
            "label": label, "sex": "f" if i % 2 else "m", "height_cm": 160 + 5 * i,
            "compliance_ml_per_cmh2o": 32 + 3 * i, "inspiratory_resistance_cmh2o_s_per_l": 11 + i,
            "expiratory_resistance_cmh2o_s_per_l": 13 + i, "vco2_ml_per_min": 200, "airway_dead_space_ml": 110,
            "alveolar_dead_space_fraction": 0.25, "bicarbonate_mmol_per_l": 26, "shunt_fraction": 0.25,
            "haemoglobin_g_per_dl": 11,
            "uncertainty": {
                "compliance_ml_per_cmh2o": {"relative_sd": 0.1},
                "inspiratory_resistance_cmh2o_s_per_l": {"relative_sd": 0.15},
            },
        }
        for i, label in enumerate("ABCD")
    ],
    "circuit": "standard",
    "settings": {
        "mode": "pc", "pressure_above_peep_cmh2o": 15, "peep_cmh2o": 10, "rate_per_min": 22,
        "inspiratory_time_s": 0.9, "fio2": 0.6,
    },
}  # fmt: skip


def _times(progress: Progress) -> list[TimeAnswer]:
    """What a user waits for: first in this process, then new processes with a cache of their own."""
    from airyoke.ward.questions import predict_case

    progress("waiting times", 0, 0)
    text = json.dumps(_WHAT_IF)
    case = read_case(text).to_domain()
    what_if = Runs()
    for _ in range(21):
        _timed(what_if, lambda: predict_case(case.patients, case.build, case.settings, draws=WHAT_IF_DRAWS), 1)
    # The first call also fills tables that stay.
    times = [
        _time_answer(
            "what-if", f"four patients, {WHAT_IF_DRAWS} draws, holds, gases and margins", what_if, 1, TARGET_WHAT_IF_S
        )
    ]
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "NUMBA_CACHE_DIR": folder}

        def command(*words: str) -> None:
            subprocess.run(
                [sys.executable, "-m", "airyoke", *words], input=text, env=environment, capture_output=True, text=True,
                check=True,
            )  # fmt: skip

        for name, what, words, repeats, target in (
            ("cold start", "predict in a new process, the engine compiled first", ("predict", "-"), 1, TARGET_COLD_S),
            ("cached start", "predict in a new process, the engine kept", ("predict", "-"), 5, TARGET_START_S),
            ("help", "--help in a new process", ("--help",), 5, TARGET_HELP_S),
        ):
            progress(name, 0, 0)
            runs = Runs()
            for _ in range(repeats):
                _timed(runs, partial(command, *words), 1)
            times.append(_time_answer(name, what, runs, 0, target))
    return times


def _time_answer(name: str, what: str, runs: Runs, skip: int, target: float | None) -> TimeAnswer:
    wall, processor = runs.wall[skip:], runs.processor[skip:]
    return TimeAnswer(
        name=name,
        what=what,
        wall_s=_rounded(statistics.median(wall)),
        largest_wall_s=_rounded(max(wall)),
        processor_s=_rounded(statistics.median(processor)),
        repeats=len(wall),
        target_s=target,
    )


def _machine(load_before: float) -> MachineAnswer:
    return MachineAnswer(
        processor=f"{_model_name()} ({get_host_cpu_name()})",
        processors=os.cpu_count() or 1,
        load=(_rounded(load_before), _rounded(os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan"))),
        measured_at=datetime.now(UTC).isoformat(timespec="seconds"),
        commit=_commit(),
        python=platform.python_version(),
        numpy=np.__version__,
        numba=_version("numba") or "",
        scipy=_version("scipy"),
        ngspice=_spice_version(),
    )


def _model_name() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text("utf-8").splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    names = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.machine()


def _version(package: str) -> str | None:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return None


def _output(words: Sequence[str]) -> str | None:
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=20)
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout


def _commit() -> str | None:
    """The commit of the source tree that runs, where there is one; ``+`` where files of it were changed."""
    here = str(Path(__file__).resolve().parent)
    commit = _output(("git", "-C", here, "rev-parse", "--short", "HEAD"))
    if commit is None:
        return None
    changed = _output(("git", "-C", here, "status", "--porcelain", "--", ".."))
    return commit.strip() + ("+" if changed else "")


def _spice_version() -> str | None:
    text = _output(("ngspice", "--version")) if shutil.which("ngspice") else None
    found = [word for word in (text or "").split() if word.startswith("ngspice-")]
    return found[0].removeprefix("ngspice-") if found else None
