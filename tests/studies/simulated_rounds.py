"""Running groups that are made up to be watched: true lungs, true changes, sensors and eyes that err.

Nothing of the tool's likelihood is in here. The breaths are the engine's, on lungs drawn by themselves: a third of the
patients have a slow second compartment or a sigmoid curve, which the tool does not know. Sizes of changes are continuous
and evenly spread, resistance rises half of the time by a narrow tube, gas follows two stores of CO2 integrated here, and
every breath read scatters by itself. Readings with all others clamped come from a circuit in which they are clamped.

Scatter as stated: 5.6 % of each patient's volume from breath to breath (Levin 2020, 10.1097/ALN.0000000000003473), six
breaths a reading; volume sensors ±15 %, pressures ±(2 cmH2O + 4 %) for 95 % of machines (common claims, from memory). The
rest is judgement: 3 % of wandering between rounds, end-tidal CO2 ±1.5 mmHg and 4 % of wandering, SpO2 ±1.2 points, one
answer in fifty wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from airyoke.breath.engine import FINE, Breath, LungMechanics, Sigmoid, SlowCompartment, pack, settle
from airyoke.breath.settings import Settings
from airyoke.circuit.network import BLOCKED, Element, FlowNetwork
from airyoke.faults import changes, openings
from airyoke.lungs.patient import Patient
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.watch.watch_readings import WatchReading

BREATHS = 6
CAUSES = (
    ("stiffer", 3.0), ("softer", 1.5), ("resistance-up", 3.0), ("resistance-down", 1.0), ("leak", 1.5),
    ("tube-off", 0.7), ("blocked", 1.5), ("valve-failed", 0.5), ("effort", 2.0), ("shared-filter", 1.0),
    ("settings", 1.5), ("circuit-open", 0.3), ("monitors-crossed", 0.5),
)  # fmt: skip
SHARED = ("shared-filter", "settings", "circuit-open")


def bounded(settings: Settings) -> Settings:
    """What every machine has."""
    return replace(settings, max_peak_flow_l_per_min=120.0, pressure_limit_cmh2o=60.0)


@dataclass
class Truth:
    """One group as it really is, before or after the change."""

    network: FlowNetwork
    settings: Settings
    compliance: np.ndarray
    resistance_in: np.ndarray
    resistance_out: np.ndarray
    span: np.ndarray  # of the sigmoid, nan where the lung has none
    centre: np.ndarray
    width: np.ndarray
    slow: np.ndarray  # compliance of the second compartment, nan where none
    slow_resistance: np.ndarray


@dataclass
class Case:
    """A group, what changed in it and when (minutes), and everything that its readings are made of."""

    cause: str
    lanes: tuple[int, ...]
    began: float
    before: Truth
    after: Truth
    size: float  # 0 to 1, of what has no breath: efforts, rebreathing, answers
    seed: int
    felt: bool = True  # moves what somebody gets by as much as the team acts on

    @property
    def id(self) -> str:
        letters = "".join("ABCD"[lane] for lane in self.lanes)
        return f"{self.cause}.{letters}" if letters else self.cause


def true_group(patients: tuple[Patient, ...], network: FlowNetwork, settings: Settings, rng: np.random.Generator) -> Truth:
    """True lungs about the estimates, on a circuit about its data."""
    n = len(patients)

    def of(name: str, sd: float) -> np.ndarray:
        return np.array([getattr(p.lungs, name).value for p in patients]) * np.exp(sd * rng.standard_normal(n))

    compliance = of("compliance", 0.10)
    span, centre, width, slow, slow_r = (np.full(n, np.nan) for _ in range(5))
    for lane in range(n):
        kind = rng.random()
        if kind < 1 / 6:
            middle = settings.peep_cmh2o + 0.5 * (settings.pressure_above_peep_cmh2o or 12.0)
            width[lane] = rng.uniform(7.0, 12.0)
            centre[lane] = middle + rng.uniform(-3.0, 3.0)
            span[lane] = 4.0 * width[lane] * compliance[lane]
        elif kind < 1 / 3:
            slow[lane] = 0.35 * compliance[lane]
            compliance[lane] *= 0.65
            slow_r[lane] = rng.uniform(20.0, 60.0)
    return Truth(
        network.scaled(float(np.exp(0.15 * rng.standard_normal())), float(np.exp(0.1 * rng.standard_normal()))),
        bounded(settings), compliance, of("inspiratory_resistance", 0.12), of("expiratory_resistance", 0.12),
        span, centre, width, slow, slow_r,
    )  # fmt: skip


def changed_group(before: Truth, cause: str, lanes: tuple[int, ...], rng: np.random.Generator) -> Truth:
    """The same group with the change, of a size between what is hardly felt and what is felt at once."""
    u = rng.random()
    lane = lanes[0] if lanes else 0
    network = before.network

    def compliance(factor: float) -> Truth:
        new = replace(before, compliance=before.compliance.copy(), span=before.span.copy(), slow=before.slow.copy())
        for values in (new.compliance, new.span, new.slow):
            values[lane] *= factor
        return new

    def resistance(factor: float) -> Truth:
        new = replace(before, resistance_in=before.resistance_in.copy(), resistance_out=before.resistance_out.copy())
        new.resistance_in[lane] *= factor
        new.resistance_out[lane] *= factor
        return new

    match cause:
        case "stiffer":
            return compliance(0.40 + 0.38 * u)
        case "softer":
            return compliance(1.25 + 0.5 * u)
        case "resistance-up" if rng.random() < 0.5:
            return replace(before, network=changes.narrowed(network, lane, "patient", 0.50 + 0.22 * u))
        case "resistance-up":
            return resistance(1.8 + 3.2 * u)
        case "resistance-down":
            return resistance(0.38 + 0.24 * u)
        case "leak":
            return replace(before, network=openings.cuff_leak(network, lane, 1.7 + 3.0 * u))
        case "tube-off":
            return replace(before, network=openings.tube_off(network, lane))
        case "blocked":
            way = ("patient", "inspiratory", "expiratory")[rng.integers(3)]
            return replace(before, network=changes.shut(network, lane, way))
        case "valve-failed":
            side = ("inspiratory", "expiratory")[rng.integers(2)]
            return replace(before, network=changes.valve_missing(network, lane, side))
        case "shared-filter":
            return replace(before, network=replace(network, expiratory_trunk=network.expiratory_trunk.in_series_with(Element(5.0 + 28.0 * u, 3.0 * u))))
        case "settings":
            return replace(before, settings=_dialled(before.settings, u, int(rng.integers(7))))
        case "circuit-open":
            return replace(before, network=openings.trunk_off(network, ("inspiratory", "expiratory")[rng.integers(2)]))
        case "effort" if rng.random() < 0.7:
            return replace(before, settings=replace(before.settings, rate_per_min=before.settings.rate_per_min + 1.5 + 8.0 * u))
        case _:
            return before


def _dialled(s: Settings, u: float, which: int) -> Settings:
    drive = s.pressure_above_peep_cmh2o or 0.0
    step = 2 + round(3 * u)
    return (
        replace(s, pressure_above_peep_cmh2o=drive + step), replace(s, pressure_above_peep_cmh2o=drive - step),
        replace(s, peep_cmh2o=s.peep_cmh2o + step), replace(s, peep_cmh2o=s.peep_cmh2o - step),
        replace(s, rate_per_min=round(s.rate_per_min * (1.2 + 0.2 * u))),
        replace(s, rate_per_min=round(s.rate_per_min * (0.8 - 0.25 * u))),
        replace(s, fio2=1.0 if u < 0.5 else 0.21),
    )[which]  # fmt: skip


def breathe(truths: list[Truth]) -> Breath:
    """The engine's breath of each."""
    def stacked(name: str) -> np.ndarray:
        return np.stack([getattr(one, name) for one in truths])

    lungs = LungMechanics(
        stacked("compliance"), stacked("resistance_in"), stacked("resistance_out"), np.zeros_like(stacked("compliance")),
        sigmoid=Sigmoid(stacked("span"), stacked("centre"), stacked("width")),
        slow=SlowCompartment(stacked("slow"), stacked("slow_resistance")),
    )  # fmt: skip
    return settle(
        pack([one.network for one in truths]), [one.settings for one in truths], lungs, network_of=np.arange(len(truths)),
        settings_of=np.arange(len(truths)), accuracy=FINE,
    )  # fmt: skip


def clamped_all_but(truth: Truth, lane: int) -> Truth:
    """Everybody else's tube is clamped."""
    network = truth.network
    for other in range(len(network.limbs)):
        if other != lane:
            network = changes.with_limb(network, other, patient=BLOCKED)
    return replace(truth, network=network)


@dataclass
class Shown:
    """What is true of one breath: row 0 all together, row 1 + lane that one alone."""

    displayed_ml: float
    delivered_ml: float
    peak: float
    peep: float
    rate: float
    fio2: float
    volumes_ml: np.ndarray
    alone_ml: np.ndarray
    alone_lung_ml: np.ndarray
    plateau: np.ndarray
    total_peep: np.ndarray
    alone_settled: np.ndarray
    settled: bool


def shown(truths: list[Truth]) -> list[Shown]:
    """Of many groups at once, each together and each patient alone."""
    n = truths[0].compliance.size
    every = [version for one in truths for version in (one, *(clamped_all_but(one, lane) for lane in range(n)))]
    breath = breathe(every)
    found = []
    for i, one in enumerate(truths):
        row = i * (n + 1)
        alone = [row + 1 + lane for lane in range(n)]
        found.append(
            Shown(
                float(breath.exhaled_ml[row]), float(breath.delivered_ml[row]), float(breath.ventilator_peak_cmh2o[row]),
                float(breath.end[row, 1]), one.settings.rate_per_min, one.settings.fio2, breath.tidal_volume_ml[row],
                breath.exhaled_ml[alone], np.array([breath.tidal_volume_ml[r, lane] for lane, r in enumerate(alone)]),
                np.array([breath.plateau_cmh2o[r, lane] for lane, r in enumerate(alone)]),
                np.array([breath.total_peep_cmh2o[r, lane] for lane, r in enumerate(alone)]), breath.settled[alone],
                bool(breath.settled[row]),
            )
        )
    return found


class Bedside:
    """Who reads one case: sensors with errors that last, and scatter that does not."""

    def __init__(self, case: Case, patients: tuple[Patient, ...], apparatus_ml: np.ndarray, before: Shown, after: Shown, scatter: float = 1.0):
        self.scatter = scatter  # times as much as stated, from reading to reading
        self.case, self.before, self.after = case, before, after
        self.rng = rng = np.random.default_rng([case.seed, 77])
        n = self.n = len(patients)
        self.gain_out, self.gain_in = 1.0 + 0.15 / 1.96 * rng.standard_normal(2)
        self.pressure = 1.0 + 0.04 / 1.96 * rng.standard_normal(), 2.0 / 1.96 * rng.standard_normal()
        weight = np.array([predicted_body_weight_kg(p.sex, p.height_cm) for p in patients])
        dead = 2.2 * weight * np.exp(0.15 * rng.standard_normal(n)) + apparatus_ml
        self.dead_ml = np.minimum(dead, 0.62 * before.volumes_ml)  # nobody is settled on less
        self.paco2 = np.clip(rng.normal(45.0, 6.0, n), 32.0, 60.0)
        self.vco2 = 3.0 * weight * np.exp(0.1 * rng.standard_normal(n))
        self.fast = 0.65 * weight * np.exp(0.2 * rng.standard_normal(n))
        self.slow = 0.85 * weight * np.exp(0.2 * rng.standard_normal(n))
        self.endtidal = np.clip(rng.normal(0.85, 0.08, n), 0.6, 1.0)
        self.spo2 = np.minimum(rng.normal(95.0, 1.5, n), 99.0)
        self.offset = rng.normal(0.0, 1.5, n)
        self.spare_min, self.fall_per_min = rng.uniform(0.7, 3.0, n), rng.uniform(6.0, 25.0, n)
        self.added_shunt_pct = rng.uniform(0.0, 8.0)
        self.curve_at = rng.uniform(0.75, 1.1, n)

    def _noise(self, size: int | None = None) -> np.ndarray:
        return self.scatter * self.rng.standard_normal(size)

    def read(self, minutes: float, keys: list[tuple[str, int | None]]) -> tuple[WatchReading, ...]:
        """These readings at that time; one that the monitor does not give is left out."""
        truth = self.after if minutes >= self.case.began else self.before
        wander = 1.0 + 0.03 * self._noise(self.n)
        self.metabolism = 1.0 + 0.04 * self._noise(self.n)
        found = []
        for key, lane in keys:
            value = self._group(key, truth, wander) if lane is None else self._patient(key, lane, minutes, truth, wander)
            if value is not None:
                found.append(WatchReading(key, float(value), lane))
        return tuple(found)

    def _group(self, key: str, truth: Shown, wander: np.ndarray) -> float:
        rng = self.rng
        if key == "displayed_tidal_volume_ml":
            return self._volume(truth.displayed_ml, truth.volumes_ml, wander)
        if key == "peak_pressure_cmh2o":
            return self._pressure(truth.peak * (1.0 + 0.021 * self._noise(BREATHS).mean()))
        if key == "peep_cmh2o":
            return self._pressure(truth.peep + 0.3 * self._noise(BREATHS).mean())
        if key == "rate_per_min":
            return round(truth.rate + self._noise(BREATHS).mean())
        if key == "leak_pct":
            out, into = self.gain_out * truth.displayed_ml, self.gain_in * truth.delivered_ml
            noise = 1.0 + 0.01 * self._noise(2) / np.sqrt(BREATHS)
            # A machine that measures both sets them against each other while nothing leaks.
            return round(min(max(100.0 * (1.0 - out * self.gain_in / self.gain_out * noise[0] / (into * noise[1])), 0.0), 100.0))
        if key == "dials_as_planned":
            yes = truth is self.before or self.case.cause != "settings" or rng.random() < 0.1
            return float(yes != (rng.random() < 0.02))
        return min(round(truth.fio2 + 0.01 * self._noise(), 2), 1.0)

    def _volume(self, mean_ml: float, parts_ml: np.ndarray, wander: np.ndarray) -> float:
        breaths = mean_ml + (parts_ml * (wander * (1.0 + 0.056 * self._noise((BREATHS, parts_ml.size))) - 1.0)).sum(axis=1)
        read = self.gain_out * breaths * (1.0 + 0.01 * self._noise(BREATHS))
        return 5.0 * round(max(read.mean(), 0.0) / 5.0)

    def _pressure(self, value: float) -> float:
        gain, offset = self.pressure
        return max(round(gain * value + offset), 0.0)

    def _patient(self, key: str, lane: int, minutes: float, truth: Shown, wander: np.ndarray) -> float | None:
        rng, case = self.rng, self.case
        changed = minutes >= case.began
        if key in ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o"):
            if not truth.alone_settled[lane]:
                return None
            if key == "tidal_volume_ml":
                # What the circuit itself swallows is taken off as it was at the start.
                swallowed = self.before.alone_ml[lane] - self.before.alone_lung_ml[lane]
                own = max(truth.alone_ml[lane] - swallowed, 0.0)
                return self._volume(own, np.array([own]), wander[lane : lane + 1])
            value = truth.plateau[lane] if key == "plateau_cmh2o" else truth.total_peep[lane]
            return self._pressure(value + 0.5 * self._noise())
        if key == "chest_rises":
            ratio = truth.volumes_ml[lane] / max(self.before.volumes_ml[lane], 1.0)
            yes = ratio > rng.uniform(0.15, 0.5)
            return float(yes != (rng.random() < 0.02))
        if key == "effort_seen":
            yes = changed and case.cause == "effort" and lane in case.lanes and rng.random() < 0.8
            return float(yes != (rng.random() < 0.02))
        if key == "joints_tight":
            mine = changed and lane in case.lanes
            off = mine and case.cause == "tube-off" and rng.random() < 0.97
            hiss = mine and case.cause == "leak" and rng.random() < 0.5
            return float((not off and not hiss) != (rng.random() < 0.02))
        crossed = changed and case.cause == "monitors-crossed" and lane in case.lanes
        if key == "own_curve_answers":
            return float((not crossed) != (rng.random() < 0.02))
        if crossed:
            lane = case.lanes[0] if lane == case.lanes[1] else case.lanes[1]
        curve = truth.volumes_ml[lane] > self.curve_at[lane] * self.dead_ml[lane]
        if key == "co2_curve":
            return float(curve != (rng.random() < 0.02))
        left = self._left(lane, truth)
        paco2 = self._paco2(lane, left, minutes - case.began) if changed else self.paco2[lane]
        if key == "etco2_mmhg":
            if not curve:
                return None
            return round(max(self.endtidal[lane] * paco2 * self.metabolism[lane] + 1.5 * self._noise(), 0.0))
        if key == "inspired_co2_mmhg":
            back = (0.03 + 0.22 * case.size) * paco2 if changed and case.cause == "valve-failed" and lane in case.lanes else 0.0
            return round(max(back + 0.7 * self._noise(), 0.0)) if curve else None
        return self._spo2(lane, left, paco2, truth, minutes - case.began if changed else 0.0)

    def _left(self, lane: int, truth: Shown) -> float:
        usual = (self.before.volumes_ml[lane] - self.dead_ml[lane]) * self.before.rate
        return max((truth.volumes_ml[lane] - self.dead_ml[lane]) * truth.rate, 0.0) / usual

    def _paco2(self, lane: int, left: float, minutes: float) -> float:
        """Two stores, steps of three seconds."""
        fast = slow = self.paco2[lane]
        for _ in range(int(minutes / 0.05)):
            out = self.vco2[lane] * left * fast / self.paco2[lane]
            between = self.slow[lane] / 8.0 * (fast - slow)
            fast += 0.05 * (self.vco2[lane] - out - between) / self.fast[lane]
            slow += 0.05 * between / self.slow[lane]
        return min(fast, 200.0)

    def _spo2(self, lane: int, left: float, paco2: float, truth: Shown, minutes: float) -> float:
        case = self.case
        value = self.spo2[lane] - 0.05 * max(paco2 - self.paco2[lane], 0.0)
        if left < 0.05 and minutes > 0.0:
            value -= self.fall_per_min[lane] * max(minutes - self.spare_min[lane], 0.0)
        if minutes > 0.0 and case.cause == "stiffer" and lane in case.lanes:
            value -= self.added_shunt_pct
        if truth.fio2 != self.before.fio2:
            value += 3.0 if truth.fio2 > self.before.fio2 else -8.0
        return round(min(max(value + self.offset[lane] + 1.2 * self._noise(), 40.0), 100.0))
