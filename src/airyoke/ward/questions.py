"""The questions people ask of a ward: what is in it, what would a group get, who shares with whom."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.limits.answer import Assumed, GroupAnswer
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.quantities.finding import Finding
from airyoke.ward.candidates import BedAssessment, assess_ward, candidate
from airyoke.ward.ward import Ward

if TYPE_CHECKING:
    from airyoke.plan.plan import Plan

DRAWS = 256


def predict_case(
    patients: Sequence[Patient],
    build: Build,
    settings: Settings,
    *,
    policy: Policy | None = None,
    draws: int = DRAWS,
    seed: int = 0,
    structural: bool = True,
    assumed: tuple[Assumed, ...] = (),
) -> GroupAnswer:
    """One group, one circuit, one set of settings: what each patient gets, with ranges and margins."""
    from airyoke.limits.answering import answer_group
    from airyoke.limits.prediction import predict, sample_group

    policy = Policy() if policy is None else policy
    group = sample_group(patients, build, policy.assumptions, draws, seed, structural=structural)
    outcome = predict(group, [settings], holds=True)
    return answer_group(group, outcome, policy, seed, assumed=assumed)


def check_ward(ward: Ward, assessed: tuple[BedAssessment, ...]) -> tuple[Finding, ...]:
    """Everything that was found in a ward: what was typed, what the estimates brought to light, and whether the
    present gases come back when the engine breathes for each patient at its present settings. ``assessed`` are its
    beds, by :func:`assess_ward`."""
    from airyoke.ward.round_trip import round_trip_findings

    said = {(f.id, f.bed) for f in ward.findings}  # the reader's has its place in the sheet: it is the one kept
    estimated = [f for a in assessed for f in _estimate_findings(a) if (f.id, f.bed) not in said]
    return (*ward.findings, *estimated, *round_trip_findings(assessed, ward.policy))


def _estimate_findings(assessed: BedAssessment) -> tuple[Finding, ...]:
    if assessed.lungs is None:
        return ()
    confirmed = assessed.bed.confirmed
    return tuple(f for f in assessed.lungs.findings if not (f.level == "ask" and f.id in confirmed))


def plan_ward(
    ward: Ward,
    *,
    now: datetime,
    seed: int = 0,
    draws: int = DRAWS,
    progress: Callable[[str, int, int], None] | None = None,
) -> Plan:
    """Who shares with whom on which ventilator, at which settings and alarm limits, what each patient gets, who has
    no place and why. ``now`` is when the plan is made (ages of readings were judged when the ward was read)."""
    from airyoke.circuit.parts import PARTS
    from airyoke.plan.compose import compose_plan
    from airyoke.plan.planner import plan_groups
    from airyoke.plan.request import Request

    assessed = assess_ward(ward)
    request = Request(
        candidates=tuple(candidate(a, ward.policy) for a in assessed),
        ventilators=ward.ventilators,
        policy=ward.policy,
        stock=ward.stock,
        draws=draws,
        seed=seed,
        catalogue={**PARTS, **{part.name: part for part in ward.own_parts}},
    )
    planned = plan_groups(request, progress)
    read_at = [bed.readings.read_at for bed in ward.beds if bed.readings is not None and bed.readings.read_at]
    return compose_plan(planned, request, read_at=read_at, findings=check_ward(ward, assessed), progress=progress)
