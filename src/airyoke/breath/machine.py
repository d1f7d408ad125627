"""The machine in a course: which phase each run goes through next, what its sensors and the patients had of a breath.

A mandatory breath begins one period after the last breath did, triggered ones included. A breath whose pressure passes
the high limit turns to expiration at once. Between calls of the compiled core everything is arrays over runs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from airyoke.breath import advance as c
from airyoke.breath import events as e
from airyoke.breath import layout as k
from airyoke.breath.loading import NEVER
from airyoke.breath.mechanics import Floats, Integers

MIN_EXPIRATION_S = 0.2  # a machine does not listen for an effort before (common practice, no source)
INSTANT_S = 1e-9
BREATHING, HOLDING, STOPPED = 0, 1, 2
# A change from one breath to the next is measured by the largest volume, but not less than this; pressures by that.
LEAST_VOLUME_L, PRESSURE_SCALE_CMH2O = 0.05, 20.0
SLOWEST = 0.98  # the most of a change that is taken to come again with the next breath
RUN_VALUES = (
    "starts", "inspiratory_time", "triggered", "cut_short", "inspired", "exhaled", "leaked", "port_peak", "port_peep",
    "port_plateau", "port_mean", "splitter_peak",
)  # fmt: skip
PATIENT_VALUES = ("volume", "plateau", "total_peep", "peak", "backflow", "patient_leaked")


@dataclass(frozen=True, slots=True)
class Rules:
    """What runs are dialled: one row each of settings and of the machine's bounds; arrays of all there are."""

    phases: Floats  # (settings, MAX_PHASES, PHASE_COLUMNS)
    rows: Floats  # (settings, SETTING_COLUMNS)
    bounds: Floats  # (machines, 3): high pressure limit, pressure below PEEP, missing flow
    circuit: Floats  # (runs,) compliance that the machine compensates for, L/cmH2O


class Bench:
    """All runs of a course as they stand. ``advance`` is the compiled core over given runs."""

    def __init__(
        self, rules: Rules, events: Floats, state: Floats, network: Integers, lungs: Integers, settings: Integers,
        machine: Integers, scale: Floats, patients: int, duration_s: float, refill: Callable[..., None],
        repeat: float | None,
    ) -> None:  # fmt: skip
        runs = len(state)
        self.rules, self.events, self.patients, self.duration_s = rules, events, patients, duration_s
        self.refill, self.repeat = refill, repeat
        self.state, self.network, self.lungs = state.copy(), network.copy(), lungs.copy()
        self.settings, self.machine = settings.copy(), machine.copy()
        self.next_settings, self.next_machine = settings.copy(), machine.copy()
        self.scale = scale.copy()
        self.now, self.began, self.turned = np.zeros(runs), np.zeros(runs), np.zeros(runs)
        self.phase, self.offset = np.zeros(runs, np.int64), np.zeros(runs)
        self.mode = np.zeros(runs, np.int64)
        self.first_step = np.zeros((runs, k.MAX_PHASES))  # of each phase when it last began; 0 = not known
        self.holding, self.hold_in, self.hold_out = np.zeros(runs), np.zeros(runs), np.zeros(runs)
        self.failed = np.zeros(runs, bool)
        self.repeats, self.changed = np.zeros(runs, bool), np.full(runs, np.inf)
        self.steps = np.zeros(runs, np.int64)
        self.effort = np.zeros((runs, patients, 3))
        self.effort[:, :, c.E_TIME] = 1.0
        self.recoil = np.zeros((runs, patients))
        self.next_event = np.searchsorted(events[:, e.RUN], np.arange(runs))
        self.last_event = np.searchsorted(events[:, e.RUN], np.arange(runs), side="right")
        self.count = np.zeros(runs, np.int64)
        self.open = np.zeros(runs, bool)
        self.sums = {name: np.zeros(runs) for name in (*RUN_VALUES, "entered_out")}
        self.own = {name: np.zeros((runs, patients)) for name in PATIENT_VALUES}
        self.kept = {name: np.full((runs, 4), np.nan) for name in RUN_VALUES}
        self.kept |= {name: np.full((runs, 4, patients), np.nan) for name in PATIENT_VALUES}
        self.begin(np.arange(runs), np.zeros(runs, bool))

    def begin(self, who: Integers, triggered: Floats | np.ndarray) -> None:
        """Close the breath that is open in these runs and begin the next."""
        self.close(who[self.open[who]])
        self.settings[who], self.machine[who] = self.next_settings[who], self.next_machine[who]
        self.began[who], self.phase[who], self.offset[who], self.mode[who] = self.now[who], 0, 0.0, BREATHING
        for values in (*self.sums.values(), *self.own.values()):
            values[who] = 0.0
        self.sums["starts"][who], self.sums["triggered"][who] = self.now[who], triggered
        for name in ("port_peak", "splitter_peak"):
            self.sums[name][who] = -NEVER
        self.own["peak"][who] = -NEVER
        self.open[who] = True

    def close(self, who: Integers) -> None:
        """Write down the breath that ends now."""
        if not len(who):
            return
        rows = self.rules.rows[self.settings[who]]
        compensates = rows[:, k.COMPENSATES] > 0.0
        rise = np.maximum(self.sums["splitter_peak"][who] - rows[:, k.SET_PEEP], 0.0)
        scale = 1.0 + self.rules.circuit[who] * rise / rows[:, k.SET_VOLUME]
        self.scale[who] = np.where(compensates, scale, 1.0)
        self.sums["port_peep"][who] = self.state[who, 1]
        self.sums["port_mean"][who] /= np.maximum(self.now[who] - self.began[who], INSTANT_S)
        number = self.count[who]
        if number.max() >= self.kept["starts"].shape[1]:
            self.kept = {name: np.concatenate([v, np.full_like(v, np.nan)], axis=1) for name, v in self.kept.items()}
        for name, values in (*self.sums.items(), *self.own.items()):
            if name in self.kept:
                self.kept[name][who, number] = values[who]
        self.count[who] += 1
        self.open[who] = False
        if self.repeat is not None:
            self._compare(who[number > 0], self.repeat)

    def _compare(self, who: Integers, repeat: float) -> None:
        """Find the runs whose last breath was the one before, and will be the next: nothing is to come, and neither the
        change nor what would follow at the pace of the last two is more than the part ``repeat``."""
        number = self.count[who] - 1
        largest = np.maximum(self.kept["volume"][who, number].max(axis=1), LEAST_VOLUME_L)
        scales = {"volume": largest[:, None], "plateau": PRESSURE_SCALE_CMH2O, "total_peep": PRESSURE_SCALE_CMH2O}
        changes = [np.abs(self.kept[n][who, number] - self.kept[n][who, number - 1]) / by for n, by in scales.items()]
        change = np.max(changes, axis=(0, 2))
        pace = np.minimum(change / np.maximum(self.changed[who], INSTANT_S), SLOWEST)
        self.changed[who] = change
        over = self.next_event[who] >= self.last_event[who]
        self.repeats[who] = over & (change <= repeat) & (change * pace <= repeat * (1.0 - pace))

    def due(self) -> Floats:
        """When the next event of each run is."""
        there = self.next_event < self.last_event
        index = np.minimum(self.next_event, max(len(self.events) - 1, 0))
        return np.where(there, self.events[index, e.TIME], np.inf) if len(self.events) else np.full(len(there), np.inf)

    def apply_events(self) -> None:
        """Everything that is due by now, in order."""
        while True:
            who = np.flatnonzero((self.due() <= self.now + INSTANT_S) & ~self.failed)
            if not len(who):
                return
            rows = self.events[self.next_event[who]]
            self.next_event[who] += 1
            number = rows[:, e.FIRST].astype(np.int64)
            for kind in np.unique(rows[:, e.KIND]).astype(int):
                at = rows[:, e.KIND] == kind
                self._apply(kind, who[at], rows[at], number[at])

    def _apply(self, kind: int, who: Integers, rows: Floats, number: Integers) -> None:
        if kind == e.NETWORK:
            self.network[who] = number
        elif kind == e.LUNGS:
            before = self.lungs[who].copy()
            self.lungs[who] = number
            self.refill(self.state, who, before, number)
        elif kind == e.SETTINGS:
            self.next_settings[who] = number
            stopped = who[self.mode[who] == STOPPED]
            self.begin(stopped, np.zeros(len(stopped), bool))
        elif kind == e.MACHINE:
            self.next_machine[who] = number
        elif kind == e.STOP:
            self.close(who[self.open[who] & (self.phase[who] >= self._inspiration(who))])
            self.open[who] = False
            self.mode[who] = STOPPED
        elif kind == e.HOLD_IN:
            self.hold_in[who] = rows[:, e.FIRST]
        elif kind == e.HOLD_OUT:
            self.hold_out[who] = rows[:, e.FIRST]
        elif kind == e.EFFORT:
            self.effort[who, number, c.E_AMPLITUDE] = rows[:, e.SECOND]
            self.effort[who, number, c.E_AT] = rows[:, e.TIME]
            self.effort[who, number, c.E_TIME] = rows[:, e.THIRD]
        else:
            self.effort[who, number, c.E_AMPLITUDE] = 0.0

    def _inspiration(self, who: Integers) -> Integers:
        """How many phases of the breath are inspiration."""
        return np.asarray(self.rules.rows[self.settings[who], k.PHASES_IN_INSPIRATION], np.int64)

    def _left(self, who: Integers) -> Floats:
        """How long the present phase lasts from now."""
        plan = self.rules.phases[self.settings[who], self.phase[who], k.DURATION]
        rows = self.rules.rows[self.settings[who]]
        inspiration = self._inspiration(who)
        after = np.minimum(inspiration + 1, k.MAX_PHASES - 1)
        pause = self.rules.phases[self.settings[who], after, k.DURATION]  # 0 where there is none
        out = self.began[who] + rows[:, k.PERIOD] - pause - self.now[who]
        left = np.where(self.phase[who] == inspiration, out, plan - self.offset[who])
        left = np.where(self.mode[who] == HOLDING, self.holding[who], left)
        return np.where(self.mode[who] == STOPPED, np.inf, left)

    def phases(self, who: Integers) -> tuple[Floats, Floats]:
        """The next call's phases of these runs and how long the machine's own phase lasts."""
        plan = self.rules.phases[self.settings[who], self.phase[who]]
        rows = self.rules.rows[self.settings[who]]
        left = self._left(who)
        length = np.minimum(np.minimum(left, self.due()[who] - self.now[who]), self.duration_s - self.now[who])
        length = np.maximum(length, INSTANT_S)
        table = np.zeros((len(who), c.COURSE_COLUMNS))
        table[:, : k.PHASE_COLUMNS] = plan
        table[:, k.DURATION] = length
        for first, last in ((k.PRESSURE_0, k.PRESSURE_1), (k.FLOW_0, k.FLOW_1)):
            rate = (plan[:, last] - plan[:, first]) / np.maximum(plan[:, k.DURATION], INSTANT_S)
            table[:, first] = plan[:, first] + rate * self.offset[who]
            table[:, last] = table[:, first] + rate * length
        mode = self.mode[who]
        still = mode != BREATHING
        table[still, k.PRESSURE_0 : k.IS_SET_VOLUME + 1] = 0.0
        table[mode == STOPPED, k.EXPIRATORY_OPEN] = 1.0
        table[:, c.C_PEEP] = np.where(mode == STOPPED, 0.0, rows[:, k.SET_PEEP])
        table[:, c.C_FLOW_LIMIT] = rows[:, k.MAX_FLOW]
        table[:, c.C_SCALE] = self.scale[who]
        inspiration = self._inspiration(who)
        bounds = self.rules.bounds[self.machine[who]]
        table[:, c.C_HIGHEST] = np.where((self.phase[who] < inspiration) & ~still, bounds[:, 0], NEVER)
        out = (self.phase[who] == inspiration) & ~still
        table[:, c.C_LOWEST] = np.where(out, rows[:, k.SET_PEEP] - bounds[:, 1], -NEVER)
        table[:, c.C_MISSING] = np.where(out, bounds[:, 2], NEVER)
        table[:, c.C_ARMED_FROM] = np.maximum(self.turned[who] + MIN_EXPIRATION_S - self.now[who], 0.0)
        table[:, c.C_STARTS] = self.now[who]
        table[:, c.C_FIRST_STEP] = np.where(self._at_beginning(who), self.first_step[who, self.phase[who]], 0.0)
        return table, left

    def _at_beginning(self, who: Integers) -> np.ndarray:
        """Which runs are where a phase of a breath begins."""
        return np.asarray((self.offset[who] == 0.0) & (self.mode[who] == BREATHING))

    def account(self, who: Integers, before: Floats, results: Floats, left: Floats) -> None:
        """Add a call's flows to the breath, then go on: to the next phase, breath or hold."""
        result, state, n = results[who], self.state[who], self.patients
        passed = result[:, c.R_EVENT] == 4.0
        self.steps[who] += result[:, c.R_STEPS].astype(np.int64)
        broken = ~passed & (result[:, c.R_EVENT] != 1.0)
        self.failed[who[broken]] = True
        inside = (self.phase[who] < self._inspiration(who)) & (self.mode[who] != STOPPED)
        began = self._at_beginning(who)
        self.first_step[who[began], self.phase[who[began]]] = result[began, c.R_FIRST_STEP]
        self.offset[who] += result[:, c.R_ELAPSED]
        self.holding[who] -= result[:, c.R_ELAPSED]
        self.now[who] += result[:, c.R_ELAPSED]
        entered, gone = state[:, k.METER_IN], state[:, k.METER_OUT]
        self.sums["inspired"][who] += np.where(inside, entered, 0.0)
        self.sums["exhaled"][who] += gone - np.where(inside, 0.0, entered)
        own = state[:, k.METER_PATIENT : k.METER_PATIENT + n]
        self.own["patient_leaked"][who] += own
        self.sums["leaked"][who] += state[:, k.METER_JUNCTIONS] + own.sum(axis=1)
        self.sums["port_mean"][who] += result[:, c.R_PORT_SUM]
        for name, column in (("port_peak", c.R_PORT_PEAK), ("splitter_peak", c.R_SPLITTER_PEAK)):
            self.sums[name][who] = np.maximum(self.sums[name][who], result[:, column])
        self.own["peak"][who] = np.maximum(self.own["peak"][who], result[:, c.R_PEAK : c.R_PEAK + n])
        self.own["backflow"][who] += result[:, c.R_BACKFLOW : c.R_BACKFLOW + n]
        alveolar = result[:, c.R_ALVEOLAR : c.R_ALVEOLAR + n]
        self.own["total_peep"][who] = alveolar
        volumes = state[:, 3 : 3 + 2 * n : 2] + state[:, k.SLOW : k.SLOW + n]
        volumes -= before[:, 3 : 3 + 2 * n : 2] + before[:, k.SLOW : k.SLOW + n]
        self.own["volume"][who] -= np.where(inside[:, None], 0.0, volumes)
        at = who[inside]
        self.own["plateau"][at] = alveolar[inside]
        self.sums["port_plateau"][at] = result[inside, c.R_PORT]
        self.sums["inspiratory_time"][at] = self.now[at] - self.began[at]
        ended = (left - result[:, c.R_ELAPSED] <= INSTANT_S) & ~passed & ~broken
        self._go_on(who[ended], who[passed & inside], who[passed & ~inside])

    def _go_on(self, ended: Integers, cut: Integers, triggered: Integers) -> None:
        self.sums["cut_short"][cut] = 1.0
        self._turn(cut)
        self.begin(triggered, np.ones(len(triggered), bool))
        was_hold = self.mode[ended] == HOLDING
        self.began[ended[was_hold]] += self.offset[ended[was_hold]]
        self.mode[ended[was_hold]] = BREATHING
        number, inspiration = self.phase[ended], self._inspiration(ended)
        phases = self.rules.rows[self.settings[ended], k.PHASES].astype(np.int64)
        at_top, at_end = number == inspiration - 1, number == phases - 1
        for at, waiting in ((at_top, self.hold_in), (at_end, self.hold_out)):
            hold = ended[at & ~was_hold & (waiting[ended] > 0.0)]
            self.mode[hold], self.holding[hold], self.offset[hold] = HOLDING, waiting[hold], 0.0
            waiting[hold] = 0.0
        on = self.mode[ended] != HOLDING
        self._turn(ended[on & at_top])
        plain = ended[on & ~at_top & ~at_end]
        self.phase[plain] += 1
        self.offset[plain] = 0.0
        last = ended[on & at_end]
        self.begin(last, np.zeros(len(last), bool))

    def _turn(self, who: Integers) -> None:
        """From inspiration to expiration."""
        self.phase[who], self.offset[who], self.turned[who] = self._inspiration(who), 0.0, self.now[who]
