"""How much a trim forgives: what everybody gets when the piece, the inspiratory time or the hand that fits it is off.

At best estimate, one thing at a time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from airyoke.circuit import NO_TRIM, Trim
from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.limits.margins import Judged
from airyoke.limits.prediction import judge_group, on_build, predict, sample_group
from airyoke.plan.changes import LIMB_BORE_MM
from airyoke.plan.coupling import Coupling
from airyoke.plan.trims import Fitting, Proposal

HOLE_STEP_MM = 0.1
WET_OR_AS_MADE = 0.4  # an unmeasured orifice: its discharge coefficient alone is uncertain by as much
VALVE_TOLERANCE_CMH2O = 2.0  # spring valves hold their setting within 1 to 2 cmH2O, from memory
DEAD_SPACE_STEP_ML = 20.0
INSPIRATORY_TIME_STEP_S = 0.1


@dataclass(frozen=True, slots=True)
class Variant:
    """One thing that is off: tidal volumes in the order of the patients, smallest margin, and where it stands.

    ``whose`` is ``None`` for a limit of the group.
    """

    what: str
    tidal_volumes_ml: tuple[float, ...]
    margin: float
    limit: str
    whose: str | None


def sensitivity(proposal: Proposal) -> tuple[Variant, ...]:
    """The trim as proposed, then each thing that may be off."""
    coupling, question = proposal.after.coupling, proposal.after.question
    group = sample_group(
        coupling.patients, coupling.build, question.policy.assumptions, 0, question.seed, structural=question.structural
    )
    variants = []
    for what, changed in _variants(coupling, proposal.fittings):
        outcome = predict(on_build(group, changed.fitted), [changed.settings])
        judged = judge_group(group, outcome, question.policy)
        if not outcome.breath.settled[0] or not judged:
            continue
        worst: Judged = min(judged, key=lambda one: float(one.target[0]))
        variants.append(
            Variant(
                what,
                tuple(float(v) for v in np.asarray(outcome.breath.tidal_volume_ml[0])),
                float(worst.target[0]),
                worst.limit.name,
                None if worst.patient is None else coupling.labels[worst.patient],
            )
        )
    return tuple(variants)


def _variants(coupling: Coupling, fittings: tuple[Fitting, ...]) -> Iterator[tuple[str, Coupling]]:
    yield "as proposed", coupling
    for one in fittings:
        for what, trim in _off(one):
            yield f"{one.patient}: {what}", _with(coupling, one.patient, trim)
        yield f"{one.patient}: left out", _with(coupling, one.patient, NO_TRIM)
        for other in coupling.labels:
            if other not in [fitting.patient for fitting in fittings]:
                moved = _with(_with(coupling, one.patient, NO_TRIM), other, one.trim)
                yield f"on {other}'s limb instead of {one.patient}'s", moved
    for step in (INSPIRATORY_TIME_STEP_S, -INSPIRATORY_TIME_STEP_S):
        time = round(coupling.settings.inspiratory_time_s + step, 6)
        if 0.3 <= time < coupling.settings.period_s - coupling.settings.expiratory_pause_s - 0.3:
            settings = replace(coupling.settings, inspiratory_time_s=time)
            yield f"inspiratory time {step:+g} s", replace(coupling, settings=settings)


def _off(one: Fitting) -> Iterator[tuple[str, Trim]]:
    trim = one.trim
    if one.kind == "restrictor":
        quadratic = trim.restrictor_cmh2o_s2_per_l2
        as_is = orifice_quadratic_cmh2o_s2_per_l2(one.size, bore_mm=LIMB_BORE_MM)
        for step, word in ((-HOLE_STEP_MM, "narrower"), (HOLE_STEP_MM, "wider")):
            factor = orifice_quadratic_cmh2o_s2_per_l2(one.size + step, bore_mm=LIMB_BORE_MM) / as_is
            changed = replace(trim, restrictor_cmh2o_s2_per_l2=quadratic * factor)
            yield f"hole {HOLE_STEP_MM:g} mm {word}", changed
        for factor, word in ((1.0 + WET_OR_AS_MADE, "wet or badly made"), (1.0 - WET_OR_AS_MADE, "a rounded inlet")):
            changed = replace(trim, restrictor_cmh2o_s2_per_l2=quadratic * factor)
            yield f"resistance {100 * (factor - 1):+.0f} % ({word})", changed
    elif one.kind == "peep_valve":
        for step in (VALVE_TOLERANCE_CMH2O, -VALVE_TOLERANCE_CMH2O):
            changed = replace(trim, peep_valve_cmh2o=max(0.0, trim.peep_valve_cmh2o + step))
            yield f"valve {step:+g} cmH2O off its setting", changed
    else:
        for step in (DEAD_SPACE_STEP_ML, -DEAD_SPACE_STEP_ML):
            changed = replace(trim, added_dead_space_ml=max(0.0, trim.added_dead_space_ml + step))
            yield f"{step:+g} mL of dead space", changed


def _with(coupling: Coupling, label: str, trim: Trim) -> Coupling:
    number = coupling.labels.index(label)
    return replace(coupling, trims=tuple(trim if i == number else t for i, t in enumerate(coupling.trims)))
