"""What happens in a course and when, as sorted rows that each run works through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from airyoke.breath.mechanics import Floats, Integers

LARGEST_EFFORT_CMH2O = 100.0
# In this order where two fall on one instant: what ends before what begins.
EFFORT_END, NETWORK, LUNGS, SETTINGS, MACHINE, STOP, HOLD_IN, HOLD_OUT, EFFORT = range(9)
RUN, TIME, KIND, FIRST, SECOND, THIRD = range(6)


@dataclass(frozen=True, slots=True)
class Effort:
    """Pressure of one patient's muscles: half a sine of this height; positive breathes in, negative coughs."""

    limb: int
    amplitude_cmh2o: float
    duration_s: float


@dataclass(frozen=True, slots=True)
class Change:
    """What happens at ``at_s`` in ``runs`` (all where None); what is left out stays as it is.

    ``network``, ``lungs``, ``settings``, ``machine`` are numbers of rows of what the course was given: one for all or
    one a run. Lungs change at the pressure that they have: what is lost keeps its gas. Settings and the machine's
    rules hold from the next breath. ``hold``: both valves shut for ``hold_s`` at the end of the next inspiration or
    expiration; the machine's clock waits. ``stop``: nothing is given any more, the way out is open to the room.
    """

    at_s: float
    runs: Integers | Sequence[int] | None = None
    network: int | Integers | None = None
    lungs: int | Integers | None = None
    settings: int | Integers | None = None
    machine: int | Integers | None = None
    effort: Effort | None = None
    hold: Literal["inspiratory", "expiratory"] | None = None
    hold_s: float = 3.0
    stop: bool = False


def event_rows(changes: Sequence[Change], runs: int, patients: int, duration_s: float, rows: Sequence[int]) -> Floats:
    """Rows (run, time, kind, three numbers), sorted by run, time and kind.

    ``rows``: how many networks, lungs, settings and machines there are. Raises ``ValueError`` for a change before the
    start or after the end, for two on one part at one instant, for an effort beyond 100 cmH2O or while the same patient
    makes one, and for a row that does not exist.
    """
    blocks: list[Floats] = []
    for change in changes:
        if not 0.0 <= change.at_s < duration_s:
            raise ValueError(f"a change at {change.at_s:g} s is not within the course of 0 to {duration_s:g} s")
        which = np.arange(runs) if change.runs is None else np.asarray(change.runs, np.int64)
        if which.size and (which.min() < 0 or which.max() >= runs):
            raise ValueError(f"a change names a run that is not one of {runs}")
        for kind, value, count in (
            (NETWORK, change.network, rows[0]),
            (LUNGS, change.lungs, rows[1]),
            (SETTINGS, change.settings, rows[2]),
            (MACHINE, change.machine, rows[3]),
        ):
            if value is not None:
                chosen = np.broadcast_to(np.asarray(value, np.int64), which.shape)
                if chosen.size and (chosen.min() < 0 or chosen.max() >= count):
                    raise ValueError(f"a change names row {chosen.max()} of {count}")
                blocks.append(_block(which, change.at_s, kind, chosen))
        if change.stop:
            blocks.append(_block(which, change.at_s, STOP))
        if change.hold is not None:
            kind = HOLD_IN if change.hold == "inspiratory" else HOLD_OUT
            if not change.hold_s > 0.0:
                raise ValueError("a hold takes some time")
            blocks.append(_block(which, change.at_s, kind, change.hold_s))
        if change.effort is not None:
            one = change.effort
            if not abs(one.amplitude_cmh2o) <= LARGEST_EFFORT_CMH2O:
                raise ValueError(f"an effort of {one.amplitude_cmh2o:g} cmH2O is larger than any patient's")
            if not (one.duration_s > 0.0 and 0 <= one.limb < patients):
                raise ValueError("an effort takes some time and belongs to one of the patients")
            blocks.append(_block(which, change.at_s, EFFORT, one.limb, one.amplitude_cmh2o, one.duration_s))
            blocks.append(_block(which, change.at_s + one.duration_s, EFFORT_END, one.limb))
    if not blocks:
        return np.zeros((0, 6))
    events = np.concatenate(blocks)
    events = events[np.lexsort((events[:, KIND], events[:, TIME], events[:, RUN]))]
    part = np.where(np.isin(events[:, KIND], (EFFORT, EFFORT_END)), events[:, FIRST], 0.0)
    same = np.unique(np.column_stack([events[:, (RUN, TIME, KIND)], part]), axis=0)
    if len(same) < len(events):
        raise ValueError("two changes of one part at one instant")
    for limb in range(patients):
        efforts = events[np.isin(events[:, KIND], (EFFORT, EFFORT_END)) & (part == limb)]
        begins = efforts[:, KIND] == EFFORT
        if np.any(begins[1:] & begins[:-1] & (efforts[1:, RUN] == efforts[:-1, RUN])):
            raise ValueError(f"an effort of patient {limb} begins while another lasts")
    return events


def _block(which: Integers, at_s: float, kind: int, *numbers: float | Integers) -> Floats:
    block = np.zeros((len(which), 6))
    block[:, RUN], block[:, TIME], block[:, KIND] = which, at_s, kind
    for column, value in enumerate(numbers, FIRST):
        block[:, column] = value
    return block
