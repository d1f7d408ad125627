"""Everything that sheets are made of: answers of the contract, who lies where, and where it all comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from airyoke.contract.answers import PatientAnswer, SettingsAnswer
from airyoke.contract.circuit_answer import CircuitAnswer
from airyoke.contract.dials import Dial
from airyoke.contract.plan_answer import GroupPlan, PlanAnswer
from airyoke.watch.hand_over import Due


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a print comes from.

    ``as_of`` is the time of the last entry of the record, else the moment for which the plan was made; it is the only
    time that a print knows, so that the same entry gives the same bytes. ``head`` is the end of the chain as printed,
    ``None`` where it does not come from a record. ``plan`` says which plan it is.
    """

    as_of: datetime
    version: str
    source: str
    head: str | None
    plan: str

    @property
    def chain(self) -> str:
        """The head, or that there is none."""
        return "not from a record" if self.head is None else self.head


@dataclass(frozen=True, slots=True)
class LanePerson:
    """One patient of a group: letter of the lane, bed, local code, the ventilator the patient is on now (empty where
    that is not known)."""

    letter: str
    bed: str
    code: str | None
    on: str


@dataclass(frozen=True, slots=True)
class GroupMaterial:
    """One shared group. ``circuit`` and ``drawing`` are ``None`` where it cannot be built: ``no_circuit`` says why.

    ``bench_note`` says in what the bench check differs from the planned settings.
    """

    plan: GroupPlan
    lanes: tuple[LanePerson, ...]
    readings: str
    dials: tuple[Dial, ...]
    circuit: CircuitAnswer | None
    drawing: str | None
    no_circuit: str = ""
    bench_note: str = ""

    @property
    def settings(self) -> SettingsAnswer:
        """What is dialled for the group."""
        assert self.plan.settings is not None, "a shared group has settings"
        return self.plan.settings

    def patient(self, lane: LanePerson) -> PatientAnswer:
        """What that patient gets."""
        return next(one for one in self.plan.patients if one.label == lane.bed)


@dataclass(frozen=True, slots=True)
class Happened:
    """One entry in one line: when, who, what."""

    at: datetime
    who: str
    what: str


@dataclass(frozen=True, slots=True)
class Running:
    """A group that breathes from one ventilator now, as the record has it.

    ``planned`` are the settings of the plan it was started from, ``dialled`` what was written down last (each with the
    keys of a case, empty where unknown). ``checks`` hold the newest of each name: (check, where, when, passed);
    ``read`` the newest value of each item at each bed, and when.
    """

    name: str
    ventilator: str
    beds: tuple[str, ...]
    started_at: datetime
    plan: str | None
    planned: Mapping[str, Any]
    dialled: Mapping[str, Any]
    build: str | None
    build_made_at: datetime | None
    build_passed: bool | None
    build_expires_at: datetime | None
    checks: tuple[tuple[str, str, datetime, bool | None], ...]
    happened: tuple[Happened, ...]
    due: tuple[Due, ...]
    read: Mapping[str, Mapping[str, tuple[Any, datetime | None]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Material:
    """A plan with its groups, and what runs. ``running`` is ``None`` where there is no record to know it from;
    ``cautions`` stand on every sheet."""

    plan: PlanAnswer
    groups: tuple[GroupMaterial, ...]
    provenance: Provenance
    readings: str
    cautions: tuple[str, ...]
    running: tuple[Running, ...] | None = None
