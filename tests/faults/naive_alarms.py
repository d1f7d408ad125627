"""A machine's alarms done plainly, breath by breath: the second opinion on the vectorised ones.

Nothing of the package is used but the shapes that say what is watched.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

Random = np.random.Generator


def volumes(random: Random, patients_ml: list[float], scatter: float, sensor: float, breaths: int) -> np.ndarray:
    """Exhaled volumes of one machine: every patient scatters by itself, then the sensor."""
    shown = []
    for _ in range(breaths):
        total = sum(volume * (1.0 + scatter * random.standard_normal()) for volume in patients_ml)
        shown.append(total * (1.0 + sensor * random.standard_normal()))
    return np.array(shown)


def episodes(values: np.ndarray, beyond: Callable[[float], bool], averages: int, in_a_row: int) -> int:
    """How often the alarm starts to sound."""
    counted, run = 0, 0
    for i in range(averages - 1, len(values)):
        mean = float(np.mean(values[i - averages + 1 : i + 1]))
        run = run + 1 if beyond(mean) else 0
        counted += run == in_a_row
    return counted


def first_sound(values: np.ndarray, start: int, beyond: Callable[[float], bool], averages: int, in_a_row: int) -> int | None:
    """How many breaths after ``start`` it first sounds (1 = with the first of them)."""
    run = 0
    for i in range(averages - 1, len(values)):
        run = run + 1 if beyond(float(np.mean(values[i - averages + 1 : i + 1]))) else 0
        if i >= start and run >= in_a_row:
            return i - start + 1
    return None
