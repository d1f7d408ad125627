"""The settled breath of a group: what every patient gets once the breaths repeat, for many draws at once.

Definitions, fixed here once. Tidal volume: volume that leaves the lung in expiration, v(Ti) - v(T), of the settled
breath. Plateau: alveolar pressure at the end of inspiration (the pause included). Total PEEP: alveolar pressure at
the end of expiration. Driving pressure: plateau - total PEEP. Peak of a patient: highest pressure at the wye; of the
ventilator: at the inspiratory splitter. Backflow: reversed volume a breath over both branches of one patient.
Delivered volume: what the machine pushes in during inspiration; exhaled: what passes its expiratory valve less the
bias flow; leaked: what leaves through openings. Settled, the first is the sum of the others.

With a slow compartment tidal volume is that of both, and alveolar pressure is that of the fast one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from airyoke.breath import layout as k
from airyoke.breath.kernel import settle_range
from airyoke.breath.mechanics import (
    MIN_RESISTANCE,
    NUMBERS,
    Floats,
    Integers,
    LungMechanics,
    Sigmoid,
    SlowCompartment,
    lung_rows,
    wide_rows,
)
from airyoke.breath.packing import PackedNetworks, pack
from airyoke.breath.settings import Settings
from airyoke.circuit.network import FlowNetwork

__all__ = [
    "FINE",
    "MIN_RESISTANCE",
    "NUMBERS",
    "QUICK",
    "Accuracy",
    "Breath",
    "Floats",
    "HoldPressures",
    "Integers",
    "LungMechanics",
    "PackedNetworks",
    "Sigmoid",
    "SlowCompartment",
    "breath_plan",
    "pack",
    "settle",
    "split",
]

UNLIMITED_FLOW_L_PER_S = 1e6
UNLIMITED_PRESSURE_CMH2O = 1e4
CHUNK = 16  # fewer runs than this are not worth a second thread
THREADS = 2


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Step tolerances (cmH2O) while far from and near the settled state, and when to stop.

    ``stop``: what is predicted to be still wrong with an end-expiratory volume once the predicted rest of the way is
    taken, as a share of the largest tidal volume.
    """

    coarse: float
    final: float
    stop: float


FINE = Accuracy(coarse=0.3, final=0.015, stop=2e-4)
QUICK = Accuracy(coarse=0.5, final=0.15, stop=1e-3)  # for ranking settings; never shown


@dataclass(frozen=True, slots=True)
class Breath:
    """Answers of the engine. Arrays (runs, patients) unless said otherwise; rows that are not ``settled`` are not
    to be used."""

    tidal_volume_ml: Floats
    plateau_cmh2o: Floats
    total_peep_cmh2o: Floats
    end_inspiratory_flow_l_per_min: Floats
    peak_pressure_cmh2o: Floats
    backflow_ml: Floats
    delivered_ml: Floats  # (runs,)
    exhaled_ml: Floats  # (runs,)
    ventilator_peak_cmh2o: Floats  # (runs,)
    settled: NDArray[np.bool_]  # (runs,)
    breaths: Integers  # (runs,)
    steps: Integers  # (runs,)
    leaked_ml: Floats  # (runs,), through all openings
    patient_leaked_ml: Floats  # through those at the patient's own wye and lung
    end: Floats  # (runs, nodes): every pressure and volume at the end of the breath, where a course may start
    inspiratory_hold: HoldPressures | None = None
    expiratory_hold: HoldPressures | None = None

    @property
    def driving_pressure_cmh2o(self) -> Floats:
        """Plateau minus total PEEP."""
        return self.plateau_cmh2o - self.total_peep_cmh2o


@dataclass(frozen=True, slots=True)
class HoldPressures:
    """What each place shows after both valves of the machine were shut for three seconds, cmH2O.

    On a valved shared circuit this is nobody's plateau: the expiratory side drifts to the highest lung, the
    inspiratory side to the lowest.
    """

    inspiratory_side: Floats  # (runs,)
    expiratory_side: Floats  # (runs,)
    wyes: Floats  # (runs, patients)


def settle(
    networks: FlowNetwork | Sequence[FlowNetwork] | PackedNetworks,
    settings: Settings | Sequence[Settings],
    lungs: LungMechanics,
    *,
    network_of: Integers | None = None,
    settings_of: Integers | None = None,
    accuracy: Accuracy = FINE,
    holds: bool = False,
    threads: int = THREADS,
) -> Breath:
    """Find the settled breath of every run.

    Run ``b`` breathes through ``networks[network_of[b]]`` at ``settings[settings_of[b]]`` with row ``b`` of
    ``lungs``; both indices default to the first. All networks must have as many limbs as ``lungs`` has columns, and the
    same splitters behind splitters.

    A run that does not settle within 80 breaths, or whose steps collapse, is flagged in ``settled``; its numbers
    are not an answer. ``threads`` (1 or 2) changes no result. Raises ``ValueError`` for shapes that do not fit or
    settings that leave no time to breathe.
    """
    if not isinstance(networks, PackedNetworks):
        networks = pack((networks,) if isinstance(networks, FlowNetwork) else networks)
    settings = (settings,) if isinstance(settings, Settings) else tuple(settings)
    runs, patients = lungs.shape
    limbs, trunks = networks.limbs, networks.trunks
    if limbs.shape[1] != patients:
        raise ValueError(f"lungs of {patients} patients need networks with {patients} limbs")
    network_of = np.zeros(runs, np.int64) if network_of is None else np.asarray(network_of, np.int64)
    settings_of = np.zeros(runs, np.int64) if settings_of is None else np.asarray(settings_of, np.int64)

    plans = [breath_plan(one) for one in settings]
    phase_tables = np.array([phases for phases, _ in plans])
    setting_rows = np.array([row for _, row in plans])

    nested, wide = networks.nested, None
    if networks.holes is not None or lungs.sigmoid is not None or lungs.slow is not None:
        nested, wide = networks.nested_always, (networks.holes_always, wide_rows(lungs))
    tables = (limbs, trunks, lung_rows(lungs), phase_tables, setting_rows, network_of, settings_of)
    patient_results = np.zeros((runs, patients, k.PATIENT_RESULTS))
    scenario_results = np.zeros((runs, k.SCENARIO_RESULTS))

    def work(first: int, last: int) -> None:
        settle_range(
            first, last, patients, tables, (accuracy.coarse, accuracy.final, accuracy.stop), holds,
            patient_results, scenario_results, nested, wide,
        )  # fmt: skip

    split(work, runs, threads)
    p, s = patient_results, scenario_results
    inspiratory = HoldPressures(s[:, k.RES_HOLD_IN_INSP], s[:, k.RES_HOLD_IN_EXP], p[:, :, k.OUT_HOLD_IN_WYE])
    expiratory = HoldPressures(s[:, k.RES_HOLD_EX_INSP], s[:, k.RES_HOLD_EX_EXP], p[:, :, k.OUT_HOLD_EX_WYE])
    return Breath(
        tidal_volume_ml=1000.0 * p[:, :, k.OUT_VT],
        plateau_cmh2o=p[:, :, k.OUT_PLATEAU],
        total_peep_cmh2o=p[:, :, k.OUT_TOTAL_PEEP],
        end_inspiratory_flow_l_per_min=60.0 * p[:, :, k.OUT_END_FLOW],
        peak_pressure_cmh2o=p[:, :, k.OUT_PEAK],
        backflow_ml=1000.0 * p[:, :, k.OUT_BACKFLOW],
        delivered_ml=1000.0 * s[:, k.RES_DELIVERED],
        exhaled_ml=1000.0 * s[:, k.RES_EXHALED],
        ventilator_peak_cmh2o=s[:, k.RES_PEAK],
        settled=s[:, k.RES_STATUS] == k.CONVERGED,
        breaths=s[:, k.RES_BREATHS].astype(np.int64),
        steps=s[:, k.RES_STEPS].astype(np.int64),
        leaked_ml=1000.0 * s[:, k.RES_LEAKED],
        patient_leaked_ml=1000.0 * p[:, :, k.OUT_LEAKED],
        end=s[:, k.RES_STATE :],
        inspiratory_hold=inspiratory if holds else None,
        expiratory_hold=expiratory if holds else None,
    )


def split(work: Callable[[int, int], None], runs: int, threads: int) -> None:
    """Do ``work(first, last)`` for all runs, in halves on two threads where that pays.

    Every run is computed by itself and writes its own row: the split cannot change a result.
    """
    if runs <= CHUNK or threads == 1:
        work(0, runs)
    else:
        middle = runs // THREADS
        waiting = _pool().submit(work, 0, middle)
        work(middle, runs)
        waiting.result()


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    """One helper thread for the whole process; the kernel runs without the interpreter's lock."""
    return ThreadPoolExecutor(THREADS - 1, thread_name_prefix="breath")


@lru_cache(maxsize=4096)
def breath_plan(settings: Settings) -> tuple[Floats, Floats]:
    """The phases of one breath (MAX_PHASES, PHASE_COLUMNS) and the row of settings, as the kernel reads them."""
    one = settings
    if not 0.0 < one.inspiratory_time_s < one.period_s - one.expiratory_pause_s:
        raise ValueError(
            f"inspiratory time {one.inspiratory_time_s:g} s leaves no time to breathe out at {one.rate_per_min:g}/min"
        )
    cap = UNLIMITED_FLOW_L_PER_S if one.max_peak_flow_l_per_min is None else one.max_peak_flow_l_per_min / 60.0
    row = np.zeros(k.SETTING_COLUMNS)
    row[k.SET_PEEP] = one.peep_cmh2o
    row[k.MAX_FLOW] = cap
    row[k.SET_VOLUME] = 1.0
    row[k.FILLING_TIME] = one.inspiratory_time_s
    row[k.EMPTYING_TIME] = one.expiratory_time_s - one.expiratory_pause_s
    row[k.PERIOD] = one.period_s
    phases: list[list[float]] = []
    if one.mode == "pc":
        if one.pressure_above_peep_cmh2o is None:
            raise ValueError("pressure control needs pressure_above_peep_cmh2o")
        top = one.peep_cmh2o + one.pressure_above_peep_cmh2o
        rise = min(one.rise_time_s, one.inspiratory_time_s)
        row[k.SET_DRIVE] = one.pressure_above_peep_cmh2o
        row[k.FILLING_TIME] -= rise / 2.0
        if rise > 0.0:
            phases.append([rise, one.peep_cmh2o, top, cap, cap, 1.0, 0.0, 0.0])
        if rise < one.inspiratory_time_s:
            phases.append([one.inspiratory_time_s - rise, top, top, cap, cap, 1.0, 0.0, 0.0])
    else:
        if one.tidal_volume_ml is None:
            raise ValueError("volume control needs tidal_volume_ml")
        volume = one.tidal_volume_ml / 1000.0
        flow_time = one.inspiratory_time_s - one.pause_s
        if flow_time <= 0.0:
            raise ValueError("the pause leaves no time for flow")
        mean = volume / flow_time
        first, final = (mean, mean) if one.flow_shape == "constant" else (2.0 * mean, 0.0)
        limit = UNLIMITED_PRESSURE_CMH2O if one.pressure_limit_cmh2o is None else one.pressure_limit_cmh2o
        phases.append([flow_time, limit, limit, first, final, 1.0, 0.0, 1.0])
        if one.pause_s > 0.0:
            phases.append([one.pause_s, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
        row[k.SET_VOLUME] = volume
        row[k.COMPENSATES] = 1.0 if one.circuit_compensation == "on" else 0.0
    row[k.PHASES_IN_INSPIRATION] = len(phases)
    bias = one.bias_flow_l_per_min / 60.0
    phases.append(
        [
            one.expiratory_time_s - one.expiratory_pause_s,
            UNLIMITED_PRESSURE_CMH2O,
            UNLIMITED_PRESSURE_CMH2O,
            bias,
            bias,
            1.0 if bias > 0.0 else 0.0,
            1.0,
            0.0,
        ]
    )
    if one.expiratory_pause_s > 0.0:
        phases.append([one.expiratory_pause_s, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    row[k.PHASES] = len(phases)
    table = np.zeros((k.MAX_PHASES, k.PHASE_COLUMNS))
    table[: len(phases)] = phases
    return table, row
