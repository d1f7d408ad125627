"""The alarms of a case: the limits as dialled, and how the machine at hand differs from a generic one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Annotated, Literal

from pydantic import Field

from airyoke.contract.fields import Frozen
from airyoke.plan.alarm_system import AlarmCondition, AlarmSystem, Key, Side
from airyoke.quantities import Finding

AlarmName = Literal[
    "airway_pressure", "peep", "exhaled_tidal_volume", "exhaled_minute_volume", "rate", "apnoea", "leak", "fio2"
]
Limit = Annotated[float, Field(ge=0.0, le=10_000.0)]
Breaths = Annotated[int, Field(ge=1, le=50)]
Seconds = Annotated[float, Field(ge=0.0, le=300.0)]


class AlarmCase(Frozen):
    """One alarm as dialled, in the form in which a plan lists it. ``null`` = that side is off.

    ``unit`` and ``why`` may stay when a plan's line is copied; another unit than the plan's is refused.
    """

    name: AlarmName
    low: Limit | None = None
    high: Limit | None = None
    unit: str | None = None
    why: str | None = None


class AlarmConditionCase(Frozen):
    """How one side of an alarm works on the machine at hand; what is not given is that of a generic machine.

    ``lowest``, ``highest``, ``step``: what its dial takes. ``averages_breaths``, ``averages_s``: breaths in one value.
    ``beyond_breaths``, ``beyond_s``: how long values stay beyond the limit before it sounds. One may average or wait.
    """

    name: AlarmName
    side: Literal["low", "high"]
    lowest: Limit | None = None
    highest: Limit | None = None
    step: Annotated[float | None, Field(gt=0.0, le=1000.0)] = None
    averages_breaths: Breaths | None = None
    averages_s: Seconds | None = None
    beyond_breaths: Breaths | None = None
    beyond_s: Seconds | None = None


def alarm_limits_of(alarms: Sequence[AlarmCase] | None) -> dict[Key, float] | None:
    """The limits as dialled; ``None`` where a case lists no alarms."""
    if alarms is None:
        return None
    return {key: value for one in alarms for key, value in _sides(one)}


def alarm_system_of_case(conditions: Sequence[AlarmConditionCase]) -> AlarmSystem:
    """The machine's alarms. Raises ``KeyError`` for a condition that no machine has."""
    system = AlarmSystem()
    for one in conditions:
        changed = _condition(system, one)
        system = replace(system, conditions=tuple(changed if c.key == changed.key else c for c in system.conditions))
    return system


def _sides(one: AlarmCase) -> Iterator[tuple[Key, float]]:
    sides: tuple[tuple[Side, float | None], ...] = (("low", one.low), ("high", one.high))
    for side, value in sides:
        if value is not None:
            yield (one.name, side), value


def _condition(system: AlarmSystem, one: AlarmConditionCase) -> AlarmCondition:
    """What is given in breaths replaces a default in seconds, and the other way round."""
    found = system.condition(one.name, one.side)
    changes = {
        name: value
        for name in ("lowest", "highest", "step", "averages_breaths", "averages_s", "beyond_breaths", "beyond_s")
        if (value := getattr(one, name)) is not None
    }
    for what in ("averages", "beyond"):
        if f"{what}_breaths" in changes:
            changes.setdefault(f"{what}_s", 0.0)
        elif f"{what}_s" in changes:
            changes[f"{what}_breaths"] = 1
    return replace(found, **changes, source="as written in the case")


def alarm_findings(
    alarms: Sequence[AlarmCase] | None, conditions: Sequence[AlarmConditionCase], period_s: float
) -> Iterator[Finding]:
    """What is wrong with the alarms of a case whose breaths last ``period_s``; every finding is a refusal."""
    broken = False
    for number, condition in enumerate(conditions):
        for finding in _about_condition(condition, f"alarm_conditions[{number}]", period_s):
            broken = True
            yield finding
    keys = [(one.name, one.side) for one in conditions]
    for number, key in enumerate(keys):
        if keys.index(key) < number:
            broken = True
            yield _refused(
                "alarm-twice", f"the {_words(key)} alarm is described twice", "keep one", f"alarm_conditions[{number}]"
            )
    if not broken:
        yield from _about_limits(alarms or (), alarm_system_of_case(conditions))


def _about_condition(one: AlarmConditionCase, path: str, period_s: float) -> Iterator[Finding]:
    try:
        made = _condition(AlarmSystem(), one)
    except KeyError:
        reason = f"no machine has a {_words((one.name, one.side))} alarm"
        yield _refused("alarm-unknown", reason, "leave it out, or name the other side", f"{path}.side", one.side)
        return
    if made.lowest >= made.highest:
        reason = f"the dial of the {_words(made.key)} alarm goes from {made.lowest:g} to {made.highest:g}"
        yield _refused("alarm-dial-empty", reason, "lowest must be below highest", f"{path}.lowest", made.lowest)
    if made.averages(period_s) > 1 and made.beyond(period_s) > 1:
        reason = f"the {_words(made.key)} alarm both averages and waits"
        yield _refused(
            "alarm-averages-and-waits", reason,
            "how often that sounds for nothing has no closed form: write the one that is longer", path,
        )  # fmt: skip


def _about_limits(alarms: Sequence[AlarmCase], system: AlarmSystem) -> Iterator[Finding]:
    names = [one.name for one in alarms]
    for number, one in enumerate(alarms):
        path = f"alarms[{number}]"
        if names.index(one.name) < number:
            yield _refused("alarm-twice", f"the alarm {one.name} is there twice", "keep one", f"{path}.name", one.name)
            continue
        if one.low is not None and one.high is not None and one.low >= one.high:
            reason = f"the low limit {one.low:g} of {one.name} is not below its high limit {one.high:g}"
            yield _refused("alarm-limits-crossed", reason, "it would sound all the time", f"{path}.low", one.low)
        unit = next((c.unit for c in system.conditions if c.name == one.name), "")
        if one.unit is not None and one.unit != unit:
            reason = f"{one.name} is in {unit or 'no unit'}, not in {one.unit!r}"
            yield _refused("alarm-unit", reason, "convert it; nothing is guessed", f"{path}.unit", one.unit)
        for (_, side), value in _sides(one):
            finding = system.not_settable((one.name, side), value)
            if finding is not None:
                yield replace(finding, column=f"{path}.{side}")


def _words(key: Key) -> str:
    return f"{key[1]} {key[0].replace('_', ' ')}"


def _refused(id_: str, reason: str, remedy: str, column: str, value: str | float | None = None) -> Finding:
    return Finding(id_, "refused", reason, remedy, column=column, value=value)
