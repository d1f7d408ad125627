"""Outside check of what a plan promises of one group: outcomes, margins and chances counted again.

Nothing comes from the rooms of limits and plans. The engine, the build, and the formulas of one lung are taken as
they are (they have referees of their own); the table of limits, the arithmetic of margins, the drawing of numbers
and the state that a draw is anchored to are written again here, from the written rules:

- PEEP is judged as a change on the same draw: of the present total PEEP only the trapped part moves with a draw.
- PaCO2 goes by the ratio of alveolar ventilations, plus z (3 mmHg + 9 % of the change); pH from the own bicarbonate.
- Lungs read in pressure control must give the present volume at the present drive within 3 % (sd): more draws than
  wanted are made, and as many are kept as are wanted, each with the chance that its volume gives it.
- The shunt of a draw first gives back the present PaO2 with the blood of that draw.
- The margin of a group is the smallest of: the (1 - confidence) quantile over the draws of its smallest target
  margin, the same of its smallest hard margin, and its smallest target margin at best estimate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor, nan

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import LungMechanics, settle
from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.lungs import gas_exchange
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.patient import Patient, Present
from airyoke.lungs.sampling import sample_patient
from airyoke.quantities.draws import normal_draws
from airyoke.quantities.estimate import Estimate

Floats = NDArray[np.float64]

# name, side, target, hard bound, scale: ARDS Network 2000 and 2015 guideline values, the rest judgement.
LIMITS = (
    ("tidal_volume_ml_per_kg", "low", 4.0, 3.5, 2.0),
    ("tidal_volume_ml_per_kg", "high", 8.0, 9.0, 2.0),
    ("driving_pressure_cmh2o", "high", 15.0, 18.0, 5.0),
    ("plateau_cmh2o", "high", 30.0, 32.0, 5.0),
    ("ph", "low", 7.20, 7.15, 0.10),
    ("ph", "high", 7.50, 7.55, 0.10),
    ("trapped_peep_cmh2o", "high", 3.0, 5.0, 3.0),
    ("total_peep_fall_cmh2o", "high", 2.0, 4.0, 2.0),
    ("total_peep_rise_cmh2o", "high", 5.0, 7.0, 5.0),
    ("spo2_pct", "low", 88.0, 85.0, 4.0),
)
FIO2_TARGET, FIO2_HARD, FIO2_SCALE = 0.80, 1.00, 0.20
FIO2_SPREAD_TARGET, FIO2_SPREAD_SCALE = 0.20, 0.20
SPO2_AIM_PCT = 92.0
MORE_FOR_TIED = 20
ROUNDING = 1e-6  # a bound touched exactly is kept, in spite of binary fractions

DRAWN = (
    "compliance_ml_per_cmh2o", "inspiratory_resistance_cmh2o_s_per_l", "expiratory_resistance_cmh2o_s_per_l",
    "quadratic_resistance_cmh2o_s2_per_l2", "airway_dead_space_ml", "bicarbonate_mmol_per_l", "shunt_fraction",
    "haemoglobin_g_per_dl", "arteriovenous_difference_ml_per_dl", "paco2_error", "present_total_peep_cmh2o",
)  # fmt: skip


@dataclass(frozen=True)
class Draws:
    """Row 0 the best estimate, then the draws: of each patient by name, and the two factors of the build."""

    patients: tuple[dict[str, Floats], ...]
    resistance_factor: Floats
    compliance_factor: Floats

    def first(self, rows: int) -> Draws:
        """The first rows only."""
        return Draws(
            tuple({name: column[:rows] for name, column in one.items()} for one in self.patients),
            self.resistance_factor[:rows],
            self.compliance_factor[:rows],
        )


@dataclass(frozen=True)
class Judged:
    """Margins of every limit of everybody, (rows, limits); ``names`` says which; outcomes by name."""

    names: tuple[str, ...]
    target: Floats
    hard: Floats
    outcomes: dict[str, Floats]

    def inside(self) -> float:
        """Share of the draws in which everybody is inside every target."""
        return float((self.target[1:].min(axis=1) >= -ROUNDING).mean())

    def hard_inside(self) -> float:
        """The same for the hard bounds."""
        return float((self.hard[1:].min(axis=1) >= -ROUNDING).mean())


def fresh_draws(
    patients: Sequence[Patient], build: Build, assumptions: Assumptions, count: int, seed: int
) -> Draws:
    """Plain pseudo-random draws, patients independent of each other, the build one shared cause."""
    rng = np.random.default_rng(seed)

    def of(estimate: Estimate | None) -> Floats:
        if estimate is None:
            return np.full(count + 1, nan)
        s = estimate.spread
        rows = np.full(count, float(estimate.value))
        if s.kind == "lognormal":
            rows = estimate.value * np.exp(s.sd * rng.standard_normal(count))
        elif s.kind == "normal":
            rows = np.clip(estimate.value + s.sd * rng.standard_normal(count), s.low, s.high)
        elif s.kind == "uniform":
            rows = rng.uniform(s.low, s.high, count)
        return np.concatenate([[estimate.value], rows])

    drawn = []
    wanted = count
    for patient in patients:
        lungs, now = patient.lungs, patient.present
        assert now is not None
        tied = now.pressure_above_peep_cmh2o is not None
        count = MORE_FOR_TIED * wanted if tied else wanted
        compliance, total = of(lungs.compliance), np.full(count + 1, float(now.total_peep.value))
        if now.total_peep.assumed:
            # Total PEEP was not read: what stands for it also stands in VT / (plateau - total PEEP).
            total = of(now.total_peep)
            if now.plateau_cmh2o is not None:
                gap = np.maximum(now.plateau_cmh2o - total, 1.0)
                compliance = compliance * gap[0] / gap
        difference = assumptions.arteriovenous_difference_ml_per_dl + np.concatenate(
            [[0.0], assumptions.arteriovenous_difference_sd_ml_per_dl * rng.standard_normal(count)]
        )
        columns = (
            compliance, of(lungs.inspiratory_resistance), of(lungs.expiratory_resistance),
            of(lungs.quadratic_resistance), of(lungs.airway_dead_space), of(lungs.bicarbonate), of(lungs.shunt),
            of(lungs.haemoglobin), np.maximum(difference, 1.0),
            np.concatenate([[0.0], rng.standard_normal(count)]), total,
        )  # fmt: skip
        if tied:
            kept = _giving_the_present_volume(now, columns[:3], wanted, rng)
            columns = tuple(column[kept] for column in columns)
        drawn.append(dict(zip(DRAWN, columns, strict=True)))
    count = wanted

    def factor(sd: float) -> Floats:
        return np.exp(np.concatenate([[0.0], sd * rng.standard_normal(count)]))

    return Draws(tuple(drawn), factor(build.resistance_relative_sd), factor(build.compliance_relative_sd))


def _giving_the_present_volume(
    now: Present, mechanics: tuple[Floats, Floats, Floats], wanted: int, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Row 0, and ``wanted`` other rows, each with the chance that its volume at the present drive gives it."""
    compliance, r_in, r_out = mechanics
    flow = now.tidal_volume_ml / now.inspiratory_time_s / 1000.0
    filter_linear, filter_quadratic = (0.0, 0.0) if now.humidification == "heated" else (2.0, 1.0)
    tube = filter_linear + (filter_quadratic + 0.8) * flow  # catheter mount 0.6, wye 0.2
    full = np.exp(-now.inspiratory_time_s / ((r_in + tube) * compliance / 1000.0))
    empty = np.exp(-(60.0 / now.rate_per_min - now.inspiratory_time_s) / ((r_out + tube + 3.0) * compliance / 1000.0))
    volume = compliance * (1.0 - full) * (1.0 - empty) / (1.0 - full * empty)
    weight = np.exp(-0.5 * (np.log(volume[1:] / volume[0]) / 0.03) ** 2)
    rows = 1 + rng.choice(len(weight), wanted, p=weight / weight.sum())
    return np.concatenate([[0], rows])


def shared_draws(
    patients: Sequence[Patient], build: Build, assumptions: Assumptions, count: int, seed: int
) -> Draws:
    """The numbers that the product itself draws for these patients and this build."""
    sampled = [sample_patient(p, assumptions, count, seed) for p in patients]

    def factor(sd: float, column: int) -> Floats:
        return np.exp(np.concatenate([[0.0], sd * normal_draws("build", column, count, seed)]))

    return Draws(
        tuple({name: getattr(one, name) for name in DRAWN} for one in sampled),
        factor(build.resistance_relative_sd, 0),
        factor(build.compliance_relative_sd, 1),
    )


def judge(
    patients: Sequence[Patient], build: Build, settings: Settings, draws: Draws, assumptions: Assumptions
) -> Judged:
    """What everybody gets at these settings in each draw, and how far that is inside each limit."""
    rows = len(draws.resistance_factor)
    drawn = draws.patients
    networks = [
        build.network.scaled(float(r), float(c))
        for r, c in zip(draws.resistance_factor, draws.compliance_factor, strict=True)
    ]
    lungs = LungMechanics(*(np.stack([one[name] for one in drawn], axis=1) for name in DRAWN[:4]))
    breath = settle(networks, settings, lungs, network_of=np.arange(rows))
    names, target, hard = [], [], []
    outcomes: dict[str, Floats] = {}

    def add(name: str, values: Floats, side: str, bound: float, hard_bound: float | None, scale: float) -> None:
        sign = 1.0 if side == "high" else -1.0
        names.append(name)
        target.append(np.where(breath.settled, sign * (bound - values) / scale, -np.inf))
        if hard_bound is not None:
            hard.append(np.where(breath.settled, sign * (hard_bound - values) / scale, -np.inf))

    for i, patient in enumerate(patients):
        values = outcomes_of(patient, drawn[i], build.network.limbs[i].dead_space_ml, settings, assumptions, (
            breath.tidal_volume_ml[:, i], breath.plateau_cmh2o[:, i], breath.total_peep_cmh2o[:, i]
        ))  # fmt: skip
        outcomes |= {f"{patient.label} {name}": column for name, column in values.items()}
        for name, side, bound, hard_bound, scale in LIMITS:
            if np.isfinite(values[name][0]):
                add(f"{patient.label} {name} {side}", values[name], side, bound, hard_bound, scale)
    add("fio2", np.full(rows, settings.fio2), "high", FIO2_TARGET, FIO2_HARD, FIO2_SCALE)
    now = [p.present.fio2 for p in patients if p.present is not None]
    if len(now) == len(patients) > 1:
        apart = np.full(rows, max(now) - min(now))
        add("fio2_spread", apart, "high", FIO2_SPREAD_TARGET, None, FIO2_SPREAD_SCALE)
    return Judged(tuple(names), np.stack(target, axis=1), np.stack(hard, axis=1), outcomes)


def outcomes_of(
    patient: Patient,
    drawn: dict[str, Floats],
    dead_space_ml: float,
    settings: Settings,
    assumptions: Assumptions,
    breath: tuple[Floats, Floats, Floats],
) -> dict[str, Floats]:
    """What one patient gets in each row, from tidal volume (mL), plateau and total PEEP of each. The first row must be
    the best estimate: the present total PEEP of a draw is counted from there."""
    volume, plateau, total = breath
    now = patient.present
    assert now is not None
    assert patient.height_cm is not None
    weight = (50.0 if patient.sex == "m" else 45.5) + 0.91 * (patient.height_cm - 152.4)
    paco2 = gas_exchange.paco2_calibrated_mmhg(
        present_paco2_mmhg=nan if now.paco2_mmhg is None else now.paco2_mmhg,
        present_tidal_volume_ml=now.tidal_volume_ml,
        present_rate_per_min=now.rate_per_min,
        present_apparatus_dead_space_ml=now.apparatus_dead_space_ml,
        tidal_volume_ml=volume,
        rate_per_min=settings.rate_per_min,
        apparatus_dead_space_ml=dead_space_ml,
        airway_dead_space_ml=drawn["airway_dead_space_ml"],
        paco2_sd_mmhg=3.0,
        change_sd_fraction=0.09,
        z=drawn["paco2_error"],
    )
    ph = gas_exchange.ph_after_change(drawn["bicarbonate_mmol_per_l"], paco2, now.paco2_mmhg)
    spo2 = gas_exchange.spo2_predicted_pct(
        shunt_fraction=_shunt(patient, drawn, assumptions),
        fio2=settings.fio2,
        paco2_mmhg=paco2,
        ph=ph,
        haemoglobin_g_per_dl=drawn["haemoglobin_g_per_dl"],
        arteriovenous_difference_ml_per_dl=drawn["arteriovenous_difference_ml_per_dl"],
        barometric_pressure_mmhg=assumptions.barometric_pressure_mmhg,
    )
    rise = total - _present_total_peep(patient, drawn)
    return {
        "tidal_volume_ml_per_kg": volume / weight,
        "driving_pressure_cmh2o": plateau - total,
        "plateau_cmh2o": plateau,
        "ph": np.asarray(ph),
        "trapped_peep_cmh2o": total - settings.peep_cmh2o,
        "total_peep_fall_cmh2o": -rise,
        "total_peep_rise_cmh2o": rise,
        "spo2_pct": np.asarray(spo2),
        "paco2_mmhg": np.asarray(paco2),
    }


def _present_total_peep(patient: Patient, drawn: dict[str, Floats]) -> Floats:
    """Of a reading only the trapped part moves: (VT/C) b / (1 - b) with b = exp(-Te / RC) at present settings."""
    now = patient.present
    assert now is not None
    if now.total_peep.assumed:
        return drawn["present_total_peep_cmh2o"]
    compliance = drawn["compliance_ml_per_cmh2o"]
    time_constant = drawn["expiratory_resistance_cmh2o_s_per_l"] * compliance / 1000.0
    emptied = np.exp(-(60.0 / now.rate_per_min - now.inspiratory_time_s) / time_constant)
    trapped = now.tidal_volume_ml / compliance * emptied / (1.0 - emptied)
    return now.total_peep.value + trapped - trapped[0]


def _shunt(patient: Patient, drawn: dict[str, Floats], assumptions: Assumptions) -> Floats:
    now, estimate = patient.present, patient.lungs.shunt
    assert now is not None
    po2 = gas_exchange.present_arterial_po2_mmhg(now)
    if po2 is None or estimate is None:
        return drawn["shunt_fraction"]
    return np.asarray(
        gas_exchange.shunt_calibrated(
            present_pao2_mmhg=po2,
            fio2=now.fio2,
            paco2_mmhg=40.0 if now.paco2_mmhg is None else now.paco2_mmhg,
            ph=7.40 if now.ph is None else now.ph,
            haemoglobin_g_per_dl=drawn["haemoglobin_g_per_dl"],
            arteriovenous_difference_ml_per_dl=drawn["arteriovenous_difference_ml_per_dl"],
            offset=drawn["shunt_fraction"] - estimate.value,
            barometric_pressure_mmhg=assumptions.barometric_pressure_mmhg,
        )
    )


def group_margin(judged: Judged, confidence: float, hard_confidence: float) -> float:
    """The margin of the group; quantiles are the floor(q n) + 1-th smallest of n."""

    def smallest_but(q: float, margins: Floats) -> float:
        ordered = sorted(float(m) for m in margins)
        return ordered[min(floor(q * len(ordered) + 1e-9), len(ordered) - 1)]

    return min(
        float(judged.target[0].min()),
        smallest_but(1.0 - confidence, judged.target[1:].min(axis=1)),
        smallest_but(1.0 - hard_confidence, judged.hard[1:].min(axis=1)),
    )


def shared_fio2(
    patients: Sequence[Patient],
    build: Build,
    settings: Settings,
    assumptions: Assumptions,
    aim_pct: float = SPO2_AIM_PCT,
) -> float:
    """The smallest FiO2 on the dial that is at least every present one and gives everybody the aim at best
    estimate, up to 0.80; else the largest present one."""
    now = max(p.present.fio2 for p in patients if p.present is not None)
    best = fresh_draws(patients, build, assumptions, 1, 0).first(1)
    for hundredths in range(round(100 * now), round(100 * max(now, FIO2_TARGET)) + 1):
        tried = replace(settings, fio2=hundredths / 100)
        outcomes = judge(patients, build, tried, best, assumptions).outcomes
        spo2 = [outcomes[f"{p.label} spo2_pct"][0] for p in patients]
        if not any(value < aim_pct for value in spo2):
            return hundredths / 100
    return now
