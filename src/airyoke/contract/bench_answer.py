"""Measured speeds: `airyoke/bench/1`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke.contract.answers import Answer, NoteAnswer
from airyoke.contract.fields import Frozen


class MachineAnswer(Frozen):
    """Where and when it was measured. ``load``: mean number of running processes before and after."""

    processor: str
    processors: int
    load: tuple[float, float]
    measured_at: str
    commit: str | None
    python: str
    numpy: str
    numba: str
    scipy: str | None
    ngspice: str | None


class ErrorsAnswer(Frozen):
    """Against the stored referee, worst patient of a scenario: % of the tidal volume (of at least 20 mL), cmH2O."""

    median_volume_pct: float
    largest_volume_pct: float
    largest_pressure_cmh2o: float


class SolverAnswer(Frozen):
    """One way to find the settled breath of the same groups of four.

    Times are medians of the rounds, a scenario: ``processor_us`` processor time (holds also on a busy machine),
    ``wall_us`` waiting time. ``times_the_engine``: its processor time on these scenarios over the engine's on one
    thread. ``null``: not run, ``reason`` says why.
    """

    name: str
    what: str
    scenarios: int
    processor_us: float | None
    wall_us: float | None
    times_the_engine: float | None
    errors: ErrorsAnswer | None
    reason: str | None


class TimeAnswer(Frozen):
    """Something that a user waits for, s: median and the largest of ``repeats``; ``target_s`` ``null`` where none."""

    name: str
    what: str
    wall_s: float
    largest_wall_s: float
    processor_s: float
    repeats: int
    target_s: float | None


class BenchAnswer(Answer):
    """Speeds that people feel, and the engine beside general-purpose solvers in the same run."""

    schema_: Annotated[Literal["airyoke/bench/1"], Field(alias="schema")] = "airyoke/bench/1"
    version: str
    machine: MachineAnswer
    solvers: list[SolverAnswer]
    scenarios_per_second: float
    threads_agree: bool
    times: list[TimeAnswer]
    cautions: list[NoteAnswer]
