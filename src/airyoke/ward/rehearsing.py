"""The rehearsal of a group of the ward: from what was read since it was prepared to what its entry says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build, standard_build
from airyoke.circuit.from_stock import BuiltCircuit, circuit_of_parts
from airyoke.limits.answer import GroupAnswer
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.quantities import Finding, Refused
from airyoke.ward.candidates import assess_bed
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.state import WardState
from airyoke.ward.ward import Bed, Ward
from airyoke.watch.rehearsal import (
    ALSO_READ,
    DRAWS,
    MEASURED,
    Rehearsed,
    lungs_again,
    read_alone,
    rehearse,
    without_rehearsal,
)
from airyoke.watch.rounds import GROUP_ITEMS, PATIENT_ITEMS

_OXYGEN: Final = ("pao2_mmhg", "spo2_pct")


def measured_alone(state: WardState, name: str) -> dict[str, dict[str, float]]:
    """What was read at each bed of a group since it was prepared. Refused where one of :data:`MEASURED` is missing."""
    standing = state.standings[name]
    found: dict[str, dict[str, float]] = {}
    missing = []
    for bed in standing.beds:
        patient = state.beds[bed].patient
        readings = {} if patient is None else patient.readings
        found[bed] = {
            item: float(value.value)
            for item, value in readings.items()
            if item in (*MEASURED, *ALSO_READ) and value.sequence > standing.since and value.value is not None
        }
        wanted = [item for item in MEASURED if item not in found[bed]]
        if not any(item in found[bed] for item in _OXYGEN):
            wanted.append(" or ".join(_OXYGEN))
        missing += [
            Finding("rehearsal-missing", "refused", f"bed {bed}: {item} was not read since group {name} was prepared",
                    "read it with this patient alone at the shared settings", bed=bed, column=item)
            for item in wanted
        ]  # fmt: skip
    if missing:
        raise Refused(tuple(missing))
    return found


def rehearse_in_ward(
    before: Ward, state: WardState, name: str, parts: Mapping[str, int] | None, *, draws: int = DRAWS, seed: int = 0
) -> Rehearsed:
    """What the readings taken alone say of a group. ``before`` is the ward when it was prepared; ``parts`` those of
    its circuit (``None``: the usual build). Raises ``Refused`` where something was not read, or cannot be estimated.
    """
    standing = state.standings[name]
    measured, settings = measured_alone(state, name), Settings(**standing.settings)
    machines = {one.label: one for one in before.ventilators}
    patients: list[Patient] = []
    for bed in _beds(before, standing):
        on = machines.get(bed.ventilator or "")
        first = assess_bed(bed, on, before.policy).lungs
        assert bed.readings is not None, "checked by _beds"
        again = lungs_again(
            read_alone(bed.readings, settings, measured[bed.label]),
            _known(bed, first),
            before.policy.assumptions,
            circuit_compensation="off" if on is None else on.circuit_compensation,
            conditions=bed.conditions,
        )
        patients.append(_known(bed, again))
    build = group_build(len(patients), parts)
    return rehearse(patients, build, settings, before.policy, machines[standing.ventilator], draws=draws, seed=seed)


def skip_in_ward(
    before: Ward, state: WardState, name: str, parts: Mapping[str, int] | None, *, draws: int = DRAWS, seed: int = 0
) -> Rehearsed:
    """The group as predicted from the earlier readings: all there is where nobody rehearses."""
    standing = state.standings[name]
    machines = {one.label: one for one in before.ventilators}
    patients = [
        _known(bed, assess_bed(bed, machines.get(bed.ventilator or ""), before.policy).lungs)
        for bed in _beds(before, standing)
    ]
    settings = Settings(**standing.settings)
    build = group_build(len(patients), parts)
    return without_rehearsal(patients, build, settings, before.policy, draws=draws, seed=seed)


def _beds(ward: Ward, standing: GroupStanding) -> list[Bed]:
    by_label = {bed.label: bed for bed in ward.beds}
    beds = [by_label[label] for label in standing.beds]
    for bed in beds:
        if bed.readings is None:
            raise Refused((Finding("bed-not-read", "refused", f"bed {bed.label} has no readings that can be used",
                                   "read it, then plan again", bed=bed.label),))  # fmt: skip
    return beds


def _known(bed: Bed, lungs: object) -> Patient:
    if isinstance(lungs, Patient):
        return lungs
    reasons = getattr(lungs, "reasons", ())
    raise Refused(tuple(
        Finding(one.id, "refused", f"bed {bed.label}: {one.text}", one.would_change, bed=bed.label) for one in reasons
    ))  # fmt: skip


def group_build(patients: int, parts: Mapping[str, int] | None) -> Build:
    """The circuit of these parts; the usual one where none are known. Refused where they make none."""
    if not parts:
        return standard_build(patients)
    one = circuit_of_parts(patients, parts)
    if isinstance(one, BuiltCircuit):
        return one.build
    raise Refused((Finding("build-parts", "refused", f"the parts of the plan make no circuit: {one.reason}",
                           "plan again"),))  # fmt: skip


def rehearsal_values(found: Rehearsed, policy: Policy) -> dict[str, Any]:
    """The numbers of a rehearsal as its entry keeps them: chances, and what each is predicted to get."""
    values: dict[str, Any] = {"confirm_confidence": policy.confirm_confidence,
                              "hard_confidence": policy.hard_confidence}  # fmt: skip
    if found.as_planned is not None:
        values["inside_as_planned"] = round(found.as_planned.inside_probability, 4)
    answer = found.answer
    if answer is not None and answer.margin is not None:
        values["inside"] = round(answer.margin.inside_probability, 4)
        values["inside_hard"] = round(answer.margin.hard_inside_probability, 4)
        values["draws"], values["seed"] = answer.draws, answer.seed
        values["predicted"] = predicted_values(answer)
    return values


def predicted_values(answer: GroupAnswer) -> dict[str, dict[str, list[float]]]:
    """What a round is compared with: bed (``""`` = the ventilator) -> item -> value, low, high."""

    def kept(figures: Mapping[str, Any], items: Mapping[str, str]) -> dict[str, list[float]]:
        found = {}
        for item, name in items.items():
            one = figures.get(name)
            if one is not None and None not in (one.value, one.low, one.high):
                found[item] = [round(one.value, 3), round(one.low, 3), round(one.high, 3)]
        return found

    of_patient = {item.key: item.predicted for item in PATIENT_ITEMS if item.predicted}
    of_group = {item.key: item.predicted for item in GROUP_ITEMS if item.predicted}
    values = {one.label: kept(one.figures, of_patient) for one in answer.patients}
    values[""] = kept(answer.ventilator, of_group)
    return values


def settings_values(settings: Settings) -> dict[str, Any]:
    """Settings as the record keeps them."""
    return {name: value for name, value in asdict(settings).items() if value is not None}
