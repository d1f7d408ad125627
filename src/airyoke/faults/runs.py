"""Every fault of a group breathed through: all faults times all draws in one call of the engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import FINE, Accuracy, Breath, LungMechanics, pack, settle
from airyoke.breath.settings import Settings
from airyoke.circuit.network import FlowNetwork
from airyoke.faults.fault import Effect, Fault
from airyoke.faults.shown import Shown
from airyoke.limits.prediction import GroupOutcome, SampledGroup, drawn_networks, outcome_of

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# A machine cannot give endless flow, nor push without end: what is taken where nothing is said; from memory.
PEAK_FLOW_L_PER_MIN: Final = 120.0
PRESSURE_LIMIT_CMH2O: Final = 60.0
LASTS_S: Final = 120.0
MOST_SHUNT: Final = 0.95
# Where gas is lost most volumes are next to nothing, and a ten-thousandth of the largest is too little to ask for.
OPEN_ACCURACY: Final = Accuracy(coarse=0.3, final=0.05, stop=1e-3)
EXPIRATORY_SPLITTER: Final = 1  # its place among the pressures at the end of a breath


@dataclass(frozen=True, slots=True)
class FaultRun:
    """One fault breathed through. ``outcome``: the breaths once they repeat, ``None`` where no breath comes (the
    machine stands still) or nothing could be computed (``reasoned`` faults; breaths that never settled)."""

    fault: Fault
    settings: Settings
    outcome: GroupOutcome | None
    shown: Shown | None


@dataclass(frozen=True, slots=True)
class FaultRuns:
    """The group as it should be, and with each of its faults."""

    group: SampledGroup
    settings: Settings
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


def run_faults(group: SampledGroup, settings: Settings, faults: Sequence[Fault]) -> FaultRuns:
    """Breathe the group as it is and with each fault, over all its draws. ``settings`` as dialled.

    Raises ``ArithmeticError`` where the group itself finds no settled breath.
    """
    as_it_is = Effect()
    dialled = machine_of_faults(settings, as_it_is)
    breathing = [(fault, fault.effect) for fault in faults if fault.effect is not None and not fault.effect.stops]
    every = [as_it_is, *(effect for _, effect in breathing)]
    breaths = _breathe(group, settings, every)
    if not breaths[0].settled[0]:
        raise ArithmeticError("no settled breath was found for the group as it is")
    rows = np.arange(group.draws + 1)
    outcomes: list[GroupOutcome] = []
    for effect, mine in zip(every, breaths, strict=True):
        with_fault = machine_of_faults(settings, effect)
        outcomes.append(
            outcome_of(
                _changed(group, effect), [with_fault], mine, rows=rows, settings_of=np.zeros(len(rows), np.int64)
            )
        )
    by_fault = {fault.id: outcome for (fault, _), outcome in zip(breathing, outcomes[1:], strict=True)}
    shown = shown_of(outcomes[0])
    runs = tuple(_run(fault, by_fault.get(fault.id), dialled, shown) for fault in faults)
    return FaultRuns(group, dialled, outcomes[0], shown, runs)


def _run(fault: Fault, outcome: GroupOutcome | None, settings: Settings, baseline: Shown) -> FaultRun:
    if fault.effect is not None and fault.effect.stops:
        return FaultRun(fault, settings, None, standstill(baseline))
    if outcome is None:
        return FaultRun(fault, settings, None, None)
    if not outcome.breath.settled[0]:
        return FaultRun(fault, outcome.settings[0], None, None)
    return FaultRun(fault, outcome.settings[0], outcome, shown_of(outcome))


def _breathe(group: SampledGroup, settings: Settings, every: Sequence[Effect]) -> list[Breath]:
    """One breath of all draws for each effect. Two calls: the engine takes longer over networks with holes in them."""
    networks = [group.build.network if one.network is None else one.network(group.build.network) for one in every]
    holed = [bool(network.openings) or _turned(network) for network in networks]
    found: dict[int, Breath] = {}
    for with_holes in (False, True):
        chosen = [number for number, one in enumerate(holed) if one == with_holes]
        if chosen:
            accuracy = OPEN_ACCURACY if with_holes else FINE
            breath = _in_one_call(group, settings, [every[n] for n in chosen], [networks[n] for n in chosen], accuracy)
            rows = group.draws + 1
            found |= {n: _rows_of(breath, place * rows, (place + 1) * rows) for place, n in enumerate(chosen)}
    return [found[number] for number in range(len(every))]


def _turned(network: FlowNetwork) -> bool:
    valves = [valve for limb in network.limbs for valve in (limb.inspiratory_valve, limb.expiratory_valve)]
    return any(valve is not None and valve.reversed for valve in valves)


def _in_one_call(
    group: SampledGroup, settings: Settings, effects: Sequence[Effect], networks: Sequence[FlowNetwork],
    accuracy: Accuracy,
) -> Breath:  # fmt: skip
    rows = np.arange(group.draws + 1)
    every: list[FlowNetwork] = []
    network_of: list[Integers] = []
    for network in networks:
        drawn = drawn_networks(replace(group.build, network=network), group.draws, group.seed)
        network_of.append(len(every) + np.minimum(rows, len(drawn) - 1))
        every += drawn
    return settle(
        pack(every),
        [machine_of_faults(settings, effect) for effect in effects],
        _stacked([_lungs(group.lungs, effect) for effect in effects]),
        network_of=np.concatenate(network_of),
        settings_of=np.repeat(np.arange(len(effects)), len(rows)),
        accuracy=accuracy,
    )


def _lungs(lungs: LungMechanics, effect: Effect) -> LungMechanics:
    change = effect.lungs
    if change is None:
        return lungs

    def one(values: Floats, factor: float) -> Floats:
        changed = values.copy()
        changed[:, change.lane] *= factor
        return changed

    return replace(
        lungs,
        compliance_ml_per_cmh2o=one(lungs.compliance_ml_per_cmh2o, change.compliance),
        inspiratory_resistance_cmh2o_s_per_l=one(lungs.inspiratory_resistance_cmh2o_s_per_l, change.resistance),
        expiratory_resistance_cmh2o_s_per_l=one(lungs.expiratory_resistance_cmh2o_s_per_l, change.resistance),
        quadratic_resistance_cmh2o_s2_per_l2=one(lungs.quadratic_resistance_cmh2o_s2_per_l2, change.resistance),
    )


def _stacked(lungs: Sequence[LungMechanics]) -> LungMechanics:
    return LungMechanics(
        np.concatenate([one.compliance_ml_per_cmh2o for one in lungs]),
        np.concatenate([one.inspiratory_resistance_cmh2o_s_per_l for one in lungs]),
        np.concatenate([one.expiratory_resistance_cmh2o_s_per_l for one in lungs]),
        np.concatenate([one.quadratic_resistance_cmh2o_s2_per_l2 for one in lungs]),
    )


def _rows_of(breath: Breath, first: int, last: int) -> Breath:
    some = slice(first, last)
    return replace(
        breath,
        **{
            name: getattr(breath, name)[some]
            for name in Breath.__dataclass_fields__
            if getattr(breath, name) is not None
        },
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


def shown_of(outcome: GroupOutcome, lasts_s: float = LASTS_S) -> Shown:
    """What the sensors show if the settled breath repeats from the fault on."""
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
