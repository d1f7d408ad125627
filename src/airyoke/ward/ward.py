"""A ward: one site's beds with their patients, ventilators, stock and policy, as they stand now."""

from __future__ import annotations

from dataclasses import dataclass, field

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.part import Part
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.quantities.finding import Finding


@dataclass(frozen=True, slots=True)
class Bed:
    """A place with a label and the patient in it.

    ``readings`` is ``None`` where something the job needs was refused: the bed then stays alone, unjudged.
    ``infection`` is ``None`` where the cell was blank (matches nobody); an empty set cannot occur.
    ``conditions`` are ids of :mod:`airyoke.lungs.eligibility`; ``exclude`` is free text why the patient must be
    alone; ``confirmed`` the ids of findings that a person has answered; ``ventilator`` the one the patient is on.
    """

    label: str
    code: str | None
    room: str | None
    readings: Readings | None
    infection: frozenset[str] | None = None
    conditions: tuple[str, ...] = ()
    exclude: str | None = None
    confirmed: tuple[str, ...] = ()
    ventilator: str | None = None
    row: int | None = None


@dataclass(frozen=True, slots=True)
class Ward:
    """Everything a plan depends on. ``stock`` is ``None`` where no sheet was given (then nothing is scarce).

    ``own_parts`` are the site's own, measured ones; the stock says how many of each there are.
    """

    beds: tuple[Bed, ...]
    ventilators: tuple[Ventilator, ...]
    policy: Policy
    stock: dict[str, int] | None = None
    own_parts: tuple[Part, ...] = ()
    findings: tuple[Finding, ...] = field(default=())
    file: str | None = None
