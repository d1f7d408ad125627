"""The two PEEP/FiO2 tables of the ARDS Network trials: combinations that were used, not proof of a best PEEP.
"""

from __future__ import annotations

from typing import Final

# (lowest FiO2, highest FiO2, PEEP in cmH2O), one column of the card each.
Column = tuple[float, float, float]

# Source: ARDS Network, N Engl J Med 2000;342:1301.
LOWER_PEEP_TABLE: Final[tuple[Column, ...]] = (
    (0.3, 0.3, 5), (0.4, 0.4, 5), (0.4, 0.4, 8), (0.5, 0.5, 8), (0.5, 0.5, 10), (0.6, 0.6, 10),
    (0.7, 0.7, 10), (0.7, 0.7, 12), (0.7, 0.7, 14), (0.8, 0.8, 14), (0.9, 0.9, 14), (0.9, 0.9, 16),
    (0.9, 0.9, 18), (1.0, 1.0, 18), (1.0, 1.0, 20), (1.0, 1.0, 22), (1.0, 1.0, 24),
)

# Source: Brower, N Engl J Med 2004;351:327. Copies disagree on the second column at 0.4 (16, as here, or 15):
# a clinician should compare with the trial's own card.
HIGHER_PEEP_TABLE: Final[tuple[Column, ...]] = (
    (0.3, 0.3, 5), (0.3, 0.3, 8), (0.3, 0.3, 10), (0.3, 0.3, 12), (0.3, 0.3, 14), (0.4, 0.4, 14),
    (0.4, 0.4, 16), (0.5, 0.5, 16), (0.5, 0.5, 18), (0.5, 0.8, 20), (0.8, 0.8, 22), (0.9, 0.9, 22),
    (1.0, 1.0, 22), (1.0, 1.0, 24),
)


def peep_options_cmh2o(table: tuple[Column, ...], fio2: float) -> tuple[float, ...]:
    """PEEP values, ascending, of the columns that hold this FiO2; between columns those of the next one
    above.

    Raises ``ValueError`` for an FiO2 outside 0.21 to 1.0.
    """
    if not 0.21 <= fio2 <= 1.0:
        raise ValueError(f"FiO2 must be 0.21 to 1.0, not {fio2:g}")
    slack = 1e-9
    holding = [column for column in table if column[0] - slack <= fio2 <= column[1] + slack]
    if not holding:
        above = min(low for low, _, _ in table if low > fio2)
        holding = [column for column in table if column[0] == above]
    return tuple(sorted({peep for _, _, peep in holding}))
