"""The alarm column of the bench check: which alarm each step should set off, after how many seconds, or that none will.

The limits are those that the plan's rule gives for the test lungs, with circuit compensation off, as the bench check
reads its volumes. Test lungs do not scatter; the machine's sensors do. Every step is a course from the settled breath
before it on, so that the seconds are those of the breaths as they come.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from airyoke.bench_check import Check, CircuitReport, bench_networks, bench_steps, breathe, judge, mechanics_of
from airyoke.breath.course import run_course
from airyoke.circuit.reduction import network_of
from airyoke.faults.alarms import SILENT_BELOW, Before, Verdict, verdict
from airyoke.faults.courses import read_course
from airyoke.faults.runs import REPEATED
from airyoke.faults.shown import Shown
from airyoke.faults.watching import Scatter, Watch
from airyoke.plan.alarm_system import AlarmSystem, Limits
from airyoke.plan.alarms import alarm_limits, limits_of

LASTS_S = 60.0  # how long somebody waits for an alarm at the bench; judgement
LATER_BREATHS = 2  # an alarm may come this much later than expected
BENCH_SCATTER = Scatter(patient_volume=0.0)
BENCH_PATHS = 64


def with_alarms(report: CircuitReport, system: AlarmSystem | None = None) -> CircuitReport:
    """The report with its alarm checks filled in, and typed readings judged by them. A step whose breaths cannot be
    computed is left to be written down.

    Raises ``ArithmeticError`` where the engine found no settled breath.
    """
    settings = replace(report.settings, circuit_compensation="off")
    networks, each = bench_networks(report.path, settings)
    breath = breathe(networks[:1], settings, report.lungs)
    if not breath.settled[0]:
        raise ArithmeticError("no settled breath was found for the build with its test lungs")
    runs = np.arange(len(networks))
    course = run_course(
        networks, each, mechanics_of(report.lungs, len(runs)), LASTS_S, network_of=runs, settings_of=runs,
        start=np.repeat(breath.end, len(runs), axis=0), repeat=REPEATED,
    )  # fmt: skip

    def shown(run: int) -> Shown:
        return read_course(course, slice(run, run + 1), settings, again_from_s=None, lasts_s=LASTS_S).shown

    compliance = network_of(report.path).compliance_ml_per_cmh2o
    watch = Watch(settings, compliance, system or AlarmSystem(), BENCH_SCATTER, paths=BENCH_PATHS)
    before = Before.of(shown(0), watch)
    planned = limits_of(
        alarm_limits(
            settings, [float(v) for v in breath.tidal_volume_ml[0]], float(breath.exhaled_ml[0]),
            peak_cmh2o=float(breath.ventilator_peak_cmh2o[0]), system=watch.system,
        )
    )  # fmt: skip
    verdicts = {
        f"{step}.alarm": verdict(before, shown(run), planned)
        for run, step in enumerate(bench_steps(report.path))
        if run > 0 and not course.failed[run]
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

