"""The alarm column of the bench check: which alarm each step should set off, after how many seconds, or that none will.

The limits are those that the plan's rule gives for the test lungs, with circuit compensation off, as the bench check
reads its volumes. Test lungs do not scatter; the machine's sensors do. The breath that comes after a step is taken
to be the settled one: seconds are those of a machine that meets it at once.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from airyoke.bench_check import Check, CircuitReport, bench_steps, breathe_bench, judge
from airyoke.breath.engine import Breath
from airyoke.breath.settings import Settings
from airyoke.circuit.reduction import network_of
from airyoke.faults.alarms import SILENT_BELOW, Before, Verdict, verdict
from airyoke.faults.shown import Shown
from airyoke.faults.watching import Scatter, Watch
from airyoke.plan.alarm_system import AlarmSystem, Limits
from airyoke.plan.alarms import alarm_limits, limits_of

LASTS_S = 60.0  # how long somebody waits for an alarm at the bench; judgement
LATER_BREATHS = 2  # an alarm may come this much later than expected
BENCH_SCATTER = Scatter(patient_volume=0.0)
BENCH_PATHS = 64


def with_alarms(report: CircuitReport, system: AlarmSystem | None = None) -> CircuitReport:
    """The report with its alarm checks filled in, and typed readings judged by them. A step whose breath never settled
    is left to be written down.

    Raises ``ArithmeticError`` where the engine found no settled breath.
    """
    settings = replace(report.settings, circuit_compensation="off")
    breath = breathe_bench(report.path, settings, report.lungs)
    if not breath.settled[0]:
        raise ArithmeticError("no settled breath was found for the build with its test lungs")
    compliance = network_of(report.path).compliance_ml_per_cmh2o
    watch = Watch(settings, compliance, system or AlarmSystem(), BENCH_SCATTER, paths=BENCH_PATHS)
    before = Before.of(_shown(breath, 0, settings), watch)
    planned = limits_of(
        alarm_limits(
            settings, [float(v) for v in breath.tidal_volume_ml[0]], float(breath.exhaled_ml[0]),
            peak_cmh2o=float(breath.ventilator_peak_cmh2o[0]), system=watch.system,
        )
    )  # fmt: skip
    verdicts = {
        f"{step}.alarm": verdict(before, _shown(breath, run, settings), planned)
        for run, step in enumerate(bench_steps(report.path))
        if run > 0 and breath.settled[run]
    }
    checks = tuple(
        _filled(one, verdicts[one.id], watch, planned) if one.id in verdicts else one for one in report.checks
    )  # fmt: skip
    readings = {check.id: value for check, value, _ in report.judged}
    return replace(report, checks=checks, judged=judge(checks, readings))


def _filled(check: Check, got: Verdict, watch: Watch, planned: Limits) -> Check:
    if got.first is None or got.seconds is None or got.seconds_high is None or got.probability < SILENT_BELOW:
        return replace(
            check, read="alarm: none to expect; write down any",
            why="silent at the plan's limits: another monitor, or do not share",
        )  # fmt: skip
    name, side = got.first
    latest = got.seconds_high + LATER_BREATHS * watch.settings.period_s
    set_to = f" ({planned[name, side]:g} {watch.system.condition(name, side).unit})" if got.first in planned else ""
    return replace(
        check, read=f"alarm: {side} {name.replace('_', ' ')}{set_to}", expected=got.seconds, low=0.0, high=latest,
        why=f"at the plan's limits; sounds in {100.0 * got.probability:.0f} % of machines within {LASTS_S:g} s",
    )  # fmt: skip


def _shown(breath: Breath, run: int, settings: Settings) -> Shown:
    """The settled breath of one run, over and over."""
    breaths = int(np.ceil(LASTS_S / settings.period_s - 1e-9))

    def all_of(value: float) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        return np.full((1, breaths), value)

    return Shown(
        starts_s=settings.period_s * np.arange(breaths, dtype=np.float64)[None, :],
        inspired_ml=all_of(breath.delivered_ml[run]),
        exhaled_ml=all_of(breath.exhaled_ml[run]),
        peak_cmh2o=all_of(breath.ventilator_peak_cmh2o[run]),
        peep_cmh2o=all_of(settings.peep_cmh2o),
        mean_cmh2o=all_of(settings.peep_cmh2o),
        triggered=np.zeros((1, breaths), np.bool_),
        cut_short=np.zeros((1, breaths), np.bool_),
        fio2=all_of(settings.fio2),
        patients_ml=np.broadcast_to(breath.tidal_volume_ml[run], (1, breaths, breath.tidal_volume_ml.shape[1])),
        lasts_s=LASTS_S,
    )
