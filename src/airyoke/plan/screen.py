"""The screen: a fast closed form that says where in the settings to look. It judges nobody.

Each lung is taken alone behind an ideal square source, with the circuit's resistances added at a typical flow and
shared ones counted once per patient. Its tidal volumes come out a few per cent high. What it proposes is judged by
the engine; its own numbers are never shown as an answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.limits.margins import order_statistic
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup
from airyoke.limits.table import Limit
from airyoke.lungs import gas_exchange
from airyoke.lungs.closed_forms import drive_fractions
from airyoke.plan.grid import SettingsGrid

Floats = NDArray[np.float64]

TYPICAL_FLOW_L_PER_S = 0.35  # where the quadratic parts of the circuit are taken


@dataclass(frozen=True, slots=True)
class PatientTable:
    """One patient on a grid: arrays (cells, drives, rows); what depends on PEEP is kept as a share of the drive."""

    target: Floats  # smallest margin of the limits that do not depend on PEEP
    hard: Floats
    filled: Floats  # (cells, 1, rows): plateau above set PEEP, as a share of the drive
    trapped: Floats  # (cells, 1, rows): trapped pressure, as a share of the drive
    opening_cmh2o: float  # cracking pressure on the way out: it adds to PEEP
    present_total_peep_cmh2o: Floats  # (rows,)


@dataclass(frozen=True, slots=True)
class Proposal:
    """One point of the grid. What the screen thinks of it stays here: it is no answer."""

    rate_per_min: float
    inspiratory_time_s: float
    pressure_above_peep_cmh2o: float
    peep_cmh2o: float


def patient_table(group: SampledGroup, member: int, grid: SettingsGrid, policy: Policy) -> PatientTable:
    """The table of one patient of a sampled group (all its rows) on the grid."""
    limb = group.build.network.limbs[member]
    trunk_in, trunk_out = group.build.network.inspiratory_trunk, group.build.network.expiratory_trunk
    patients = len(group.patients)
    c = group.columns[member]
    flow = TYPICAL_FLOW_L_PER_S
    tube = c.quadratic_resistance_cmh2o_s2_per_l2 * flow + limb.patient.linear + limb.patient.quadratic * flow
    valve_in = 0.0 if limb.inspiratory_valve is None else limb.inspiratory_valve.linear
    valve_out = 0.0 if limb.expiratory_valve is None else limb.expiratory_valve.linear
    crack_in = 0.0 if limb.inspiratory_valve is None else limb.inspiratory_valve.cracking_cmh2o
    crack_out = limb.peep_valve_cmh2o
    if limb.expiratory_valve is not None:
        crack_out += limb.expiratory_valve.cracking_cmh2o
    on_the_way_in = limb.inspiratory.linear + valve_in + limb.inspiratory.quadratic * flow
    on_the_way_in += patients * (trunk_in.linear + trunk_in.quadratic * flow * patients)
    on_the_way_out = limb.expiratory.linear + valve_out + limb.expiratory.quadratic * flow
    on_the_way_out += patients * (trunk_out.linear + trunk_out.quadratic * flow * patients)

    rate = grid.rates[:, None, None]
    time = grid.inspiratory_times[:, None, None]
    share = drive_fractions(
        c.compliance_ml_per_cmh2o,
        c.inspiratory_resistance_cmh2o_s_per_l + tube + on_the_way_in,
        c.expiratory_resistance_cmh2o_s_per_l + tube + on_the_way_out,
        rate,
        time,
    )
    drive = np.maximum(grid.drives[None, :, None] - crack_in - crack_out, 0.1)
    driving = np.asarray(drive * share.tidal)
    volume = driving * c.compliance_ml_per_cmh2o
    values: dict[str, Floats] = {
        "driving_pressure_cmh2o": driving,
        "trapped_peep_cmh2o": np.asarray(drive * share.trapped + crack_out - limb.peep_valve_cmh2o),
    }
    if np.isfinite(group.body_weight_kg[member]):
        values["tidal_volume_ml_per_kg"] = volume / group.body_weight_kg[member]
    now = group.patients[member].present
    if now is not None and now.paco2_mmhg is not None:
        paco2 = gas_exchange.paco2_calibrated_mmhg(
            present_paco2_mmhg=now.paco2_mmhg,
            present_tidal_volume_ml=now.tidal_volume_ml,
            present_rate_per_min=now.rate_per_min,
            present_apparatus_dead_space_ml=now.apparatus_dead_space_ml,
            tidal_volume_ml=volume,
            rate_per_min=rate,
            apparatus_dead_space_ml=group.dead_space_ml[member],
            airway_dead_space_ml=c.airway_dead_space_ml,
            paco2_sd_mmhg=group.assumptions.paco2_sd_mmhg,
            change_sd_fraction=group.assumptions.paco2_change_sd_fraction,
            z=c.paco2_error,
        )
        values["ph"] = np.asarray(
            gas_exchange.ph_after_change(c.bicarbonate_mmol_per_l, paco2, now.paco2_mmhg)
        )
    target = np.full(volume.shape, np.inf)
    hard = np.full(volume.shape, np.inf)
    for limit in policy.limits:
        if limit.scope == "patient" and limit.name in values:
            margin = _distance(limit, limit.target, values[limit.name])
            np.minimum(target, margin, out=target)
            if limit.hard is not None:
                sign = 1.0 if limit.side == "high" else -1.0
                np.minimum(hard, margin + sign * (limit.hard - limit.target) / limit.scale, out=hard)
    return PatientTable(
        target=target,
        hard=hard,
        filled=np.asarray(share.filled),
        trapped=np.asarray(share.trapped),
        opening_cmh2o=crack_out,
        present_total_peep_cmh2o=group.present.total_peep_cmh2o[:, member],
    )


def _distance(limit: Limit, bound: float, values: Floats) -> Floats:
    return (values - bound if limit.side == "low" else bound - values) / limit.scale


def propose(tables: list[PatientTable], grid: SettingsGrid, policy: Policy, count: int) -> list[Proposal]:
    """The most promising points of the grid, best first, at most ``count``, one in a cell of rate and time.

    For each cell and drive the PEEP is the one that suits the best estimates; then the draws count.
    """
    plateau, rise, fall = (
        policy.limit("plateau_cmh2o", "high"),
        policy.limit("total_peep_rise_cmh2o", "high"),
        policy.limit("total_peep_fall_cmh2o", "high"),
    )
    drive = grid.drives[None, :]
    falls, rises, tops = [], [], []
    for t in tables:
        above = drive * t.trapped[:, :, 0] + t.opening_cmh2o
        present = t.present_total_peep_cmh2o[0]
        tops.append(plateau.target - drive * t.filled[:, :, 0] - t.opening_cmh2o)
        if np.isfinite(present):
            falls.append(present - fall.target - above)  # PEEP must be above this
            rises.append(present + rise.target - above)
    shape = np.broadcast_shapes(tops[0].shape, (grid.cells, len(grid.drives)))
    low = np.max(falls, axis=0) if falls else np.zeros(shape)
    top = np.min(tops, axis=0)
    upper = np.min(rises, axis=0) if rises else np.full(shape, np.inf)
    # Largest smallest margin of one rising line (peep - low)/a and two falling lines (upper - peep)/b, (top - peep)/c.
    a, b, c = fall.scale, rise.scale, plateau.scale
    peep = np.minimum((a * upper + b * low) / (a + b) if rises else np.inf, (a * top + c * low) / (a + c))
    if not falls:
        peep = np.minimum(top - c, 5.0)
    peep = grid.peeps[np.abs(peep[..., None] - grid.peeps).argmin(axis=-1)]

    target = np.minimum.reduce([t.target for t in tables])
    hard = np.minimum.reduce([t.hard for t in tables])
    p = peep[:, :, None]
    for t in tables:
        d = grid.drives[None, :, None]
        total = p + d * t.trapped + t.opening_cmh2o
        change = total - t.present_total_peep_cmh2o
        pressure = p + d * t.filled + t.opening_cmh2o
        for limit, value in ((plateau, pressure), (rise, change), (fall, -change)):
            if not np.isfinite(value[0, 0, 0]):
                continue
            margin = _distance(limit, limit.target, value)
            target = np.minimum(target, margin)
            if limit.hard is not None:
                hard = np.minimum(hard, margin + (limit.hard - limit.target) / limit.scale)
    score = target[:, :, 0].copy()
    if target.shape[2] > 1:
        score = np.minimum(score, order_statistic(target[:, :, 1:], 1.0 - policy.planning_confidence))
        score = np.minimum(score, order_statistic(hard[:, :, 1:], 1.0 - policy.hard_confidence))
    score = np.where(peep + grid.drives[None, :] <= grid.highest_pressure, score, -np.inf)
    drives = score.argmax(axis=1)
    cells = np.argsort(-score.max(axis=1), kind="stable")[:count]
    return [
        Proposal(
            rate_per_min=float(grid.rates[i]),
            inspiratory_time_s=float(grid.inspiratory_times[i]),
            pressure_above_peep_cmh2o=float(grid.drives[j]),
            peep_cmh2o=float(peep[i, j]),
        )
        for i, j in zip(cells, drives[cells], strict=True)
    ]

