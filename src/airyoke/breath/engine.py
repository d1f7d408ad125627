"""The settled breath of a group: what every patient gets once the breaths repeat, for many draws at once.

Definitions, fixed here once. Tidal volume: volume that leaves the lung in expiration, v(Ti) - v(T), of the settled
breath. Plateau: alveolar pressure at the end of inspiration (the pause included). Total PEEP: alveolar pressure at
the end of expiration. Driving pressure: plateau - total PEEP. Peak of a patient: highest pressure at the wye; of the
ventilator: at the inspiratory splitter. Backflow: reversed volume a breath over both branches of one patient.
Delivered volume: what the machine pushes in during inspiration; exhaled: what passes its expiratory valve less the
bias flow.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from airyoke.breath import layout as k
from airyoke.breath.kernel import settle_range
from airyoke.breath.settings import Settings
from airyoke.circuit.network import Branch, Element, FlowNetwork, Limb

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Tree = tuple[Integers, Integers, Integers]  # see ``airyoke.breath.nested``

MIN_COMPLIANCE_L_PER_CMH2O = 1e-7  # a node without any compliance would have no equation when all around it is shut
MIN_RESISTANCE = 1e-4  # cmH2O·s/L
MIN_BRIDGE_RESISTANCE = 1e-3  # the same between two splitters, where the flow may turn at any time
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
class LungMechanics:
    """Lungs of one group: one row a draw, one column a patient, each array (draws, patients)."""

    compliance_ml_per_cmh2o: Floats
    inspiratory_resistance_cmh2o_s_per_l: Floats
    expiratory_resistance_cmh2o_s_per_l: Floats
    quadratic_resistance_cmh2o_s2_per_l2: Floats

    @property
    def shape(self) -> tuple[int, int]:
        """(draws, patients)."""
        rows, columns = self.compliance_ml_per_cmh2o.shape
        return rows, columns

    def rows(self, index: Integers | slice) -> LungMechanics:
        """The chosen draws."""
        return LungMechanics(
            self.compliance_ml_per_cmh2o[index],
            self.inspiratory_resistance_cmh2o_s_per_l[index],
            self.expiratory_resistance_cmh2o_s_per_l[index],
            self.quadratic_resistance_cmh2o_s2_per_l2[index],
        )


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


@dataclass(frozen=True, slots=True)
class PackedNetworks:
    """Networks as the kernel reads them, packed once and used for many settings. See :func:`pack`."""

    limbs: Floats  # (networks, patients, columns)
    trunks: Floats  # (networks, columns)
    nested: tuple[Tree, Floats, Floats] | None = None
    """Splitters behind splitters: their tree, bridges (networks, bridges, columns), limbs of the merged networks."""

    @property
    def compliance_ml_per_cmh2o(self) -> Floats:
        """Compliance of each whole circuit without the lungs, (networks,)."""
        splitters = self.trunks[:, k.SPLITTER_IN_C] + self.trunks[:, k.SPLITTER_OUT_C]
        between = 0.0 if self.nested is None else self.nested[1][:, :, k.BETWEEN_C].sum(axis=1)
        return np.asarray(1000.0 * (splitters + between + self.limbs[:, :, k.WYE_C].sum(axis=1)))


def pack(networks: Sequence[FlowNetwork]) -> PackedNetworks:
    """Networks with equally many limbs as arrays.

    Raises ``ValueError`` where the numbers of limbs differ, or which limbs hang on which splitter.
    """
    if len({len(network.limbs) for network in networks}) != 1:
        raise ValueError("all networks of one call need the same number of limbs")
    limbs = np.array([[_limb_row(limb) for limb in network.limbs] for network in networks])
    trunks = np.array([_trunk_row(network) for network in networks])
    trees = [_tree(network) for network in networks]
    if any(shape != trees[0][0] for shape, _ in trees):
        raise ValueError("all networks of one call need the same splitters behind splitters")
    if not trees[0][1]:
        return PackedNetworks(limbs, trunks)
    hangs_on, side, limb_on = trees[0][0]
    tree = (np.array(hangs_on, np.int64), np.array(side, np.int64), np.array(limb_on, np.int64))
    bridges = np.array([[_bridge_row(branch) for branch in branches] for _, branches in trees])
    merged = np.array([[_limb_row(limb) for limb in network.merged().limbs] for network in networks])
    return PackedNetworks(limbs, trunks, (tree, bridges, merged))


def _tree(
    network: FlowNetwork,
) -> tuple[tuple[list[int], list[int], list[tuple[int, int]]], list[Branch]]:
    """What hangs on what, numbered as the kernel does, and the branches in that order."""
    hangs_on: list[int] = []
    sides: list[int] = []
    branches: list[Branch] = []
    limb_on = [[0, 1] for _ in network.limbs]
    for side, first in enumerate((network.inspiratory_branches, network.expiratory_branches)):
        waiting = [(branch, side) for branch in first]
        while waiting:
            branch, near = waiting.pop(0)
            hangs_on.append(near)
            sides.append(side)
            branches.append(branch)
            here = len(branches) + 1
            for number in branch.limbs:
                limb_on[number][side] = here
            waiting += [(further, here) for further in branch.branches]
    return (hangs_on, sides, [(before, behind) for before, behind in limb_on]), branches


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

    lung_rows = np.empty((runs, patients, k.LUNG_COLUMNS))
    lung_rows[:, :, k.ELASTANCE] = 1000.0 / lungs.compliance_ml_per_cmh2o
    lung_rows[:, :, k.LUNG_R_IN] = np.maximum(lungs.inspiratory_resistance_cmh2o_s_per_l, MIN_RESISTANCE)
    lung_rows[:, :, k.LUNG_R_OUT] = np.maximum(lungs.expiratory_resistance_cmh2o_s_per_l, MIN_RESISTANCE)
    lung_rows[:, :, k.LUNG_K] = lungs.quadratic_resistance_cmh2o_s2_per_l2

    tables = (limbs, trunks, lung_rows, phase_tables, setting_rows, network_of, settings_of)
    patient_results = np.zeros((runs, patients, k.PATIENT_RESULTS))
    scenario_results = np.zeros((runs, k.SCENARIO_RESULTS))

    def work(first: int, last: int) -> None:
        settle_range(
            first, last, patients, tables, (accuracy.coarse, accuracy.final, accuracy.stop), holds,
            patient_results, scenario_results, networks.nested,
        )  # fmt: skip

    if runs <= CHUNK or threads == 1:
        work(0, runs)
    else:
        # Every run is computed by itself and writes its own row: the split cannot change a result.
        middle = runs // THREADS
        waiting = _pool().submit(work, 0, middle)
        work(middle, runs)
        waiting.result()

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
        inspiratory_hold=inspiratory if holds else None,
        expiratory_hold=expiratory if holds else None,
    )


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    """One helper thread for the whole process; the kernel runs without the interpreter's lock."""
    return ThreadPoolExecutor(THREADS - 1, thread_name_prefix="breath")


def _limb_row(limb: Limb) -> list[float]:
    row = [0.0] * k.LIMB_COLUMNS
    row[k.IN_R], row[k.IN_K] = _coefficients(limb.inspiratory)
    row[k.OUT_R], row[k.OUT_K] = _coefficients(limb.expiratory)
    if limb.inspiratory_valve is not None:
        valve = limb.inspiratory_valve
        row[k.IN_R] += valve.linear
        row[k.IN_CRACK], row[k.IN_LEAK] = valve.cracking_cmh2o, valve.back_leak_l_per_s_per_cmh2o
        row[k.IN_ONE_WAY] = 1.0
    if limb.expiratory_valve is not None:
        valve = limb.expiratory_valve
        row[k.OUT_R] += valve.linear
        row[k.OUT_CRACK], row[k.OUT_LEAK] = valve.cracking_cmh2o, valve.back_leak_l_per_s_per_cmh2o
        row[k.OUT_ONE_WAY] = 1.0
    if limb.peep_valve_cmh2o > 0.0:
        row[k.OUT_CRACK] += limb.peep_valve_cmh2o
        row[k.OUT_ONE_WAY] = 1.0
        if limb.expiratory_valve is None:
            row[k.OUT_LEAK] = 0.0
    row[k.PATIENT_R], row[k.PATIENT_K] = limb.patient.linear, limb.patient.quadratic
    row[k.WYE_C] = max(limb.wye_compliance_ml_per_cmh2o / 1000.0, MIN_COMPLIANCE_L_PER_CMH2O)
    return row


def _trunk_row(network: FlowNetwork) -> list[float]:
    row = [0.0] * k.TRUNK_COLUMNS
    row[k.TRUNK_IN_R], row[k.TRUNK_IN_K] = _coefficients(network.inspiratory_trunk)
    row[k.TRUNK_OUT_R], row[k.TRUNK_OUT_K] = _coefficients(network.expiratory_trunk)
    for column, compliance in zip((k.SPLITTER_IN_C, k.SPLITTER_OUT_C), network.splitter_compliances, strict=True):
        row[column] = max(compliance / 1000.0, MIN_COMPLIANCE_L_PER_CMH2O)
    return row


def _bridge_row(branch: Branch) -> list[float]:
    row = [0.0] * k.BRIDGE_COLUMNS
    row[k.BETWEEN_R], row[k.BETWEEN_K] = max(branch.element.linear, MIN_BRIDGE_RESISTANCE), branch.element.quadratic
    row[k.BETWEEN_C] = max(branch.compliance_ml_per_cmh2o / 1000.0, MIN_COMPLIANCE_L_PER_CMH2O)
    return row


def _coefficients(element: Element) -> tuple[float, float]:
    return max(element.linear, MIN_RESISTANCE), element.quadratic


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
