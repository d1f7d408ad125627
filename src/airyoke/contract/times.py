"""Times of readings as people read them, on any face."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime


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


def dated_readings_words(times: Sequence[datetime | None]) -> str:
    """The same with the day, also where there is only one: ``readings of 13:40 to 14:10 on 2026-01-31``."""
    days = {time.date() for time in times if time is not None}
    return f"{readings_words(times)}{f' on {days.pop():%Y-%m-%d}' if len(days) == 1 else ''}"
