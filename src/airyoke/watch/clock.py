"""What is due at the bed by the clock, what is overdue, and how long a tube has been clamped.

Nothing here reads a clock: whoever asks says what time it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

from airyoke.watch.hand_over import LONGEST_H, REVIEWS_H
from airyoke.watch.rounds import SCHEDULE_SOURCE, gas_minutes, mechanics_minutes, round_minutes
from airyoke.watch.sources import FDA_2021, JUDGEMENT
from airyoke.watch.start import StopRules

CheckName = Literal["baseline", "round", "mechanics", "gas", "review", "end"]

AFTER_A_CHANGE_MIN: Final[Mapping[str, tuple[int, ...]]] = {"round": (1, 5, 15), "mechanics": (15,), "gas": (30,)}
"""Once more after anything was dialled, turned, given or suctioned, or somebody was taken off (judgement)."""

EARLY_SHARE: Final = 0.25  # judgement: a round this share of the interval early still counts as the one that is due
MOST_EARLY: Final = timedelta(minutes=10)
BASELINE_MIN: Final = 15  # judgement


@dataclass(frozen=True, slots=True)
class LastRead:
    """When each kind of check was done last at one bed; ``None`` = never since it was coupled."""

    mechanics: datetime | None = None
    gas: datetime | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One check and when it is due next. ``bed`` is ``None`` for one of the group; ``last`` when it was done."""

    name: CheckName
    words: str
    at: datetime
    bed: str | None = None
    last: datetime | None = None
    source: str = SCHEDULE_SOURCE

    def overdue(self, now: datetime) -> timedelta:
        """How long it has been due; zero where it is not yet."""
        return max(now - self.at, timedelta(0))


def checks_due(
    coupled_at: datetime,
    *,
    beds: Mapping[str, LastRead],
    round_at: datetime | None = None,
    changed_at: datetime | None = None,
    baseline_at: datetime | None = None,
    reviewed_at: datetime | None = None,
) -> tuple[Check, ...]:
    """The next check of each kind for a group, the earliest first: whatever was not done stays due.

    ``coupled_at`` is minute zero; ``changed_at`` the newest change of anything that was dialled or done. A round that
    was missed is not asked for twice: the one done next stands for all before it.
    """
    found = [Check("end", "48 h: sharing is to stop", coupled_at + timedelta(hours=LONGEST_H), source=FDA_2021)]
    hours = (timedelta(hours=REVIEWS_H * n) for n in range(1, 10_000))
    review = _next(coupled_at, hours, reviewed_at)
    found.append(Check("review", "review by two seniors", review, last=reviewed_at, source=JUDGEMENT))
    if baseline_at is None:
        found.append(Check("baseline", "baseline, and the alarm limits from it",
                           coupled_at + timedelta(minutes=BASELINE_MIN), source=JUDGEMENT))  # fmt: skip

    def due(name: CheckName, words: str, minutes: Callable[[], Iterator[int]], last: datetime | None,
            bed: str | None = None) -> None:  # fmt: skip
        at = _next(coupled_at, (timedelta(minutes=one) for one in minutes()), last)
        if changed_at is not None and changed_at > coupled_at:
            again = _after_change(changed_at, AFTER_A_CHANGE_MIN[name], last)
            at = at if again is None else min(at, again)
        found.append(Check(name, words, at, bed, last))

    due("round", "round", round_minutes, round_at)
    for bed, last in beds.items():
        due("mechanics", "plateau, total PEEP and volume, all others clamped", mechanics_minutes, last.mechanics, bed)
        due("gas", "arterial gas", gas_minutes, last.gas, bed)
    return tuple(sorted(found, key=lambda one: one.at))


def _next(start: datetime, after: Iterator[timedelta], last: datetime | None) -> datetime:
    """The first time of the schedule that the check done last does not stand for."""
    before = timedelta(0)
    for one in after:
        early = min(EARLY_SHARE * (one - before), MOST_EARLY)
        if last is None or last < start + one - early:
            return start + one
        before = one
    raise AssertionError("a schedule has no end")


def _after_change(changed: datetime, minutes: tuple[int, ...], last: datetime | None) -> datetime | None:
    before = 0
    for one in minutes:
        at, early = changed + timedelta(minutes=one), EARLY_SHARE * timedelta(minutes=one - before)
        if last is None or last < at - early:
            return at
        before = one
    return None


@dataclass(frozen=True, slots=True)
class Apnoea:
    """A tube has been clamped for ``seconds``; at ``stop_s`` whatever is done is stopped and the patient bagged."""

    seconds: float
    stop_s: float

    @property
    def left_s(self) -> float:
        """What is left before the stop; 0 where it has come."""
        return max(0.0, self.stop_s - self.seconds)

    @property
    def stop(self) -> bool:
        """Whether the stop has come."""
        return self.seconds >= self.stop_s


def apnoea(closed_at: datetime, now: datetime, rules: StopRules | None = None) -> Apnoea:
    """How long nobody has breathed for the patient whose tube was clamped at ``closed_at``.

    A clock that went back counts from zero again: it is never shown as time left over.
    """
    limit = (rules or StopRules()).apnoea_s
    return Apnoea(max(0.0, (now - closed_at).total_seconds()), limit)
