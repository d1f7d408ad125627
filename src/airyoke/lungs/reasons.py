"""Why a patient cannot be judged or may not share, and what a plan for the patient would rest on."""

from __future__ import annotations

from dataclasses import dataclass

from airyoke.quantities.finding import Finding


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason: ``text`` says why, ``would_change`` what would take the reason away."""

    id: str
    text: str
    would_change: str


@dataclass(frozen=True, slots=True)
class Need:
    """A decision of a person that a plan depends on; the tool never takes it."""

    id: str
    text: str


@dataclass(frozen=True, slots=True)
class CannotEstimate:
    """The lungs of this patient cannot be estimated from these readings; there is at least one reason."""

    label: str
    reasons: tuple[Reason, ...]
    findings: tuple[Finding, ...] = ()
