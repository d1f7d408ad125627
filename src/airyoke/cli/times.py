"""Times as people read them, and the one place where the clock is read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from airyoke.quantities import Finding, Refused


def now_from(text: str | None) -> datetime:
    """The moment that ``--now`` names (ISO 8601), or the present one; without a zone, that of this machine.

    Raises :class:`airyoke.quantities.Refused` for text that is no time.
    """
    if text is None:
        return datetime.now().astimezone()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        remedy = "write it like 2026-01-31T14:30"
        raise Refused((Finding("now-form", "refused", f"--now {text!r} is no time", remedy, column="--now"),)) from None
    return moment if moment.tzinfo is not None else moment.astimezone()


def readings_words(times: Sequence[datetime | None]) -> str:
    """``readings of 14:10``, ``readings of 13:40 to 14:10``; the day where more than one is meant."""
    known = sorted(time for time in times if time is not None)
    if not known:
        return "readings without a time"
    oldest, newest = known[0], known[-1]
    if oldest.date() == newest.date():
        words = f"{oldest:%H:%M}" if oldest == newest else f"{oldest:%H:%M} to {newest:%H:%M}"
    else:
        words = f"{oldest:%Y-%m-%d %H:%M} to {newest:%Y-%m-%d %H:%M}"
    tail = ", some without a time" if len(known) < len(times) else ""
    return f"readings of {words}{tail}"


def day_words(times: Sequence[datetime | None]) -> str:
    """The day of the newest reading, in front of a comma: ``2026-01-31``; empty where none is known."""
    known = [time for time in times if time is not None]
    return f"{max(known):%Y-%m-%d}" if known else ""
