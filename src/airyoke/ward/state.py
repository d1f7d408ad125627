"""A ward as its entries say it stands: who lies where, what was read, which groups run. Folded, never edited."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.read_value import ReadValue


@dataclass(frozen=True, slots=True)
class Stay:
    """A patient in a bed, from the entry ``since`` on."""

    code: str | None
    since: int
    values: Mapping[str, Any] = field(default_factory=dict)
    readings: Mapping[str, ReadValue] = field(default_factory=dict)

    @property
    def ventilator(self) -> str | None:
        """The ventilator the patient is on."""
        found: str | None = self.values.get("ventilator")
        return found


@dataclass(frozen=True, slots=True)
class Place:
    """A bed of the ward and who is in it."""

    room: str | None = None
    patient: Stay | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """Patients who share a ventilator now."""

    ventilator: str
    beds: tuple[str, ...]
    since: int
    build: str | None = None
    plan: str | None = None


@dataclass(frozen=True, slots=True)
class PlanStanding:
    """A plan that was made, and what became of it."""

    made: int
    based_on: int
    standing: Literal["made", "accepted", "superseded"] = "made"
    accepted_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BuildStanding:
    """A circuit that was put together; ``passed`` ``None`` = not tested yet, or opened since.

    ``tested_at`` is when its last bench check was written down, ``opened`` the entry that opened it after that.
    """

    made: int
    patients: int
    passed: bool | None = None
    expires_at: str | None = None
    tested_at: str | None = None
    opened: int | None = None


@dataclass(frozen=True, slots=True)
class WardState:
    """Everything that the entries up to ``sequence`` say. ``stock`` is ``None`` until somebody counted.

    ``checks`` hold the newest check of each name at each bed or group: ``(check, where) -> (sequence, passed)``;
    ``settings`` what is dialled on each ventilator; ``people`` name -> roles. ``standings`` are the groups from their
    preparation to their end, ``groups`` those that breathe now; ``sequences`` the lists that the site has edited.
    """

    sequence: int = 0
    beds: Mapping[str, Place] = field(default_factory=dict)
    ventilators: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    stock: Mapping[str, int] | None = None
    policy: Mapping[str, Any] = field(default_factory=dict)
    groups: Mapping[str, Group] = field(default_factory=dict)
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    plans: Mapping[str, PlanStanding] = field(default_factory=dict)
    builds: Mapping[str, BuildStanding] = field(default_factory=dict)
    checks: Mapping[tuple[str, str], tuple[int, bool | None]] = field(default_factory=dict)
    people: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    site: Mapping[str, Any] = field(default_factory=dict)
    ended_groups: frozenset[str] = field(default=frozenset())
    standings: Mapping[str, GroupStanding] = field(default_factory=dict)
    sequences: Mapping[str, tuple[Mapping[str, Any], ...]] = field(default_factory=dict)

    def group_of(self, bed: str) -> str | None:
        """The running group that this bed is in."""
        return next((name for name, group in self.groups.items() if bed in group.beds), None)

    def group_on(self, ventilator: str) -> str | None:
        """The running group on this ventilator."""
        return next((name for name, group in self.groups.items() if group.ventilator == ventilator), None)

    def bed_of(self, code: str) -> str | None:
        """The bed of the patient with this code."""
        for bed, place in self.beds.items():
            if place.patient is not None and place.patient.code == code:
                return bed
        return None
