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
from airyoke.breath.guess import trapped_volumes
from airyoke.breath.lanes import LANES
from airyoke.breath.memory import carry_through_phase, forget_all, way_to_go
from airyoke.breath.step import attempt_step

RESISTANCE_FOR_FULL_TOLERANCE = 0.1  # cmH2O·s/L
# While gas flows only in, the expiratory splitter is a dead end behind valves that sit just at opening (and the other
# way round): an error there costs little volume, and chasing it in full would cost more steps.
DEAD_END_WEIGHT = 0.1
FIRST_STEP = 2e-3  # as a part of the phase
STEPS_TO_SEE_A_PEAK = 24.0  # the peak of a changing flow lies inside the phase
FADING_FLOW_FINENESS = 0.5  # valves shut one after the other while the flow fades
EARLIEST_KINK = 1e-3  # as a part of the phase
HOLD_S = 3.0
MAX_BREATHS = 80
# By how much the memory may be wrong: before a second breath has shown it, at least, and at most.
FIRST_DOUBT, LEAST_DOUBT, MOST_DOUBT = 0.1, 0.03, 0.2
FARTHEST = 10.0  # times the bound is the longest way that is taken without breathing it
NEAR = 3.0  # times the bound expected after the next breath: that one is breathed at the final tolerance

# What a lane is doing.
BREATHING, HOLDING_IN, HOLDING_OUT = 0, 1, 2
# Columns of a lane's book.
DOING, SCENARIO, PHASE, BREATH, STEPS, FINE = 0, 1, 2, 3, 4, 5
BOOK_COLUMNS = 6


@compiled
def _workspace():
    """Rows of eight, each on one line of the processor's cache."""
    raw = np.zeros(at.ROWS * LANES + LANES)
    skip = ((64 - raw.ctypes.data % 64) % 64) // 8
    return raw[skip : skip + at.ROWS * LANES].reshape((at.ROWS, LANES))


@compiled
def _stored(w, lane):
    """Gas stored in splitters, wyes and lungs, L: the difference over a phase is what came in or went out."""
    total = 0.0
    for j in range(at.NODES):
        total += w[at.MASS + j, lane] * w[at.Y + j, lane]
    return total


@compiled
def _load(w, n, lane, limbs, trunk, lungs, setting, tolerance, small, nested, network):
    """Put a scenario at rest into a lane, its lungs at the first guess of their end-expiratory volumes.

    ``nested`` as in :func:`settle_range`, of which this is network number ``network``.
    """
    peep = setting[at.SET_PEEP]
    w[at.T_IN_R, lane] = trunk[at.TRUNK_IN_R]
    w[at.T_IN_K4, lane] = 4.0 * trunk[at.TRUNK_IN_K]
    w[at.T_OUT_R, lane] = trunk[at.TRUNK_OUT_R]
    w[at.T_OUT_K4, lane] = 4.0 * trunk[at.TRUNK_OUT_K]
    w[at.PEEP, lane] = peep
    w[at.FLOW_LIMIT, lane] = setting[at.MAX_FLOW]
    w[at.MASS, lane] = trunk[at.SPLITTER_IN_C]
    w[at.MASS + 1, lane] = trunk[at.SPLITTER_OUT_C]
    w[at.Y, lane] = peep
    w[at.Y + 1, lane] = peep
    # The tolerance is on pressures; across a near-zero resistance it must shrink, or the flow error would be
    # larger than the flow and a valve would flutter.
    least = min(trunk[at.TRUNK_IN_R], trunk[at.TRUNK_OUT_R])
    if nested is None:
        trapped = trapped_volumes(n, limbs, trunk, lungs, setting, small)
    else:
        bridges = nested[1][network]
        trapped = trapped_volumes(n, nested[2][network], trunk, lungs, setting, small)
        for b in range(len(bridges)):
            w[at.BRIDGE_R + b, lane] = bridges[b, at.BETWEEN_R]
            w[at.BRIDGE_K4 + b, lane] = 4.0 * bridges[b, at.BETWEEN_K]
            w[at.MASS + 2 + 2 * n + b, lane] = bridges[b, at.BETWEEN_C]
            w[at.Y + 2 + 2 * n + b, lane] = peep
    for i in range(n):
        p = at.PATIENT + at.PATIENT_ROWS * i
        limb = limbs[i]
        lung = lungs[i]
        elastance = lung[at.ELASTANCE]
        w[p + at.P_IN_R, lane] = limb[at.IN_R]
        w[p + at.P_IN_K4, lane] = 4.0 * limb[at.IN_K]
        w[p + at.P_IN_CRACK, lane] = limb[at.IN_CRACK]
        w[p + at.P_IN_LEAK, lane] = limb[at.IN_LEAK]
        w[p + at.P_IN_ONE_WAY, lane] = limb[at.IN_ONE_WAY]
        w[p + at.P_OUT_R, lane] = limb[at.OUT_R]
        w[p + at.P_OUT_K4, lane] = 4.0 * limb[at.OUT_K]
        w[p + at.P_OUT_CRACK, lane] = limb[at.OUT_CRACK]
        w[p + at.P_OUT_LEAK, lane] = limb[at.OUT_LEAK]
        w[p + at.P_OUT_ONE_WAY, lane] = limb[at.OUT_ONE_WAY]
        w[p + at.P_LUNG_R_IN, lane] = lung[at.LUNG_R_IN] + limb[at.PATIENT_R]
        w[p + at.P_LUNG_R_OUT, lane] = lung[at.LUNG_R_OUT] + limb[at.PATIENT_R]
        w[p + at.P_LUNG_K4, lane] = 4.0 * (lung[at.LUNG_K] + limb[at.PATIENT_K])
        w[p + at.P_ELASTANCE, lane] = elastance
        w[at.MASS + 2 + 2 * i, lane] = limb[at.WYE_C]
        w[at.MASS + 3 + 2 * i, lane] = 1.0
        volume = (peep + limb[at.OUT_CRACK]) / elastance + trapped[i]
        w[at.START + i, lane] = volume
        w[at.Y + 2 + 2 * i, lane] = elastance * volume
        w[at.Y + 3 + 2 * i, lane] = volume
        least = min(least, limb[at.IN_R], limb[at.OUT_R])
    fineness = min(1.0, max(least / RESISTANCE_FOR_FULL_TOLERANCE, 0.01))
    w[at.FINENESS, lane] = fineness
    w[at.SCENARIO_TOLERANCE, lane] = tolerance * fineness
    w[at.VOLUME_SCALE, lane] = 1.0
    w[at.LIVE, lane] = 1.0
    for number in range(at.MAX_PHASES):
        w[at.FIRST_STEP + number, lane] = 0.0


@compiled
def _begin_phase(w, n, lane, phase, first_step):
    """Set the clock and the machine for a phase; ``first_step`` 0 = not known yet."""
    duration = phase[at.DURATION]
    scale = w[at.VOLUME_SCALE, lane] if phase[at.IS_SET_VOLUME] > 0.0 else 1.0
    flow = phase[at.FLOW_0] * scale
    flow_rate = (phase[at.FLOW_1] - phase[at.FLOW_0]) * scale / duration
    limit = w[at.FLOW_LIMIT, lane]
    kink = (limit - flow) / flow_rate if flow > limit and flow_rate < 0.0 else 0.0
    source = phase[at.SOURCE_OPEN]
    outlet = phase[at.EXPIRATORY_OPEN]
    w[at.TIME, lane] = 0.0
    w[at.PHASE_TIME, lane] = duration
    # A hair later than computed, so that the flow is below its limit there. One at the very start is none.
    w[at.KINK, lane] = min(kink * (1.0 + 1e-12), duration) if kink > EARLIEST_KINK * duration else 0.0
    w[at.PRESSURE, lane] = phase[at.PRESSURE_0]
    w[at.PRESSURE_RATE, lane] = (phase[at.PRESSURE_1] - phase[at.PRESSURE_0]) / duration
    w[at.OWN_FLOW, lane] = flow
    w[at.OWN_FLOW_RATE, lane] = flow_rate
    w[at.SOURCE, lane] = source
    w[at.OUTLET, lane] = outlet
    w[at.WATCH_IN, lane] = 1.0 if source > 0.0 or outlet == 0.0 else DEAD_END_WEIGHT
    w[at.WATCH_OUT, lane] = 1.0 if outlet > 0.0 or source == 0.0 else DEAD_END_WEIGHT
    w[at.STEP, lane] = first_step if first_step > 0.0 else FIRST_STEP * duration
    changes = flow_rate != 0.0
    w[at.STEP_MAX, lane] = duration / STEPS_TO_SEE_A_PEAK if changes else duration
    w[at.TOLERANCE, lane] = w[at.SCENARIO_TOLERANCE, lane] * (FADING_FLOW_FINENESS if changes else 1.0)
    w[at.PHASE_STEPS, lane] = 0.0
    w[at.STORED, lane] = _stored(w, lane)
    w[at.OUTSIDE, lane] = 0.0
    for i in range(n):
        w[at.THROUGH + i, lane] = 0.0


@compiled
def _begin_breath(w, n, lane):
    w[at.DELIVERED, lane] = 0.0
    w[at.EXHALED, lane] = 0.0
    w[at.PEAK_IN, lane] = w[at.Y, lane]
    for i in range(n):
        w[at.BACKFLOW + i, lane] = 0.0
        w[at.PEAK + i, lane] = w[at.Y + 2 + 2 * i, lane]
    forget_all(w, n, lane)


@compiled
def _end_inspiration(w, n, lane):
    """Keep the state at the end of inspiration and the flow into each lung there."""
    for j in range(at.NODES):
        w[at.Y_TI + j, lane] = w[at.Y + j, lane]
    for j in range(n * n):
        w[at.MEMORY_TI + j, lane] = w[at.MEMORY + j, lane]
    for i in range(n):
        p = at.PATIENT + at.PATIENT_ROWS * i
        drop = w[at.Y + 2 + 2 * i, lane] - w[p + at.P_ELASTANCE, lane] * w[at.Y + 3 + 2 * i, lane]
        linear = w[p + at.P_LUNG_R_IN, lane] if drop > 0.0 else w[p + at.P_LUNG_R_OUT, lane]
        root = math.sqrt(linear * linear + w[p + at.P_LUNG_K4, lane] * abs(drop))
        w[at.END_FLOW + i, lane] = 2.0 * drop / (linear + root)


@compiled
def _judge_breath(w, n, lane, is_first, is_fine, setting, stop, miss):
    """How far the breath was from the settled one. Returns (settled, near)."""
    worst = 0.0
    largest = 1e-3
    for i in range(n):
        largest = max(largest, w[at.Y_TI + 3 + 2 * i, lane] - w[at.Y + 3 + 2 * i, lane])
        worst = max(worst, abs(miss[i]))
    # The way still to go is taken before results are written. What is wrong then is the part of it that the memory
    # got wrong, as seen from one breath to the next.
    doubt = FIRST_DOUBT
    if not is_first:
        doubt = min(max(worst / (w[at.WORST_BEFORE, lane] + 1e-30), LEAST_DOUBT), MOST_DOUBT)
    w[at.WORST_BEFORE, lane] = worst
    settled = is_fine and worst * doubt < stop * largest and worst < FARTHEST * stop * largest
    near = worst * doubt * doubt < NEAR * stop * largest
    if setting[at.COMPENSATES] > 0.0:
        circuit = w[at.MASS, lane] + w[at.MASS + 1, lane]
        lungs = 0.0
        for i in range(n):
            circuit += w[at.MASS + 2 + 2 * i, lane]
            lungs += 1.0 / w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane]
        for j in range(2 + 2 * n, at.NODES):
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
def _aim_next_breath(w, n, lane, is_first, miss):
    """Start the next breath where this one's memory says that it ends, by Anderson's method from the second on."""
    top = 0.0
    bottom = 0.0
    for i in range(n):
        change = miss[i] - w[at.MISS_BEFORE + i, lane]
        top += change * miss[i]
        bottom += change * change
    theta = 0.0 if is_first or bottom < 1e-20 else min(max(top / bottom, -2.0), 0.9)
    for i in range(n):
        aim = w[at.START + i, lane] + miss[i]
        new = aim - theta * (aim - w[at.AIM_BEFORE + i, lane])
        w[at.AIM_BEFORE + i, lane] = aim
        w[at.MISS_BEFORE + i, lane] = miss[i]
        w[at.START + i, lane] = new
        elastance = w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane]
        w[at.Y + 2 + 2 * i, lane] += elastance * (new - w[at.Y + 3 + 2 * i, lane])
        w[at.Y + 3 + 2 * i, lane] = new


@compiled
def _write(w, n, lane, miss, patients, scenario):
    """Results, the lung volumes taken along the little way that is still to go."""
    delivered = w[at.DELIVERED, lane]
    exhaled = w[at.EXHALED, lane]
    for i in range(n):
        elastance = w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane]
        end = w[at.START + i, lane] + miss[i]
        rise = 0.0
        for j in range(n):
            rise += w[at.MEMORY_TI + n * i + j, lane] * miss[j]
        top = w[at.Y_TI + 3 + 2 * i, lane] + rise
        delivered += rise - miss[i]
        exhaled += rise - (end - w[at.Y + 3 + 2 * i, lane])
        patients[i, at.OUT_VT] = top - end
        patients[i, at.OUT_PLATEAU] = elastance * top
        patients[i, at.OUT_TOTAL_PEEP] = elastance * end
        patients[i, at.OUT_END_FLOW] = w[at.END_FLOW + i, lane]
        patients[i, at.OUT_PEAK] = w[at.PEAK + i, lane]
        patients[i, at.OUT_BACKFLOW] = w[at.BACKFLOW + i, lane]
    scenario[at.RES_DELIVERED] = delivered
    scenario[at.RES_EXHALED] = exhaled
    scenario[at.RES_PEAK] = w[at.PEAK_IN, lane]


@compiled
def _begin_hold(w, n, lane, state, small):
    """Both valves of the machine shut for HOLD_S seconds, from the state in the rows that start at ``state``."""
    for j in range(at.NODES):
        w[at.Y + j, lane] = w[state + j, lane]
    shut = small[0].reshape(at.MAX_PATIENTS * at.MAX_PATIENTS)[: at.PHASE_COLUMNS]
    shut[:] = 0.0
    shut[at.DURATION] = HOLD_S
    _begin_phase(w, n, lane, shut, 0.0)


@pasted
def _take(w, n, lane, book, scenario, tables, tolerance, small, nested):
    """Begin the first breath of a scenario in a lane."""
    limbs, trunks, lungs, phases, settings, network_of, settings_of = tables
    network = network_of[scenario]
    s = settings_of[scenario]
    _load(w, n, lane, limbs[network], trunks[network], lungs[scenario], settings[s], tolerance, small, nested, network)
    _begin_phase(w, n, lane, phases[s, 0], 0.0)
    _begin_breath(w, n, lane)
    book[lane, DOING] = BREATHING
    book[lane, SCENARIO] = scenario
    book[lane, PHASE] = 0
    book[lane, BREATH] = 1
    book[lane, STEPS] = 0
    book[lane, FINE] = 0


@pasted
def _end_phase(w, n, lane, book, failed, setting, phases, accuracy, small):
    """Close a phase of a breath and begin the next one. Returns the status of the scenario, -1 while it goes on."""
    number = book[lane, PHASE]
    moved = _stored(w, lane) - w[at.STORED, lane]
    if number < setting[at.PHASES_IN_INSPIRATION]:
        w[at.DELIVERED, lane] += moved
    else:  # a bias flow passes through and is not counted: the machine knows it and takes it off
        w[at.EXHALED, lane] -= moved
    w[at.FIRST_STEP + number, lane] = w[at.STEP_TAKEN, lane]
    carry_through_phase(w, n, lane, small)
    if number == setting[at.PHASES_IN_INSPIRATION] - 1:
        _end_inspiration(w, n, lane)
    if failed:
        return at.STEP_FAILED
    number += 1
    if number == setting[at.PHASES]:
        number = 0
        _, tol_final, stop = accuracy
        is_first = book[lane, BREATH] == 1
        miss = way_to_go(w, n, lane, small)
        settled, near = _judge_breath(w, n, lane, is_first, book[lane, FINE] > 0, setting, stop, miss)
        if settled:
            return at.CONVERGED
        if book[lane, BREATH] == MAX_BREATHS:
            return at.TOO_MANY_BREATHS
        _aim_next_breath(w, n, lane, is_first, miss)
        if near:
            book[lane, FINE] = 1
            w[at.SCENARIO_TOLERANCE, lane] = tol_final * w[at.FINENESS, lane]
        book[lane, BREATH] += 1
        _begin_breath(w, n, lane)
    book[lane, PHASE] = number
    _begin_phase(w, n, lane, phases[number], w[at.FIRST_STEP + number, lane])
    return -1


@pasted
def _handle(w, n, lane, book, tables, accuracy, with_holds, patients, scenario, small):
    """What follows when a phase is over, or its steps collapsed. Returns whether the lane's scenario is finished."""
    s = tables[6][book[lane, SCENARIO]]
    setting = tables[4][s]
    failed = w[at.EVENT, lane] == 2.0
    book[lane, STEPS] += int(w[at.PHASE_STEPS, lane])
    if book[lane, DOING] == BREATHING:
        status = _end_phase(w, n, lane, book, failed, setting, tables[3][s], accuracy, small)
        if status < 0:
            return False
        _write(w, n, lane, way_to_go(w, n, lane, small), patients, scenario)
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
def _advance(w, n, nested):
    return attempt_step(w, n, None) if nested is None else attempt_step(w, n, nested[0])


@kept
@without_lock
def settle_range(first, last, n, tables, accuracy, with_holds, patients_out, scenarios_out, nested):
    """Settle scenarios ``first`` to ``last`` - 1.

    tables: limbs (networks, n, LIMB_COLUMNS) · trunks (networks, TRUNK_COLUMNS) · lungs (scenarios, n, LUNG_COLUMNS) ·
    phases (settings, MAX_PHASES, PHASE_COLUMNS) · settings (settings, SETTING_COLUMNS) · network_of, settings_of
    (scenarios,). accuracy: tolerance of the steps far from and near the settled breath, and when to stop. nested: None,
    or of networks with splitters behind splitters their common tree (see ``nested``), bridges (networks, bridges,
    BRIDGE_COLUMNS) and limbs that hold their part of them (shape of limbs; for the first guess).
    Writes patients_out (scenarios, n, PATIENT_RESULTS) and scenarios_out (scenarios, SCENARIO_RESULTS). What a
    scenario gets depends on nothing but its own inputs.
    """
    w = _workspace()
    book = np.zeros((LANES, BOOK_COLUMNS), np.int64)
    small = np.zeros((3, at.MAX_PATIENTS, at.MAX_PATIENTS))
    tolerance = accuracy[0]
    waiting = first
    busy = 0
    for lane in range(LANES):
        # A lane without a scenario of its own repeats the first one and is not looked at.
        _take(w, n, lane, book, waiting if waiting < last else first, tables, tolerance, small, nested)
        if waiting < last:
            waiting += 1
            busy += 1
        else:
            w[at.LIVE, lane] = 0.0
    while busy > 0:
        if not _advance(w, n, nested):
            continue
        for lane in range(LANES):
            if w[at.EVENT, lane] == 0.0:
                continue
            b = book[lane, SCENARIO]
            if not _handle(w, n, lane, book, tables, accuracy, with_holds, patients_out[b], scenarios_out[b], small):
                continue
            if waiting < last:
                _take(w, n, lane, book, waiting, tables, tolerance, small, nested)
                waiting += 1
            else:
                w[at.LIVE, lane] = 0.0
                busy -= 1
