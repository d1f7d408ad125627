"""From draws to an answer: figures with ranges, the nearest limit of each, the group's margin, what was assumed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.displayed import displayed_volume_ml
from airyoke.breath.engine import HoldPressures
from airyoke.limits.answer import (
    Assumed,
    Figure,
    GroupAnswer,
    LimitDistance,
    NotComputed,
    Outcome,
    PatientAnswer,
    Source,
)
from airyoke.limits.margins import GroupMargin, Judged, group_margin
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import GroupOutcome, SampledGroup, judge_group
from airyoke.lungs.patient import Patient
from airyoke.quantities import quantity
from airyoke.quantities.cautions import MORE_THAN_TWO, PART_DATA, STANDING
from airyoke.quantities.estimate import Estimate

Floats = NDArray[np.float64]

LOW_PERCENTILE, HIGH_PERCENTILE = 5.0, 95.0
# Below this the machine moves no gas at all; above this no circuit holds: no periodic breath exists.
LEAST_DELIVERED_ML = 1.0
HIGHEST_PRESSURE_CMH2O = 300.0
LANES = "ABCD"

# Limits that speak about another figure than the one of their own name.
_FIGURE_OF_LIMIT = {
    "trapped_peep_cmh2o": "intrinsic_peep_cmh2o",
    "total_peep_fall_cmh2o": "total_peep_cmh2o",
    "total_peep_rise_cmh2o": "total_peep_cmh2o",
}

SOURCES: tuple[Source, ...] = (
    Source("mechanics", "Settled breath of one ventilator and its lungs: flow balance at every node, solved by a "
           "Rosenbrock method of order 3 (Sandu et al., Atmospheric Environment 1997;31:3459)."),
    Source("body-weight", "Predicted body weight: ARDS Network, N Engl J Med 2000;342:1301."),
    Source("driving-pressure", "Driving pressure = plateau - total PEEP: Amato et al., N Engl J Med 2015;372:747."),
    Source("paco2", "PaCO2 by the alveolar ventilation equation, with airway and apparatus dead space apart from the "
           "alveolar fraction (textbook)."),
    Source("ph", "pH by Henderson-Hasselbalch, 0.0307 mmol/L/mmHg, from the patient's own bicarbonate."),
    Source("oxygen", "Shunt at an assumed arteriovenous difference: Benatar, Hewlett, Nunn, Br J Anaesth 1973;45:711; "
           "saturation: Severinghaus, J Appl Physiol 1979;46:599, with the pH shift."),
    Source("power", "Mechanical power: pressure control by Becher et al., Intensive Care Med 2019;45:1321 (simple "
           "form, pressure at the wye); volume control by Gattinoni et al., Intensive Care Med 2016;42:1567."),
)  # fmt: skip


def answer_group(
    group: SampledGroup,
    outcome: GroupOutcome,
    policy: Policy,
    seed: int,
    *,
    confidence: float | None = None,
    assumed: tuple[Assumed, ...] = (),
    hold_sensor: Literal["inspiratory", "expiratory", "wye"] = "inspiratory",
) -> GroupAnswer:
    """The answer at the first settings of ``outcome``, whose rows are all draws of the group in order.

    A draw that did not settle counts as outside every limit and is left out of the ranges. Where the best estimate
    itself did not settle the outcome is ``not_converged`` and nothing is judged. ``hold_sensor`` is where the machine
    reads the pressure that it shows in a hold (``wye``: at the first patient's).
    """
    settings = outcome.settings[0]
    settled = outcome.breath.settled
    state, reason = _state(outcome)
    shared = len(group.patients) > 1
    cautions = STANDING + ((MORE_THAN_TWO,) if len(group.patients) > 2 else ())
    cautions += (PART_DATA,) if group.build.resistance_relative_sd > 0.0 and shared else ()
    judged: list[Judged] = []
    margin: GroupMargin | None = None
    if state == "solved":
        judged = [_outside_where(one, ~settled) for one in judge_group(group, outcome, policy)]
        if judged:
            margin = group_margin(judged, policy, confidence)
    failed = int((~settled[1:]).sum())
    if state == "solved" and failed:
        reason = f"{failed} of {group.draws} draws did not settle; they count as outside every limit"
    patients = tuple(
        PatientAnswer(patient.label, LANES[i], _patient_figures(outcome, i, judged, state, settled))
        for i, patient in enumerate(group.patients)
    )
    return GroupAnswer(
        outcome=state,
        outcome_reason=reason,
        settings=settings,
        build=group.build.name,
        draws=group.draws,
        seed=seed,
        patients=patients,
        ventilator=_ventilator_figures(group, outcome, state, settled, hold_sensor),
        margin=margin,
        assumed=(*assumed, *(a for p in group.patients for a in assumed_of(p))),
        not_computed=(
            *(n for i in range(len(group.patients)) for n in _not_computed(group, outcome, i)),
            *_spread_not_computed(group),
        ),
        sources=SOURCES,
        cautions=cautions,
    )


def _state(outcome: GroupOutcome) -> tuple[Outcome, str | None]:
    breath = outcome.breath
    if not breath.settled[0]:
        return "not_converged", "the breaths at best estimate did not settle within 80 breaths"
    if breath.delivered_ml[0] < LEAST_DELIVERED_ML:
        return "impossible", "no gas reaches any patient: every way in is shut"
    if breath.ventilator_peak_cmh2o[0] > HIGHEST_PRESSURE_CMH2O:
        peak = breath.ventilator_peak_cmh2o[0]
        return "impossible", f"the circuit would reach {peak:.0f} cmH2O: no way out for the gas"
    return "solved", None


def _outside_where(judged: Judged, failed: NDArray[np.bool_]) -> Judged:
    if not failed.any():
        return judged
    target = np.where(failed, -np.inf, judged.target)
    hard = None if judged.hard is None else np.where(failed, -np.inf, judged.hard)
    return Judged(judged.limit, judged.patient, judged.values, target, hard)


def figures(
    rows: Mapping[str, Floats],
    settled: NDArray[np.bool_],
    limits: Mapping[str, LimitDistance | None] | None = None,
) -> dict[str, Figure]:
    """Each figure: best estimate (row 0), 5th and 95th percentile over the settled draws; all ``None`` where NaN."""
    limits = {} if limits is None else limits
    draws = np.stack([one[1:][settled[1:]] for one in rows.values()])
    low, high = np.percentile(draws, [LOW_PERCENTILE, HIGH_PERCENTILE], axis=1) if draws.shape[1] else (None, None)
    made: dict[str, Figure] = {}
    for i, (name, one) in enumerate(rows.items()):
        if not np.isfinite(one[0]):
            made[name] = Figure(None)
        elif low is None or high is None:
            made[name] = Figure(float(one[0]), limit=limits.get(name))
        else:
            made[name] = Figure(float(one[0]), float(low[i]), float(high[i]), limits.get(name))
    return made


def patient_rows(outcome: GroupOutcome, i: int) -> dict[str, Floats]:
    """Every figure of patient ``i`` by its key, one number a row of ``outcome``; NaN = not known."""
    breath = outcome.breath
    return {
        "tidal_volume_ml": breath.tidal_volume_ml[:, i],
        "tidal_volume_ml_per_kg": outcome.tidal_volume_ml_per_kg[:, i],
        "plateau_cmh2o": breath.plateau_cmh2o[:, i],
        "driving_pressure_cmh2o": breath.driving_pressure_cmh2o[:, i],
        "total_peep_cmh2o": breath.total_peep_cmh2o[:, i],
        "intrinsic_peep_cmh2o": outcome.intrinsic_peep_cmh2o[:, i],
        "end_inspiratory_flow_l_per_min": breath.end_inspiratory_flow_l_per_min[:, i],
        "minute_volume_l_per_min": outcome.minute_volume_l_per_min[:, i],
        "peak_pressure_cmh2o": breath.peak_pressure_cmh2o[:, i],
        "backflow_ml": breath.backflow_ml[:, i],
        "paco2_mmhg": outcome.paco2_mmhg[:, i],
        "ph": outcome.ph[:, i],
        "spo2_pct": outcome.spo2_pct[:, i],
        "mechanical_power_j_per_min": outcome.mechanical_power_j_per_min[:, i],
    }


def _patient_figures(
    outcome: GroupOutcome, i: int, judged: list[Judged], state: Outcome, settled: NDArray[np.bool_]
) -> dict[str, Figure]:
    rows = patient_rows(outcome, i)
    if state != "solved":
        return {name: Figure(None) for name in rows}
    return figures(rows, settled, {name: _nearest(judged, i, name) for name in rows})


def _nearest(judged: list[Judged], patient: int, figure_name: str) -> LimitDistance | None:
    of_this = [
        one
        for one in judged
        if one.patient == patient and _FIGURE_OF_LIMIT.get(one.limit.name, one.limit.name) == figure_name
    ]
    if figure_name == "tidal_volume_ml":
        of_this = [one for one in judged if one.patient == patient and one.limit.name == "tidal_volume_ml_per_kg"]
    if not of_this:
        return None
    one = min(of_this, key=lambda candidate: float(candidate.target[0]))
    limit = one.limit
    return LimitDistance(limit.name, limit.side, limit.target, float(one.target[0]), limit.source)


def _ventilator_figures(
    group: SampledGroup, outcome: GroupOutcome, state: Outcome, settled: NDArray[np.bool_], hold_sensor: str
) -> dict[str, Figure]:
    breath, settings = outcome.breath, outcome.settings[0]
    circuit = group.networks.compliance_ml_per_cmh2o[group.network_of]
    displayed = displayed_volume_ml(breath.exhaled_ml, breath.ventilator_peak_cmh2o, settings, circuit)
    rows: dict[str, Floats] = {
        "delivered_tidal_volume_ml": breath.delivered_ml,
        "displayed_tidal_volume_ml": displayed,
        "compressed_volume_ml": breath.exhaled_ml - breath.tidal_volume_ml.sum(axis=1),
        "minute_volume_l_per_min": displayed * settings.rate_per_min / 1000.0,
        "peak_pressure_cmh2o": breath.ventilator_peak_cmh2o,
    }
    if breath.inspiratory_hold is not None and breath.expiratory_hold is not None:
        rows["inspiratory_hold_cmh2o"] = _shown(breath.inspiratory_hold, hold_sensor)
        rows["expiratory_hold_cmh2o"] = _shown(breath.expiratory_hold, hold_sensor)
    if state != "solved":
        return {name: Figure(None) for name in rows}
    return figures(rows, settled)


def _shown(hold: HoldPressures, sensor: str) -> Floats:
    if sensor == "wye":
        return hold.wyes[:, 0]
    return hold.expiratory_side if sensor == "expiratory" else hold.inspiratory_side


def assumed_of(patient: Patient) -> tuple[Assumed, ...]:
    """The defaults that went into this patient's lungs and present state."""
    lungs = patient.lungs
    estimates: list[Estimate | None] = [
        lungs.compliance, lungs.inspiratory_resistance, lungs.expiratory_resistance, lungs.quadratic_resistance,
        lungs.airway_dead_space, lungs.alveolar_dead_space_fraction, lungs.vco2, lungs.bicarbonate, lungs.shunt,
        lungs.haemoglobin, None if patient.present is None else patient.present.total_peep,
    ]  # fmt: skip
    return tuple(
        Assumed(patient.label, e.quantity, e.value, quantity(e.quantity).unit, "not read", e.basis)
        for e in estimates
        if e is not None and e.assumed
    )


def _not_computed(group: SampledGroup, outcome: GroupOutcome, i: int) -> list[NotComputed]:
    patient = group.patients[i]
    missing: list[NotComputed] = []
    if not np.isfinite(group.body_weight_kg[i]):
        missing.append(
            NotComputed(patient.label, "tidal_volume_ml_per_kg", "no predicted body weight", "sex and height_cm")
        )
    if patient.present is None:
        change = "a present total PEEP read on the patient's own ventilator"
        for name in ("total_peep_fall_cmh2o", "total_peep_rise_cmh2o"):
            missing.append(NotComputed(patient.label, name, "it is a change from the present state", change))
    if not np.isfinite(outcome.paco2_mmhg[0, i]):
        lungs = patient.lungs
        needs = [
            name
            for name, estimate in (("airway_dead_space_ml (or sex and height_cm)", lungs.airway_dead_space),
                                   ("vco2_ml_per_min", lungs.vco2), ("bicarbonate_mmol_per_l", lungs.bicarbonate))
            if estimate is None
        ]  # fmt: skip
        what = " and ".join(needs) if patient.present is None and needs else "an arterial gas (paco2_mmhg and ph)"
        for name in ("paco2_mmhg", "ph"):
            missing.append(NotComputed(patient.label, name, "the gas exchange of this patient is not known", what))
    if not np.isfinite(outcome.spo2_pct[0, i]):
        what = "shunt_fraction" if patient.present is None else "pao2_mmhg, or an spo2_pct of at most 97"
        missing.append(NotComputed(patient.label, "spo2_pct", "the shunt of this patient is not known", what))
    if not np.isfinite(outcome.ph[0, i]) and np.isfinite(outcome.paco2_mmhg[0, i]):
        missing.append(NotComputed(patient.label, "ph", "no bicarbonate is known", "bicarbonate_mmol_per_l"))
    return missing


def _spread_not_computed(group: SampledGroup) -> list[NotComputed]:
    if len(group.patients) < 2 or np.isfinite(group.present.fio2[0]).all():
        return []
    needs = "the present fio2 of every patient on its own ventilator"
    return [NotComputed(None, "fio2_spread", "it compares the present values of a pair", needs)]
