"""Who comes off a shared ventilator first when one frees up, and how: by fit in the group, never by worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from airyoke.limits.answer import GroupAnswer, PatientAnswer
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.watch.act import ActRules, volume_band_ml
from airyoke.watch.sequences import EXIT, TimedStep, filled
from airyoke.watch.sources import BOLES_2007, COMMON_PRACTICE, JUDGEMENT

Sign = Literal["decided", "waking", "binding", "driving", "unstable", "margin"]
_ORDER: Final[tuple[Sign, ...]] = ("decided", "waking", "binding", "driving", "unstable", "margin")
_EXTUBATION: Final = "extubation-expected"
_UNSTABLE: Final = "unstable-trend"


@dataclass(frozen=True, slots=True)
class OffFirstRules:
    """The numbers behind the order. A patient who needs no more than these may be one who can be weaned: oxygen and
    PEEP of the readiness criteria of Boles et al. 2007 (from memory). A site may change every one."""

    weanable_fio2: float = 0.40
    weanable_peep_cmh2o: float = 8.0
    weanable_spo2_pct: float = 90.0


@dataclass(frozen=True, slots=True)
class OffReason:
    """One reason: its number and its bound in ``unit``, where it has any, and where the rule comes from."""

    sign: Sign
    text: str
    value: float | None = None
    bound: float | None = None
    unit: str = ""
    source: str = JUDGEMENT


@dataclass(frozen=True, slots=True)
class Sharer:
    """One bed of a running group: what was read of it, and the group as it runs (``None``: not known).

    ``decided``: people have decided that it must come off.
    """

    bed: str
    ventilator: str
    readings: Readings | None
    conditions: tuple[str, ...]
    answer: GroupAnswer | None
    decided: bool = False


@dataclass(frozen=True, slots=True)
class OffFirst:
    """One place in the order, with every reason that holds, the weightiest first."""

    bed: str
    ventilator: str
    reasons: tuple[OffReason, ...]


def off_first(
    sharers: Sequence[Sharer], policy: Policy, rules: OffFirstRules | None = None
) -> tuple[OffFirst, ...]:
    """Everybody who shares, who fits the group least in front.

    Whoever must come off, by somebody's decision; waking or weanable; then whoever holds the limit that binds; then a
    driving pressure above the limit; then unstable; among equals the thinnest margin of the group, then of the
    patient, then the label. Nothing of a patient counts but what stands in the reasons.
    """
    found = [(one, _reasons(one, policy, rules or OffFirstRules())) for one in sharers]

    def place(item: tuple[Sharer, tuple[OffReason, ...]]) -> tuple[object, ...]:
        one, reasons = item
        signs = {reason.sign for reason in reasons}
        margin = one.answer.margin if one.answer is not None else None
        thinnest = next((r.value for r in reasons if r.sign == "margin" and r.value is not None), float("inf"))
        group = float("inf") if margin is None else margin.value
        return (*(sign not in signs for sign in _ORDER[:-1]), group, thinnest, one.bed)

    return tuple(OffFirst(one.bed, one.ventilator, reasons) for one, reasons in sorted(found, key=place))


def _reasons(one: Sharer, policy: Policy, rules: OffFirstRules) -> tuple[OffReason, ...]:
    patient = _patient(one)
    found = [
        *([OffReason("decided", "somebody has decided that it must come off")] if one.decided else []),
        *_waking(one, rules),
        *_binding(one, patient),
        *_driving(patient, policy),
        *_unstable(one, policy),
        *_thinnest(patient),
    ]
    return tuple(sorted(found, key=lambda reason: _ORDER.index(reason.sign)))


def _patient(one: Sharer) -> PatientAnswer | None:
    return None if one.answer is None else next((p for p in one.answer.patients if p.label == one.bed), None)


def _waking(one: Sharer, rules: OffFirstRules) -> list[OffReason]:
    r = one.readings
    if r is None:
        return []
    found = []
    if r.passive == "no":
        found.append(OffReason("waking", "breathes or moves by itself: sharing rests on everybody being passive",
                               source=COMMON_PRACTICE))  # fmt: skip
    if _EXTUBATION in one.conditions:
        found.append(OffReason("waking", "extubation is expected", source=COMMON_PRACTICE))
    steady = r.vasopressor not in ("high", "rising") and (r.spo2_pct is None or r.spo2_pct >= rules.weanable_spo2_pct)
    if r.fio2 <= rules.weanable_fio2 and r.peep_cmh2o <= rules.weanable_peep_cmh2o and steady:
        text = (
            f"may be one to wean: FiO2 {r.fio2:g} of at most {rules.weanable_fio2:g}, PEEP {r.peep_cmh2o:g} of at most "
            f"{rules.weanable_peep_cmh2o:g} cmH2O, as read"
        )
        found.append(OffReason("waking", text, r.fio2, rules.weanable_fio2, "", BOLES_2007))
    return found


def _binding(one: Sharer, patient: PatientAnswer | None) -> list[OffReason]:
    margin = None if one.answer is None else one.answer.margin
    if one.answer is None or margin is None or patient is None or margin.patient is None:
        return []
    if one.answer.patients[margin.patient].label != one.bed or len(one.answer.patients) < 2:
        return []
    words = margin.limit.meaning
    text = f"holds the limit that binds on {one.ventilator}: {words} ({margin.limit.side}), margin {margin.value:.2f}"
    return [OffReason("binding", text, margin.value, 0.0, "", margin.limit.source)]


def _driving(patient: PatientAnswer | None, policy: Policy) -> list[OffReason]:
    value = None if patient is None else patient.figures["driving_pressure_cmh2o"].value
    limit = policy.limit("driving_pressure_cmh2o", "high")
    if value is None or value <= limit.target:
        return []
    text = f"driving pressure {value:.1f} above {limit.target:g} cmH2O"
    return [OffReason("driving", text, value, limit.target, limit.unit, limit.source)]


def _unstable(one: Sharer, policy: Policy) -> list[OffReason]:
    r = one.readings
    found = []
    if r is not None and r.vasopressor in ("high", "rising"):
        found.append(OffReason("unstable", f"vasopressor {r.vasopressor}", source=JUDGEMENT))
    limit = policy.limit("spo2_pct", "low")
    if r is not None and r.spo2_pct is not None and r.spo2_pct < limit.target:
        text = f"SpO2 {r.spo2_pct:g} below {limit.target:g} %, as read"
        found.append(OffReason("unstable", text, r.spo2_pct, limit.target, "%", limit.source))
    if _UNSTABLE in one.conditions:
        found.append(OffReason("unstable", "the trend is written down as unstable"))
    return found


def _thinnest(patient: PatientAnswer | None) -> list[OffReason]:
    """The patient's own figure that is nearest to its limit, at best estimate."""
    limits = [f.limit for f in patient.figures.values() if f.limit is not None] if patient is not None else []
    if not limits:
        return []
    near = min(limits, key=lambda limit: limit.margin)
    text = f"its own thinnest margin at best estimate: {near.margin:.2f} to {near.name} ({near.side} {near.bound:g})"
    return [OffReason("margin", text, near.margin, 0.0, "", near.source)]


@dataclass(frozen=True, slots=True)
class Leaving:
    """One who comes off: lane, bed, where to (``None``: out of the ward, or to nothing that is known)."""

    lane: str
    bed: str
    to: str | None
    alive: bool = True


@dataclass(frozen=True, slots=True)
class Staying:
    """Those who stay: lanes and beds, what to dial in words, and the exhaled volume that the ventilator shows then."""

    ventilator: str
    lanes: tuple[tuple[str, str], ...]
    dial_words: str = ""
    displayed_ml: float | None = None
    rules: ActRules = field(default_factory=ActRules)


def exit_sequence(
    leaving: Sequence[Leaving], staying: Staying, forms: Sequence[TimedStep] = EXIT
) -> tuple[TimedStep, ...]:
    """Taking somebody off a group, step by step by the form of the site, with this group's beds and numbers.

    Whoever has died is neither bagged nor put on another ventilator.
    """
    by_lane = {one.lane: one for one in leaving}
    steps: list[TimedStep] = []
    for step in filled(forms, [one.lane for one in leaving]):
        one, kind = by_lane.get(step.lane), step.id.partition(".")[0]
        if kind == "others":
            steps += _for_those_who_stay(step, staying)
        elif kind in _OF_THE_LIVING and (not one.alive if one else not any(each.alive for each in leaving)):
            continue
        elif one is not None:
            to = f", to {one.to}" if kind == "own" and one.to else ""
            steps.append(replace(step, do=f"{step.do} (bed {one.bed}{to})"))
        else:
            steps.append(step)
    return tuple(steps)


_OF_THE_LIVING: Final = ("own", "leave", "sedation")


def _for_those_who_stay(step: TimedStep, staying: Staying) -> list[TimedStep]:
    if not staying.lanes:
        return []
    who = " and ".join(f"{lane} (bed {bed})" for lane, bed in staying.lanes)
    shown = "exhaled volume, every chest, every CO2 curve"
    if staying.displayed_ml is not None:
        low, high = volume_band_ml(staying.displayed_ml, staying.rules)
        shown = f"{staying.displayed_ml:.0f} mL exhaled ({low:.0f} to {high:.0f}), every chest, every CO2 curve"
    return [
        replace(step, do=f"{staying.ventilator} for {who}: {staying.dial_words or 'settings as below'}, and the alarm "
                "limits; read at 1, 5 and 15 min", read=shown),
        TimedStep("20 to 30 min", "reader", f"Arterial gas of {who}; alarm limits again from what is measured",
                  "the new limits", id="gas"),
    ]  # fmt: skip
