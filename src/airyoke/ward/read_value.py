"""One value as it was read, and which of two is the later one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any


@dataclass(frozen=True, slots=True)
class ReadValue:
    """One value as read: when, by whom, and the sequence of the entry that says so. ``value`` ``None`` = no longer
    known."""

    value: Any
    read_at: str | None
    read_by: str | None
    sequence: int

    def is_before(self, other: ReadValue) -> bool:
        """Whether ``other`` is the later reading; where a time is not known, the later entry is."""
        if self.read_at is None or other.read_at is None:
            return self.sequence < other.sequence
        mine, theirs = datetime.fromisoformat(self.read_at), datetime.fromisoformat(other.read_at)
        return (mine, self.sequence) < (theirs, other.sequence)
