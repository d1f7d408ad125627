"""What time it is, told in every way that helps later: UTC, local with its zone, and the time since the machine
started, which no change of the clock touches."""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, TypeAlias

from airyoke.quantities import Finding, Refused
from airyoke.ward.entries import Entry

JUMP_S: Final = 60.0
"""A clock that moves by more than this against the time that passed has jumped (judgement)."""

_BOOT_FILE: Final = Path("/proc/sys/kernel/random/boot_id")
_THIS_PROCESS: Final = uuid.uuid4().hex


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment. ``local`` is aware; ``monotonic_s`` counts since ``boot``."""

    local: datetime
    boot: str
    monotonic_s: float

    @property
    def utc_text(self) -> str:
        """ISO 8601 in UTC, to the millisecond."""
        return self.local.astimezone(UTC).isoformat(timespec="milliseconds")

    @property
    def local_text(self) -> str:
        """ISO 8601 as the clock on the wall has it, with its offset."""
        return self.local.isoformat(timespec="milliseconds")

    @property
    def zone(self) -> str:
        """What the machine calls its zone now."""
        return self.local.tzname() or ""


Clock: TypeAlias = Callable[[], Moment]


def system_clock() -> Moment:
    """The clock of this machine. Time asleep counts as time passed where the machine can tell."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    passed = time.monotonic() if boottime is None else time.clock_gettime(boottime)
    return Moment(datetime.now().astimezone(), _boot(), round(passed, 3))


def _boot() -> str:
    try:
        return _BOOT_FILE.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError):
        return _THIS_PROCESS  # nothing is known beyond this process: jumps are seen within it only


def jump_s(before: Entry, after: Entry) -> float:
    """How far the clock moved against the time that passed between two entries, in seconds; 0 where that cannot be
    told (another machine, or started anew) and it did not go back."""
    by_clock = (after.time - before.time).total_seconds()
    if before.device == after.device and before.boot == after.boot and after.monotonic_s >= before.monotonic_s:
        return by_clock - (after.monotonic_s - before.monotonic_s)
    return min(by_clock, 0.0)


def clock_findings(entries: Iterable[Entry], now: Moment) -> Iterator[Finding]:
    """Every jump of the clock between neighbouring entries, and entries that are later than now."""
    last: Entry | None = None
    for entry in entries:
        if last is not None and abs(jump := jump_s(last, entry)) > JUMP_S:
            way = "forward" if jump > 0 else "back"
            reason = f"the clock went {way} by {_words(abs(jump))} between entries {last.sequence} and {entry.sequence}"
            remedy = "order is by sequence and not touched; compare times of readings there with a watch"
            yield Finding("clock-jump", "note", reason, remedy)
        last = entry
    if last is not None and (ahead := (last.time - now.local).total_seconds()) > JUMP_S:
        reason = f"the last entry is {_words(ahead)} later than the clock of this machine"
        yield Finding("clock-behind", "ask", reason, "set the clock of this machine, or of the one that wrote it")


def check_not_ahead(entries: Iterable[Entry]) -> None:
    """Raise :class:`airyoke.quantities.Refused` where an entry says that something was done later than it is written.

    Only the record knows what time it is: the fold takes times as they stand.
    """
    for entry in entries:
        said = entry.content.get("at")
        if said is not None and (datetime.fromisoformat(said) - entry.time).total_seconds() > JUMP_S:
            raise Refused((Finding(
                "time-ahead", "refused", f"{said} has not come yet: it is {entry.local[:19]} here",
                "give when it was done, or look at the clock of this machine", column="at", value=said,
            ),))  # fmt: skip


def age(of: datetime, now: datetime) -> timedelta | None:
    """How old something is; ``None`` where it lies in the future, which is no age: a clock was wrong."""
    passed = now - of
    return passed if passed >= timedelta(0) else None


def _words(seconds: float) -> str:
    minutes = round(seconds / 60)
    if minutes < 1:
        return f"{seconds:.0f} s"
    if minutes >= 48 * 60:
        return f"{minutes // (24 * 60)} days"
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"
