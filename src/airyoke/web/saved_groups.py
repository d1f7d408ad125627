"""Groups that can be opened: those that run, and those of the plan."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from airyoke.bench_check import CircuitReport
from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import Build, standard_build
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import BuiltCircuit
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.contract.change_forms import parse_changes
from airyoke.contract.what_if_answer import WhatIfAnswer
from airyoke.contract.words import name_words, plain
from airyoke.lungs.patient import Patient
from airyoke.plan.changes import Change
from airyoke.plan.coupling import Coupling
from airyoke.plan.plan import PlannedGroup
from airyoke.plan.what_if import Question
from airyoke.quantities import Finding, Refused
from airyoke.web.desk import Desk, Look
from airyoke.web.engine_process import BreathCurves, CircuitQuestion, Compared, WhatIfQuestion
from airyoke.web.fault_lines import FaultLines

SHORTEST_EXPIRATION_S: Final = 0.3


@dataclass(frozen=True, slots=True)
class SavedGroup:
    """A group that somebody may look at, by the label of its ventilator. ``words`` says what it stands for; ``planned``
    is its part of the plan, where that is at hand, ``parts`` the circuit that the record kept of it."""

    ventilator: Ventilator
    beds: tuple[str, ...]
    settings: Settings
    standing: Literal["running", "planned"]
    words: str
    planned: PlannedGroup | None = None
    parts: tuple[tuple[str, int], ...] = ()

    @property
    def needs(self) -> CircuitNeeds:
        """What its circuit is asked for."""
        built = None if self.planned is None else self.planned.built
        return CircuitNeeds((PatientNeeds(),) * len(self.beds)) if built is None else built.needs


@dataclass(frozen=True, slots=True)
class Knob:
    """One thing that can be turned in a what-if."""

    key: str
    label: str
    unit: str
    low: float
    high: float
    step: float
    value: float


def saved_groups(desk: Desk, look: Look) -> dict[str, SavedGroup]:
    """Every group by ventilator: what runs comes before what is planned, a new plan before the accepted one."""
    found: dict[str, SavedGroup] = {}
    for group in (*_running(desk, look), *_worked_out(desk, look), *_accepted(desk, look)):
        found.setdefault(group.ventilator.label, group)
    return found


def _running(desk: Desk, look: Look) -> Iterator[SavedGroup]:
    for name, group in look.state.groups.items():
        settings = settings_of(look.state.settings.get(group.ventilator))
        machine = machine_of(look, group.ventilator)
        if settings is not None and machine is not None:
            parts = _parts_of(next((one for one in _kept_groups(desk, look, group.plan)
                                    if one["ventilator"] == group.ventilator), None))  # fmt: skip
            yield SavedGroup(machine, group.beds, settings, "running", f"Group {name}, running", parts=parts)


def _worked_out(desk: Desk, look: Look) -> Iterator[SavedGroup]:
    job = desk.engine.job("plan", look.key)
    outdated = job is None or job.standing != "done"
    job = desk.engine.last_done("plan") if outdated else job
    if job is None:
        return
    words = "Of a plan for a ward that has changed since" if outdated else "As planned; nobody is coupled"
    for one in job.result.groups:
        machine = machine_of(look, one.ventilator)
        if one.settings is not None and machine is not None:
            yield SavedGroup(machine, one.beds, one.settings, "planned", words, one)


def _accepted(desk: Desk, look: Look) -> Iterator[SavedGroup]:
    for name, plan in reversed(list(look.state.plans.items())):
        if plan.standing != "accepted":
            continue
        for kept in _kept_groups(desk, look, name):
            settings, machine = settings_of(kept.get("settings")), machine_of(look, kept["ventilator"])
            if settings is not None and machine is not None and len(kept["beds"]) > 1:
                words = f"As accepted in plan {name}; nobody is coupled"
                yield SavedGroup(machine, tuple(kept["beds"]), settings, "planned", words, parts=_parts_of(kept))
        return


def _kept_groups(desk: Desk, look: Look, plan: str | None) -> list[dict[str, Any]]:
    """The groups of a plan as the record kept them; empty where it has no such plan."""
    standing = None if plan is None else look.state.plans.get(plan)
    if standing is None:
        return []
    (entry,) = desk.record.entries(standing.made, standing.made)
    return list(entry.content["groups"])


def _parts_of(kept: Mapping[str, Any] | None) -> tuple[tuple[str, int], ...]:
    circuit = {} if kept is None else kept.get("circuit") or {}
    return tuple((line["part"], line["count"]) for line in circuit.get("parts", ()))


def machine_of(look: Look, label: str) -> Ventilator | None:
    """That ventilator of the ward."""
    return None if look.ward is None else next((one for one in look.ward.ventilators if one.label == label), None)


def settings_of(kept: Mapping[str, Any] | None) -> Settings | None:
    """Settings as the record has them; ``None`` where they are not there or say too little."""
    try:
        return None if kept is None else Settings(**{name: value for name, value in kept.items() if value is not None})
    except TypeError:
        return None


def patients_of(look: Look, group: SavedGroup) -> tuple[Patient, ...]:
    """The lungs of its patients as read now. Raises ``Refused`` where some cannot be predicted."""
    found: list[Patient] = []
    wrong: list[Finding] = []
    for bed in group.beds:
        assessed = look.assessment(bed)
        if assessed is not None and isinstance(assessed.lungs, Patient):
            found.append(assessed.lungs)
        else:
            reason = f"nothing can be predicted for bed {bed}: it is empty, or its readings were refused"
            wrong.append(Finding("group-bed", "refused", reason, "open the bed and mend its readings", bed=bed))
    if wrong:
        raise Refused(tuple(wrong))
    return tuple(found)


def all_patients(look: Look) -> tuple[Patient, ...]:
    """Everybody whose lungs are known."""
    return tuple(one.lungs for one in look.assessed if isinstance(one.lungs, Patient))


def compared(desk: Desk, look: Look, group: SavedGroup, settings: Settings, texts: tuple[str, ...] = ()) -> Compared:
    """What the group gets as it is, and at these settings after these changes (``contract.change_forms``); all on the
    readings of now. Raises ``Refused``."""
    answer: Compared = desk.quick.ask("what_if", *_question(desk, look, group, settings, texts))
    return answer


def what_if_answer(
    desk: Desk, look: Look, group: SavedGroup, settings: Settings, texts: tuple[str, ...]
) -> WhatIfAnswer:
    """The same in the form of the contract."""
    answer: WhatIfAnswer = desk.quick.ask("what_if_answer", *_question(desk, look, group, settings, texts))
    return answer


def curves_of(desk: Desk, look: Look, group: SavedGroup, settings: Settings, texts: tuple[str, ...]) -> BreathCurves:
    """One breath of the group as it is, and at these settings after these changes."""
    found: BreathCurves = desk.quick.ask("curves", *_question(desk, look, group, settings, texts))
    return found


def _question(
    desk: Desk, look: Look, group: SavedGroup, settings: Settings, texts: tuple[str, ...]
) -> tuple[WhatIfQuestion, Any]:
    """The question, and the key of everything that its answer depends on."""
    assert look.ward is not None, "a group has a ward"
    coupling = Coupling(patients_of(look, group), _build(desk, look, group), group.settings)
    others = {one.bed.label: one.lungs for one in look.assessed
              if isinstance(one.lungs, Patient) and one.bed.label not in group.beds}  # fmt: skip
    changes = parse_changes(texts, coupling.labels, others)
    if settings != group.settings:
        changes = (Change("settings", settings=settings), *changes)
    question = Question(look.ward.policy, hold_sensor=group.ventilator.hold_sensor)
    key = (look.key, group.beds, group.ventilator, coupling.build, group.settings, settings, texts)
    return WhatIfQuestion(coupling, changes, question), key


def circuit_of(desk: Desk, look: Look, group: SavedGroup) -> tuple[BuiltCircuit | CannotBuild, CircuitReport | None]:
    """The circuit of the group, the planned one where a plan is at hand, and everything that is asked of it."""
    assert look.ward is not None, "a group has a ward"
    built = None if group.planned is None else group.planned.built
    question = CircuitQuestion(group.needs, look.ward.stock, built, group.parts)
    found: tuple[BuiltCircuit | CannotBuild, CircuitReport | None] = desk.study.ask(
        "circuit", question, (look.key, group.needs, None if built is None else built.build, group.parts)
    )
    return found


def faults_of(desk: Desk, look: Look, group: SavedGroup) -> FaultLines:
    """What can go wrong at its settings."""
    question, key = _question(desk, look, group, group.settings, ())
    found: FaultLines = desk.study.ask("faults", question, key)
    return found


def _build(desk: Desk, look: Look, group: SavedGroup) -> Build:
    """What the engine knows of its circuit: the planned one, else what the stock gives, else the usual one."""
    if group.planned is not None and group.planned.built is None:
        return standard_build(len(group.beds))
    one, _ = circuit_of(desk, look, group)
    return standard_build(len(group.beds)) if isinstance(one, CannotBuild) else one.build


def knobs_of(group: SavedGroup) -> tuple[Knob, ...]:
    """What can be turned, within what the machine can do; the ends are wide, so that limits are seen to be passed."""
    s, machine = group.settings, group.ventilator
    rows: list[tuple[str, str, float, float, float, float | None]] = [
        ("pressure_above_peep_cmh2o", "cmH2O", 4.0, min(40.0, machine.max_pressure_cmh2o - s.peep_cmh2o),
         machine.pressure_step_cmh2o, s.pressure_above_peep_cmh2o),
        ("tidal_volume_ml", "mL", machine.min_tidal_volume_ml, machine.max_tidal_volume_ml, 10.0,
         s.tidal_volume_ml if s.mode == "vc" else None),
        ("peep_cmh2o", "cmH2O", 0.0, min(24.0, machine.max_peep_cmh2o), machine.peep_step_cmh2o, s.peep_cmh2o),
        ("rate_per_min", "/min", max(4.0, machine.min_rate_per_min), min(40.0, machine.max_rate_per_min),
         machine.rate_step_per_min, s.rate_per_min),
        ("inspiratory_time_s", "s", max(0.3, machine.min_inspiratory_time_s), min(2.5, machine.max_inspiratory_time_s),
         machine.inspiratory_time_step_s, s.inspiratory_time_s),
        ("fio2", "", 0.21, 1.0, 0.01, s.fio2),
    ]  # fmt: skip
    return tuple(
        Knob(key, name_words(key), unit, low, high, step, value)
        for key, unit, low, high, step, value in rows
        if value is not None
    )


HAPPENS: Final[tuple[tuple[str, str], ...]] = (
    ("lungs stiffen by 30 %", "compliance {} -30%"),
    ("lungs open by 30 % (turned prone, chest drained)", "compliance {} +30%"),
    ("airways narrow, resistance +50 %", "resistance {} +50%"),
    ("tube narrowed to 4 mm", "kink {} 4mm"),
    ("tube blocked", "block {}"),
    ("fever, 1.5 °C more", "fever {} +1.5"),
    ("triggers at 30/min", "triggers {} 30"),
    ("gets a restrictor of 4 mm", "restrictor {} 4mm"),
    ("is taken off", "out {}"),
)
"""What may happen to one patient, and the change that it is."""


def happening(group: SavedGroup, typed: Mapping[str, str]) -> tuple[str, ...]:
    """The changes besides the dials that were chosen or typed, one a text."""
    chosen = [typed.get(f"happens-{i}", "") for i in range(len(group.beds))]
    known = {change.format(shlex.quote(bed)) for bed in group.beds for _, change in HAPPENS}
    lines = [line.strip() for line in typed.get("change", "").split(";")]
    return tuple(one for one in (*(c for c in chosen if c in known), *lines) if one)


def turned(group: SavedGroup, typed: Mapping[str, str]) -> Settings:
    """The settings with what was typed, key by key. Raises ``Refused`` for what is no number or out of reach."""
    changed: dict[str, Any] = {}
    wrong: list[Finding] = []
    for knob in knobs_of(group):
        text = typed.get(knob.key, "").strip()
        if not text:
            continue
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if knob.low - 1e-9 <= value <= knob.high + 1e-9:
            changed[knob.key] = value
            continue
        reason = f"{knob.label} {text[:20]!r} is outside {plain(knob.low)} to {plain(knob.high)} {knob.unit}".rstrip()
        wrong.append(Finding("what-if-range", "refused", reason, "choose one inside", column=knob.key))
    settings = replace(group.settings, **changed)
    if settings.expiratory_time_s < SHORTEST_EXPIRATION_S:
        reason = f"at {plain(settings.rate_per_min)}/min this inspiratory time leaves no time to breathe out"
        wrong.append(Finding("what-if-time", "refused", reason, "lower the rate or the inspiratory time",
                             column="inspiratory_time_s"))  # fmt: skip
    if wrong:
        raise Refused(tuple(wrong))
    return settings
