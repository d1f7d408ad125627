"""Every fault of a group with whom it hurts, how soon, and whether any alarm tells: silent and harmful ones first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.faults.alarm_report import AlarmReport, alarm_report, danger_weight, in_time_s
from airyoke.faults.alarms import Before, Verdict
from airyoke.faults.best_limits import Danger
from airyoke.faults.card import FaultCard, card_of
from airyoke.faults.catalogue import Group, faults_of
from airyoke.faults.fault import Fault
from airyoke.faults.gas_reserve import GasReserve
from airyoke.faults.harm import (
    GAS_KINDS,
    PRIORITIES,
    Already,
    Harm,
    Priority,
    already_outside,
    harms_of,
    priority_of_reasoned,
)
from airyoke.faults.runs import FaultRun, FaultRuns, run_faults
from airyoke.faults.watching import Watch
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import sample_group
from airyoke.lungs.patient import Patient
from airyoke.plan.alarm_system import AlarmSystem, Limits

DRAWS: Final = 64

Standing = Literal["silent", "uncertain", "late", "told", "no alarm known", "harmless", "not computed"]
# The order in which a page shows them: what nothing tells first.
STANDINGS: Final[tuple[Standing, ...]] = (
    "silent", "late", "uncertain", "no alarm known", "told", "harmless", "not computed",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class FaultFinding:
    """One fault of the group.

    standing
        ``silent``: it harms and no alarm is to be relied on · ``late``: alarms sound after the harm · ``uncertain``:
        they may · ``told``: they nearly always do, in time · ``no alarm known``: not from the engine · ``harmless``:
        nobody is hurt within the stated bounds · ``not computed``: its breaths never settled.
    verdict
        At the planned limits; ``None`` where nothing was computed.
    best_caught
        How likely an alarm sounds in time at the best limits; ``None`` where nobody is hurt.
    """

    run: FaultRun
    harms: tuple[Harm, ...]
    priority: Priority | None
    standing: Standing
    verdict: Verdict | None
    best_caught: float | None


@dataclass(frozen=True, slots=True)
class FaultReport:
    """The answer: findings in the order in which they matter, the alarms, and the card. ``outside``: hard bounds that
    the group breaks while nothing is wrong."""

    patients: tuple[Patient, ...]
    settings: Settings
    build: str
    draws: int
    seed: int
    runs: FaultRuns
    outside: tuple[Already, ...]
    findings: tuple[FaultFinding, ...]
    alarms: AlarmReport
    card: FaultCard


def report_faults(
    patients: Sequence[Patient],
    build: Build,
    settings: Settings,
    *,
    restrictors_cmh2o_s2_per_l2: Sequence[float] | None = None,
    alarms: Limits | None = None,
    system: AlarmSystem | None = None,
    policy: Policy | None = None,
    draws: int = DRAWS,
    seed: int = 0,
    structural: bool = True,
) -> FaultReport:
    """Every fault of a group at these settings.

    ``restrictors_cmh2o_s2_per_l2``: what the build's limbs contain of restrictors, for those that slip. ``alarms``: the
    limits as dialled, by default those that a plan would dial; ``system`` how this machine's alarms work. Raises
    ``ArithmeticError`` where the group itself finds no settled breath, ``Refused`` for limits that the dials lack.
    """
    policy = Policy() if policy is None else policy
    restrictors = (0.0,) * len(patients) if restrictors_cmh2o_s2_per_l2 is None else tuple(restrictors_cmh2o_s2_per_l2)
    group = sample_group(patients, build, policy.assumptions, draws, seed, structural=structural)
    system = system or AlarmSystem()
    faults = faults_of(Group(build, settings, restrictors))
    runs = run_faults(group, settings, faults, limits=alarms, system=system)
    reserve = GasReserve(runs)
    harms = {run.fault.id: harms_of(run, runs, policy, reserve) for run in runs.runs}
    judged = _alarms(runs, harms, policy, seed, system)
    findings = [_finding(run, harms[run.fault.id], judged) for run in runs.runs]
    return FaultReport(
        tuple(patients), settings, build.name, draws, seed, runs, already_outside(runs, policy),
        tuple(sorted(findings, key=_order)), judged, card_of(runs, reserve),
    )  # fmt: skip


def _alarms(
    runs: FaultRuns, harms: dict[str, tuple[Harm, ...]], policy: Policy, seed: int, system: AlarmSystem
) -> AlarmReport:
    compliance = runs.group.build.network.compliance_ml_per_cmh2o
    before = Before.of(runs.shown, Watch(runs.settings, compliance, system, seed=seed))
    dangers = [
        Danger(run.fault.id, run.shown, _weight(run.fault, hurt, policy), _within(hurt, policy))
        for run, hurt in ((run, harms[run.fault.id]) for run in runs.runs)
        if run.shown is not None
    ]
    return alarm_report(dangers, before, runs.limits, policy)


def _weight(fault: Fault, harms: Sequence[Harm], policy: Policy) -> float:
    weights = [danger_weight(one.priority, policy) * one.probability for one in harms]
    if fault.reasoned is not None:
        weights.append(danger_weight(priority_of_reasoned(fault.reasoned), policy))
    return max(weights, default=0.0)


def _within(harms: Sequence[Harm], policy: Policy) -> float:
    return in_time_s(min(_until_gas_fails(harms), default=None), policy)


def _until_gas_fails(harms: Sequence[Harm]) -> list[float]:
    """Until blood gases are out of bounds. What overstretches or loses PEEP does so from a breath on, and harms with
    every further one."""
    times = [one.seconds.value for one in harms if one.seconds is not None and one.kind in GAS_KINDS]
    return [one for one in times if one > 0.0]


def _finding(run: FaultRun, harms: tuple[Harm, ...], alarms: AlarmReport) -> FaultFinding:
    verdict = alarms.verdicts.get(run.fault.id)
    best = None if alarms.proof is None else alarms.proof.caught_of.get(run.fault.id)
    reasoned = run.fault.reasoned
    found = [one.priority for one in harms]
    if reasoned is not None:
        found.append(priority_of_reasoned(reasoned))
    priority = PRIORITIES[min(map(PRIORITIES.index, found))] if found else None
    return FaultFinding(run, harms, priority, _standing(run.fault, harms, verdict), verdict, best)


def _standing(fault: Fault, harms: Sequence[Harm], verdict: Verdict | None) -> Standing:
    if verdict is None:
        return "not computed" if fault.from_engine else "no alarm known"
    if not harms and fault.reasoned is None:
        return "harmless"
    if verdict.silent:
        return "silent"
    times = _until_gas_fails(harms)
    if verdict.seconds is not None and times and verdict.seconds > min(times):
        return "late"
    return "told" if verdict.sure else "uncertain"


def _order(one: FaultFinding) -> tuple[int, int, float]:
    urgency = len(PRIORITIES) if one.priority is None else PRIORITIES.index(one.priority)
    times = _until_gas_fails(one.harms)
    return STANDINGS.index(one.standing), urgency, min(times, default=float("inf"))
