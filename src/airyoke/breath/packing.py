"""Flow networks as arrays that the compiled kernels read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from airyoke.breath import layout as k
from airyoke.breath.mechanics import MIN_RESISTANCE, Floats, Integers
from airyoke.circuit.network import BLOCKED, Branch, Element, FlowNetwork, Limb

Tree = tuple[Integers, Integers, Integers]  # see ``airyoke.breath.nested``

MIN_COMPLIANCE_L_PER_CMH2O = 1e-7  # a node without any compliance would have no equation when all around it is shut
MIN_BRIDGE_RESISTANCE = 1e-3  # cmH2O·s/L between two splitters, where the flow may turn at any time
MIN_OPENING_RESISTANCE = 1e-2  # the same of an opening: 1 L/s costs 0.01 cmH2O


@dataclass(frozen=True, slots=True)
class PackedNetworks:
    """Networks as the kernel reads them, packed once and used for many settings. See :func:`pack`."""

    limbs: Floats  # (networks, patients, columns)
    trunks: Floats  # (networks, columns)
    nested: tuple[Tree, Floats, Floats] | None = None
    """Splitters behind splitters: their tree, bridges (networks, bridges, columns), limbs of the merged networks."""
    holes: Floats | None = None
    """(networks, sites, columns) where the wide kernel is needed: an opening somewhere, a valve the wrong way round."""

    @property
    def nested_always(self) -> tuple[Tree, Floats, Floats]:
        """``nested``, of no bridges where no splitter is behind another: the wide kernel knows no other form."""
        if self.nested is not None:
            return self.nested
        count, patients, _ = self.limbs.shape
        none = np.zeros(0, np.int64)
        limb_on = np.tile(np.array([0, 1], np.int64), (patients, 1))
        return (none, none, limb_on), np.zeros((count, 0, k.BRIDGE_COLUMNS)), self.limbs

    @property
    def holes_always(self) -> Floats:
        """``holes``, all shut where there are none."""
        return np.repeat(_all_shut()[None], len(self.limbs), axis=0) if self.holes is None else self.holes

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
    is_wide = np.any(limbs[:, :, (k.IN_SIGN, k.OUT_SIGN)] < 0.0) or any(network.openings for network in networks)
    holes = np.array([_hole_rows(network) for network in networks]) if is_wide else None
    if not trees[0][1]:
        return PackedNetworks(limbs, trunks, holes=holes)
    hangs_on, side, limb_on = trees[0][0]
    tree = (np.array(hangs_on, np.int64), np.array(side, np.int64), np.array(limb_on, np.int64))
    bridges = np.array([[_bridge_row(branch) for branch in branches] for _, branches in trees])
    merged = np.array([[_limb_row(limb) for limb in network.merged().limbs] for network in networks])
    return PackedNetworks(limbs, trunks, (tree, bridges, merged), holes)


def pack_drawn(networks: Sequence[FlowNetwork], resistance: Floats, compliance: Floats) -> PackedNetworks:
    """Each network once for every pair of factors (see ``FlowNetwork.scaled``), one network after the other.

    Every number of a packed network is a straight line in the factor of its kind, so that two of them say all.
    """
    once, twice = pack(networks), pack([network.scaled(2.0, 2.0) for network in networks])

    def along(first: Floats, second: Floats, compliances: tuple[int, ...]) -> Floats:
        factor = np.repeat(resistance[:, None], first.shape[-1], axis=1)
        factor[:, list(compliances)] = compliance[:, None]
        factor = factor.reshape(1, len(resistance), *(1,) * (first.ndim - 2), first.shape[-1])
        rows = first[:, None] + (second - first)[:, None] * (factor - 1.0)
        return np.asarray(rows.reshape(-1, *first.shape[1:]))

    nested = None
    if once.nested is not None and twice.nested is not None:
        (tree, bridges, merged), (_, bridges_2, merged_2) = once.nested, twice.nested
        nested = tree, along(bridges, bridges_2, (k.BETWEEN_C,)), along(merged, merged_2, (k.WYE_C,))
    return PackedNetworks(
        along(once.limbs, twice.limbs, (k.WYE_C,)),
        along(once.trunks, twice.trunks, (k.SPLITTER_IN_C, k.SPLITTER_OUT_C)),
        nested,
        None if once.holes is None else np.repeat(once.holes, len(resistance), axis=0),
    )


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


def _limb_row(limb: Limb) -> list[float]:
    row = [0.0] * k.LIMB_COLUMNS
    row[k.IN_SIGN] = row[k.OUT_SIGN] = 1.0
    row[k.IN_R], row[k.IN_K] = _coefficients(limb.inspiratory)
    row[k.OUT_R], row[k.OUT_K] = _coefficients(limb.expiratory)
    if limb.inspiratory_valve is not None:
        valve = limb.inspiratory_valve
        row[k.IN_R] += valve.linear
        row[k.IN_CRACK], row[k.IN_LEAK] = valve.cracking_cmh2o, valve.back_leak_l_per_s_per_cmh2o
        row[k.IN_ONE_WAY] = 1.0
        row[k.IN_SIGN] = -1.0 if valve.reversed else 1.0
    if limb.expiratory_valve is not None:
        valve = limb.expiratory_valve
        row[k.OUT_R] += valve.linear
        row[k.OUT_CRACK], row[k.OUT_LEAK] = valve.cracking_cmh2o, valve.back_leak_l_per_s_per_cmh2o
        row[k.OUT_ONE_WAY] = 1.0
        row[k.OUT_SIGN] = -1.0 if valve.reversed else 1.0
    if limb.peep_valve_cmh2o > 0.0:
        row[k.OUT_CRACK] += limb.peep_valve_cmh2o
        row[k.OUT_ONE_WAY] = 1.0
        if limb.expiratory_valve is None:
            row[k.OUT_LEAK] = 0.0
        elif limb.expiratory_valve.reversed:  # two valves against each other
            row[k.OUT_R] = BLOCKED.linear
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


def _all_shut() -> Floats:
    rows = np.zeros((k.SITES, k.HOLE_COLUMNS))
    rows[:, k.HOLE_R] = BLOCKED.linear
    return rows


def _hole_rows(network: FlowNetwork) -> Floats:
    rows = _all_shut()
    behind = sum(1 for branch in network.inspiratory_branches for _ in branch)
    for one in network.openings:
        if one.limb is not None:
            site = k.MAX_JUNCTIONS + one.limb + (k.MAX_PATIENTS if one.place == "lung" else 0)
        elif one.branch is None:
            site = 0 if one.place == "inspiratory_splitter" else 1
        else:
            site = 2 + one.branch + (0 if one.place == "inspiratory_splitter" else behind)
        row = rows[site]
        row[k.HOLE_R] = max(one.element.linear, MIN_OPENING_RESISTANCE)
        row[k.HOLE_K] = one.element.quadratic
        row[k.HOLE_CRACK], row[k.HOLE_ONE_WAY] = one.cracking_cmh2o, float(one.one_way)
        row[k.HOLE_OPEN], row[k.HOLE_OUTSIDE] = 1.0, one.outside_cmh2o
        row[k.HOLE_DRAWS] = one.draws_l_per_min / 60.0
    return rows
