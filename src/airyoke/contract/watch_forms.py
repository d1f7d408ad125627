"""Readings of a running group as people type them: ``vte 430``, ``B etco2 20``, ``A curve no``, ``@15 B spo2 88``."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from airyoke.quantities import Finding, Refused, did_you_mean
from airyoke.watch.watch_readings import Readable, WatchReading, WatchRound, readable_named, unknown_name

UNTIMED_MIN: Final = 5.0  # a round without a time is taken to follow the baseline by so much
_ANSWERS: Final = {"yes": 1.0, "y": 1.0, "no": 0.0, "n": 0.0}
_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")


@dataclass(frozen=True, slots=True)
class TypedRounds:
    """What was typed. ``untimed``: at least one reading came without a time."""

    baseline: WatchRound
    rounds: tuple[WatchRound, ...]
    untimed: bool


def typed_rounds(
    baseline: Sequence[str], read: Sequence[str], labels: Sequence[str], settled_at: datetime | None
) -> TypedRounds:
    """The rounds of one group, in the order of their times; readings of one time are one round.

    ``labels`` of the patients in the order of the lanes. Raises ``Refused`` with every line that cannot be understood.
    """
    findings: list[Finding] = []
    by_minutes: dict[float, list[WatchReading]] = {}
    untimed = False
    for text in read:
        try:
            minutes, rest = _minutes(text, settled_at)
            untimed |= minutes is None
            reading = _reading(rest, labels, "--read")
        except Refused as refused:
            findings += refused.findings
        else:
            by_minutes.setdefault(UNTIMED_MIN if minutes is None else minutes, []).append(reading)
    start = []
    for text in baseline:
        try:
            start.append(_reading(text, labels, "--baseline"))
        except Refused as refused:
            findings += refused.findings
    if findings:
        raise Refused(tuple(findings))
    rounds = tuple(WatchRound(minutes, tuple(some)) for minutes, some in sorted(by_minutes.items()))
    return TypedRounds(WatchRound(0.0, tuple(start)), rounds, untimed)


def _minutes(text: str, settled_at: datetime | None) -> tuple[float | None, str]:
    """Minutes after the baseline, and what is left of the line."""
    words = text.strip()
    if not words.startswith("@"):
        return None, words
    when, _, rest = words[1:].partition(" ")
    if re.fullmatch(r"\d+(\.\d+)?", when):
        return float(when), rest
    try:
        moment = datetime.fromisoformat(when)
    except ValueError:
        raise _refused("watch-time", f"{when!r} is no time", "write @15 (minutes after the baseline) or "
                       "@2026-01-31T14:30", text, "--read") from None  # fmt: skip
    if settled_at is None:
        raise _refused("watch-time", "a clock time needs to know when the baseline was read",
                       "give --settled-at 2026-01-31T14:00", text, "--read")  # fmt: skip
    moment = moment if moment.tzinfo is not None else moment.astimezone()
    return (moment - settled_at).total_seconds() / 60.0, rest


def _reading(text: str, labels: Sequence[str], column: str) -> WatchReading:
    words = text.split()
    if len(words) < 2:
        raise _refused("watch-form", f"{text!r} is no reading", "write what and how much, and before it whose: "
                       "'vte 430', 'B etco2 20', 'A curve no'", text, column)  # fmt: skip
    what, lane = readable_named(words[0]), None
    if what is None:
        named = readable_named(words[1])
        if named is None:
            raise _where(unknown_name(words[1] if len(words) > 2 else words[0]), column)
        what, lane = named, _lane(words[0], labels, text, column)
        words = words[1:]
    return WatchReading(what.key, _value(what, words[1:], text, column), lane)


def _lane(word: str, labels: Sequence[str], text: str, column: str) -> int:
    folded = [label.casefold() for label in labels]
    for names in (folded, [letter.casefold() for letter in "ABCD"[: len(labels)]]):
        if word.casefold() in names:
            return names.index(word.casefold())
    near = did_you_mean(word, labels)
    remedy = f"did you mean {near}?" if near else f"the patients of this group are {', '.join(labels)}"
    raise _refused("watch-whose", f"{word!r} is not in this group", remedy, text, column)


def _value(what: Readable, words: Sequence[str], text: str, column: str) -> float:
    first, rest = (words[0], " ".join(words[1:])) if words else ("", "")
    if what.kind == "yes or no":
        answer = _ANSWERS.get(first.casefold())
        if answer is None or rest:
            raise _refused("watch-yes-or-no", f"{what.words}: {' '.join(words)!r} is no answer", "answer yes or no",
                           text, column)  # fmt: skip
        return answer
    if not _NUMBER.fullmatch(first):
        raise _refused("watch-form", f"{what.words}: {first!r} is no number", "give a number", text, column)
    if rest and rest.casefold() != what.unit.casefold():
        unit = what.unit or "no unit"
        raise _refused("watch-unit", f"{what.words} is read in {unit}, not in {rest!r}", f"give it in {unit}",
                       text, column)  # fmt: skip
    return float(first.replace(",", "."))


def _where(finding: Finding, column: str) -> Refused:
    return _refused(finding.id, finding.reason, finding.remedy, finding.value, column)


def _refused(id_: str, reason: str, remedy: str, value: str | float | None, column: str) -> Refused:
    return Refused((Finding(id_, "refused", reason, remedy, column=column, value=value),))
