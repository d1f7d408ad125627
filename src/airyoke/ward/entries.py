"""An entry: one line of the record. Who, when, what; never changed, only corrected by another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from airyoke.ward.kinds import Stream


@dataclass(frozen=True, slots=True)
class Entry:
    """One line as written.

    ``sequence`` counts from 1 within the ``stream`` of a ``site`` and is the order of entries: clocks are not.
    ``previous`` is the SHA-256 of the line before (64 zeros for the first). ``version`` is that of the kind.
    ``utc`` and ``local`` are ISO 8601 with offset, ``zone`` the name of the local zone as the machine had it;
    ``monotonic_s`` counts since ``boot``, so that two entries of one boot tell how much time really passed.
    ``program`` is the version of the program that wrote. ``hash`` is the SHA-256 of the whole line.
    """

    site: str
    stream: Stream
    sequence: int
    previous: str
    id: str
    kind: str
    version: int
    content: Mapping[str, Any]
    person: str
    device: str
    utc: str
    boot: str
    monotonic_s: float
    local: str
    zone: str
    program: str
    hash: str = ""

    @property
    def time(self) -> datetime:
        """When it was written, by the clock of the machine that wrote it."""
        return datetime.fromisoformat(self.utc)


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry to be: what somebody wants to write. ``id`` is made by the client and makes a retry harmless;
    ``None`` lets the record make one (then a retry is a second entry)."""

    kind: str
    content: Mapping[str, Any]
    id: str | None = None
