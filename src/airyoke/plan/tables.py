"""One patient on the grid of settings, for the screen: closed form, corrected by the engine.

The lung is taken alone behind its own limb and its part of the shared one. At a few dozen settings the engine
breathes for the patient as if everybody on the ventilator were like it; a smooth surface through the ratios carries
the correction over the grid, at best estimate and for every draw alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import NUMBERS, QUICK, LungMechanics, settle
from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build
from airyoke.circuit.network import Element, FlowNetwork
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, build_resistance_factor, carbon_dioxide
from airyoke.lungs import gas_exchange
from airyoke.lungs.closed_forms import drive_fractions
from airyoke.lungs.sampling import PatientDraws
from airyoke.plan.by_peep import tighten
from airyoke.plan.grid import SettingsGrid

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

TYPICAL_FLOW_L_PER_S = 0.35  # where the quadratic parts of the resistances are taken; the correction does the rest
FIO2_GRID = np.round(np.arange(0.2, 1.001, 0.1), 2)
# Where the engine is asked for the correction: rates and I:E across the grid, and three drives.
CORRECTION_RATES, CORRECTION_RATIOS, CORRECTION_DRIVES = 5, 4, 3


@dataclass(frozen=True, slots=True)
class PatientTable:
    """One patient on the grid. Arrays (cells, rows) of shares of the drive by closed form, (cells, drives) of the
    engine's correction, and (cells, drives) of what follows at best estimate. Row 0 of the rows is the best estimate.
    """

    tidal: Floats  # (cells, rows) tidal volume / (compliance x drive)
    trapped: Floats  # (cells, rows) trapped pressure / drive
    tidal_factor: Floats  # (cells, drives) engine / closed form
    trapped_added: Floats  # (cells, drives) engine - closed form, as a share of the drive
    best_target: Floats  # (cells, drives) smallest margin of the limits that do not depend on PEEP
    best_trapped_cmh2o: Floats  # (cells, drives) total PEEP above set PEEP
    best_filled_cmh2o: Floats  # (cells, drives) plateau above set PEEP
    opening_cmh2o: float  # cracking pressures in and out: they take from the drive
    raised_cmh2o: float  # what the way out adds to set PEEP
    present_total_peep_cmh2o: Floats  # (rows,)
    present_fio2: float
    spo2_pct: Floats  # (FIO2_GRID, rows) at the present PaCO2 and pH; NaN where not known
    group: SampledGroup  # the patient's draws, alone in its place on the build


@lru_cache(maxsize=64)
def alone_in_its_place(build: Build, member: int) -> Build:
    """The limb of one member with its part of the trunks, as if everybody took the same flow through them."""
    network, n = build.network.merged(), build.patients

    def shared(trunk: Element) -> Element:
        return Element(n * trunk.linear, n * n * trunk.quadratic)

    alone = FlowNetwork(
        shared(network.inspiratory_trunk),
        shared(network.expiratory_trunk),
        network.splitter_compliances[0] / n,
        (network.limbs[member],),
        network.splitter_compliances[1] / n,
    )
    return replace(build, network=alone)


def corrections(
    groups: Sequence[SampledGroup], grid: SettingsGrid, ventilator: Ventilator, sharing: int
) -> list[tuple[Floats, Floats]]:
    """For each patient (one a group): the factor on its tidal share and what is added to its trapped share."""
    rate, time, drive = design(grid)
    settings = [
        Settings(
            mode="pc", rate_per_min=float(r), inspiratory_time_s=float(t), peep_cmh2o=0.0,
            pressure_above_peep_cmh2o=float(d),
            max_peak_flow_l_per_min=ventilator.max_peak_flow_l_per_min / sharing,
        )
        for r, t, d in zip(rate, time, drive, strict=True)
    ]  # fmt: skip
    count, people = len(settings), len(groups)
    lungs = LungMechanics(
        *(
            np.repeat(np.array([[getattr(g.lungs, name)[0, 0]] for g in groups]), count, axis=0)
            for name in NUMBERS
        )
    )
    network = groups[0].build.network
    breath = settle(
        network, settings, lungs, settings_of=np.tile(np.arange(count), people), accuracy=QUICK,
    )  # fmt: skip
    found = []
    for number, group in enumerate(groups):
        mine = slice(number * count, (number + 1) * count)
        opening, raised = openings(network, 0)
        closed = shares(network, group.columns[0], build_factor(group, slice(0, 1)), rate, time, slice(0, 1))
        found.append(fitted(
            grid, (rate, time, drive), breath.driving_pressure_cmh2o[mine, 0] / (drive - opening),
            (breath.total_peep_cmh2o[mine, 0] - raised) / (drive - opening), closed[0][:, 0], closed[1][:, 0],
        ))  # fmt: skip
    return found


def design(grid: SettingsGrid) -> tuple[Floats, Floats, Floats]:
    """Rates, inspiratory times and drives across the grid where the engine is asked for a correction."""
    ratios = grid.inspiratory_times / (60.0 / grid.rates - grid.inspiratory_times)
    points = [
        (rate, ratio * 60.0 / rate / (1.0 + ratio), drive)
        for rate in np.geomspace(grid.rates.min(), grid.rates.max(), CORRECTION_RATES)
        for ratio in np.geomspace(ratios.min(), ratios.max(), CORRECTION_RATIOS)
        for drive in np.linspace(grid.drives.min(), grid.drives.max(), CORRECTION_DRIVES)
    ]
    rate, time, drive = np.array(points).T
    return rate, time, drive


def fitted(
    grid: SettingsGrid,
    points: tuple[Floats, Floats, Floats],
    tidal: Floats,
    trapped: Floats,
    closed_tidal: Floats,
    closed_trapped: Floats,
) -> tuple[Floats, Floats]:
    """Smooth surfaces through engine against closed form: a factor on tidal shares and what is added to trapped ones.

    Shares at the ``points`` of the design; results (cells, drives).
    """
    fit = np.linalg.pinv(_surface(*points))
    shape = (grid.cells, len(grid.drives))
    surface = _surface(*(np.broadcast_to(a, shape).ravel() for a in (
        grid.rates[:, None], grid.inspiratory_times[:, None], grid.drives[None, :]
    )))  # fmt: skip
    factor = fit @ np.log(np.maximum(tidal, 1e-6) / closed_tidal)
    added = fit @ (trapped - closed_trapped)
    return np.exp(surface @ factor).reshape(shape), (surface @ added).reshape(shape)


def _surface(rate: Floats, time: Floats, drive: Floats) -> Floats:
    """Columns of a quadratic in the logarithms of rate and time and in the drive."""
    x, y, z = np.log(rate / 20.0), np.log(time), drive / 15.0 - 1.0
    return np.stack([np.ones_like(x), x, y, z, x * x, y * y, z * z, x * y, x * z, y * z], axis=1)


def openings(network: FlowNetwork, member: int) -> tuple[float, float]:
    """What must be overcome before gas flows, and what of it holds the lung above set PEEP, cmH2O."""
    limb = network.limbs[member]
    crack_in = 0.0 if limb.inspiratory_valve is None else limb.inspiratory_valve.cracking_cmh2o
    crack_out = limb.peep_valve_cmh2o
    if limb.expiratory_valve is not None:
        crack_out += limb.expiratory_valve.cracking_cmh2o
    return crack_in + crack_out, crack_out


def build_factor(group: SampledGroup, rows: slice) -> Floats:
    """What the draws multiply every resistance of the group's build by, (rows,)."""
    return build_resistance_factor(group.build, group.draws, group.seed)[rows]


def shares(
    network: FlowNetwork, c: PatientDraws, factor: Floats, rate: Floats, time: Floats, rows: slice
) -> tuple[Floats, Floats]:
    """Tidal and trapped shares of the drive by closed form, (settings, rows); ``network`` has one limb.

    ``factor`` multiplies the network's resistances, one number a row.
    """
    limb, flow = network.limbs[0], TYPICAL_FLOW_L_PER_S
    tube = c.quadratic_resistance_cmh2o_s2_per_l2[rows] * flow
    tube = tube + factor * (limb.patient.linear + limb.patient.quadratic * flow)
    way_in, way_out = (
        factor * (branch.linear + branch.quadratic * flow + trunk.linear + trunk.quadratic * flow)
        + (0.0 if valve is None else valve.linear)
        for branch, valve, trunk in (
            (limb.inspiratory, limb.inspiratory_valve, network.inspiratory_trunk),
            (limb.expiratory, limb.expiratory_valve, network.expiratory_trunk),
        )
    )
    share = drive_fractions(
        c.compliance_ml_per_cmh2o[rows],
        c.inspiratory_resistance_cmh2o_s_per_l[rows] + tube + way_in,
        c.expiratory_resistance_cmh2o_s_per_l[rows] + tube + way_out,
        rate[:, None],
        time[:, None],
    )
    return np.asarray(share.tidal), np.asarray(share.trapped)


def patient_table(
    group: SampledGroup, grid: SettingsGrid, policy: Policy, tidal_factor: Floats, trapped_added: Floats
) -> PatientTable:
    opening, raised = openings(group.build.network, 0)
    factor = build_factor(group, slice(None))
    tidal, trapped = shares(
        group.build.network, group.columns[0], factor, grid.rates, grid.inspiratory_times, slice(None)
    )
    now = group.patients[0].present
    table = PatientTable(
        tidal=tidal, trapped=trapped, tidal_factor=tidal_factor, trapped_added=trapped_added,
        best_target=np.zeros(0), best_trapped_cmh2o=np.zeros(0), best_filled_cmh2o=np.zeros(0),
        opening_cmh2o=opening, raised_cmh2o=raised,
        present_total_peep_cmh2o=group.present.total_peep_cmh2o[:, 0],
        present_fio2=np.nan if now is None else now.fio2,
        spo2_pct=_spo2_by_fio2(group), group=group,
    )  # fmt: skip
    cell, drive = (a.ravel() for a in np.indices((grid.cells, len(grid.drives))))
    target, _, above, filled = margins_at(table, grid, policy, cell, drive, slice(0, 1))
    shape = (grid.cells, len(grid.drives))
    return replace(
        table,
        best_target=target.reshape(shape),
        best_trapped_cmh2o=above.reshape(shape),
        best_filled_cmh2o=filled.reshape(shape),
    )


def _spo2_by_fio2(group: SampledGroup) -> Floats:
    """SpO2 of each draw at each FiO2 of the grid, with the present PaCO2 and pH; (FIO2_GRID, rows)."""
    now, c = group.patients[0].present, group.columns[0]
    paco2 = gas_exchange.ASSUMED_PACO2_MMHG if now is None or now.paco2_mmhg is None else now.paco2_mmhg
    ph = gas_exchange.ASSUMED_PH if now is None or now.ph is None else now.ph
    rows = c.haemoglobin_g_per_dl.shape[0]
    predicted = gas_exchange.spo2_predicted_pct(
        shunt_fraction=np.tile(group.shunt_fraction[:, 0], len(FIO2_GRID)),
        fio2=np.repeat(FIO2_GRID, rows),
        paco2_mmhg=paco2,
        ph=ph,
        haemoglobin_g_per_dl=np.tile(c.haemoglobin_g_per_dl, len(FIO2_GRID)),
        arteriovenous_difference_ml_per_dl=np.tile(c.arteriovenous_difference_ml_per_dl, len(FIO2_GRID)),
        barometric_pressure_mmhg=group.assumptions.barometric_pressure_mmhg,
    )
    return np.asarray(predicted).reshape(len(FIO2_GRID), rows)


def values_at(
    table: PatientTable, grid: SettingsGrid, cell: Integers, drive: Integers, rows: slice
) -> tuple[dict[str, Floats], Floats, Floats]:
    """What the patient gets at points of the grid, by the names of the limits; all arrays (points, rows).

    Only what does not depend on PEEP is in the dictionary; then total PEEP and plateau, both above set PEEP, cmH2O.
    """
    group, c = table.group, table.group.columns[0]
    effective = np.maximum(grid.drives[drive] - table.opening_cmh2o, 0.1)[:, None]
    driving = effective * table.tidal[cell, rows] * table.tidal_factor[cell, drive][:, None]
    trapped = effective * np.maximum(table.trapped[cell, rows] + table.trapped_added[cell, drive][:, None], 0.0)
    above = trapped + table.raised_cmh2o
    volume = driving * c.compliance_ml_per_cmh2o[rows]
    values: dict[str, Floats] = {
        "driving_pressure_cmh2o": driving,
        "trapped_peep_cmh2o": above - group.build.network.limbs[0].peep_valve_cmh2o,
    }
    if np.isfinite(group.body_weight_kg[0]):
        values["tidal_volume_ml_per_kg"] = volume / group.body_weight_kg[0]
    _, ph = carbon_dioxide(group, 0, volume, grid.rates[cell][:, None], rows)
    if np.isfinite(ph[0, 0]):
        values["ph"] = ph
    return values, above, above + driving


def margins_at(
    table: PatientTable, grid: SettingsGrid, policy: Policy, cell: Integers, drive: Integers, rows: slice
) -> tuple[Floats, Floats, Floats, Floats]:
    """Smallest target and hard margins of what does not depend on PEEP, total PEEP and plateau above set PEEP.

    All (points, rows).
    """
    values, above, filled = values_at(table, grid, cell, drive, rows)
    target, hard = np.full(above.shape, np.inf), np.full(above.shape, np.inf)
    for limit in policy.limits:
        if limit.scope == "patient" and limit.name in values:
            tighten(target, hard, limit, values[limit.name])
    return target, hard, above, filled
