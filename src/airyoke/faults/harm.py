"""Who is hurt by a fault, by what, and how soon.

A patient is hurt where a hard bound is broken that holds without the fault, or broken further; where next to nothing
gets past the dead space; where PEEP is lost; where gas comes back out of a branch. How bad and how soon is put in the
words of IEC 60601-1-8 (from memory): result if nobody acts x onset. Every threshold here is a judgement.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from airyoke.faults.fault import Fault, Onset, Reasoned, Result
from airyoke.faults.gas_reserve import GasReserve, Seconds
from airyoke.faults.runs import FaultRun, FaultRuns
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import GroupOutcome
from airyoke.limits.table import Limit

Floats = NDArray[np.float64]
Priority = Literal["high", "medium", "low"]
Kind = Literal[
    "no-ventilation", "little-ventilation", "low-oxygen", "overdistension", "trapping", "peep-lost", "backflow"
]

LEAST_PROBABILITY: Final = 0.10  # a harm in fewer draws than this is not told
MOSTLY: Final = 0.5  # no ventilation in this part of the draws is named as that, in fewer as too little
NEXT_TO_NOTHING: Final = 0.10  # of the alveolar ventilation before
WORSE: Final = 0.25  # of a limit's scale: less is no worsening
BACKFLOW_ML: Final = 5.0
HIGHEST_VOLUME_ML_PER_KG: Final = 12.0
HIGHEST_PLATEAU_CMH2O: Final = 40.0
MUCH_TRAPPED_CMH2O: Final = 10.0
LOWEST_PH: Final = 7.0
IMMEDIATE_S: Final = 30.0  # no time for a hand on the bag
PROMPT_S: Final = 600.0

_PRIORITY: Final[dict[tuple[Result, Onset], Priority]] = {
    ("life", "immediate"): "high",
    ("life", "prompt"): "high",
    ("life", "delayed"): "medium",
    ("injury", "immediate"): "high",
    ("injury", "prompt"): "medium",
    ("injury", "delayed"): "low",
    ("minor", "immediate"): "medium",
    ("minor", "prompt"): "low",
    ("minor", "delayed"): "low",
}
PRIORITIES: Final[tuple[Priority, ...]] = ("high", "medium", "low")
# Harms that come once blood gases are out of bounds; the others begin with a breath.
GAS_KINDS: Final[tuple[Kind, ...]] = ("no-ventilation", "little-ventilation", "low-oxygen")


@dataclass(frozen=True, slots=True)
class Harm:
    """One patient hurt in one way.

    ``probability`` is the share of draws in which it comes. ``value`` at best estimate against ``bound``, both of
    ``quantity`` (a key of the dictionary). ``seconds`` until it comes: until the gases of the blood are there, or the
    first breath that breaks the bound; ``None`` where that is not computed;
    ``co2_mmhg_per_min`` how fast PaCO2 rises where nothing is ventilated.
    """

    lane: int
    kind: Kind
    probability: float
    quantity: str
    value: float
    bound: float
    result: Result
    onset: Onset
    seconds: Seconds | None = None
    co2_mmhg_per_min: Seconds | None = None

    @property
    def priority(self) -> Priority:
        """How urgent an alarm of it would be."""
        return priority_of(self.result, self.onset)


def priority_of(result: Result, onset: Onset) -> Priority:
    """IEC 60601-1-8, table of result and onset (from memory)."""
    return _PRIORITY[result, onset]


def priority_of_reasoned(reasoned: Reasoned) -> Priority:
    """The same for what was not computed."""
    return priority_of(reasoned.result, reasoned.onset)


def harms_of(run: FaultRun, runs: FaultRuns, policy: Policy, reserve: GasReserve) -> tuple[Harm, ...]:
    """Every harm of one fault, worst first; nothing for a fault that was not computed."""
    effect = run.fault.effect
    if effect is None:
        return ()
    lanes = range(len(runs.group.patients))
    found: list[Harm] = []
    if effect.stops:
        found = [_not_ventilated(run.fault, lane, 1.0, 0.0, reserve) for lane in lanes]
    elif run.outcome is not None:
        for lane in lanes:
            found += _of_lane(run, run.outcome, runs, policy, reserve, lane)
    return tuple(sorted(found, key=_urgency))


@dataclass(frozen=True, slots=True)
class Already:
    """A hard bound that one patient breaks while nothing is wrong, best estimate."""

    lane: int
    quantity: str
    value: float
    bound: float


def already_outside(runs: FaultRuns, policy: Policy) -> tuple[Already, ...]:
    """What the group breaks by itself: no fault is blamed for it."""
    base = runs.baseline
    found = []
    for limit in policy.limits:
        values = {
            "tidal_volume_ml_per_kg": base.tidal_volume_ml_per_kg,
            "driving_pressure_cmh2o": base.breath.driving_pressure_cmh2o,
            "plateau_cmh2o": base.breath.plateau_cmh2o,
            "ph": base.ph,
            "trapped_peep_cmh2o": base.intrinsic_peep_cmh2o,
            "spo2_pct": base.spo2_pct,
        }.get(limit.name)
        if values is None or limit.hard is None:
            continue
        sign = 1.0 if limit.side == "high" else -1.0
        for lane, value in enumerate(values[0]):
            if sign * (value - limit.hard) > 0.0:
                found.append(Already(lane, limit.name, float(value), limit.hard))
    return tuple(found)


def _urgency(harm: Harm) -> tuple[int, float, float, int]:
    soon = np.inf if harm.seconds is None else harm.seconds.value
    return PRIORITIES.index(harm.priority), soon, -harm.probability, harm.lane


def _of_lane(
    run: FaultRun, outcome: GroupOutcome, runs: FaultRuns, policy: Policy, reserve: GasReserve, lane: int
) -> Iterator[Harm]:
    settled = outcome.breath.settled
    left = reserve.ventilation_left(outcome, lane)
    nothing = left < NEXT_TO_NOTHING
    share = _share(nothing, settled)
    if share >= MOSTLY:
        volume_ml = float(outcome.breath.tidal_volume_ml[0, lane])
        yield _not_ventilated(run.fault, lane, share, volume_ml, reserve, reserve.seconds_until_nothing(run, lane))
    else:
        yield from _gases(run, outcome, runs, policy, reserve, lane, nothing)
    yield from _pressures(run, outcome, runs, policy, lane)
    back = outcome.breath.backflow_ml[:, lane]
    before = runs.baseline.breath.backflow_ml[:, lane]
    share = _share((back > BACKFLOW_ML) & (back > before + BACKFLOW_ML), settled)
    if share >= LEAST_PROBABILITY:
        yield Harm(lane, "backflow", share, "backflow_ml", float(back[0]), BACKFLOW_ML, "injury", "delayed")


def _not_ventilated(
    fault: Fault, lane: int, share: float, volume_ml: float, reserve: GasReserve, from_s: float = 0.0
) -> Harm:
    effect = fault.effect
    own = effect is not None and fault.lane in (None, lane)
    airway = effect.airway if effect is not None and own else "circuit"
    seconds = reserve.seconds_without_ventilation(lane, airway).later(from_s)
    return Harm(
        lane, "no-ventilation", share, "tidal_volume_ml", volume_ml, reserve.dead_space_ml(lane), "life",
        _onset(seconds.value), seconds, reserve.co2_rise_without_ventilation(lane),
    )  # fmt: skip


def _gases(
    run: FaultRun, outcome: GroupOutcome, runs: FaultRuns, policy: Policy, reserve: GasReserve, lane: int,
    nothing: NDArray[np.bool_],
) -> Iterator[Harm]:  # fmt: skip
    settled = outcome.breath.settled
    limit = policy.limit("ph", "low")
    ph, before = outcome.ph[:, lane], runs.baseline.ph[:, lane]
    share = _share(_beyond(limit, ph, before) | nothing, settled)
    if share >= LEAST_PROBABILITY and limit.hard is not None:
        seconds = reserve.seconds_to_ph(run, lane, limit.hard)
        result: Result = "life" if ph[0] < LOWEST_PH else "injury"
        yield Harm(
            lane, "little-ventilation", share, "ph", float(ph[0]), limit.hard, result, _onset(seconds.value), seconds
        )
    limit = policy.limit("spo2_pct", "low")
    spo2, before = outcome.spo2_pct[:, lane], runs.baseline.spo2_pct[:, lane]
    share = _share(_beyond(limit, spo2, before), settled)
    if share >= LEAST_PROBABILITY and limit.hard is not None:
        seconds = reserve.seconds_to_desaturation(run, lane, limit.hard)
        yield Harm(
            lane, "low-oxygen", share, "spo2_pct", float(spo2[0]), limit.hard, "life", _onset(seconds.value), seconds
        )


def _pressures(run: FaultRun, outcome: GroupOutcome, runs: FaultRuns, policy: Policy, lane: int) -> Iterator[Harm]:
    fault = run.fault
    breath, base, settled = outcome.breath, runs.baseline.breath, outcome.breath.settled
    volume, plateau = outcome.tidal_volume_ml_per_kg[:, lane], breath.plateau_cmh2o[:, lane]
    blocked = fault.effect is not None and fault.effect.airway == "blocked" and fault.lane == lane
    unrest = None if fault.effect is None else fault.effect.unrest
    own_muscles = unrest is not None and unrest.effort is not None and unrest.effort.limb == lane
    stretched = [
        ("tidal_volume_ml_per_kg", volume, runs.baseline.tidal_volume_ml_per_kg[:, lane]),
        ("plateau_cmh2o", plateau, base.plateau_cmh2o[:, lane]),
        ("driving_pressure_cmh2o", breath.driving_pressure_cmh2o[:, lane], base.driving_pressure_cmh2o[:, lane]),
    ]
    if own_muscles:
        return  # alveolar pressure is no measure of what the machine does
    worst: Harm | None = None
    if not blocked:
        # What is shut off behind its tube is not stretched by the machine: its pressure stays where it was.
        much = bool(volume[0] > HIGHEST_VOLUME_ML_PER_KG or plateau[0] > HIGHEST_PLATEAU_CMH2O)
        for name, values, before in stretched:
            limit = policy.limit(name, "high")
            share = _share(_beyond(limit, values, before), settled)
            if limit.hard is None or share < LEAST_PROBABILITY:
                continue
            one = Harm(
                lane, "overdistension", share, name, float(values[0]), limit.hard, "life" if much else "injury",
                "prompt" if much else "delayed", _first_breath(run, name, limit, before, runs, lane),
            )  # fmt: skip
            if worst is None or _margin(one, limit) < _margin(worst, policy.limit(worst.quantity, "high")):
                worst = one
    if worst is not None:
        yield worst
    if not blocked:
        yield from _trapping(run, outcome, runs, policy, lane)
    fall = base.total_peep_cmh2o[:, lane] - breath.total_peep_cmh2o[:, lane]
    limit = policy.limit("total_peep_fall_cmh2o", "high")
    if limit.hard is not None and not blocked:
        share = _share(fall > limit.hard, settled)
        if share >= LEAST_PROBABILITY:
            yield Harm(
                lane, "peep-lost", share, "total_peep_fall_cmh2o", float(fall[0]), limit.hard, "injury", "prompt",
                _first_breath(run, limit.name, limit, base.total_peep_cmh2o[:, lane], runs, lane),
            )  # fmt: skip


def _trapping(run: FaultRun, outcome: GroupOutcome, runs: FaultRuns, policy: Policy, lane: int) -> Iterator[Harm]:
    limit = policy.limit("trapped_peep_cmh2o", "high")
    trapped, before = outcome.intrinsic_peep_cmh2o[:, lane], runs.baseline.intrinsic_peep_cmh2o[:, lane]
    share = _share(_beyond(limit, trapped, before), outcome.breath.settled)
    if share >= LEAST_PROBABILITY and limit.hard is not None:
        result: Result = "life" if trapped[0] > MUCH_TRAPPED_CMH2O else "injury"
        yield Harm(
            lane, "trapping", share, "intrinsic_peep_cmh2o", float(trapped[0]), limit.hard, result, "prompt",
            _first_breath(run, limit.name, limit, before, runs, lane),
        )  # fmt: skip


def _first_breath(
    run: FaultRun, name: str, limit: Limit, before: Floats, runs: FaultRuns, lane: int
) -> Seconds | None:
    """When the first breath of the course breaks the bound, over the draws in which one does."""
    way = run.way
    if way is None or limit.hard is None:
        return None
    plateau, peep = way.plateau_cmh2o[:, :, lane], way.total_peep_cmh2o[:, :, lane]
    weight_kg, own_peep = runs.group.body_weight_kg[lane], _own_peep(run, runs, lane)
    values, at_s = {
        "tidal_volume_ml_per_kg": (way.tidal_volume_ml[:, :, lane] / weight_kg, way.filled_s),
        "plateau_cmh2o": (plateau, way.filled_s),
        "driving_pressure_cmh2o": (plateau - peep, way.filled_s),
        "total_peep_fall_cmh2o": (before[:, None] - peep, way.ends_s),
        "trapped_peep_cmh2o": (peep - own_peep, way.ends_s),
    }[name]
    with np.errstate(invalid="ignore"):
        broken = values > limit.hard
    at = way.seconds_until(broken, at_s)
    there = np.isfinite(at)
    if not there.any():
        return None
    middle = float(at[0]) if there[0] else float(np.median(at[there]))
    return Seconds(middle, float(np.percentile(at[there], 5.0)), float(np.percentile(at[there], 95.0)))


def _own_peep(run: FaultRun, runs: FaultRuns, lane: int) -> float:
    """PEEP as set, in the lane's own valve as well: what total PEEP is counted from."""
    return run.settings.peep_cmh2o + runs.group.build.network.limbs[lane].peep_valve_cmh2o


def _margin(harm: Harm, limit: Limit) -> float:
    return (harm.bound - harm.value) / limit.scale


def _beyond(limit: Limit, values: Floats, before: Floats) -> NDArray[np.bool_]:
    """Where the hard bound is broken, and further than without the fault; a value not known breaks none."""
    if limit.hard is None:
        return np.zeros(values.shape, np.bool_)
    sign = 1.0 if limit.side == "high" else -1.0
    with np.errstate(invalid="ignore"):
        return np.asarray((sign * (values - limit.hard) > 0.0) & (sign * (values - before) > WORSE * limit.scale))


def _share(where: NDArray[np.bool_], settled: NDArray[np.bool_]) -> float:
    """Share of the draws that settled; the best estimate alone where there are none."""
    draws, counted = where[1:], settled[1:]
    if not counted.any():
        return float(where[0])
    return float(draws[counted].mean())


def _onset(seconds: float) -> Onset:
    if seconds <= IMMEDIATE_S:
        return "immediate"
    return "prompt" if seconds <= PROMPT_S else "delayed"
