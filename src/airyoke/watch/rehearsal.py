"""Each has run alone at the shared settings: may they be coupled, as planned, with other pressures, or not?

What was read replaces what was estimated: the lungs again, with the smaller spreads of values that were measured at
these very settings, and every draw gives back the volume that was read. Then the group on its build is predicted anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final, Literal

import numpy as np

from airyoke.breath.engine import QUICK
from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build
from airyoke.limits.answer import GroupAnswer
from airyoke.limits.answering import answer_group
from airyoke.limits.margins import GroupMargin, group_margin
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, judge_group, predict, sample_group
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.patient import Patient
from airyoke.lungs.readings import Readings
from airyoke.lungs.reasons import CannotEstimate
from airyoke.plan.candidate import Candidate, Note
from airyoke.plan.grid import LOWEST_DRIVE_CMH2O, steps
from airyoke.plan.judging import Judge, ventilator_class

Outcome = Literal["confirmed", "retuned", "replan", "dissolved"]
Compensation = Literal["on", "off"]

MAY_MOVE_CMH2O: Final = 2.0
"""How far pressure and PEEP may be moved without a second rehearsal (judgement)."""
MOST_TRIED: Final = 8
DRAWS: Final = 1024
TRY_DRAWS: Final = 256
MEASURED: Final = ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o", "paco2_mmhg", "ph")
"""What has to be read of each while alone. Oxygen too, where it was known before: ``pao2_mmhg`` or ``spo2_pct``."""
ALSO_READ: Final = ("pao2_mmhg", "spo2_pct", "haemoglobin_g_per_dl", "resistance_cmh2o_s_per_l", "temperature_c")
_OF_ANOTHER_MODE: Final = ("flow_shape", "pause_s", "peak_cmh2o", "flow_l_per_min", "etco2_mmhg",
                           "minute_volume_l_per_min", "bicarbonate_mmol_per_l")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What a rehearsal came to.

    ``settings`` are those that the outcome stands for: as planned, or with pressure and PEEP moved; for ``replan``
    others that a new rehearsal would have to try. ``answer`` is the group predicted at them (``None`` where nothing
    could be predicted), ``as_planned`` the margin at the planned ones. ``reasons`` say it in words and numbers.
    """

    outcome: Outcome
    settings: Settings
    reasons: tuple[Note, ...]
    as_planned: GroupMargin | None = None
    answer: GroupAnswer | None = None

    @property
    def words(self) -> str:
        """Every reason, one after another."""
        return " ".join(one.text for one in self.reasons)


def rehearsed_assumptions(assumptions: Assumptions) -> Assumptions:
    """The spreads of what was measured in a rehearsal, in place of those of what was found in another mode."""
    return replace(
        assumptions,
        compliance_relative_sd=assumptions.rehearsed_relative_sd,
        paco2_sd_mmhg=assumptions.rehearsed_paco2_sd_mmhg,
    )


def read_alone(before: Readings, settings: Settings, measured: Mapping[str, float]) -> Readings:
    """The readings of a patient who has run alone at these settings: what was measured there, and of the earlier ones
    only what does not depend on the ventilator. Raises ``KeyError`` for one of :data:`MEASURED` that is missing."""
    if settings.mode != "pc" or settings.pressure_above_peep_cmh2o is None:
        raise ValueError("a group is rehearsed in pressure control")
    new: dict[str, float | str | None] = {name: measured[name] for name in MEASURED}
    new |= {name: measured.get(name) for name in ("pao2_mmhg", "spo2_pct", "resistance_cmh2o_s_per_l")}
    new |= {name: measured[name] for name in ("haemoglobin_g_per_dl", "temperature_c") if name in measured}
    new |= dict.fromkeys(_OF_ANOTHER_MODE)
    return replace(
        before,
        mode="pc",
        rate_per_min=settings.rate_per_min,
        inspiratory_time_s=settings.inspiratory_time_s,
        pressure_above_peep_cmh2o=settings.pressure_above_peep_cmh2o,
        peep_cmh2o=settings.peep_cmh2o,
        fio2=settings.fio2,
        **new,  # type: ignore[arg-type]
    )


def lungs_again(
    readings: Readings,
    first: Patient,
    assumptions: Assumptions,
    *,
    circuit_compensation: Compensation,
    conditions: tuple[str, ...] = (),
) -> Patient | CannotEstimate:
    """Lungs from readings alone at the shared settings. The pressure curve gives the resistance where it tells
    anything; else what was known of it ``first`` still stands."""
    again = rehearsed_assumptions(assumptions)

    def estimated(resistance: float | None) -> Patient | CannotEstimate:
        return estimate_lungs(
            replace(readings, resistance_cmh2o_s_per_l=resistance), first.label, again,
            circuit_compensation=circuit_compensation, conditions=conditions,
        )  # fmt: skip

    found = estimated(readings.resistance_cmh2o_s_per_l)
    if isinstance(found, Patient) and found.lungs.inspiratory_resistance.assumed:
        found = estimated(first.lungs.inspiratory_resistance.value)
    return found


def rehearse(
    patients: Sequence[Patient],
    build: Build,
    settings: Settings,
    policy: Policy,
    ventilator: Ventilator,
    *,
    draws: int = DRAWS,
    seed: int = 0,
) -> Rehearsed:
    """May these patients, their lungs read again, be coupled through this build at these settings?

    *Confirmed*: everybody inside every target in at least ``confirm_confidence`` of the draws, and inside every hard
    bound in ``hard_confidence``. *Re-tuned*: with pressure above PEEP and PEEP moved by at most 2. *Re-plan*: other
    settings of this ventilator would do to plan with, but need a rehearsal of their own. *Dissolved*: none would.
    """
    known = replace(policy, assumptions=rehearsed_assumptions(policy.assumptions))
    sampled = sample_group(patients, build, known.assumptions, draws, seed)
    answer, margin = _judged(sampled, settings, known, seed)
    if margin is None:
        why = answer.outcome_reason or "nothing could be judged: an arterial gas of each is needed"
        return Rehearsed("dissolved", settings, (Note("rehearsal-not-judged", _sentence(why)),), None, answer)
    planned = _chances(margin, known, answer)
    if margin.allowed:
        confirmed = Note("rehearsal-confirmed", f"As planned: {planned}")
        return Rehearsed("confirmed", settings, (confirmed,), margin, answer)
    because = Note("rehearsal-as-planned", f"As planned: {planned} {_binding(margin, answer)}")
    retuned = _retuned(patients, build, settings, known, ventilator, draws, seed)
    if retuned is not None:
        moved, again, new = retuned
        words = f"With {_moves(settings, moved)}: {_chances(new, known, again)}"
        return Rehearsed("retuned", moved, (because, Note("rehearsal-retuned", words)), margin, again)
    small = Note("rehearsal-no-small-change",
                 f"No pressure and no PEEP within {MAY_MOVE_CMH2O:g} cmH2O brings that to what is needed.")  # fmt: skip
    return _elsewhere(patients, build, settings, known, ventilator, (because, small), margin, answer, seed)


def without_rehearsal(
    patients: Sequence[Patient], build: Build, settings: Settings, policy: Policy, *, draws: int = DRAWS, seed: int = 0
) -> Rehearsed:
    """The group as it is predicted without a rehearsal, from the readings in another mode and with their spreads.

    Whoever skips it couples on this: ``confirmed`` here means only that the chance would be enough.
    """
    answer, margin = _judged(sample_group(patients, build, policy.assumptions, draws, seed), settings, policy, seed)
    if margin is None:
        why = answer.outcome_reason or "nothing could be judged: an arterial gas of each is needed"
        return Rehearsed("dissolved", settings, (Note("rehearsal-not-judged", _sentence(why)),), None, answer)
    words = f"Not rehearsed. From the earlier readings: {_chances(margin, policy, answer)}"
    if not margin.allowed:
        words = f"{words} {_binding(margin, answer)}"
    return Rehearsed("confirmed" if margin.allowed else "dissolved", settings,
                     (Note("rehearsal-skipped", words),), margin, answer)  # fmt: skip


def _judged(
    sampled: SampledGroup, settings: Settings, policy: Policy, seed: int
) -> tuple[GroupAnswer, GroupMargin | None]:
    outcome = predict(sampled, [settings], holds=True)
    answer = answer_group(sampled, outcome, policy, seed, confidence=policy.confirm_confidence)
    return answer, answer.margin


def _retuned(
    patients: Sequence[Patient], build: Build, settings: Settings, policy: Policy, ventilator: Ventilator, draws: int,
    seed: int,
) -> tuple[Settings, GroupAnswer, GroupMargin] | None:  # fmt: skip
    """The best of the settings near by, if it passes. It is searched on other draws than it is judged on: the best of
    many by the same draws is partly luck."""
    near = near_by(settings, ventilator)
    if not near:
        return None
    trial = sample_group(patients, build, policy.assumptions, TRY_DRAWS, seed + 1)
    rows, of = np.zeros(len(near), np.int64), np.arange(len(near))
    at_best = judge_group(trial, predict(trial, near, rows=rows, settings_of=of, accuracy=QUICK), policy)
    margins = np.min([one.target for one in at_best], axis=0)
    # A margin over the draws is never larger than at best estimate.
    hopeful = [near[k] for k in np.argsort(-margins, kind="stable")[:MOST_TRIED] if margins[k] >= 0.0]

    def margin_of(tried: Settings) -> float:
        judged = judge_group(trial, predict(trial, [tried], accuracy=QUICK), policy)
        return group_margin(judged, policy, policy.confirm_confidence).value

    best = max(hopeful, key=margin_of, default=None)
    if best is None:
        return None
    answer, margin = _judged(sample_group(patients, build, policy.assumptions, draws, seed), best, policy, seed)
    return (best, answer, margin) if margin is not None and margin.allowed else None


def near_by(settings: Settings, ventilator: Ventilator) -> list[Settings]:
    """Every step of pressure and PEEP within reach that the dials take, but the settings themselves."""
    drive, peep = settings.pressure_above_peep_cmh2o, settings.peep_cmh2o
    if drive is None:
        return []
    v = ventilator
    drives = steps(max(drive - MAY_MOVE_CMH2O, LOWEST_DRIVE_CMH2O), drive + MAY_MOVE_CMH2O, v.pressure_step_cmh2o)
    peeps = steps(max(peep - MAY_MOVE_CMH2O, 0.0), min(peep + MAY_MOVE_CMH2O, v.max_peep_cmh2o), v.peep_step_cmh2o)
    moved = [
        replace(settings, pressure_above_peep_cmh2o=float(d), peep_cmh2o=float(p))
        for d, p in product(drives, peeps)
        if d + p <= v.max_pressure_cmh2o
    ]
    return [one for one in moved if one != settings]


def _elsewhere(
    patients: Sequence[Patient], build: Build, settings: Settings, policy: Policy, ventilator: Ventilator,
    reasons: tuple[Note, ...], margin: GroupMargin, answer: GroupAnswer, seed: int,
) -> Rehearsed:  # fmt: skip
    """Not with a small change: is there anything on this ventilator that could be planned with these lungs?"""
    judge = Judge([Candidate(one.label, one, settings) for one in patients], policy, TRY_DRAWS, seed)
    verdict = judge.verdict(tuple(range(len(patients))), ventilator_class(ventilator), build)
    if verdict.allowed and verdict.answer is not None and verdict.answer.margin is not None:
        other = replace(verdict.answer.settings, circuit_compensation=settings.circuit_compensation)
        words = (
            f"At {_dials(other)} they would be inside every target in "
            f"{100 * verdict.answer.margin.inside_probability:.0f} % of the draws: plan again, then rehearse that."
        )
        return Rehearsed("replan", other, (*reasons, Note("rehearsal-replan", words)), margin, answer)
    words = "No settings of this ventilator would do either: these patients do not share."
    return Rehearsed("dissolved", settings, (*reasons, Note("rehearsal-dissolved", words)), margin, answer)


def _chances(margin: GroupMargin, policy: Policy, answer: GroupAnswer) -> str:
    return (
        f"everybody inside every target in {100 * margin.inside_probability:.0f} % of {answer.draws} draws "
        f"({100 * policy.confirm_confidence:.0f} needed), inside every hard bound in "
        f"{100 * margin.hard_inside_probability:.0f} % ({100 * policy.hard_confidence:.0f} needed)."
    )


def _binding(margin: GroupMargin, answer: GroupAnswer) -> str:
    whose = "the group" if margin.patient is None else f"bed {answer.patients[margin.patient].label}"
    unit = f" {margin.limit.unit}" if margin.limit.unit else ""
    return (
        f"What holds it back is the {margin.limit.meaning} of {whose}: {margin.predicted:.3g}{unit} at best estimate, "
        f"bound {margin.bound:g}{unit}."
    )


def _moves(old: Settings, new: Settings) -> str:
    found = [
        f"{words} {to:g} (was {was:g})"
        for words, was, to in (
            ("pressure above PEEP", old.pressure_above_peep_cmh2o, new.pressure_above_peep_cmh2o),
            ("PEEP", old.peep_cmh2o, new.peep_cmh2o),
        )
        if was is not None and to is not None and was != to
    ]
    return " and ".join(found)


def _dials(settings: Settings) -> str:
    return (
        f"pressure above PEEP {settings.pressure_above_peep_cmh2o or 0.0:g}, PEEP {settings.peep_cmh2o:g}, rate "
        f"{settings.rate_per_min:g}, inspiratory time {settings.inspiratory_time_s:g} s, FiO2 {settings.fio2:.2f}"
    )


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
