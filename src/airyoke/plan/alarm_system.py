"""What a ventilator watches: its alarm conditions, how each is averaged and delayed, and what its dials take.

A generic machine of an intensive care unit. Ranges, steps, averaging and delays differ between machines: those here
are defaults from memory, to be replaced by the machine's own manual. ISO 80601-2-12 asks for most of the conditions
(measured airway pressure, expired volume, PEEP, obstruction, sustained pressure, disconnection, oxygen; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from types import MappingProxyType
from typing import Literal

from airyoke.breath.ventilator import Ventilator
from airyoke.quantities import Finding, Refused, did_you_mean

Side = Literal["low", "high"]
Key = tuple[str, Side]
Limits = Mapping[Key, float]

FROM_MEMORY = "default from memory; the machine's manual has its own"


@dataclass(frozen=True, slots=True)
class AlarmCondition:
    """One thing that is watched on one side of a limit.

    name, side
        What is watched, as in a plan's alarms, and on which side of the limit the alarm sounds.
    lowest, highest, step
        What the dial takes, in ``unit``. A condition whose limit nobody sets has ``fixed`` instead.
    averages_breaths, averages_s
        The value is the mean of so many breaths, or of as many as fit into so many seconds; 1 and 0: each by itself.
    beyond_breaths, beyond_s
        It sounds when so many values in a row, or all values of so many seconds, are beyond the limit.
    fixed
        The limit built into the machine; ``None``: set on a dial.
    """

    name: str
    side: Side
    unit: str
    lowest: float
    highest: float
    step: float
    averages_breaths: int = 1
    averages_s: float = 0.0
    beyond_breaths: int = 1
    beyond_s: float = 0.0
    fixed: float | None = None
    source: str = FROM_MEMORY

    @property
    def key(self) -> Key:
        """Name and side."""
        return self.name, self.side

    def averages(self, period_s: float) -> int:
        """Breaths in one value where a breath takes ``period_s``."""
        return max(self.averages_breaths, round(self.averages_s / period_s))

    def beyond(self, period_s: float) -> int:
        """Values in a row beyond the limit before it sounds."""
        return max(self.beyond_breaths, ceil(self.beyond_s / period_s - 1e-9))

    def tighter(self, value: float) -> float:
        """The value at the step of the dial that is not looser; it may lie outside the dial's range."""
        steps = value / self.step
        on_step = ceil(steps - 1e-9) if self.side == "low" else -ceil(-steps - 1e-9)
        return round(on_step * self.step, 6)

    def takes(self, value: float) -> bool:
        """Whether the dial can be set to it."""
        steps = value / self.step
        return self.lowest - 1e-9 <= value <= self.highest + 1e-9 and abs(steps - round(steps)) < 1e-6


CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition("airway_pressure", "high", "cmH2O", 10.0, 100.0, 1.0),
    AlarmCondition("airway_pressure", "low", "cmH2O", 1.0, 80.0, 1.0, beyond_breaths=2),
    AlarmCondition("peep", "high", "cmH2O", 1.0, 50.0, 1.0, beyond_breaths=3),
    AlarmCondition("peep", "low", "cmH2O", 0.0, 45.0, 1.0, beyond_breaths=3),
    AlarmCondition("exhaled_tidal_volume", "low", "mL", 10.0, 2000.0, 10.0, beyond_breaths=3),
    AlarmCondition("exhaled_tidal_volume", "high", "mL", 50.0, 3000.0, 10.0, beyond_breaths=3),
    AlarmCondition("exhaled_minute_volume", "low", "L/min", 0.5, 40.0, 0.1, averages_s=30.0),
    AlarmCondition("exhaled_minute_volume", "high", "L/min", 1.0, 60.0, 0.1, averages_s=30.0),
    AlarmCondition("rate", "high", "/min", 5.0, 150.0, 1.0, averages_s=30.0),
    AlarmCondition("apnoea", "high", "s", 10.0, 60.0, 1.0),
    AlarmCondition("leak", "high", "%", 5.0, 100.0, 5.0, averages_s=30.0),
    AlarmCondition("fio2", "low", "", 0.18, 1.0, 0.01, beyond_s=30.0),
    AlarmCondition("fio2", "high", "", 0.18, 1.0, 0.01, beyond_s=30.0),
    AlarmCondition("obstruction", "high", "cmH2O", 0.0, 100.0, 1.0, beyond_breaths=2, fixed=5.0,
                   source="about two breaths or 5 s: ISO 80601-2-12, from memory; its threshold a judgement"),
    AlarmCondition("sustained_pressure", "high", "cmH2O", 0.0, 100.0, 1.0, beyond_s=15.0, fixed=15.0,
                   source="about 15 s: ISO 80601-2-12, from memory; its threshold a judgement"),
    AlarmCondition("disconnection", "high", "%", 0.0, 100.0, 1.0, beyond_breaths=2, fixed=60.0,
                   source="ISO 80601-2-12 asks for one, from memory; how it is found is a judgement"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class AlarmSystem:
    """The alarms of one machine and how far its sensors may be off.

    ``..._error``: half the range in which 95 % of machines lie, a fixed part and a part of the reading; it is one
    number for one machine, unlike scatter from breath to breath.
    """

    conditions: tuple[AlarmCondition, ...] = CONDITIONS
    volume_error_ml: float = 4.0
    volume_error_fraction: float = 0.15  # +-(4 mL + 15 %) and +-(2 cmH2O + 4 %): common accuracy claims, from memory
    pressure_error_cmh2o: float = 2.0
    pressure_error_fraction: float = 0.04

    def condition(self, name: str, side: Side) -> AlarmCondition:
        """The condition of that name and side; ``KeyError`` where the machine has none."""
        for one in self.conditions:
            if one.key == (name, side):
                return one
        raise KeyError(f"{name}:{side}")

    def with_condition(self, name: str, side: Side, **changes: object) -> AlarmSystem:
        """A copy in which one condition is changed: its range, step, averaging or delay."""
        changed = replace(self.condition(name, side), **changes)  # type: ignore[arg-type]
        return replace(self, conditions=tuple(changed if c.key == (name, side) else c for c in self.conditions))

    def fixed_limits(self) -> dict[Key, float]:
        """The limits that are built in."""
        return {one.key: one.fixed for one in self.conditions if one.fixed is not None}

    def checked(self, limits: Limits) -> Limits:
        """The limits with those that are built in; ``Refused`` for what the machine lacks or its dials do not take."""
        wrong = [finding for key, value in limits.items() if (finding := self.not_settable(key, value)) is not None]
        if wrong:
            raise Refused(tuple(wrong))
        return MappingProxyType({**self.fixed_limits(), **limits})

    def not_settable(self, key: Key, value: float) -> Finding | None:
        """Why a limit cannot be dialled, ``None`` where it can."""
        name, side = key
        known = {one.key: one for one in self.conditions if one.fixed is None}
        words = name.replace("_", " ")
        if key not in known:
            near = did_you_mean(name, sorted({one for one, _ in known}))
            remedy = f"did you mean {near}?" if near and near != name else f"it watches {_listed(known)}"
            return Finding(
                "alarm-unknown", "refused", f"this ventilator has no dial for a {side} {words} alarm", remedy,
                column=f"{name}.{side}", value=value,
            )  # fmt: skip
        one = known[key]
        if one.takes(value):
            return None
        return Finding(
            "alarm-limit-range", "refused",
            f"the {side} {words} alarm cannot be set to {value:g} {one.unit}".rstrip()
            + f": its dial goes from {one.lowest:g} to {one.highest:g} in steps of {one.step:g}",
            "choose a limit within it; if none would do its work, do not share on this ventilator",
            column=f"{name}.{side}", value=value,
        )  # fmt: skip


def _listed(keys: Sequence[Key] | Mapping[Key, AlarmCondition]) -> str:
    return ", ".join(f"{side} {name.replace('_', ' ')}" for name, side in keys)


def alarm_system_of(ventilator: Ventilator | None) -> AlarmSystem:
    """The alarms of a machine of the ward: its volume alarms reach as far as the largest volume it can be set to."""
    if ventilator is None:
        return AlarmSystem()
    highest = ventilator.max_tidal_volume_ml
    return (
        AlarmSystem()
        .with_condition("exhaled_tidal_volume", "low", highest=highest)
        .with_condition("exhaled_tidal_volume", "high", highest=1.5 * highest)
    )
