"""The one place where a command reads the clock, and how times are said."""

from __future__ import annotations

from datetime import datetime

from airyoke.contract.times import dated_readings_words, readings_words
from airyoke.quantities import Finding, Refused

__all__ = ["dated_readings_words", "now_from", "readings_words"]


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
