"""Which drive suits whom: every patient's compliance per kg against the driving pressure that it has and bears.

At a driving pressure d a lung of compliance c per kg gets c x d mL/kg. So the targets of volume per kg and of driving
pressure give each patient a span of drives; patients whose spans overlap may share one, as far as this looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.plan.plan import Plan
from airyoke.quantities.ranges import range_5_95
from airyoke.ward.candidates import BedAssessment

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class DriveBounds:
    """The targets that the map shows; ``None`` where the policy sets none."""

    low_ml_per_kg: float | None
    high_ml_per_kg: float | None
    driving_pressure_cmh2o: float | None


@dataclass(frozen=True, slots=True)
class DrivePoint:
    """One patient.

    ``suits_cmh2o`` is the span of driving pressure within the bounds, ``None`` where there is none; ``now_cmh2o`` what
    is applied at present (tidal volume / compliance), ``planned_cmh2o`` what a plan gives. ``alone`` is why it may not
    share, empty where it may.
    """

    bed: str
    compliance_ml_per_cmh2o_per_kg: float
    compliance_range: Range
    now_cmh2o: float
    now_range: Range
    suits_cmh2o: Range | None
    planned_cmh2o: float | None
    alone: str


@dataclass(frozen=True, slots=True)
class DriveMap:
    """Everybody whose compliance, size and present volume are known; ``groups``: ventilator and beds of a plan."""

    points: tuple[DrivePoint, ...]
    bounds: DriveBounds
    groups: tuple[tuple[str, tuple[str, ...]], ...]
    missing: tuple[str, ...]


def drive_map(assessed: Sequence[BedAssessment], policy: Policy, plan: Plan | None = None) -> DriveMap:
    """The map of a ward as read, with the shared groups of a plan of it."""
    bounds = _bounds(policy)
    shared = [] if plan is None else [one for one in plan.groups if one.status == "judged" and one.answer is not None]
    planned: dict[str, float | None] = {
        patient.label: patient.figures["driving_pressure_cmh2o"].value
        for group in shared if group.answer is not None for patient in group.answer.patients
    }  # fmt: skip
    points = [point for one in assessed if (point := _point(one, bounds, planned)) is not None]
    there = {one.bed for one in points}
    return DriveMap(
        tuple(points), bounds, tuple((one.ventilator, one.beds) for one in shared if set(one.beds) <= there),
        tuple(one.bed.label for one in assessed if one.bed.label not in there),
    )  # fmt: skip


def suits_cmh2o(compliance_ml_per_cmh2o_per_kg: float, bounds: DriveBounds) -> Range | None:
    """From which to which driving pressure a patient is within the bounds; ``None`` where nowhere."""
    c = compliance_ml_per_cmh2o_per_kg
    low = 0.0 if bounds.low_ml_per_kg is None else bounds.low_ml_per_kg / c
    highs = [] if bounds.high_ml_per_kg is None else [bounds.high_ml_per_kg / c]
    highs += [] if bounds.driving_pressure_cmh2o is None else [bounds.driving_pressure_cmh2o]
    high = min(highs, default=float("inf"))
    return (low, high) if low <= high else None


def _bounds(policy: Policy) -> DriveBounds:
    targets = {(one.name, one.side): one.target for one in policy.limits}
    return DriveBounds(
        targets.get(("tidal_volume_ml_per_kg", "low")), targets.get(("tidal_volume_ml_per_kg", "high")),
        targets.get(("driving_pressure_cmh2o", "high")),
    )  # fmt: skip


def _point(one: BedAssessment, bounds: DriveBounds, planned: dict[str, float | None]) -> DrivePoint | None:
    patient = one.lungs
    if not isinstance(patient, Patient) or patient.present is None or patient.sex is None or patient.height_cm is None:
        return None
    kg, compliance = predicted_body_weight_kg(patient.sex, patient.height_cm), patient.lungs.compliance
    low, high = range_5_95(compliance) or (compliance.value, compliance.value)
    volume_ml, c = patient.present.tidal_volume_ml, compliance.value / kg
    return DrivePoint(
        one.bed.label, c, (low / kg, high / kg), volume_ml / compliance.value, (volume_ml / high, volume_ml / low),
        suits_cmh2o(c, bounds), planned.get(one.bed.label),
        one.eligibility.reasons[0].text if one.eligibility is not None and one.eligibility.reasons else "",
    )  # fmt: skip
