"""What every sheet carries, whatever it is about: name, question, whom it is for, cautions, and where it comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from airyoke.paper.material import GroupMaterial, Material
from airyoke.paper.words import PATTERN_WORDS, and_words, time_words

Content = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of sheet: its name on the command line, its title, the question it answers, and which way the page
    stands. ``one_page``: it is promised to fit one page."""

    name: str
    title: str
    question: str
    landscape: bool = False
    one_page: bool = False


KINDS: Final[Mapping[str, Kind]] = {
    kind.name: kind
    for kind in (
        Kind("bed-card", "Bed card", "What should this patient get, and when does somebody act?"),
        Kind("labels", "Labels", "What hangs on which patient?"),
        Kind("assembly", "Assembly", "What is pushed onto what, in which order?", landscape=True),
        Kind("bench-check", "Bench check", "Does this build do what it should, before a patient is near it?"),
        Kind("rehearsal", "Rehearsal", "Does each alone, at the new settings, get what was predicted?", one_page=True),
        Kind("change-over", "Change-over", "Who does what, when, and when do we stop?"),
        Kind("observation", "Observation", "Does everybody get what was predicted?"),
        Kind("alarms", "What to dial", "Which settings and alarm limits, before anybody is coupled?", one_page=True),
        Kind("emergency", "Emergency", "Who is it, and what first?", one_page=True),
        Kind("order", "Order list", "What is taken from the store room, what is fetched?"),
        Kind("shift-report", "Shift report", "What was planned, what is, what is due?", one_page=True),
        Kind("acceptance", "Last resort: acceptance", "Who decided that nothing else is left?", one_page=True),
    )
}  # fmt: skip


def envelope(material: Material, kind: Kind, subject: str, readings: str, body: Content) -> dict[str, Any]:
    """A sheet's whole content; ``body`` is what only this kind has."""
    where = material.provenance
    return {
        "sheet": kind.name,
        "title": kind.title,
        "question": kind.question,
        "landscape": kind.landscape,
        "subject": subject,
        "foot": {
            "cautions": list(material.cautions),
            "readings": readings,
            "as_of": time_words(where.as_of),
            "version": f"airyoke {where.version}",
            "chain": where.chain,
            "source": where.source,
            "plan": where.plan,
        },
        **body,
    }


def group_sheet(material: Material, group: GroupMaterial, kind: str, body: Content) -> dict[str, Any]:
    """A sheet about one group; every one has its lanes."""
    plan = group.plan
    beds = and_words([f"{one.letter} = bed {one.bed}" for one in group.lanes])
    subject = f"{plan.id} on {plan.ventilator}: {beds}"
    return envelope(material, KINDS[kind], subject, group.readings, {"lanes": lanes_of(group), **body})


def lanes_of(group: GroupMaterial) -> Sequence[Content]:
    """Letter, line pattern, bed and code of every patient of a group."""
    return [
        {"letter": one.letter, "pattern": PATTERN_WORDS[one.letter], "bed": one.bed, "code": one.code or "",
         "on": one.on}
        for one in group.lanes
    ]  # fmt: skip
