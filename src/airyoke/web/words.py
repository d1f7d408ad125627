"""Entries and times in words for people who look at a page."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from airyoke.contract.bedside_words import bedside_words
from airyoke.contract.words import name_words, plain
from airyoke.ward.entries import Entry


def entry_words(entry: Entry) -> str:
    """What an entry says, in one line."""
    content: dict[str, Any] = dict(entry.content)
    bed = content.get("bed")
    where = f" at bed {bed}" if bed else ""
    values = content.get("values")
    match entry.kind:
        case "reading":
            return f"read{where}: {_values(values)}"
        case "patient_in":
            return f"patient {content.get('code') or 'without a code'} into bed {bed}"
        case "patient_changed":
            return f"the patient in bed {bed}: {_values(values)}"
        case "patient_moved":
            return f"from bed {bed} to {content['to']}"
        case "patient_out":
            return f"bed {bed} is empty"
        case "bed":
            return f"bed {bed} {'removed' if content.get('removed') else 'is a place of the ward'}"
        case "ventilator":
            return f"ventilator {content['ventilator']} {'removed' if content.get('removed') else 'described'}"
        case "plan_made":
            return f"plan {content['plan']} made on entry {content['based_on']}"
        case "plan_accepted":
            return f"plan {content['plan']} accepted by {' and '.join(content['accepted_by'])}"
        case "plan_superseded":
            return f"plan {content['plan']} no longer holds"
        case "group_started":
            return f"{' and '.join(content['beds'])} breathe from {content['ventilator']}"
        case "group_ended":
            return f"group {content['group']} ended"
        case "check_done":
            return f"check {content['check']}{where}"
        case "note":
            return f"note{where}: {content['text']}"
        case "person":
            return f"{content['name']} is {', '.join(content['roles']) or 'no longer here'}"
        case "import":
            return f"workbook read: {content['confirmed']} of {content['lines']} lines taken in"
        case "policy":
            return f"policy: {_values(values)}"
        case "stock":
            return "stock counted"
        case "correction":
            return "an entry was corrected"
        case "undo":
            return "an entry was taken back"
    return bedside_words(entry.kind, content) or entry.kind.replace("_", " ") + where


def _values(values: Any) -> str:
    """The first few values by their names."""
    if not isinstance(values, dict) or not values:
        return "nothing"
    shown = [f"{name_words(name)} {_value(value)}" for name, value in list(values.items())[:3]]
    more = len(values) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more > 0 else "")


def _value(value: Any) -> str:
    if value is None:
        return "no longer known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return plain(float(value))
    return "; ".join(value) if isinstance(value, list | tuple) else str(value)


def clock_words(time: datetime | None, now: datetime) -> str:
    """``14:10`` today, else with the day."""
    if time is None:
        return "time not known"
    here = time.astimezone(now.tzinfo)
    return f"{here:%H:%M}" if here.date() == now.date() else f"{here:%d %b %H:%M}"


def age_words(time: datetime | None, now: datetime) -> str:
    """``35 min ago``; what lies in the future has no age."""
    if time is None:
        return "age not known"
    passed = now - time
    if passed < timedelta(minutes=-1):
        return "later than this clock"
    minutes = max(0, int(passed.total_seconds() // 60))
    if minutes < 120:
        return f"{minutes} min ago"
    return f"{minutes // 60} h {minutes % 60} min ago" if minutes < 48 * 60 else f"{minutes // (24 * 60)} days ago"
