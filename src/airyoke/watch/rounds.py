"""What is read of a running group, when, and in which order: by the clock from the minute of coupling.

The order is that of the hand-written sheet and of typed entry alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count, takewhile
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
    words what it must be where no figure is predicted. ``when`` it is read.

    ``answers`` are the words that it may be, the first the one that is hoped for; ``text`` is free; else it is a
    number, and ``plausible`` its bounds where the dictionary of quantities has none."""

    key: str
    unit: str
    when: Literal["every", "mechanics", "gas"] = "every"
    predicted: str | None = None
    expected: str = ""
    source: str = COMMON_PRACTICE
    answers: tuple[str, ...] = ()
    text: bool = False
    plausible: tuple[float, float] | None = None


PATIENT_ITEMS: Final[tuple[Item, ...]] = (
    Item("spo2_pct", "%", predicted="spo2_pct"),
    Item("heart_rate", "/min", plausible=(0, 300)),
    Item("mean_arterial_pressure", "mmHg", plausible=(0, 250)),
    Item("vasopressor", "", expected="dose", text=True),
    Item("etco2_mmhg", "mmHg"),
    Item("inspired_co2_mmhg", "mmHg", expected="0", plausible=(0, 60)),
    Item("chest", "", expected="both sides rise", answers=("both", "one side", "still")),
    Item("block_depth", "", expected="no effort", answers=("no effort", "effort")),
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
    Item("leak_pct", "%", plausible=(0, 100)),
)


def round_minutes() -> Iterator[int]:
    """Every round, in minutes after coupling, without end."""
    yield from FIRST_ROUNDS_MIN
    yield from count(FIRST_ROUNDS_MIN[-1] + EVERY_MIN, EVERY_MIN)


def mechanics_minutes() -> Iterator[int]:
    """Rounds with holds, all others clamped."""
    yield MECHANICS_FIRST_MIN
    yield from count(MECHANICS_EVERY_MIN, MECHANICS_EVERY_MIN)


def gas_minutes() -> Iterator[int]:
    """Rounds with an arterial gas."""
    yield from GASES_FIRST_MIN
    yield from count(GASES_FIRST_MIN[-1] + GASES_EVERY_MIN, GASES_EVERY_MIN)


def rounds(until_min: int) -> tuple[Round, ...]:
    """Every round from coupling up to ``until_min``."""

    def until(minutes: Iterator[int]) -> list[int]:
        return list(takewhile(lambda minute: minute <= until_min, minutes))

    mechanics, gases = until(mechanics_minutes()), until(gas_minutes())
    return tuple(Round(minutes, minutes in mechanics, minutes in gases) for minutes in until(round_minutes()))
