"""From a plan and the ward it was made for to the material of its sheets: circuits, drawings, who lies where."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from airyoke.bench_check import CircuitReport, bench_settings, report_of
from airyoke.breath.settings import Settings
from airyoke.circuit.assembly import Assembly
from airyoke.circuit.from_stock import BuiltCircuit, circuit_of_parts
from airyoke.contract.answers import SettingsAnswer
from airyoke.contract.circuit_answer import CircuitAnswer
from airyoke.contract.dials import dial_list
from airyoke.contract.plan_answer import GroupPlan, PlanAnswer
from airyoke.contract.times import dated_readings_words
from airyoke.faults.bench_alarms import with_alarms
from airyoke.paper.material import GroupMaterial, LanePerson, Material, Provenance, Running
from airyoke.pictures import circuit_svg
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import PART_DATA, Caution
from airyoke.ward.ward import Bed, Ward

READ_AGAIN = Caution(
    "read-again",
    "The ward was read again after this plan was made: figures here stand on the earlier readings. Plan again.",
)


def gather(
    plan: PlanAnswer,
    ward: Ward | None,
    provenance: Provenance,
    running: tuple[Running, ...] | None = None,
    *,
    same_patients: bool = False,
) -> Material:
    """The material of every sheet of a plan.

    Each circuit is the one that the parts of the plan make. Without a ``ward`` (a plan file alone) codes, rooms and
    present ventilators are not known. Where the ward has other readings than the plan stands on, sheets say so, and
    no code is printed unless the caller knows that they are the ``same_patients``: a bed may have another patient
    since. Raises ``Refused`` where the plan names a bed that the ward does not have.
    """
    beds = {} if ward is None else {bed.label: bed for bed in ward.beds}
    shared = [group for group in plan.groups if group.status == "judged"]
    if ward is not None:
        _check_beds(plan, beds)
    same = ward is None or _same_readings(plan, beds.values())
    timed = beds if same else {}
    codes = {label: bed.code for label, bed in beds.items()} if same or same_patients else {}
    groups = tuple(
        _group(group, _Beds(beds, codes, ward), _readings(plan, [timed[b] for b in group.beds if b in timed]))
        for group in shared
    )
    cautions = tuple(one.text for one in plan.cautions) + (() if same else (READ_AGAIN.text,))
    return Material(plan, groups, provenance, _readings(plan, list(timed.values())), cautions, running)


@dataclass(frozen=True, slots=True)
class _Beds:
    """Beds and ventilators of the ward, as far as known, and the codes that may be printed."""

    by_label: Mapping[str, Bed]
    codes: Mapping[str, str | None]
    ward: Ward | None


def _same_readings(plan: PlanAnswer, beds: Iterable[Bed]) -> bool:
    """Whether the ward's oldest and newest reading are those that the plan stands on."""
    times = [bed.readings.read_at for bed in beds if bed.readings is not None]
    known = sorted(time for time in times if time is not None)
    ends = (plan.readings_at.oldest, plan.readings_at.newest)
    stated = [datetime.fromisoformat(end) for end in ends if end is not None]
    return [known[0], known[-1]] == stated if known else not stated


def settings_of(answer: SettingsAnswer) -> Settings:
    """Settings of an answer as the engine takes them."""
    return Settings(**answer.model_dump(exclude_none=True))


def _check_beds(plan: PlanAnswer, beds: dict[str, Bed]) -> None:
    planned = [*(bed for group in plan.groups for bed in group.beds), *(one.bed for one in plan.unplaced)]
    found = tuple(
        Finding("print-bed-unknown", "refused", f"the plan names bed {bed}, the ward has none",
                "give the ward that the plan was made for, or print without a ward", bed=bed)
        for bed in planned
        if bed not in beds
    )  # fmt: skip
    if found:
        raise Refused(found)


def _readings(plan: PlanAnswer, beds: Sequence[Bed]) -> str:
    """When the readings were taken: of those beds, or without any the span that the plan itself names."""
    if beds:
        times = [bed.readings.read_at for bed in beds if bed.readings is not None]
    else:
        ends = (plan.readings_at.oldest, plan.readings_at.newest)
        times = [None if end is None else datetime.fromisoformat(end) for end in ends]
    return dated_readings_words(times)


def _group(group: GroupPlan, beds: _Beds, readings: str) -> GroupMaterial:
    assert group.settings is not None, "a judged group has settings"
    settings = settings_of(group.settings)
    lanes = []
    for patient in group.patients:
        bed = beds.by_label.get(patient.label)
        on = "" if bed is None else bed.ventilator or "a device outside the ward's list"
        lanes.append(LanePerson(patient.limb, patient.label, beds.codes.get(patient.label), on))
    machines = () if beds.ward is None else beds.ward.ventilators
    machine = next((one for one in machines if one.label == group.ventilator), None)
    before = [group.present_settings.get(bed) for bed in group.beds]
    dials = dial_list(tuple(None if one is None else settings_of(one) for one in before), settings, machine)
    circuit, drawing, why, note = None, None, "", ""
    one = circuit_of_parts(len(group.beds), {line.part: line.count for line in group.circuit.parts}, name=group.id)
    if isinstance(one, BuiltCircuit):
        # What is taken is the ward's list, on the order sheet; here only what this build is.
        report, note = _bench(one.assembly, replace(settings, circuit_compensation="off"))
        circuit = CircuitAnswer.of(report, one.needs, (), (), (PART_DATA,))
        drawing = circuit_svg(one.assembly, theme="print", labels=group_labels(lanes))
    else:
        missing = ", ".join(f"{count} {part}" for part, count in one.missing)
        why = f"It cannot be built from the parts of the plan: {one.reason}. Missing: {missing}."
    return GroupMaterial(group, tuple(lanes), readings, dials, circuit, drawing, "" if circuit else why, note)


def _bench(assembly: Assembly, settings: Settings) -> tuple[CircuitReport, str]:
    """The bench check at the planned settings; where the engine finds no settled breath, at the nearest that it does
    find one for, and what is different. Raises ``ArithmeticError`` where there is none either."""
    tries = (
        (settings, ""),
        (replace(settings, max_peak_flow_l_per_min=None), "worked out without the machine's flow limit"),
        (bench_settings(), "NOT at the planned settings: no settled breath was found there"),
    )
    for i, (tried, note) in enumerate(tries, start=1):
        try:
            return with_alarms(report_of(assembly, settings=tried)), note
        except ArithmeticError:
            if i == len(tries):
                raise
    raise AssertionError("the last one returns or raises")


def group_labels(lanes: Sequence[LanePerson]) -> tuple[str, ...]:
    """Bed labels in the order of the lanes, cut where a drawing has no room for more."""
    from airyoke.paper.fonts import printable

    return tuple(label if len(label) <= 10 else f"{label[:9]}…" for label in (printable(one.bed) for one in lanes))
