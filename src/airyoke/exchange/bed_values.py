"""What was read in one row of the beds sheet, as the checks see it, and how a check says what it found."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TypeAlias

from airyoke.quantities import Finding


@dataclass(frozen=True, slots=True)
class BedValues:
    """Values that were not refused, by column key.

    ``typed`` also has refused numbers: a check may mention them to explain a slip, never use them as values.
    """

    numbers: Mapping[str, float]
    words: Mapping[str, str]
    typed: Mapping[str, float]
    barometric_pressure_mmhg: float

    def get(self, key: str) -> float | None:
        """The number in that column; ``None`` = empty or refused."""
        return self.numbers.get(key)

    def all_of(self, *keys: str) -> tuple[float, ...] | None:
        """The numbers in those columns, or ``None`` where one is missing."""
        found = [self.numbers[key] for key in keys if key in self.numbers]
        return tuple(found) if len(found) == len(keys) else None

    def without(self, key: str) -> BedValues:
        """The same bed after the value in that column was refused."""
        return replace(
            self,
            numbers={name: value for name, value in self.numbers.items() if name != key},
            words={name: value for name, value in self.words.items() if name != key},
        )


Check: TypeAlias = Callable[[BedValues], Iterator[Finding]]
"""One mistake, one function. The column of its findings is a key; the reader turns it into the typed
header.
"""


def refused(finding_id: str, column: str, reason: str, remedy: str) -> Finding:
    """A finding that takes the value in ``column`` away."""
    return Finding(finding_id, "refused", reason, remedy, column=column)


def ask(finding_id: str, column: str, reason: str, remedy: str) -> Finding:
    """A finding that leaves the value in use until a person confirms it."""
    stop = "" if remedy.endswith("?") else "."
    return Finding(finding_id, "ask", reason, f"{remedy}{stop} If it stands, confirm {finding_id}", column=column)
