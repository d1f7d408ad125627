"""The fault card of a group: who is it, bag, close in this order, check the others; with this group's numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from airyoke.breath.displayed import displayed_volume_ml
from airyoke.breath.engine import Breath
from airyoke.faults.catalogue import LANES
from airyoke.faults.gas_reserve import GasReserve, Seconds
from airyoke.faults.runs import FaultRuns


@dataclass(frozen=True, slots=True)
class Other:
    """One of the others once a patient is closed off: volume and plateau before and after, best estimate."""

    lane: int
    volume_before_ml: float
    volume_after_ml: float
    plateau_before_cmh2o: float
    plateau_after_cmh2o: float


@dataclass(frozen=True, slots=True)
class CardLine:
    """One patient of the card.

    shown_before_ml, shown_after_ml
        The exhaled volume that the machine displays: with everybody, and with this patient's tube blocked.
    blocked_s, off_s
        Until SpO2 is below 85 % with the tube blocked, and with it off and open to the room.
    others
        Everybody else with this patient's branches closed.
    """

    lane: int
    shown_before_ml: float
    shown_after_ml: float
    blocked_s: Seconds
    off_s: Seconds
    others: tuple[Other, ...]


@dataclass(frozen=True, slots=True)
class FaultCard:
    """One line a patient, and whether closing one off hurts the others (volume control)."""

    mode: str
    lines: tuple[CardLine, ...]


def card_of(runs: FaultRuns, reserve: GasReserve) -> FaultCard:
    """The card of a group whose every fault was breathed; a lane whose two runs never settled has no line."""
    by_id = {run.fault.id: run for run in runs.runs}
    lines = []
    base = runs.baseline.breath
    compliance = runs.group.build.network.compliance_ml_per_cmh2o

    def shown_ml(breath: Breath) -> float:
        volumes = displayed_volume_ml(breath.exhaled_ml, breath.ventilator_peak_cmh2o, runs.settings, compliance)
        return float(np.round(volumes[0], 6))

    for lane in range(len(runs.group.patients)):
        blocked = by_id[f"tube-blocked.{LANES[lane]}"].outcome
        closed = by_id[f"kink-100.inspiratory.{LANES[lane]}"].outcome
        if blocked is None or closed is None:
            continue
        others = tuple(
            Other(
                other,
                float(base.tidal_volume_ml[0, other]),
                float(closed.breath.tidal_volume_ml[0, other]),
                float(base.plateau_cmh2o[0, other]),
                float(closed.breath.plateau_cmh2o[0, other]),
            )
            for other in range(len(runs.group.patients))
            if other != lane
        )
        lines.append(
            CardLine(
                lane,
                shown_ml(base),
                shown_ml(blocked.breath),
                reserve.seconds_without_ventilation(lane, "blocked"),
                reserve.seconds_without_ventilation(lane, "room air"),
                others,
            )
        )
    return FaultCard(runs.settings.mode, tuple(lines))
