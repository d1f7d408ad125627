"""Mistakes that show only when beds are compared with each other and with the ventilators."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Final

from airyoke.breath.ventilator import Ventilator
from airyoke.exchange.bed_values import ask, refused
from airyoke.quantities import Finding, did_you_mean
from airyoke.ward.ward import Bed

LARGEST_GROUP: Final = 4


def check_beds(beds: tuple[Bed, ...], ventilators: tuple[Ventilator, ...]) -> Iterator[tuple[str, Finding]]:
    """(bed, finding) for every such mistake; the column of a finding is a key."""
    yield from _letter_case_of_labels(beds)
    yield from _codes_twice(beds)
    yield from _letter_case_of_infections(beds)
    yield from _letter_case_of_rooms(beds, ventilators)
    yield from _ventilators_named(beds, ventilators)


def _spellings(words: Iterable[str]) -> dict[str, list[str]]:
    """Word without case -> the ways it is spelled, first one first."""
    found: dict[str, list[str]] = defaultdict(list)
    for word in words:
        if word not in found[word.casefold()]:
            found[word.casefold()].append(word)
    return found


def _letter_case_of_labels(beds: tuple[Bed, ...]) -> Iterator[tuple[str, Finding]]:
    spelled = _spellings(bed.label for bed in beds)
    for bed in beds:
        first = spelled[bed.label.casefold()][0]
        if bed.label != first:
            reason = f"beds {first!r} and {bed.label!r} differ in letter case only; they count as two beds"
            yield bed.label, ask("bed-letter-case", "bed", reason, "rename or remove one of them")


def _codes_twice(beds: tuple[Bed, ...]) -> Iterator[tuple[str, Finding]]:
    first: dict[str, str] = {}
    for bed in beds:
        if bed.code is None:
            continue
        other = first.setdefault(bed.code.casefold(), bed.label)
        if other != bed.label:
            reason = f"the code {bed.code!r} also stands at bed {other}"
            yield (
                bed.label,
                ask("code-duplicate", "code", reason, "whose readings are these? Correct one code"),
            )


def _letter_case_of_infections(beds: tuple[Bed, ...]) -> Iterator[tuple[str, Finding]]:
    spelled = _spellings(label for bed in beds for label in sorted(bed.infection or ()))
    for bed in beds:
        for label in sorted(bed.infection or ()):
            others = [other for other in spelled[label.casefold()] if other != label]
            if others:
                reason = f"{label!r} is elsewhere spelled {others[0]!r}; as typed they do not match"
                yield (
                    bed.label,
                    ask("infection-letter-case", "infection", reason, "spell the same germ alike"),
                )
                break


def _letter_case_of_rooms(
    beds: tuple[Bed, ...], ventilators: tuple[Ventilator, ...]
) -> Iterator[tuple[str, Finding]]:
    rooms = [bed.room for bed in beds] + [machine.room for machine in ventilators]
    spelled = _spellings(room for room in rooms if room is not None)
    for bed in beds:
        others = [other for other in spelled[bed.room.casefold()] if other != bed.room] if bed.room else []
        if others:
            reason = f"room {bed.room!r} is elsewhere spelled {others[0]!r}; as typed they are two rooms"
            yield bed.label, ask("room-letter-case", "room", reason, "spell the same room alike")


def _ventilators_named(
    beds: tuple[Bed, ...], ventilators: tuple[Ventilator, ...]
) -> Iterator[tuple[str, Finding]]:
    machines = {machine.label: machine for machine in ventilators}
    on: dict[str, list[str]] = defaultdict(list)
    for bed in beds:
        if bed.ventilator is not None:
            on[bed.ventilator].append(bed.label)
    for bed in beds:
        if bed.ventilator is None:
            continue
        machine = machines.get(bed.ventilator)
        if machine is None:
            near = did_you_mean(bed.ventilator, machines)
            reason = f"the sheet of ventilators has no {bed.ventilator!r}; the bed counts as on none"
            remedy = f"did you mean {near}?" if near else "add it there"
            yield bed.label, refused("ventilator-unknown", "ventilator", reason, remedy)
            continue
        sharing = on[bed.ventilator]
        if len(sharing) > LARGEST_GROUP:
            reason = f"{len(sharing)} beds are on {bed.ventilator}: {', '.join(sharing)}"
            yield (
                bed.label,
                refused("ventilator-crowded", "ventilator", reason, "at most 4 can share: correct it"),
            )
        if not machine.usable:
            reason = f"{bed.ventilator} is in use here but counts as not usable"
            yield bed.label, ask("ventilator-unusable-in-use", "ventilator", reason, "correct one of the two")
