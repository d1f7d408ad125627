"""A group's margins with the PEEP dial still open: PEEP shifts the pressures in the lungs and changes nothing else.

So settings that differ in PEEP alone are breathed once. Tidal volume, CO2 and what is trapped stay; plateau and total
PEEP move with the dial. Exact for lungs and circuits whose compliances do not depend on pressure, as the engine's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.limits.margins import order_statistic
from airyoke.limits.policy import Policy
from airyoke.limits.table import Limit

Floats = NDArray[np.float64]
MOVED_BY_PEEP = ("plateau_cmh2o", "total_peep_rise_cmh2o", "total_peep_fall_cmh2o")


@dataclass(frozen=True, slots=True)
class OpenPeep:
    """Margins of a group at settings without their PEEP; arrays (settings, rows), row 0 the best estimate.

    ``target`` and ``hard`` are the smallest margins of what PEEP does not move. ``highest_plateau_cmh2o`` is the
    highest of the group above set PEEP. The other two are the furthest that set PEEP may be above, and must not be
    below, for total PEEP to be what it is now: the lowest and the highest of (present total PEEP - what is trapped);
    infinite where no present total PEEP is known.
    """

    target: Floats
    hard: Floats
    highest_plateau_cmh2o: Floats
    lowest_equal_cmh2o: Floats
    highest_equal_cmh2o: Floats

    @classmethod
    def of(
        cls, target: Floats, hard: Floats, above: Sequence[Floats], plateau: Sequence[Floats], now: Sequence[Floats]
    ) -> OpenPeep:
        """From total PEEP and plateau above set PEEP of each patient, and each one's present total PEEP, (rows,)."""
        known = [p - a for a, p in zip(above, now, strict=True) if np.isfinite(p[0])]
        infinite = np.full(target.shape, np.inf)
        return cls(
            target, hard, np.maximum.reduce(list(plateau)),
            np.minimum.reduce(known) if known else infinite, np.maximum.reduce(known) if known else -infinite,
        )  # fmt: skip

    def at(self, peeps: Floats, policy: Policy) -> Floats:
        """The group's margin at each of the PEEPs of each of the settings; ``peeps`` and result (settings, PEEPs)."""
        plateau, rise, fall = (policy.limit(name, "high") for name in MOVED_BY_PEEP)
        shape = (*peeps.shape, self.target.shape[1])
        target, hard = (np.broadcast_to(one[:, None, :], shape).copy() for one in (self.target, self.hard))
        p = peeps[:, :, None]
        tighten(target, hard, plateau, p + self.highest_plateau_cmh2o[:, None, :])
        tighten(target, hard, rise, p - self.lowest_equal_cmh2o[:, None, :])
        tighten(target, hard, fall, self.highest_equal_cmh2o[:, None, :] - p)
        value: Floats = target[:, :, 0]
        if shape[2] > 1:
            value = np.minimum(value, order_statistic(target[:, :, 1:], 1.0 - policy.planning_confidence))
            value = np.minimum(value, order_statistic(hard[:, :, 1:], 1.0 - policy.hard_confidence))
        return value

    def best_peep(self, policy: Policy) -> Floats:
        """The PEEP that suits the best estimates, off the dial, (settings,)."""
        plateau, rise, fall = (policy.limit(name, "high") for name in MOVED_BY_PEEP)
        top = plateau.target - self.highest_plateau_cmh2o[:, 0]
        low, high = self.highest_equal_cmh2o[:, 0] - fall.target, self.lowest_equal_cmh2o[:, 0] + rise.target
        # Largest smallest margin of one rising line (peep - low)/a and the falling (high - peep)/b, (top - peep)/c.
        a, b, c = fall.scale, rise.scale, plateau.scale
        with np.errstate(invalid="ignore"):
            peep = np.minimum((a * high + b * low) / (a + b), (a * top + c * low) / (a + c))
        return np.where(np.isfinite(low), peep, np.minimum(top - plateau.scale, WITHOUT_READING_CMH2O))


WITHOUT_READING_CMH2O = 5.0  # tried where nobody's present PEEP is known; the plateau may ask for less


def on_dial(peeps: Floats, wanted: Floats) -> Floats:
    """The nearest of the dial's positions to each wanted PEEP."""
    step = float(peeps[1] - peeps[0]) if len(peeps) > 1 else 1.0
    return np.asarray(np.clip(peeps[0] + step * np.rint((wanted - peeps[0]) / step), peeps[0], peeps[-1]))


def tighten(target: Floats, hard: Floats, limit: Limit, values: Floats) -> None:
    """Lower the smallest margins, in place, by one more limit."""
    margin = (values - limit.target if limit.side == "low" else limit.target - values) / limit.scale
    np.minimum(target, margin, out=target)
    if limit.hard is not None:
        sign = 1.0 if limit.side == "high" else -1.0
        np.minimum(hard, margin + sign * (limit.hard - limit.target) / limit.scale, out=hard)
