"""The rounds of a group as the judgement of who changed takes them: minutes since the baseline, lane by lane."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from airyoke.quantities import Finding, Refused
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.state import WardState
from airyoke.watch.watch_readings import BY_KEY, WatchReading, WatchRound

_ANSWERS = {
    "chest": ("chest_rises", {"both": 1.0, "one side": 0.0, "still": 0.0}),
    "block_depth": ("effort_seen", {"no effort": 0.0, "effort": 1.0}),
}


def watch_round(content: Mapping[str, Any], beds: Sequence[str], minutes: float) -> WatchRound:
    """One round of the record. What is not judged (heart rate, gases, drugs) is left out."""
    found = [WatchReading(key, float(value)) for key, value in (content.get("values") or {}).items()
             if key in BY_KEY and BY_KEY[key].whose == "group"]  # fmt: skip
    for bed, values in (content.get("patients") or {}).items():
        if bed not in beds:
            continue
        for item, value in values.items():
            if item in _ANSWERS:
                key, answers = _ANSWERS[item]
                if value in answers:
                    found.append(WatchReading(key, answers[value], beds.index(bed)))
            elif item in BY_KEY and BY_KEY[item].whose == "patient":
                found.append(WatchReading(item, float(value), beds.index(bed)))
    return WatchRound(minutes, tuple(found))


def watched_rounds(
    standing: GroupStanding, then: WardState, now: WardState, rounds: Iterable[tuple[str, Mapping[str, Any]]]
) -> tuple[WatchRound, tuple[WatchRound, ...]]:
    """The baseline and the rounds after it. ``then`` is the ward when the baseline was read, ``rounds`` the time and
    content of each.

    Refused where nothing can be judged: no baseline, somebody has left since, or something else is dialled now.
    """
    base = standing.baseline
    if base is None:
        raise _refused("watch-no-baseline", "no baseline was read", "read one, with everybody on and settled")
    if standing.joined != standing.beds or not standing.joined:
        raise _refused("watch-somebody-left", "not everybody of this group breathes from it now",
                       "judge each value by its bounds; who changed is worked out for a whole group only")  # fmt: skip
    machine = standing.ventilator
    if then.settings.get(machine) != now.settings.get(machine):
        raise _refused("watch-dialled", "something else is dialled now than when the baseline was read",
                       "read a new baseline when they have settled")  # fmt: skip
    start = datetime.fromisoformat(base.at)
    timed = sorted(((round((datetime.fromisoformat(at) - start).total_seconds() / 60.0, 1), content)
                    for at, content in rounds), key=lambda one: one[0])  # fmt: skip
    by_minutes = {minutes: content for minutes, content in timed if minutes > 0.0}  # of two at once the newer stands
    found = tuple(watch_round(content, standing.beds, minutes) for minutes, content in by_minutes.items())
    baseline = {"values": base.values, "patients": base.patients}
    return watch_round(baseline, standing.beds, 0.0), found


def _refused(finding_id: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy),))
