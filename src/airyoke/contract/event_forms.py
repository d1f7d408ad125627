"""Events as somebody types them: ``leaves C2``, ``frees V7``, ``worsens C2 30%``."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from airyoke.quantities import Finding, Refused, did_you_mean
from airyoke.ward.events import LUNGS, OF_A_VENTILATOR, Event, Kind


@dataclass(frozen=True, slots=True)
class EventForm:
    """One form of an event: how it is typed, and what it means."""

    word: Kind
    example: str
    meaning: str


EVENT_FORMS: Final[tuple[EventForm, ...]] = (
    EventForm("frees", "frees V7", "a ventilator can be used now"),
    EventForm("fails", "fails V3", "a ventilator cannot be used any more"),
    EventForm("ends", "ends V3", "the group on it is to be dissolved"),
    EventForm("arrives", "arrives C9", "a bed of the ward, with readings, that is on no ventilator yet"),
    EventForm("improves", "improves C2", "new readings are in the ward; or 'improves C2 30%': compliance up"),
    EventForm("worsens", "worsens C2", "new readings are in the ward; or 'worsens C2 30%': compliance down"),
    EventForm("leaves", "leaves C2", "the patient leaves the ward"),
    EventForm("dies", "dies C2", "the patient has died"),
    EventForm("off", "off C2", "somebody has decided that the bed must come off its group"),
)


def event_from(text: str) -> Event:
    """The event that is meant. Raises ``Refused`` with how it is written."""
    try:
        words = shlex.split(text)
    except ValueError:
        raise _refused(f"{text!r} has a quotation mark without its other", "close it") from None
    known = {form.word: form for form in EVENT_FORMS}
    word = words[0].casefold() if words else ""
    form = next((one for one in EVENT_FORMS if one.word == word), None)
    if form is None:
        near = did_you_mean(word, tuple(known))
        remedy = f"did you mean {near}?" if near else f"write one of {', '.join(known)}"
        raise _refused(f"{text!r} is no event", remedy)
    amount = _amount(words[2], text) if len(words) == 3 and form.word in LUNGS else None
    if len(words) != (2 if amount is None else 3):
        of = "ventilator" if form.word in OF_A_VENTILATOR else "bed"
        raise _refused(f"{text!r} does not name one {of}", f"write it like '{form.example}'")
    return Event(form.word, words[1], amount)


def _amount(word: str, text: str) -> float:
    try:
        return float(word.removesuffix("%")) / 100.0 if word.endswith("%") else float("nan")
    except ValueError:
        raise _refused(f"{word!r} in {text!r} is no share", "write it like 30%") from None


def event_words(event: Event) -> str:
    """The event in a sentence."""
    form = next(one for one in EVENT_FORMS if one.word == event.kind)
    if event.amount is not None:
        way = "up" if event.kind == "improves" else "down"
        return f"{event.whose} {event.kind}: compliance {way} by {100 * event.amount:g} %"
    return f"{event.whose} {event.kind}: {form.meaning.split(';')[0]}"


def events_from(texts: Sequence[str]) -> tuple[Event, ...]:
    """Several, in the order given."""
    return tuple(event_from(text) for text in texts)


def _refused(reason: str, remedy: str) -> Refused:
    return Refused((Finding("event-words", "refused", reason, remedy, column="--after"),))
