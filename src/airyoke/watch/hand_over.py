"""Handing over and getting out: what is due when, who comes off first, what the acceptance of the last resort holds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from airyoke.watch.rounds import rounds
from airyoke.watch.sources import COMMON_PRACTICE, FDA_2021, JOINT_STATEMENT_2020, JUDGEMENT, THIAULT_2008
from airyoke.watch.start import Task

REVIEWS_H: Final = 12
LONGEST_H: Final = 48  # FDA letter of 9 February 2021
FILTER_H: Final = 24
BENCH_CHECK_H: Final = 24  # judgement: a bench check without a stated end
_LOOK_AHEAD: Final = timedelta(hours=LONGEST_H)

OFF_FIRST: Final[tuple[Task, ...]] = (
    Task("waking", "whoever wakes or could be weaned"),
    Task("binding", "whoever holds the limit that binds"),
    Task("driving", "whoever has a driving pressure above the limit"),
    Task("unstable", "whoever is unstable"),
    Task("margin", "then the thinnest margin"),
)
"""Off first by fit in the group, never by worth."""

ACCEPTANCE: Final[tuple[Task, ...]] = (
    Task("no-other", "No ventilator, transport ventilator, anaesthesia machine or transfer is left that could be had",
         JOINT_STATEMENT_2020),
    Task("criteria", "Who may share was decided by stated criteria, the same for everybody"),
    Task("families", "Families were told, by whom and when", COMMON_PRACTICE),
    Task("limits-of-care", "Limits of care are known for every patient", COMMON_PRACTICE),
    Task("reserve", "One single ventilator is held in reserve", FDA_2021),
    Task("another-soon", "Another ventilator is being looked for; who looks"),
)


@dataclass(frozen=True, slots=True)
class Due:
    """Something that has to be done at a time."""

    what: str
    at: datetime
    source: str = JUDGEMENT


def due_of_a_group(started_at: datetime, now: datetime) -> tuple[Due, ...]:
    """What is due next for a group that was coupled at ``started_at``, each kind once, the earliest first."""
    passed = now - started_at
    ahead = rounds(int((passed + _LOOK_AHEAD).total_seconds() // 60))
    later = [one for one in ahead if timedelta(minutes=one.minutes) > passed]
    reviews = REVIEWS_H * (passed // timedelta(hours=REVIEWS_H) + 1)
    found = [
        Due("round", started_at + timedelta(minutes=later[0].minutes)),
        Due("mechanics, one at a time", started_at + timedelta(minutes=next(r.minutes for r in later if r.mechanics))),
        Due("arterial gas of each", started_at + timedelta(minutes=next(r.minutes for r in later if r.gas))),
        Due("review by two seniors", started_at + timedelta(hours=reviews)),
        Due("end of 48 h: sharing is to stop", started_at + timedelta(hours=LONGEST_H), FDA_2021),
    ]
    return tuple(sorted(found, key=lambda one: one.at))


def due_of_a_build(made_at: datetime, expires_at: datetime | None) -> tuple[Due, ...]:
    """What is due for the circuit: new filters, and the bench check where it has an end."""
    found = [Due("new filters and HMEs", made_at + timedelta(hours=FILTER_H), THIAULT_2008)]
    if expires_at is not None:
        found.append(Due("bench check again", expires_at))
    return tuple(found)
