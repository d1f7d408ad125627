"""What every hypothesis makes each reading show: all hypotheses times all draws in two calls of the engine, kept.

This is the slow part, once for a group at its settings. Each round is then judged from these tables alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.displayed import displayed_volume_ml
from airyoke.breath.engine import FINE, Accuracy, Breath, LungMechanics, pack, settle
from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.circuit.network import FlowNetwork
from airyoke.faults.changes import shut
from airyoke.faults.fault import Effect
from airyoke.faults.gas_reserve import UNKNOWN_DEAD_SPACE_ML
from airyoke.faults.runs import EXPIRATORY_SPLITTER, MOST_SHUNT, machine_of_faults
from airyoke.limits.prediction import GroupOutcome, SampledGroup, drawn_networks, outcome_of, sample_group
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.gas_exchange import ASSUMED_PACO2_MMHG, ASSUMED_PH, spo2_predicted_pct
from airyoke.lungs.patient import Patient
from airyoke.lungs.stores import StoresAssumptions
from airyoke.watch.gas_after import AIRWAYS, CIRCUIT, GasAfter, gas_after
from airyoke.watch.hypotheses import Drawn, Hypothesis, Sizes, drawn, hypotheses_of

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
DRAWS: Final = 128
# Where gas is lost most volumes are next to nothing, and a ten-thousandth of the largest is too little to ask for.
OPEN_ACCURACY: Final = Accuracy(coarse=0.3, final=0.05, stop=1e-3)
MOST_DEAD_SPACE_SHARE: Final = 0.6  # of a tidal volume, in somebody who was well with it; from memory
FEWEST_DRAWS: Final = 8  # a hypothesis that settles in fewer is not judged


@dataclass(frozen=True, slots=True)
class Expected:
    """Arrays (hypotheses, draws) and (hypotheses, draws, patients); the first hypothesis is "nothing has changed".

    displayed_ml, peak_cmh2o, peep_cmh2o, leak_pct, rate_per_min, fio2
        As sensors without error show them.
    shared_volume_ml
        Each patient's volume while all share, as it reaches the machine's sensor: a leak at the patient is taken off.
    tidal_volume_ml, plateau_cmh2o, total_peep_cmh2o
        Of each patient as they are read with all others clamped: as they are while all share, moved by what clamping
        moves them while nothing is wrong. In volume control nothing is moved: the machine is dialled to one patient's
        volume first.
    ventilation_left
        Alveolar ventilation against that of the same draw before.
    flow_past_dead_space
        Tidal volume of the lung against its dead space: what a CO2 curve needs.
    rebreathed_share
        Gas that comes back through the patient's own branches, more than before, against its tidal volume. Where one
        of its valves has failed at least what the size of the change says: how much CO2 a failed valve gives back
        hangs on eddies that the engine does not know (judgement, no source).
    spo2_shift_pct
        What a changed FiO2 or an added shunt does to saturation, points.
    paco2_ratio, spo2_moved
        How gases move after the change, (hypotheses, draws, patients, minutes): :mod:`airyoke.watch.gas_after`.
    settled
        Rows that may be used.
    """

    displayed_ml: Floats
    peak_cmh2o: Floats
    peep_cmh2o: Floats
    leak_pct: Floats
    rate_per_min: Floats
    fio2: Floats
    shared_volume_ml: Floats
    tidal_volume_ml: Floats
    plateau_cmh2o: Floats
    total_peep_cmh2o: Floats
    ventilation_left: Floats
    flow_past_dead_space: Floats
    rebreathed_share: Floats
    spo2_shift_pct: Floats
    paco2_ratio: Floats
    spo2_moved: Floats
    settled: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class WatchedGroup:
    """A running group with everything that was reckoned beforehand: what :func:`suspect` asks."""

    group: SampledGroup
    settings: Settings
    hypotheses: tuple[Hypothesis, ...]
    not_computed: tuple[Hypothesis, ...]
    expected: Expected
    gas: GasAfter
    baseline: GroupOutcome = field(repr=False)

    @property
    def patients(self) -> int:
        """How many share."""
        return len(self.group.patients)


def watch_group(
    patients: Sequence[Patient], build: Build, settings: Settings, *, draws: int = DRAWS, seed: int = 0,
    sizes: Sizes | None = None, assumptions: Assumptions | None = None, structural: bool = True,
) -> WatchedGroup:  # fmt: skip
    """Reckon beforehand what every hypothesis would show in this group: one to a few seconds. Keep the answer.

    ``build`` with its trims. Raises ``ArithmeticError`` where the group itself finds no settled breath.
    """
    group = sample_group(patients, build, assumptions or Assumptions(), draws, seed, structural=structural)
    every = hypotheses_of(build.network)
    networks = _networks(group)
    lungs = group.lungs.rows(np.arange(1, draws + 1))
    changed = [drawn(one, networks, lungs, settings, sizes or Sizes(), seed) for one in every]
    breaths = _breathe(networks, lungs, settings, changed)
    if breaths[0].settled.sum() < FEWEST_DRAWS:
        raise ArithmeticError("no settled breath was found for the group as it is")
    baseline = _baseline(group, settings)
    enough = [int(breath.settled.sum()) >= FEWEST_DRAWS for breath in breaths]
    kept = [number for number, there in enumerate(enough) if there]
    some = tuple(every[n] for n in kept)
    gas = gas_after(group, baseline)
    return WatchedGroup(
        group,
        settings,
        some,
        tuple(one for one, there in zip(every, enough, strict=True) if not there),
        _expected(
            group, settings, some, [changed[n] for n in kept], [breaths[n] for n in kept], gas,
            _clamped_apart(networks, lungs, settings, breaths[0]),
        ),
        gas,
        baseline,
    )


def _networks(group: SampledGroup) -> tuple[FlowNetwork, ...]:
    found = drawn_networks(group.build, group.draws, group.seed)
    return tuple(found[1:]) if len(found) > 1 else tuple(found * group.draws)


def _baseline(group: SampledGroup, settings: Settings) -> GroupOutcome:
    """The best estimate alone, for what is told in words and for the gas stores."""
    machine = machine_of_faults(settings, Effect())
    rows = np.array([0])
    of = np.zeros(1, np.int64)
    breath = settle(group.networks, machine, group.lungs.rows(rows), network_of=group.network_of[rows], accuracy=FINE)
    # Gas stores ask for as many rows as there are draws: every one stands for the best estimate.
    every = np.zeros(group.draws + 1, np.int64)
    breath = _rows(breath, every)
    return outcome_of(group, [machine], breath, rows=np.repeat(rows, len(every)), settings_of=np.repeat(of, len(every)))


def _rows(breath: Breath, index: Integers) -> Breath:
    named: dict[str, Any] = {name: getattr(breath, name) for name in Breath.__dataclass_fields__}
    return replace(breath, **{name: one[index] for name, one in named.items() if one is not None})


def _breathe(
    networks: tuple[FlowNetwork, ...], lungs: LungMechanics, settings: Settings, changed: Sequence[Drawn]
) -> list[Breath]:
    """One settled breath for each hypothesis and draw. What opens the circuit goes into a call of its own: it takes
    the engine longer, and needs less accuracy. What changes nothing that is breathed is the breath as it is."""
    found: dict[int, Breath] = {}
    same = [n for n, one in enumerate(changed) if one.networks is None and one.lungs is None and one.settings is None]
    for opens in (False, True):
        asked = [n for n, one in enumerate(changed) if one.opens == opens and (n not in same or n == 0)]
        if not asked:
            continue
        breath = _in_one_call([_filled(changed[n], networks, lungs, settings) for n in asked], opens=opens)
        count = len(networks)
        found |= {n: _rows(breath, np.arange(place * count, (place + 1) * count)) for place, n in enumerate(asked)}
    return [found[0] if n in same else found[n] for n in range(len(changed))]


def _filled(
    one: Drawn, networks: tuple[FlowNetwork, ...], lungs: LungMechanics, settings: Settings
) -> tuple[tuple[FlowNetwork, ...], LungMechanics, tuple[Settings, ...]]:
    effect = Effect(opens=one.opens)
    dialled = one.settings or (settings,) * len(networks)
    return one.networks or networks, one.lungs or lungs, tuple(machine_of_faults(each, effect) for each in dialled)


def _in_one_call(
    every: Sequence[tuple[tuple[FlowNetwork, ...], LungMechanics, tuple[Settings, ...]]], *, opens: bool
) -> Breath:
    networks = list(dict.fromkeys(network for some, _, _ in every for network in some))
    dialled = list(dict.fromkeys(one for _, _, some in every for one in some))
    place = {network: number for number, network in enumerate(networks)}
    dial = {one: number for number, one in enumerate(dialled)}
    lungs = [one for _, one, _ in every]
    return settle(
        pack(networks),
        dialled,
        LungMechanics(
            np.concatenate([one.compliance_ml_per_cmh2o for one in lungs]),
            np.concatenate([one.inspiratory_resistance_cmh2o_s_per_l for one in lungs]),
            np.concatenate([one.expiratory_resistance_cmh2o_s_per_l for one in lungs]),
            np.concatenate([one.quadratic_resistance_cmh2o_s2_per_l2 for one in lungs]),
        ),
        network_of=np.array([place[network] for some, _, _ in every for network in some]),
        settings_of=np.array([dial[one] for _, _, some in every for one in some]),
        accuracy=OPEN_ACCURACY if opens else FINE,
    )


def _expected(
    group: SampledGroup, settings: Settings, every: Sequence[Hypothesis], changed: Sequence[Drawn],
    breaths: Sequence[Breath], gas: GasAfter, apart: tuple[Floats, Floats, Floats],
) -> Expected:  # fmt: skip
    compliance = group.build.network.compliance_ml_per_cmh2o
    dialled = [one.settings or (settings,) * group.draws for one in changed]
    first = breaths[0]
    reached = np.stack([_reaching_the_sensor(first, breath, one) for breath, one in zip(breaths, every, strict=True)])
    rate = np.array([[one.rate_per_min for one in some] for some in dialled])
    dead = _dead_space(group, first)
    volume = np.stack([breath.tidal_volume_ml for breath in breaths])
    before = np.maximum(first.tidal_volume_ml - dead, 1.0) * settings.rate_per_min
    delivered = np.stack([breath.delivered_ml for breath in breaths])
    exhaled = np.stack([breath.exhaled_ml for breath in breaths])
    peak = np.stack([breath.ventilator_peak_cmh2o for breath in breaths])
    backflow = np.stack([breath.backflow_ml for breath in breaths])
    fio2 = np.array([[one.fio2 for one in some] for some in dialled])
    left = np.maximum(volume - dead, 0.0) * rate[:, :, None] / before
    ratio, moved = gas.courses(_airways(every, changed, dead.shape[1]), left)
    return Expected(
        displayed_ml=np.stack(
            [displayed_volume_ml(out, top, settings, compliance) for out, top in zip(exhaled, peak, strict=True)]
        ),
        peak_cmh2o=peak,
        peep_cmh2o=np.stack([breath.end[:, EXPIRATORY_SPLITTER] for breath in breaths]),
        leak_pct=np.clip(100.0 * (delivered - exhaled) / np.maximum(delivered, 50.0), 0.0, 100.0),
        rate_per_min=rate,
        fio2=fio2,
        shared_volume_ml=reached,
        tidal_volume_ml=reached * apart[0],
        plateau_cmh2o=np.stack([breath.plateau_cmh2o for breath in breaths]) + apart[1],
        total_peep_cmh2o=np.stack([breath.total_peep_cmh2o for breath in breaths]) + apart[2],
        ventilation_left=left,
        flow_past_dead_space=volume / dead,
        rebreathed_share=_rebreathed(np.clip((backflow - backflow[0]) / np.maximum(volume, 1.0), 0.0, 1.0), changed,
                                     every),
        spo2_shift_pct=_spo2_shift(group, settings, changed, every, fio2),
        paco2_ratio=ratio,
        spo2_moved=moved,
        settled=np.stack([breath.settled for breath in breaths]) & first.settled,
    )


def _airways(every: Sequence[Hypothesis], changed: Sequence[Drawn], patients: int) -> Integers:
    """How each lung stands where nothing is ventilated, (hypotheses, patients): indices of ``AIRWAYS``."""
    found = np.full((len(every), patients), CIRCUIT)
    for number, (hypothesis, one) in enumerate(zip(every, changed, strict=True)):
        concerned = hypothesis.lanes or range(patients)
        found[number, list(concerned)] = AIRWAYS.index(one.airway)
    return found


def _reaching_the_sensor(first: Breath, breath: Breath, one: Hypothesis) -> Floats:
    """Each patient's volume as the machine's sensor gets it: what is lost on the way is missing at whose lane leaks."""
    volume = breath.tidal_volume_ml.copy()
    if one.cause in ("leak", "tube-off"):
        usual = first.exhaled_ml - first.tidal_volume_ml.sum(axis=1)
        lost = np.maximum(usual + volume.sum(axis=1) - breath.exhaled_ml, 0.0)
        lane = one.lanes[0]
        volume[:, lane] = np.maximum(volume[:, lane] - lost, 0.0)
    return volume


def _rebreathed(share: Floats, changed: Sequence[Drawn], every: Sequence[Hypothesis]) -> Floats:
    for number, (one, hypothesis) in enumerate(zip(changed, every, strict=True)):
        if one.rebreathed is not None:
            lane = hypothesis.lanes[0]
            share[number, :, lane] = np.maximum(share[number, :, lane], one.rebreathed)
    return share


def _dead_space(group: SampledGroup, first: Breath) -> Floats:
    """Airway and apparatus, (draws, patients); never so much that a patient who was well would not be ventilated."""
    airway = np.stack([one.airway_dead_space_ml[1:] for one in group.columns], axis=1)
    dead = np.where(np.isfinite(airway), airway, UNKNOWN_DEAD_SPACE_ML) + group.dead_space_ml
    return np.asarray(np.minimum(dead, MOST_DEAD_SPACE_SHARE * first.tidal_volume_ml))


def _clamped_apart(
    networks: tuple[FlowNetwork, ...], lungs: LungMechanics, settings: Settings, first: Breath
) -> tuple[Floats, Floats, Floats]:
    """What clamping all others does to one patient while nothing is wrong, (draws, patients): ratio of the volumes,
    and what is added to plateau and total PEEP."""
    patients = lungs.shape[1]
    ratio = np.ones(first.tidal_volume_ml.shape)
    plateau, total_peep = np.zeros_like(ratio), np.zeros_like(ratio)
    if patients == 1 or settings.mode == "vc":
        return ratio, plateau, total_peep
    machine = (machine_of_faults(settings, Effect()),) * len(networks)
    alone = [
        tuple(_all_shut_but(lane, network) for network in networks) for lane in range(patients)
    ]
    breath = _in_one_call([(some, lungs, machine) for some in alone], opens=False)
    for lane in range(patients):
        rows = slice(lane * len(networks), (lane + 1) * len(networks))
        there = breath.settled[rows] & first.settled
        ratio[:, lane] = np.where(there, breath.tidal_volume_ml[rows, lane] / first.tidal_volume_ml[:, lane], 1.0)
        plateau[:, lane] = np.where(there, (breath.plateau_cmh2o[rows] - first.plateau_cmh2o)[:, lane], 0.0)
        total_peep[:, lane] = np.where(there, (breath.total_peep_cmh2o[rows] - first.total_peep_cmh2o)[:, lane], 0.0)
    return ratio, plateau, total_peep


def _all_shut_but(lane: int, network: FlowNetwork) -> FlowNetwork:
    for other in range(len(network.limbs)):
        if other != lane:
            network = shut(network, other, "patient")
    return network


def _spo2_shift(
    group: SampledGroup, settings: Settings, changed: Sequence[Drawn], every: Sequence[Hypothesis], fio2: Floats
) -> Floats:
    """Points by which another FiO2, or a shunt that came on top, moves saturation at the ventilation of before."""
    assumed = StoresAssumptions()
    shift = np.zeros((len(every), group.draws, len(group.patients)))
    for lane, column in enumerate(group.columns):
        shunt, blood = group.shunt_fraction[1:, lane], column.haemoglobin_g_per_dl[1:]
        shunt = np.where(np.isfinite(shunt), shunt, assumed.shunt)
        saturation = partial(
            spo2_predicted_pct,
            paco2_mmhg=ASSUMED_PACO2_MMHG,
            ph=ASSUMED_PH,
            haemoglobin_g_per_dl=np.where(np.isfinite(blood), blood, assumed.haemoglobin_g_per_dl),
            arteriovenous_difference_ml_per_dl=column.arteriovenous_difference_ml_per_dl[1:],
            barometric_pressure_mmhg=group.assumptions.barometric_pressure_mmhg,
        )
        usual = saturation(shunt_fraction=shunt, fio2=settings.fio2)
        for number, (one, hypothesis) in enumerate(zip(changed, every, strict=True)):
            if one.shunt_added is not None and lane in hypothesis.lanes:
                more = np.minimum(shunt + one.shunt_added, MOST_SHUNT)
                shift[number, :, lane] = saturation(shunt_fraction=more, fio2=settings.fio2) - usual
            elif hypothesis.cause == "settings":
                shift[number, :, lane] = saturation(shunt_fraction=shunt, fio2=fio2[number]) - usual
    return shift
