"""What is read of a running group, when, and in which order: by the clock from the minute of coupling.

The order is that of the hand-written sheet and of typed entry alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from airyoke.watch.sources import COMMON_PRACTICE, JUDGEMENT

FIRST_ROUNDS_MIN: Final = (1, 5, 15, 30, 60)
EVERY_MIN: Final = 60
MECHANICS_FIRST_MIN: Final = 30
MECHANICS_EVERY_MIN: Final = 240
GASES_FIRST_MIN: Final = (30, 120, 240)
GASES_EVERY_MIN: Final = 360
SCHEDULE_SOURCE: Final = JUDGEMENT
"""Rounds, mechanics and gases; also after any change, turn, dose or suction."""


@dataclass(frozen=True, slots=True)
class Round:
    """One round, ``minutes`` after coupling. ``mechanics``: holds with all others clamped; ``gas``: an arterial gas."""

    minutes: int
    mechanics: bool
    gas: bool


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to read. ``predicted`` names the figure of the answer that it is compared with; ``expected`` says in
    words what it must be where no figure is predicted. ``when`` it is read."""

    key: str
    unit: str
    when: Literal["every", "mechanics", "gas"] = "every"
    predicted: str | None = None
    expected: str = ""
    source: str = COMMON_PRACTICE


PATIENT_ITEMS: Final[tuple[Item, ...]] = (
    Item("spo2_pct", "%", predicted="spo2_pct"),
    Item("heart_rate", "/min"),
    Item("mean_arterial_pressure", "mmHg"),
    Item("vasopressor", "", expected="dose"),
    Item("etco2_mmhg", "mmHg"),
    Item("inspired_co2_mmhg", "mmHg", expected="0"),
    Item("chest", "", expected="both sides rise"),
    Item("block_depth", "", expected="no effort"),
    Item("plateau_cmh2o", "cmH2O", "mechanics", "plateau_cmh2o"),
    Item("total_peep_cmh2o", "cmH2O", "mechanics", "total_peep_cmh2o"),
    Item("tidal_volume_ml", "mL", "mechanics", "tidal_volume_ml"),
    Item("paco2_mmhg", "mmHg", "gas", "paco2_mmhg"),
    Item("ph", "", "gas", "ph"),
)
GROUP_ITEMS: Final[tuple[Item, ...]] = (
    Item("displayed_tidal_volume_ml", "mL", predicted="displayed_tidal_volume_ml"),
    Item("minute_volume_l_per_min", "L/min", predicted="minute_volume_l_per_min"),
    Item("peak_pressure_cmh2o", "cmH2O", predicted="peak_pressure_cmh2o"),
    Item("peep_cmh2o", "cmH2O", expected="as set"),
    Item("rate_per_min", "/min", expected="as set"),
    Item("fio2", "", expected="as set"),
    Item("leak_pct", "%"),
)


def rounds(until_min: int) -> tuple[Round, ...]:
    """Every round from coupling up to ``until_min``."""
    gases = set(_gases(until_min))
    return tuple(
        Round(
            minutes,
            minutes == MECHANICS_FIRST_MIN or (minutes > 0 and minutes % MECHANICS_EVERY_MIN == 0),
            minutes in gases,
        )
        for minutes in _minutes(until_min)
    )


def _minutes(until_min: int) -> Iterator[int]:
    yield from (minutes for minutes in FIRST_ROUNDS_MIN if minutes <= until_min)
    yield from range(FIRST_ROUNDS_MIN[-1] + EVERY_MIN, until_min + 1, EVERY_MIN)


def _gases(until_min: int) -> Iterator[int]:
    yield from GASES_FIRST_MIN
    yield from range(GASES_FIRST_MIN[-1] + GASES_EVERY_MIN, until_min + 1, GASES_EVERY_MIN)
