"""Every fault of a group breathed through from the settled breath before it, all faults times all draws at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.course import Change, Course, Machine, run_course
from airyoke.breath.displayed import displayed_volume_ml
from airyoke.breath.engine import LungMechanics
from airyoke.breath.settings import Settings
from airyoke.circuit.network import FlowNetwork
from airyoke.faults.courses import LASTS_S, FaultCourse, Way, read_course
from airyoke.faults.fault import Effect, Fault
from airyoke.faults.shown import Shown
from airyoke.limits.prediction import GroupOutcome, SampledGroup, outcome_of, packed_draws, predict
from airyoke.plan.alarm_system import AlarmSystem, Limits
from airyoke.plan.alarms import alarm_limits, limits_of

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# A machine cannot give endless flow, nor push without end: what is taken where nothing is said; from memory.
PEAK_FLOW_L_PER_MIN: Final = 120.0
PRESSURE_LIMIT_CMH2O: Final = 60.0
MOST_SHUNT: Final = 0.95
REPEATED: Final = 1e-3  # breaths repeat where no volume changes by more than this part of the largest
BREATHED_S: Final = 60.0  # what still creeps then is taken to stay as it is
# What never comes to rest is breathed for so long, and taken to go on as from then on.
RESTLESS_S: Final = 22.0
AGAIN_FROM_S: Final = 10.0
FIRST_EFFORT_S: Final = 1.0
EXPIRATORY_SPLITTER: Final = 1  # its place among the pressures at the end of a breath


@dataclass(frozen=True, slots=True)
class FaultRun:
    """One fault breathed through.

    outcome
        The breaths once they repeat, or as they are after a minute; ``None`` where no breath comes (the machine
        stands still) or nothing could be computed (``reasoned`` faults; steps that collapsed).
    shown
        What the machine's sensors show from the fault on.
    way
        Breath by breath until they repeat.
    """

    fault: Fault
    settings: Settings
    outcome: GroupOutcome | None
    shown: Shown | None
    way: Way | None = None


@dataclass(frozen=True, slots=True)
class FaultRuns:
    """The group as it should be, and with each of its faults. ``limits``: of the alarms, as dialled."""

    group: SampledGroup
    settings: Settings
    limits: Limits
    baseline: GroupOutcome
    shown: Shown
    runs: tuple[FaultRun, ...]


def machine_of_faults(settings: Settings, effect: Effect) -> Settings:
    """What the machine is dialled to with the fault, and the bounds that every machine has where none is stated.

    Most pressure always; most flow where the fault opens the circuit: what the circuit itself lets through is less.
    """
    dialled = settings if effect.settings is None else effect.settings(settings)
    limit, flow = dialled.pressure_limit_cmh2o, dialled.max_peak_flow_l_per_min
    return replace(
        dialled,
        max_peak_flow_l_per_min=PEAK_FLOW_L_PER_MIN if flow is None and effect.opens else flow,
        pressure_limit_cmh2o=PRESSURE_LIMIT_CMH2O if limit is None else limit,
    )


def run_faults(
    group: SampledGroup, settings: Settings, faults: Sequence[Fault], *, limits: Limits | None = None,
    system: AlarmSystem | None = None,
) -> FaultRuns:  # fmt: skip
    """Breathe the group as it is, and then from the end of its settled breath on with each fault, over all its draws.

    ``settings`` as dialled; ``limits`` of the alarms, by default those that a plan would dial on this ``system``.
    Raises ``ArithmeticError`` where the group itself finds no settled breath.
    """
    dialled = machine_of_faults(settings, Effect())
    baseline = predict(group, [dialled])
    if not baseline.breath.settled[0]:
        raise ArithmeticError("no settled breath was found for the group as it is")
    limits = _as_planned(group, baseline, dialled, system or AlarmSystem()) if limits is None else limits
    effects = [fault.effect for fault in faults if fault.effect is not None and not fault.effect.stops]
    courses = _breathe(group, settings, baseline, effects, limits.get(("airway_pressure", "high")))
    shown = steady(baseline)
    runs = tuple(_run(group, fault, settings, courses, shown) for fault in faults)
    return FaultRuns(group, dialled, limits, baseline, shown, runs)


def _as_planned(group: SampledGroup, baseline: GroupOutcome, settings: Settings, system: AlarmSystem) -> Limits:
    """What a plan would dial."""
    base, compliance = baseline.breath, group.build.network.compliance_ml_per_cmh2o
    displayed = displayed_volume_ml(base.exhaled_ml, base.ventilator_peak_cmh2o, settings, compliance)
    shares = [float(volume) for volume in base.tidal_volume_ml[0]]
    peak = float(base.ventilator_peak_cmh2o[0])
    return limits_of(alarm_limits(settings, shares, float(displayed[0]), peak_cmh2o=peak, system=system))


@dataclass(frozen=True, slots=True)
class _Mechanics:
    """What of an effect the engine sees: faults that differ in oxygen or shunt alone are breathed once."""

    network: FlowNetwork
    swung: FlowNetwork | None
    settings: Settings
    lungs: tuple[int, float, float] | None
    effect: Effect  # for its unrest, trigger and limit; the rest is as of the first of those alike

    @property
    def key(self) -> tuple[object, ...]:
        one = self.effect
        unrest = None if one.unrest is None else (one.unrest.every_s, one.unrest.effort)
        return self.network, self.swung, self.settings, self.lungs, unrest, one.trigger_cmh2o, one.cut_short


def _mechanics(group: SampledGroup, settings: Settings, effect: Effect) -> _Mechanics:
    healthy, unrest, lungs = group.build.network, effect.unrest, effect.lungs
    swings = None if unrest is None else unrest.swings_to
    return _Mechanics(
        healthy if effect.network is None else effect.network(healthy),
        None if swings is None else swings(healthy),
        replace(machine_of_faults(settings, effect), fio2=settings.fio2),
        None if lungs is None else (lungs.lane, lungs.compliance, lungs.resistance),
        effect,
    )


Courses = dict[tuple[object, ...], FaultCourse]


def _breathe(
    group: SampledGroup, settings: Settings, baseline: GroupOutcome, effects: Sequence[Effect], limit: float | None
) -> Courses:
    """The course of each different effect over all draws. Two calls: what comes to rest, and what does not."""
    different = {one.key: one for one in (_mechanics(group, settings, effect) for effect in effects)}
    found: Courses = {}
    for restless in (False, True):
        chosen = [one for one in different.values() if (one.effect.unrest is not None) == restless]
        if not chosen:
            continue
        course = _in_one_call(group, baseline, chosen, limit, RESTLESS_S if restless else BREATHED_S)
        draws = group.draws + 1
        for number, one in enumerate(chosen):
            rows = slice(number * draws, (number + 1) * draws)
            again = AGAIN_FROM_S if restless else None
            found[one.key] = read_course(course, rows, one.settings, again_from_s=again)
    return found


def _in_one_call(
    group: SampledGroup, baseline: GroupOutcome, chosen: Sequence[_Mechanics], limit: float | None, lasts_s: float
) -> Course:
    draws = np.arange(group.draws + 1)
    count = len(draws)
    swings = [one for one in chosen if one.swung is not None]
    every = [*(one.network for one in chosen), *(one.swung for one in swings if one.swung is not None)]
    networks, network_of = packed_draws(group.build, every, group.draws, group.seed)
    lungs: list[LungMechanics] = [group.lungs]
    changes: list[Change] = []
    for number, one in enumerate(chosen):
        runs = number * count + draws
        if one.lungs is not None:
            changes.append(Change(0.0, runs=runs, lungs=len(lungs) * count + draws))
            lungs.append(_changed_lungs(group.lungs, *one.lungs))
        if one.effect.unrest is not None:
            swung = None if one.swung is None else network_of[(len(chosen) + swings.index(one)) * count + draws]
            changes += _unrest(one, runs, network_of[runs], swung, lasts_s)
    return run_course(
        networks,
        [one.settings for one in chosen],
        _stacked(lungs),
        lasts_s,
        changes,
        machines=[
            Machine(one.effect.trigger_cmh2o, high_pressure_limit_cmh2o=limit if one.effect.cut_short else None)
            for one in chosen
        ],
        network_of=network_of[: len(chosen) * count],
        settings_of=np.repeat(np.arange(len(chosen)), count),
        machine_of=np.repeat(np.arange(len(chosen)), count),
        lungs_of=np.tile(draws, len(chosen)),
        start=np.tile(baseline.breath.end, (len(chosen), 1)),
        peak_before_cmh2o=np.tile(baseline.breath.ventilator_peak_cmh2o, len(chosen)),
        repeat=REPEATED,
    )


def _unrest(
    one: _Mechanics, runs: Integers, network: Integers, swung: Integers | None, lasts_s: float
) -> list[Change]:
    unrest = one.effect.unrest
    assert unrest is not None
    found = []
    for at_s in np.arange(FIRST_EFFORT_S, lasts_s - unrest.every_s, unrest.every_s):
        if unrest.effort is not None:
            found.append(Change(float(at_s), runs=runs, effort=unrest.effort))
        if swung is not None:
            found.append(Change(float(at_s), runs=runs, network=swung))
            found.append(Change(float(at_s + 0.5 * unrest.every_s), runs=runs, network=network))
    return found


def _run(group: SampledGroup, fault: Fault, settings: Settings, courses: Courses, baseline: Shown) -> FaultRun:
    effect = fault.effect
    if effect is None:
        return FaultRun(fault, machine_of_faults(settings, Effect()), None, None)
    with_fault = machine_of_faults(settings, effect)
    if effect.stops:
        return FaultRun(fault, with_fault, None, standstill(baseline))
    found = courses[_mechanics(group, settings, effect).key]
    if not found.breath.settled[0]:
        return FaultRun(fault, with_fault, None, None)
    rows = np.arange(group.draws + 1)
    each = [replace(one, fio2=with_fault.fio2) for one in found.settings]
    settings_of = np.zeros(len(rows), np.int64) if len(each) == 1 else rows
    outcome = outcome_of(_changed(group, effect), each, found.breath, rows=rows, settings_of=settings_of)
    shown = replace(found.shown, fio2=np.where(np.isfinite(found.shown.fio2), with_fault.fio2, np.nan))
    return FaultRun(fault, with_fault, outcome, shown, found.way)


def _changed_lungs(lungs: LungMechanics, lane: int, compliance: float, resistance: float) -> LungMechanics:
    def one(values: Floats, factor: float) -> Floats:
        changed = values.copy()
        changed[:, lane] *= factor
        return changed

    return replace(
        lungs,
        compliance_ml_per_cmh2o=one(lungs.compliance_ml_per_cmh2o, compliance),
        inspiratory_resistance_cmh2o_s_per_l=one(lungs.inspiratory_resistance_cmh2o_s_per_l, resistance),
        expiratory_resistance_cmh2o_s_per_l=one(lungs.expiratory_resistance_cmh2o_s_per_l, resistance),
        quadratic_resistance_cmh2o_s2_per_l2=one(lungs.quadratic_resistance_cmh2o_s2_per_l2, resistance),
    )


def _stacked(lungs: Sequence[LungMechanics]) -> LungMechanics:
    return LungMechanics(
        np.concatenate([one.compliance_ml_per_cmh2o for one in lungs]),
        np.concatenate([one.inspiratory_resistance_cmh2o_s_per_l for one in lungs]),
        np.concatenate([one.expiratory_resistance_cmh2o_s_per_l for one in lungs]),
        np.concatenate([one.quadratic_resistance_cmh2o_s2_per_l2 for one in lungs]),
    )


def _changed(group: SampledGroup, effect: Effect) -> SampledGroup:
    """The group as gas exchange sees it: another PEEP valve, more shunt."""
    network = group.build.network if effect.network is None else effect.network(group.build.network)
    build = group.build if network is group.build.network else replace(group.build, network=network)
    shunt = group.shunt_fraction
    if effect.lungs is not None and effect.lungs.shunt_added:
        shunt = shunt.copy()
        shunt[:, effect.lungs.lane] = np.minimum(shunt[:, effect.lungs.lane] + effect.lungs.shunt_added, MOST_SHUNT)
    return replace(group, build=build, shunt_fraction=shunt)


def steady(outcome: GroupOutcome, lasts_s: float = LASTS_S) -> Shown:
    """What the sensors show while the settled breath repeats."""
    breath, settings = outcome.breath, outcome.settings[0]
    count = int(np.ceil(lasts_s / settings.period_s - 1e-9))
    draws, patients = breath.tidal_volume_ml.shape
    shape = (draws, count)

    def repeated(values: Floats) -> Floats:
        return np.broadcast_to(values[:, None], shape)

    share = settings.inspiratory_time_s / settings.period_s
    mean = share * breath.ventilator_peak_cmh2o + (1.0 - share) * settings.peep_cmh2o
    no = np.zeros(shape, np.bool_)
    return Shown(
        starts_s=np.broadcast_to(settings.period_s * np.arange(count), shape),
        inspired_ml=repeated(breath.delivered_ml),
        exhaled_ml=repeated(breath.exhaled_ml),
        peak_cmh2o=repeated(breath.ventilator_peak_cmh2o),
        peep_cmh2o=repeated(breath.end[:, EXPIRATORY_SPLITTER]),
        mean_cmh2o=repeated(mean),
        triggered=no,
        cut_short=no,
        fio2=np.full(shape, settings.fio2),
        patients_ml=np.broadcast_to(breath.tidal_volume_ml[:, None, :], (draws, count, patients)),
        lasts_s=lasts_s,
    )


def standstill(baseline: Shown) -> Shown:
    """A machine that stands still, its alarms but for that of the power failure with it: no breath comes."""
    none = np.full((baseline.draws, 1), np.nan)
    no = np.zeros((baseline.draws, 1), np.bool_)
    patients = np.full((baseline.draws, 1, baseline.patients_ml.shape[2]), np.nan)
    return Shown(none, none, none, none, none, none, no, no, none, patients, baseline.lasts_s, powered=False)
