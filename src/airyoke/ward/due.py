"""What is due in the ward now: for every group its checks, its next step, its build."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from airyoke.ward.folding_gate import build_ends_at
from airyoke.ward.folding_stage import STAGE_WORDS
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.state import WardState
from airyoke.watch.clock import Apnoea, LastRead, apnoea, checks_due

MECHANICS_ITEM: Final = "plateau_cmh2o"
GAS_ITEM: Final = "paco2_mmhg"
"""A round in which these were read was one with mechanics, or with a gas."""


@dataclass(frozen=True, slots=True)
class DueLine:
    """One thing to do. ``at`` ``None`` = now, as soon as somebody can; ``bed`` ``None`` = of the whole group."""

    group: str
    name: str
    words: str
    at: datetime | None
    bed: str | None = None
    last: datetime | None = None

    def overdue(self, now: datetime) -> timedelta:
        """How long it has been due; zero where it is not yet, or has no time."""
        return timedelta(0) if self.at is None else max(now - self.at, timedelta(0))


def due_in_ward(state: WardState) -> tuple[DueLine, ...]:
    """Everything that is due, of every group, the most urgent first."""
    found = [line for name, standing in state.standings.items() for line in due_of(state, name, standing)]
    return tuple(sorted(found, key=_urgency))


def due_of(state: WardState, name: str, standing: GroupStanding) -> tuple[DueLine, ...]:
    """What is due for one group: before it is coupled the next thing to do, afterwards its checks by the clock."""
    if standing.over:
        return ()
    found: list[DueLine] = []
    step = None if standing.way is None else standing.way.next
    if step is not None:
        found.append(DueLine(name, "step", f"{step.do} ({step.who})", None, step.bed))
    elif not standing.joined:
        what, remedy = STAGE_WORDS[standing.stage]
        found.append(DueLine(name, standing.stage, f"{what}: {remedy}", None))
    if standing.joined and standing.coupled_at is not None:
        found += _checks(name, standing)
    ends = build_ends_at(state, standing)
    if ends is not None and standing.joined:
        found.append(DueLine(name, "bench", f"bench check of build {standing.build} again", ends))
    return tuple(sorted(found, key=_urgency))


def _checks(name: str, standing: GroupStanding) -> list[DueLine]:
    assert standing.coupled_at is not None
    start = datetime.fromisoformat(standing.coupled_at)
    beds = {bed: LastRead(_last(standing, bed, MECHANICS_ITEM, start), _last(standing, bed, GAS_ITEM, start))
            for bed in standing.joined}  # fmt: skip
    checks = checks_due(
        start,
        beds=beds,
        round_at=_time(standing.round_at),
        changed_at=_time(standing.changed_at),
        baseline_at=None if standing.baseline is None else _time(standing.baseline.at),
        reviewed_at=_time(standing.reviewed_at),
    )
    return [DueLine(name, one.name, one.words, one.at, one.bed, one.last) for one in checks]


def _urgency(line: DueLine) -> float:
    return float("-inf") if line.at is None else line.at.timestamp()


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _last(standing: GroupStanding, bed: str, item: str, start: datetime) -> datetime | None:
    value = standing.read.get(bed, {}).get(item)
    at = None if value is None else _time(value.read_at)
    return at if at is not None and at >= start else None


def apnoea_of(standing: GroupStanding, now: datetime) -> tuple[str, Apnoea] | None:
    """The bed whose tube is clamped in the sequence that is under way, and for how long; ``None`` where none is."""
    closed = None if standing.way is None else standing.way.closed
    if closed is None or closed.done is None:
        return None
    return closed.bed or "", apnoea(datetime.fromisoformat(closed.done.at), now)
