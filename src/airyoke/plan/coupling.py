"""Who breathes from one ventilator, through what, at which settings: what a what-if changes and a trim improves."""

from __future__ import annotations

from dataclasses import dataclass

from airyoke.breath.settings import Settings
from airyoke.circuit import NO_TRIM, Build, Trim, trimmed
from airyoke.lungs.patient import Patient


@dataclass(frozen=True, slots=True)
class Coupling:
    """Patients on one ventilator: through which build, with which trims (one a patient), at which settings."""

    patients: tuple[Patient, ...]
    build: Build
    settings: Settings
    trims: tuple[Trim, ...] = ()

    def __post_init__(self) -> None:
        if not self.trims:
            object.__setattr__(self, "trims", (NO_TRIM,) * len(self.patients))
        if not len(self.patients) == len(self.trims) == self.build.patients:
            numbers = f"{len(self.patients)} patients, {len(self.trims)} trims, a build for {self.build.patients}"
            raise ValueError(numbers)

    @property
    def fitted(self) -> Build:
        """The build with its trims: what the engine sees."""
        return trimmed(self.build, self.trims)

    @property
    def labels(self) -> tuple[str, ...]:
        """Labels of the patients, in the order of the limbs."""
        return tuple(patient.label for patient in self.patients)
