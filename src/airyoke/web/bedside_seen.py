"""What was read last of a group, beside what was predicted, and who most likely changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from airyoke.contract.words import name_words, plain
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient
from airyoke.quantities import Finding, Refused
from airyoke.ward.candidates import assess_ward
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.rehearsing import group_build
from airyoke.ward.round_words import beside_of
from airyoke.ward.watched_rounds import watched_rounds
from airyoke.watch.beside import Beside
from airyoke.watch.suspicion import Suspicion, SuspicionRules
from airyoke.web.bedside_group import parts_of, ward_then
from airyoke.web.desk import Look
from airyoke.web.engine_process import WatchQuestion
from airyoke.web.saved_groups import settings_of
from airyoke.web.visits import Visit

_MARKS = {"act": "act", "ask": "ask somebody", "outside": "not as predicted", "inside": "as predicted"}


@dataclass(frozen=True, slots=True)
class ReadLine:
    """One value as read: whose, what, how much, what was predicted, and what the bounds say of it."""

    whose: str
    name: str
    value: str
    unit: str
    predicted: str
    verdict: str
    words: str


@dataclass(frozen=True, slots=True)
class LastRound:
    """The newest round. ``fired`` are the values for which somebody is to act or to be asked."""

    at: datetime
    by: str
    baseline: bool
    lines: tuple[ReadLine, ...]
    fired: tuple[ReadLine, ...]


def last_round(visiting: Visit, look: Look, name: str, standing: GroupStanding) -> LastRound | None:
    """The newest round or baseline of a group; ``None`` where none was read."""
    found = [
        (datetime.fromisoformat(content.get("at") or entry.local), entry, content)
        for entry, content in visiting.desk.record.counted(("round_read", "baseline_read"), standing.since)
        if content.get("group") == name
    ]
    if not found:
        return None
    at, entry, content = max(found, key=lambda one: (one[0], one[1].sequence))
    policy = Policy() if look.ward is None else look.ward.policy
    dialled = look.state.settings.get(standing.ventilator, {})
    read = {**(content.get("patients") or {}), "": content.get("values") or {}}
    lines = [_line(standing, where, one) for where, values in read.items()
             for one in beside_of(standing, policy, dialled, where, values)]  # fmt: skip
    by = str(content.get("read_by") or entry.person)
    fired = tuple(one for one in lines if one.verdict in ("act", "ask"))
    return LastRound(at, by, entry.kind == "baseline_read", tuple(lines), fired)


def _line(standing: GroupStanding, where: str, one: Beside) -> ReadLine:
    whose = standing.ventilator if not where else f"{'ABCD'[standing.beds.index(where)]}, bed {where}"
    value = plain(float(one.value)) if isinstance(one.value, int | float) else str(one.value)
    mark = _MARKS.get(one.verdict, "")
    words = f"{mark}: {one.why}" if mark and one.why else mark
    return ReadLine(whose, name_words(one.item.key), value, one.item.unit, range_words(one.predicted), one.verdict,
                    words)  # fmt: skip


def range_words(predicted: Any) -> str:
    """``430 to 520``; empty where nothing is predicted. ``predicted`` is value, low, high."""
    return "" if predicted is None else f"{_short(float(predicted[1]))} to {_short(float(predicted[2]))}"


def _short(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 100.0 else f"{value:.3g}"


def suspicion_of(visiting: Visit, look: Look, name: str, standing: GroupStanding) -> Suspicion:
    """Who most likely changed since the baseline, on the lungs as they were known when it was read.

    Raises ``Refused`` where that cannot be worked out, and says why.
    """
    record = visiting.desk.record
    base = standing.baseline
    since = standing.since if base is None else base.sequence
    rounds = [(content.get("at") or entry.local, content) for entry, content in record.counted(("round_read",), since)
              if content.get("group") == name]  # fmt: skip
    first, others = watched_rounds(standing, record.state_at(since), look.state, rounds)
    ward = ward_then(visiting, look, since)
    lungs = {one.bed.label: one.lungs for one in assess_ward(ward)}
    patients = tuple(one for bed in standing.beds if isinstance(one := lungs.get(bed), Patient))
    settings = settings_of(look.state.settings.get(standing.ventilator))
    if len(patients) < len(standing.beds) or settings is None:
        raise Refused((Finding("watch-lungs", "refused", "the lungs of somebody could not be estimated",
                               "judge each value by its bounds"),))  # fmt: skip
    build = group_build(len(patients), parts_of(record, look.state, standing))
    question = WatchQuestion(patients, build, settings, first, others, SuspicionRules.of(ward.policy))
    found: Suspicion = visiting.desk.study.ask("watch", question, (name, since, first, others, settings))
    return found


def predicted_words(predicted: Mapping[str, Any], item: str) -> str:
    """The range beside a field; empty where there is none."""
    return range_words(predicted.get(item))
