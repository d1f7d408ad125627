"""The compiled core: the settled breath of one ventilator and up to four lungs, for many scenarios at once.

Eight scenarios breathe side by side (``lanes``), each at its own pace (``step``); a lane whose scenario has settled
takes the next one. The settled state is found by Newton's method on the end-expiratory volumes with an approximate
matrix (``memory``), accelerated by Anderson's method of depth one (Anderson: J ACM 1965;12:547).
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math

import numpy as np

from airyoke.breath import layout as at
from airyoke.breath.compiled import compiled, inlined, kept, pasted, without_lock
from airyoke.breath.lanes import LANES
from airyoke.breath.loading import begin_phase, load_resting, stored, workspace
from airyoke.breath.memory import LONGEST, carry_through_phase, forget_all, way_to_go
from airyoke.breath.step import attempt_step
from airyoke.breath.wide import recoil_at

HOLD_S = 3.0
MAX_BREATHS = 80
# By how much the memory may be wrong: before a second breath has shown it, at least, and at most.
FIRST_DOUBT, LEAST_DOUBT, MOST_DOUBT = 0.1, 0.03, 0.2
MOST_DOUBT_WIDE = 0.5  # the memory knows neither openings past a cuff nor slow compartments
FARTHEST = 10.0  # times the bound is the longest way that is taken without breathing it
NEAR = 3.0  # times the bound expected after the next breath: that one is breathed at the final tolerance

# What a lane is doing.
BREATHING, HOLDING_IN, HOLDING_OUT = 0, 1, 2
# Columns of a lane's book.
DOING, SCENARIO, PHASE, BREATH, STEPS, FINE = 0, 1, 2, 3, 4, 5
BOOK_COLUMNS = 6


@compiled
def _begin_breath(w, n, lane, wide):
    w[at.DELIVERED, lane] = 0.0
    w[at.EXHALED, lane] = 0.0
    w[at.PEAK_IN, lane] = w[at.Y, lane]
    for i in range(n):
        w[at.BACKFLOW + i, lane] = 0.0
        w[at.PEAK + i, lane] = w[at.Y + 2 + 2 * i, lane]
    if wide is not None:
        for j in range(at.METER_IN, at.NODES):
            w[at.Y + j, lane] = 0.0
    forget_all(w, n, lane)


@inlined
def _pressure(w, lane, i, volume, wide):
    """Alveolar pressure of a lung at a volume."""
    if wide is not None:
        return recoil_at(w, lane, i, volume)
    return w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane] * volume


@compiled
def _end_inspiration(w, n, lane, wide):
    """Keep the state at the end of inspiration and the flow into each lung there."""
    for j in range(at.NODES):
        w[at.Y_TI + j, lane] = w[at.Y + j, lane]
    for j in range(n * n):
        w[at.MEMORY_TI + j, lane] = w[at.MEMORY + j, lane]
    for i in range(n):
        p = at.PATIENT + at.PATIENT_ROWS * i
        drop = w[at.Y + 2 + 2 * i, lane] - _pressure(w, lane, i, w[at.Y + 3 + 2 * i, lane], wide)
        linear = w[p + at.P_LUNG_R_IN, lane] if drop > 0.0 else w[p + at.P_LUNG_R_OUT, lane]
        root = math.sqrt(linear * linear + w[p + at.P_LUNG_K4, lane] * abs(drop))
        w[at.END_FLOW + i, lane] = 2.0 * drop / (linear + root)


@compiled
def _slow_way_to_go(w, n, lane, setting):
    """Way to go of the slow compartments, each on its own: the fast ones follow their pressures within a breath."""
    for i in range(n):
        x = at.WIDE + at.W_ROWS * i
        stays = math.exp(-setting[at.PERIOD] * w[x + at.W_SLOW_G, lane] * w[x + at.W_SLOW_E, lane])
        went = w[at.Y + at.SLOW + i, lane] - w[at.SLOW_START + i, lane]
        w[at.SLOW_MISS + i, lane] = 0.0 if stays == 1.0 else went / (1.0 - LONGEST * stays)


@compiled
def _judge_breath(w, n, lane, is_first, is_fine, setting, stop, miss, wide):
    """How far the breath was from the settled one. Returns (settled, near)."""
    worst = 0.0
    largest = 1e-3
    for i in range(n):
        largest = max(largest, w[at.Y_TI + 3 + 2 * i, lane] - w[at.Y + 3 + 2 * i, lane])
        worst = max(worst, abs(miss[i]))
        if wide is not None:
            worst = max(worst, abs(w[at.SLOW_MISS + i, lane]))
    # The way still to go is taken before results are written. What is wrong then is the part of it that the memory
    # got wrong, as seen from one breath to the next.
    doubt = FIRST_DOUBT if wide is None else MOST_DOUBT_WIDE
    most = MOST_DOUBT if wide is None else MOST_DOUBT_WIDE
    if not is_first:
        doubt = min(max(worst / (w[at.WORST_BEFORE, lane] + 1e-30), LEAST_DOUBT), most)
    w[at.WORST_BEFORE, lane] = worst
    settled = is_fine and worst * doubt < stop * largest and worst < FARTHEST * stop * largest
    near = worst * doubt * doubt < NEAR * stop * largest
    if setting[at.COMPENSATES] > 0.0:
        circuit = w[at.MASS, lane] + w[at.MASS + 1, lane]
        lungs = 0.0
        for i in range(n):
            circuit += w[at.MASS + 2 + 2 * i, lane]
            lungs += 1.0 / w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane]
        for j in range(2 + 2 * n, at.SLOW):
            circuit += w[at.MASS + j, lane]
        volume = setting[at.SET_VOLUME]
        scale = (volume + circuit * max(w[at.PEAK_IN, lane] - w[at.PEEP, lane], 0.0)) / volume
        # More volume raises the peak again, by about what the compliance of the lungs says.
        change = (scale - w[at.VOLUME_SCALE, lane]) * (1.0 + circuit / lungs)
        settled = settled and abs(change) < stop
        if not settled:
            w[at.VOLUME_SCALE, lane] += change
    return settled, near


@compiled
def _aim_next_breath(w, n, lane, is_first, miss, wide):
    """Start the next breath where this one's memory says that it ends, by Anderson's method from the second on."""
    top = 0.0
    bottom = 0.0
    for i in range(n):
        change = miss[i] - w[at.MISS_BEFORE + i, lane]
        top += change * miss[i]
        bottom += change * change
        if wide is not None:
            change = w[at.SLOW_MISS + i, lane] - w[at.SLOW_MISS_BEFORE + i, lane]
            top += change * w[at.SLOW_MISS + i, lane]
            bottom += change * change
    theta = 0.0 if is_first or bottom < 1e-20 else min(max(top / bottom, -2.0), 0.9)
    for i in range(n):
        aim = w[at.START + i, lane] + miss[i]
        new = aim - theta * (aim - w[at.AIM_BEFORE + i, lane])
        w[at.AIM_BEFORE + i, lane] = aim
        w[at.MISS_BEFORE + i, lane] = miss[i]
        w[at.START + i, lane] = new
        if wide is None:
            elastance = w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane]
            w[at.Y + 2 + 2 * i, lane] += elastance * (new - w[at.Y + 3 + 2 * i, lane])
        else:
            w[at.Y + 2 + 2 * i, lane] += recoil_at(w, lane, i, new) - recoil_at(w, lane, i, w[at.Y + 3 + 2 * i, lane])
            aim = w[at.SLOW_START + i, lane] + w[at.SLOW_MISS + i, lane]
            slow = aim - theta * (aim - w[at.SLOW_AIM_BEFORE + i, lane])
            w[at.SLOW_AIM_BEFORE + i, lane] = aim
            w[at.SLOW_MISS_BEFORE + i, lane] = w[at.SLOW_MISS + i, lane]
            w[at.SLOW_START + i, lane] = slow
            w[at.Y + at.SLOW + i, lane] = slow
        w[at.Y + 3 + 2 * i, lane] = new


@compiled
def _write(w, n, lane, miss, setting, patients, scenario, wide):
    """Results, the lung volumes taken along the little way that is still to go."""
    leaked = w[at.Y + at.METER_JUNCTIONS, lane]
    for j in range(at.NODES):
        scenario[at.RES_STATE + j] = w[at.Y + j, lane]
    delivered = w[at.DELIVERED, lane]
    exhaled = w[at.EXHALED, lane]
    for i in range(n):
        end = w[at.START + i, lane] + miss[i]
        rise = 0.0
        for j in range(n):
            rise += w[at.MEMORY_TI + n * i + j, lane] * miss[j]
        top = w[at.Y_TI + 3 + 2 * i, lane] + rise
        delivered += rise - miss[i]
        exhaled += rise - (end - w[at.Y + 3 + 2 * i, lane])
        patients[i, at.OUT_VT] = top - end
        patients[i, at.OUT_PLATEAU] = _pressure(w, lane, i, top, wide)
        patients[i, at.OUT_TOTAL_PEEP] = _pressure(w, lane, i, end, wide)
        scenario[at.RES_STATE + 3 + 2 * i] = end
        if wide is not None:
            x = at.WIDE + at.W_ROWS * i
            way = w[at.SLOW_MISS + i, lane]
            slow_end = w[at.SLOW_START + i, lane] + way
            pace = w[x + at.W_SLOW_G, lane] * w[x + at.W_SLOW_E, lane]
            way *= math.exp(-(setting[at.PERIOD] - setting[at.EMPTYING_TIME]) * pace)
            patients[i, at.OUT_VT] += w[at.Y_TI + at.SLOW + i, lane] + way - slow_end
            patients[i, at.OUT_LEAKED] = w[at.Y + at.METER_PATIENT + i, lane]
            leaked += patients[i, at.OUT_LEAKED]
            scenario[at.RES_STATE + at.SLOW + i] = slow_end
        patients[i, at.OUT_END_FLOW] = w[at.END_FLOW + i, lane]
        patients[i, at.OUT_PEAK] = w[at.PEAK + i, lane]
        patients[i, at.OUT_BACKFLOW] = w[at.BACKFLOW + i, lane]
    scenario[at.RES_DELIVERED] = delivered
    scenario[at.RES_EXHALED] = exhaled
    scenario[at.RES_PEAK] = w[at.PEAK_IN, lane]
    scenario[at.RES_LEAKED] = leaked


@compiled
def _begin_hold(w, n, lane, state, small):
    """Both valves of the machine shut for HOLD_S seconds, from the state in the rows that start at ``state``."""
    for j in range(at.NODES):
        w[at.Y + j, lane] = w[state + j, lane]
    shut = small[0].reshape(at.MAX_PATIENTS * at.MAX_PATIENTS)[: at.PHASE_COLUMNS]
    shut[:] = 0.0
    shut[at.DURATION] = HOLD_S
    begin_phase(w, n, lane, shut, 0.0)


@pasted
def _take(w, n, lane, book, scenario, tables, tolerance, small, nested, wide):
    """Begin the first breath of a scenario in a lane."""
    limbs, trunks, lungs, phases, settings, network_of, settings_of = tables
    network = network_of[scenario]
    s = settings_of[scenario]
    load_resting(
        w, n, lane, limbs[network], trunks[network], lungs[scenario], settings[s], tolerance, small, nested, network,
        wide, scenario,
    )  # fmt: skip
    begin_phase(w, n, lane, phases[s, 0], 0.0)
    _begin_breath(w, n, lane, wide)
    book[lane, DOING] = BREATHING
    book[lane, SCENARIO] = scenario
    book[lane, PHASE] = 0
    book[lane, BREATH] = 1
    book[lane, STEPS] = 0
    book[lane, FINE] = 0


@pasted
def _end_phase(w, n, lane, book, failed, setting, phases, accuracy, small, wide):
    """Close a phase of a breath and begin the next one. Returns the status of the scenario, -1 while it goes on."""
    number = book[lane, PHASE]
    into = stored(w, lane) - w[at.STORED, lane]
    back = -into  # a bias flow passes through and is not counted: the machine knows it and takes it off
    if wide is not None:  # where openings take some
        into = w[at.Y + at.METER_IN, lane]
        back = w[at.Y + at.METER_OUT, lane] - into
        w[at.Y + at.METER_IN, lane] = 0.0
        w[at.Y + at.METER_OUT, lane] = 0.0
    if number < setting[at.PHASES_IN_INSPIRATION]:
        w[at.DELIVERED, lane] += into
    else:
        w[at.EXHALED, lane] += back
    w[at.FIRST_STEP + number, lane] = w[at.STEP_TAKEN, lane]
    carry_through_phase(w, n, lane, small)
    if number == setting[at.PHASES_IN_INSPIRATION] - 1:
        _end_inspiration(w, n, lane, wide)
    if failed:
        return at.STEP_FAILED
    number += 1
    if number == setting[at.PHASES]:
        number = 0
        _, tol_final, stop = accuracy
        is_first = book[lane, BREATH] == 1
        miss = way_to_go(w, n, lane, small)
        if wide is not None:
            _slow_way_to_go(w, n, lane, setting)
        settled, near = _judge_breath(w, n, lane, is_first, book[lane, FINE] > 0, setting, stop, miss, wide)
        if settled:
            return at.CONVERGED
        if book[lane, BREATH] == MAX_BREATHS:
            return at.TOO_MANY_BREATHS
        _aim_next_breath(w, n, lane, is_first, miss, wide)
        if near:
            book[lane, FINE] = 1
            w[at.SCENARIO_TOLERANCE, lane] = tol_final * w[at.FINENESS, lane]
        book[lane, BREATH] += 1
        _begin_breath(w, n, lane, wide)
    book[lane, PHASE] = number
    begin_phase(w, n, lane, phases[number], w[at.FIRST_STEP + number, lane])
    return -1


@pasted
def _handle(w, n, lane, book, tables, accuracy, with_holds, patients, scenario, small, wide):
    """What follows when a phase is over, or its steps collapsed. Returns whether the lane's scenario is finished."""
    s = tables[6][book[lane, SCENARIO]]
    setting = tables[4][s]
    failed = w[at.EVENT, lane] == 2.0
    book[lane, STEPS] += int(w[at.PHASE_STEPS, lane])
    if book[lane, DOING] == BREATHING:
        status = _end_phase(w, n, lane, book, failed, setting, tables[3][s], accuracy, small, wide)
        if status < 0:
            return False
        _write(w, n, lane, way_to_go(w, n, lane, small), setting, patients, scenario, wide)
        scenario[at.RES_STATUS] = status
        scenario[at.RES_BREATHS] = book[lane, BREATH]
        scenario[at.RES_STEPS] = book[lane, STEPS]
        if not with_holds or status != at.CONVERGED:
            return True
        for j in range(at.NODES):
            w[at.Y_END + j, lane] = w[at.Y + j, lane]
        book[lane, DOING] = HOLDING_IN
        _begin_hold(w, n, lane, at.Y_TI, small)
        return False
    is_in = book[lane, DOING] == HOLDING_IN
    scenario[at.RES_HOLD_IN_INSP if is_in else at.RES_HOLD_EX_INSP] = w[at.Y, lane]
    scenario[at.RES_HOLD_IN_EXP if is_in else at.RES_HOLD_EX_EXP] = w[at.Y + 1, lane]
    for i in range(n):
        patients[i, at.OUT_HOLD_IN_WYE if is_in else at.OUT_HOLD_EX_WYE] = w[at.Y + 2 + 2 * i, lane]
    if is_in:
        book[lane, DOING] = HOLDING_OUT
        _begin_hold(w, n, lane, at.Y_END, small)
    return not is_in


@inlined
def _advance(w, n, nested, wide):
    return attempt_step(w, n, None, None) if nested is None else attempt_step(w, n, nested[0], wide)


@kept
@without_lock
def settle_range(first, last, n, tables, accuracy, with_holds, patients_out, scenarios_out, nested, wide):
    """Settle scenarios ``first`` to ``last`` - 1.

    tables: limbs (networks, n, LIMB_COLUMNS) · trunks (networks, TRUNK_COLUMNS) · lungs (scenarios, n, LUNG_COLUMNS) ·
    phases (settings, MAX_PHASES, PHASE_COLUMNS) · settings (settings, SETTING_COLUMNS) · network_of, settings_of
    (scenarios,). accuracy: tolerance of the steps far from and near the settled breath, and when to stop. nested: None,
    or of networks with splitters behind splitters their common tree (see ``nested``), bridges (networks, bridges,
    BRIDGE_COLUMNS) and limbs that hold their part of them (shape of limbs; for the first guess). wide: None, or,
    together with nested (of no bridges where there are none), openings (networks, SITES, HOLE_COLUMNS) and what else
    there is to the lungs (scenarios, n, WIDE_COLUMNS).
    Writes patients_out (scenarios, n, PATIENT_RESULTS) and scenarios_out (scenarios, SCENARIO_RESULTS). What a
    scenario gets depends on nothing but its own inputs.
    """
    w = workspace()
    book = np.zeros((LANES, BOOK_COLUMNS), np.int64)
    small = np.zeros((3, at.MAX_PATIENTS, at.MAX_PATIENTS))
    tolerance = accuracy[0]
    waiting = first
    busy = 0
    for lane in range(LANES):
        # A lane without a scenario of its own repeats the first one and is not looked at.
        _take(w, n, lane, book, waiting if waiting < last else first, tables, tolerance, small, nested, wide)
        if waiting < last:
            waiting += 1
            busy += 1
        else:
            w[at.LIVE, lane] = 0.0
    while busy > 0:
        if not _advance(w, n, nested, wide):
            continue
        for lane in range(LANES):
            if w[at.EVENT, lane] == 0.0:
                continue
            b = book[lane, SCENARIO]
            if not _handle(
                w, n, lane, book, tables, accuracy, with_holds, patients_out[b], scenarios_out[b], small, wide
            ):
                continue
            if waiting < last:
                _take(w, n, lane, book, waiting, tables, tolerance, small, nested, wide)
                waiting += 1
            else:
                w[at.LIVE, lane] = 0.0
                busy -= 1
