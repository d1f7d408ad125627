"""Trims for a group: which real part on whose limb brings everybody inside the limits, with the best joint margin.

Every fitting of one or two limbs is tried by the engine at best estimate; that bounds the margin with draws, so the
best by draws is found without asking draws of all. A trim is one more thing that can clog, drift or be put on the wrong
limb: of equal margins the one with fewer and weaker pieces is taken.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import QUICK
from airyoke.breath.settings import Settings
from airyoke.circuit import NO_TRIM, PARTS, Trim
from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.circuit.parts import RESTRICTOR_DIAMETERS_MM
from airyoke.limits.answer import Assumed
from airyoke.limits.margins import order_statistic
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, judge_group, on_build, predict, sample_group
from airyoke.plan.coupling import Coupling
from airyoke.plan.what_if import Predicted, Question, WhatIf, predict_coupling, side_by_side

Floats = NDArray[np.float64]
Kind = Literal["restrictor", "peep_valve", "dead_space"]

# A spring valve is set in such steps (2.5 or 5, or by a dial; from memory).
PEEP_VALVE_SETTINGS_CMH2O: Final = (2.5, 5.0, 7.5, 10.0)
ADDED_DEAD_SPACES_ML: Final = (20.0, 50.0, 100.0)
# How far an adjustable one is closed, as the hole that would do the same.
ADJUSTABLE_DIAMETERS_MM: Final = (3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 7.0)
ADJUSTABLE: Final = "restrictor-adjustable"
PEEP_VALVE: Final = "peep-valve-in-line"
SEARCH_DRAWS: Final = 64
TIE: Final = 0.05  # of a comfortable distance; margins closer than this are equal: fewer and weaker pieces win
DRIVE_STEPS_CMH2O: Final = tuple(float(step) for step in range(-4, 9))
LOWEST_DRIVE_CMH2O: Final = 4.0


@dataclass(frozen=True, slots=True)
class Fitting:
    """One piece on one patient's limb.

    ``size``: mm of the hole, cmH2O of the valve, or mL of dead space. ``part`` is its name in the catalogue, ``None``
    for dead space, which is a length of tube measured by its volume.
    """

    patient: str
    kind: Kind
    size: float
    part: str | None
    trim: Trim


@dataclass(frozen=True, slots=True)
class Proposal:
    """The best trim: what is fitted, the settings that go with it, and everybody before and after."""

    fittings: tuple[Fitting, ...]
    what_if: WhatIf

    @property
    def after(self) -> Predicted:
        """The group with the trim."""
        return self.what_if.after

    @property
    def margin(self) -> float:
        """The group's margin with the trim; minus infinity where nothing could be judged."""
        return _judged_margin(self.after)


@dataclass(frozen=True, slots=True)
class TrimSearch:
    """What was found for a group.

    ``at_settings``: the best trim at the present settings. ``with_drive``: the best with the drive moved as well, where
    that is better by more than a tie. Both ``None`` where everybody is inside without a trim.
    """

    before: Predicted
    at_settings: Proposal | None
    with_drive: Proposal | None
    tried: int

    @property
    def proposals(self) -> tuple[Proposal, ...]:
        """What was found, the best last."""
        return tuple(one for one in (self.at_settings, self.with_drive) if one is not None)


def fittings_for(patient: str, stock: Mapping[str, int] | None = None) -> tuple[Fitting, ...]:
    """Every piece that could go on this patient's limb: of ``stock``, or (``None``) of the whole catalogue."""
    found: list[Fitting] = []

    def has(part: str) -> bool:
        return stock is None or stock.get(part, 0) > 0

    for diameter in RESTRICTOR_DIAMETERS_MM:
        part = PARTS[f"restrictor-{diameter:.1f}mm"]
        if has(part.name):
            trim = Trim(restrictor_cmh2o_s2_per_l2=part.element.quadratic)
            found.append(Fitting(patient, "restrictor", diameter, part.name, trim))
    fixed = {one.size for one in found}
    if has(ADJUSTABLE):
        for diameter in ADJUSTABLE_DIAMETERS_MM:
            if diameter not in fixed:
                trim = Trim(restrictor_cmh2o_s2_per_l2=orifice_quadratic_cmh2o_s2_per_l2(diameter, bore_mm=22.0))
                found.append(Fitting(patient, "restrictor", diameter, ADJUSTABLE, trim))
    if has(PEEP_VALVE):
        for setting in PEEP_VALVE_SETTINGS_CMH2O:
            trim = Trim(peep_valve_cmh2o=setting, peep_valve_element=PARTS[PEEP_VALVE].element)
            found.append(Fitting(patient, "peep_valve", setting, PEEP_VALVE, trim))
    for volume in ADDED_DEAD_SPACES_ML:
        found.append(Fitting(patient, "dead_space", volume, None, Trim(added_dead_space_ml=volume)))
    return tuple(found)


def search_trims(
    coupling: Coupling, question: Question, stock: Mapping[str, int] | None = None, *, most_pieces: int = 2,
    assumed: tuple[Assumed, ...] = (),
) -> TrimSearch:  # fmt: skip
    """The best trim of one or two limbs for a group, at its settings and with its drive moved.

    Trims that the coupling has already stay; limbs with one get no other.
    """
    before = predict_coupling(coupling, question, assumed)
    if before.answer.margin is None or before.answer.margin.allowed:
        return TrimSearch(before, None, None, 0)
    choices = tuple(_choices(coupling, stock, most_pieces))
    at_settings = _proposal(before, _best(coupling, question, choices, (coupling.settings,)), _judged_margin(before))
    moved, with_drive = _drives(coupling.settings), None
    if len(moved) > 1:
        known = max(_judged_margin(before), float("-inf") if at_settings is None else at_settings.margin)
        with_drive = _proposal(before, _best(coupling, question, ((), *choices), moved), known)
    return TrimSearch(before, at_settings, with_drive, len(choices) * len(moved))


def _proposal(before: Predicted, found: tuple[tuple[Fitting, ...], Settings] | None, known: float) -> Proposal | None:
    """What was found, judged as the question asks; ``None`` where that is no better than what is known."""
    if found is None:
        return None
    coupling = fitted_coupling(before.coupling, *found)
    after = predict_coupling(coupling, before.question, before.answer.assumed)
    proposal = Proposal(found[0], side_by_side(before, after))
    return proposal if proposal.margin > known + TIE or proposal.margin >= 0.0 > known else None


def fitted_coupling(coupling: Coupling, fittings: Sequence[Fitting], settings: Settings) -> Coupling:
    """The coupling with these pieces on its limbs, at these settings."""
    trims = dict(zip(coupling.labels, coupling.trims, strict=True))
    trims |= {one.patient: one.trim for one in fittings}
    return replace(coupling, trims=tuple(trims.values()), settings=settings)


def _choices(coupling: Coupling, stock: Mapping[str, int] | None, most_pieces: int) -> Iterator[tuple[Fitting, ...]]:
    """One piece on one limb, or one on each of two, as far as the stock goes. Never the same kind on every limb: that
    is what the settings are for."""
    free = [label for label, trim in zip(coupling.labels, coupling.trims, strict=True) if trim == NO_TRIM]
    pieces = {label: fittings_for(label, stock) for label in free}
    number = len(coupling.patients)
    for label in free:
        if number > 1:
            yield from ((one,) for one in pieces[label])
    for first, second in combinations(free if most_pieces > 1 else [], 2):
        for one, other in product(pieces[first], pieces[second]):
            if number == 2 and one.kind == other.kind:
                continue
            if stock is not None and one.part is not None and one.part == other.part and stock[one.part] < 2:
                continue
            yield one, other


def _drives(settings: Settings) -> tuple[Settings, ...]:
    """The settings with the drive moved by whole steps; themselves alone in volume control."""
    drive = settings.pressure_above_peep_cmh2o
    if drive is None:
        return (settings,)
    drives = [drive + step for step in DRIVE_STEPS_CMH2O if drive + step >= LOWEST_DRIVE_CMH2O]
    return tuple(replace(settings, pressure_above_peep_cmh2o=one) for one in drives)


def _best(
    coupling: Coupling, question: Question, choices: Sequence[tuple[Fitting, ...]], settings: tuple[Settings, ...]
) -> tuple[tuple[Fitting, ...], Settings] | None:
    """The choice and settings with the largest margin on the search's draws; ``None`` where nothing settles."""
    policy = question.policy
    best_estimate, drawn = (
        sample_group(coupling.patients, coupling.build, policy.assumptions, draws, question.seed,
                     structural=question.structural)
        for draws in (0, SEARCH_DRAWS)
    )  # fmt: skip
    bounds = np.full((len(choices), len(settings)), -np.inf)
    for i, fittings in enumerate(choices):
        build = fitted_coupling(coupling, fittings, settings[0]).fitted
        bounds[i] = _margins(on_build(best_estimate, build), settings, policy)[:, 0]
    found: tuple[tuple[float, ...], tuple[Fitting, ...], Settings] | None = None
    for place in np.argsort(-bounds, axis=None, kind="stable"):
        i, s = divmod(int(place), len(settings))
        if not np.isfinite(bounds[i, s]) or (found is not None and bounds[i, s] < -found[0][0] * TIE - TIE):
            break
        build = fitted_coupling(coupling, choices[i], settings[s]).fitted
        value = _group_value(_margins(on_build(drawn, build), (settings[s],), policy), policy)
        rank = (-round(value / TIE), *_burden(coupling, choices[i], settings[s]))
        if found is None or rank < found[0]:
            found = rank, choices[i], settings[s]
    return None if found is None else found[1:]


def _burden(coupling: Coupling, fittings: tuple[Fitting, ...], settings: Settings) -> tuple[float, ...]:
    """What speaks against one of two equal choices: pieces, how far the drive moves, how strong the pieces are."""
    now, new = coupling.settings.pressure_above_peep_cmh2o or 0.0, settings.pressure_above_peep_cmh2o or 0.0
    return float(len(fittings)), abs(new - now), sum(strength(one) for one in fittings)


def strength(fitting: Fitting) -> float:
    """How strong a piece is among its kind, 0 to 1: the hole of 3 mm, the valve at 10 cmH2O, 100 mL are 1."""
    if fitting.kind == "restrictor":
        return (RESTRICTOR_DIAMETERS_MM[0] / fitting.size) ** 4
    return fitting.size / (PEEP_VALVE_SETTINGS_CMH2O[-1] if fitting.kind == "peep_valve" else ADDED_DEAD_SPACES_ML[-1])


def _margins(group: SampledGroup, settings: Sequence[Settings], policy: Policy) -> Floats:
    """Smallest target margin, and behind it smallest hard margin, of every setting and row: (settings, 2 x rows)."""
    rows = group.draws + 1
    outcome = predict(
        group, settings, rows=np.tile(np.arange(rows), len(settings)),
        settings_of=np.repeat(np.arange(len(settings)), rows), accuracy=QUICK,
    )  # fmt: skip
    judged = judge_group(group, outcome, policy)
    settled = outcome.breath.settled
    target = np.where(settled, np.min([one.target for one in judged], axis=0), -np.inf)
    hard = np.where(settled, np.min([one.hard for one in judged if one.hard is not None], axis=0), -np.inf)
    return np.concatenate([target.reshape(-1, rows), hard.reshape(-1, rows)], axis=1)


def _group_value(margins: Floats, policy: Policy) -> float:
    """The group's margin, as the contract defines it, of one row of :func:`_margins`."""
    rows = margins.shape[1] // 2
    target, hard = margins[0, 1:rows], margins[0, rows + 1 :]
    return float(
        min(
            margins[0, 0],
            order_statistic(target, 1.0 - policy.planning_confidence),
            order_statistic(hard, 1.0 - policy.hard_confidence),
        )
    )


def _judged_margin(one: Predicted) -> float:
    margin = one.answer.margin
    return float("-inf") if margin is None else margin.value
