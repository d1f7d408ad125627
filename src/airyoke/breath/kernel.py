"""The compiled core: the settled breath of one ventilator and up to four lungs, for many scenarios at once.

Eight scenarios breathe side by side (``lanes``), each at its own pace (``step``); a lane whose scenario has settled
takes the next one. The settled state is found by a fixed-point iteration on the end-expiratory volumes,
preconditioned with each lung's own emptying factor and accelerated by Anderson's method of depth one (Anderson: J ACM
1965;12:547).
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from airyoke.breath import layout as at
from airyoke.breath.compiled import kept
from airyoke.breath.lanes import LANES
from airyoke.breath.step import attempt_step

RESISTANCE_FOR_FULL_TOLERANCE = 0.1  # cmH2O·s/L
# While gas flows only in, the expiratory splitter is a dead end behind valves that sit just at opening (and the other
# way round): an error there costs no volume, and chasing it would halve the steps.
DEAD_END_WEIGHT = 0.1
FIRST_STEP = 2e-3  # as a part of the phase
STEPS_TO_SEE_A_PEAK = 24.0  # the peak of a changing flow lies inside the phase
HOLD_S = 3.0
MAX_BREATHS = 80

# What a lane is doing.
IDLE, BREATHING, HOLDING_IN, HOLDING_OUT = 0, 1, 2, 3
# Columns of a lane's book.
DOING, SCENARIO, PHASE, BREATH, STEPS, FINE = 0, 1, 2, 3, 4, 5
BOOK_COLUMNS = 6


@njit(error_model="numpy")
def _workspace():
    """Rows of eight, each on one cache line."""
    raw = np.zeros(at.ROWS * LANES + LANES)
    skip = ((64 - raw.ctypes.data % 64) % 64) // 8
    return raw[skip : skip + at.ROWS * LANES].reshape((at.ROWS, LANES))


@njit(error_model="numpy")
def _stored(w, n, lane):
    """Gas stored in splitters, wyes and lungs, L: the difference over a phase is what came in or went out."""
    total = 0.0
    for j in range(2 + 2 * n):
        total += w[at.MASS + j, lane] * w[at.Y + j, lane]
    return total


@njit(error_model="numpy")
def _load(w, n, lane, limbs, trunk, lungs, setting, start, tolerance):
    """Put a scenario at rest into a lane, its lungs at the first guess of their end-expiratory volumes."""
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
        volume = (peep + limb[at.OUT_CRACK]) / elastance + start[i]
        w[at.START + i, lane] = volume
        w[at.Y + 2 + 2 * i, lane] = elastance * volume
        w[at.Y + 3 + 2 * i, lane] = volume
        least = min(least, limb[at.IN_R], limb[at.OUT_R])
    fineness = min(1.0, max(least / RESISTANCE_FOR_FULL_TOLERANCE, 0.01))
    w[at.FINENESS, lane] = fineness
    w[at.TOLERANCE, lane] = tolerance * fineness
    w[at.VOLUME_SCALE, lane] = 1.0
    w[at.LIVE, lane] = 1.0
    for p in range(at.MAX_PHASES):
        w[at.FIRST_STEP + p, lane] = 0.0


@njit(error_model="numpy")
def _begin_phase(w, n, lane, number, phase):
    duration = phase[at.DURATION]
    scale = w[at.VOLUME_SCALE, lane] if phase[at.IS_SET_VOLUME] > 0.0 else 1.0
    flow_rate = (phase[at.FLOW_1] - phase[at.FLOW_0]) * scale / duration
    source = phase[at.SOURCE_OPEN]
    outlet = phase[at.EXPIRATORY_OPEN]
    w[at.TIME, lane] = 0.0
    w[at.PHASE_TIME, lane] = duration
    w[at.PRESSURE, lane] = phase[at.PRESSURE_0]
    w[at.PRESSURE_RATE, lane] = (phase[at.PRESSURE_1] - phase[at.PRESSURE_0]) / duration
    w[at.OWN_FLOW, lane] = phase[at.FLOW_0] * scale
    w[at.OWN_FLOW_RATE, lane] = flow_rate
    w[at.SOURCE, lane] = source
    w[at.OUTLET, lane] = outlet
    w[at.WATCH_IN, lane] = 1.0 if source > 0.0 or outlet == 0.0 else DEAD_END_WEIGHT
    w[at.WATCH_OUT, lane] = 1.0 if outlet > 0.0 or source == 0.0 else DEAD_END_WEIGHT
    # The breath before knows how fast this phase begins.
    known = w[at.FIRST_STEP + number, lane] if number >= 0 else 0.0
    w[at.STEP, lane] = known if known > 0.0 else FIRST_STEP * duration
    w[at.STEP_MAX, lane] = duration / STEPS_TO_SEE_A_PEAK if flow_rate != 0.0 else duration
    w[at.PHASE_STEPS, lane] = 0.0
    w[at.STORED, lane] = _stored(w, n, lane)


@njit(error_model="numpy")
def _begin_breath(w, n, lane):
    w[at.DELIVERED, lane] = 0.0
    w[at.EXHALED, lane] = 0.0
    w[at.PEAK_IN, lane] = w[at.Y, lane]
    for i in range(n):
        w[at.EMPTYING + i, lane] = 0.0
        w[at.BACKFLOW + i, lane] = 0.0
        w[at.PEAK + i, lane] = w[at.Y + 2 + 2 * i, lane]


@njit(error_model="numpy")
def _end_inspiration(w, n, lane):
    for j in range(2 + 2 * n):
        w[at.Y_TI + j, lane] = w[at.Y + j, lane]
    for i in range(n):
        p = at.PATIENT + at.PATIENT_ROWS * i
        drop = w[at.Y + 2 + 2 * i, lane] - w[p + at.P_ELASTANCE, lane] * w[at.Y + 3 + 2 * i, lane]
        linear = w[p + at.P_LUNG_R_IN, lane] if drop > 0.0 else w[p + at.P_LUNG_R_OUT, lane]
        w[at.END_FLOW + i, lane] = (
            2.0 * drop / (linear + math.sqrt(linear * linear + w[p + at.P_LUNG_K4, lane] * abs(drop)))
        )


@njit(error_model="numpy")
def _end_breath(w, n, lane, breaths, fine, setting, stop):
    """Judge how far the breath was from the settled one and set the next start. Returns (settled, near)."""
    worst = 0.0
    largest = 1e-3
    top = 0.0
    bottom = 0.0
    for i in range(n):
        end = w[at.Y + 3 + 2 * i, lane]
        largest = max(largest, w[at.Y_TI + 3 + 2 * i, lane] - end)
        # The way still to go: breath-to-breath change over (1 - emptying factor).
        miss = (end - w[at.START + i, lane]) / max(1.0 - math.exp(-w[at.EMPTYING + i, lane]), 0.02)
        worst = max(worst, abs(miss))
        change = miss - w[at.MISS_BEFORE + i, lane]
        top += change * miss
        bottom += change * change
    settled = worst < stop * largest
    near = worst < 20.0 * stop * largest
    scale = 1.0
    if setting[at.COMPENSATES] > 0.0:
        compliance = w[at.MASS, lane] + w[at.MASS + 1, lane]
        for i in range(n):
            compliance += w[at.MASS + 2 + 2 * i, lane]
        volume = setting[at.SET_VOLUME]
        scale = (volume + compliance * max(w[at.PEAK_IN, lane] - w[at.PEEP, lane], 0.0)) / volume
        settled = settled and abs(scale - w[at.VOLUME_SCALE, lane]) < stop * w[at.VOLUME_SCALE, lane]
    if settled and fine:
        return True, True
    w[at.VOLUME_SCALE, lane] = scale
    theta = min(max(top / bottom, -2.0), 0.9) if breaths > 1 and bottom > 1e-20 else 0.0
    for i in range(n):
        start = w[at.START + i, lane]
        end = w[at.Y + 3 + 2 * i, lane]
        miss = (end - start) / max(1.0 - math.exp(-w[at.EMPTYING + i, lane]), 0.02)
        aim = start + miss
        new = aim - theta * (aim - w[at.AIM_BEFORE + i, lane])
        w[at.AIM_BEFORE + i, lane] = aim
        w[at.MISS_BEFORE + i, lane] = miss
        w[at.START + i, lane] = new
        w[at.Y + 3 + 2 * i, lane] = new
        w[at.Y + 2 + 2 * i, lane] += w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane] * (new - end)
    return False, near


@njit(error_model="numpy")
def _write(w, n, lane, status, breaths, steps, patients, scenario):
    for i in range(n):
        elastance = w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane]
        top = w[at.Y_TI + 3 + 2 * i, lane]
        end = w[at.Y + 3 + 2 * i, lane]
        patients[i, at.OUT_VT] = top - end
        patients[i, at.OUT_PLATEAU] = elastance * top
        patients[i, at.OUT_TOTAL_PEEP] = elastance * end
        patients[i, at.OUT_END_FLOW] = w[at.END_FLOW + i, lane]
        patients[i, at.OUT_PEAK] = w[at.PEAK + i, lane]
        patients[i, at.OUT_BACKFLOW] = w[at.BACKFLOW + i, lane]
    scenario[at.RES_DELIVERED] = w[at.DELIVERED, lane]
    scenario[at.RES_EXHALED] = w[at.EXHALED, lane]
    scenario[at.RES_PEAK] = w[at.PEAK_IN, lane]
    scenario[at.RES_STATUS] = status
    scenario[at.RES_BREATHS] = breaths
    scenario[at.RES_STEPS] = steps


@njit(error_model="numpy")
def _begin_hold(w, n, lane, state):
    """Both valves of the machine shut for HOLD_S seconds, from the state in the rows that start at ``state``."""
    for j in range(2 + 2 * n):
        w[at.Y + j, lane] = w[state + j, lane]
    phase = np.zeros(at.PHASE_COLUMNS)
    phase[at.DURATION] = HOLD_S
    _begin_phase(w, n, lane, -1, phase)


@kept
@njit(error_model="numpy", nogil=True)
def settle_range(
    first, last, n, limbs, trunks, lungs, phases, settings, network_of, settings_of, start,
    tol_coarse, tol_final, stop, with_holds, patients_out, scenarios_out
):  # fmt: skip
    """Settle scenarios ``first`` to ``last`` - 1.

    limbs (networks, n, LIMB_COLUMNS) · trunks (networks, TRUNK_COLUMNS) · lungs (scenarios, n, LUNG_COLUMNS) ·
    phases (settings, MAX_PHASES, PHASE_COLUMNS) · settings (settings, SETTING_COLUMNS) · network_of, settings_of
    (scenarios,) · start (scenarios, n): first guess of each lung's end-expiratory volume above PEEP, L.
    Writes patients_out (scenarios, n, PATIENT_RESULTS) and scenarios_out (scenarios, SCENARIO_RESULTS). What a
    scenario gets depends on nothing but its own inputs.
    """
    w = _workspace()
    book = np.zeros((LANES, BOOK_COLUMNS), np.int64)
    waiting = first
    busy = 0
    for lane in range(LANES):
        # A lane without a scenario of its own repeats the first one and is not looked at.
        b = waiting if waiting < last else first
        s = settings_of[b]
        _load(w, n, lane, limbs[network_of[b]], trunks[network_of[b]], lungs[b], settings[s], start[b], tol_coarse)
        _begin_phase(w, n, lane, 0, phases[s, 0])
        _begin_breath(w, n, lane)
        if waiting < last:
            book[lane, DOING] = BREATHING
            book[lane, SCENARIO] = b
            book[lane, BREATH] = 1
            waiting += 1
            busy += 1
        else:
            w[at.LIVE, lane] = 0.0
    while busy > 0:
        if not attempt_step(w, n):
            continue
        for lane in range(LANES):
            event = w[at.EVENT, lane]
            if event == 0.0:
                continue
            failed = event == 2.0
            b = book[lane, SCENARIO]
            s = settings_of[b]
            setting = settings[s]
            book[lane, STEPS] += int(w[at.PHASE_STEPS, lane])
            finished = False
            if book[lane, DOING] == BREATHING:
                number = book[lane, PHASE]
                w[at.FIRST_STEP + number, lane] = w[at.STEP_TAKEN, lane]
                moved = _stored(w, n, lane) - w[at.STORED, lane]
                if number < setting[at.PHASES_IN_INSPIRATION]:
                    w[at.DELIVERED, lane] += moved
                else:  # a bias flow passes through and is not counted: the machine knows it and takes it off
                    w[at.EXHALED, lane] -= moved
                if number == setting[at.PHASES_IN_INSPIRATION] - 1:
                    _end_inspiration(w, n, lane)
                number += 1
                status = -1
                if failed:
                    status = at.STEP_FAILED
                elif number == setting[at.PHASES]:
                    number = 0
                    fine = book[lane, FINE] > 0
                    settled, near = _end_breath(w, n, lane, book[lane, BREATH], fine, setting, stop)
                    if settled:
                        status = at.CONVERGED
                    elif book[lane, BREATH] == MAX_BREATHS:
                        status = at.TOO_MANY_BREATHS
                    else:
                        if near:
                            book[lane, FINE] = 1
                            w[at.TOLERANCE, lane] = tol_final * w[at.FINENESS, lane]
                        book[lane, BREATH] += 1
                        _begin_breath(w, n, lane)
                if status >= 0:
                    _write(w, n, lane, status, book[lane, BREATH], book[lane, STEPS], patients_out[b], scenarios_out[b])
                    if with_holds and status == at.CONVERGED:
                        for j in range(2 + 2 * n):
                            w[at.Y_END + j, lane] = w[at.Y + j, lane]
                        book[lane, DOING] = HOLDING_IN
                        _begin_hold(w, n, lane, at.Y_TI)
                    else:
                        finished = True
                else:
                    book[lane, PHASE] = number
                    _begin_phase(w, n, lane, number, phases[s, number])
            elif book[lane, DOING] == HOLDING_IN:
                scenarios_out[b, at.RES_HOLD_IN_INSP] = w[at.Y, lane]
                scenarios_out[b, at.RES_HOLD_IN_EXP] = w[at.Y + 1, lane]
                for i in range(n):
                    patients_out[b, i, at.OUT_HOLD_IN_WYE] = w[at.Y + 2 + 2 * i, lane]
                book[lane, DOING] = HOLDING_OUT
                _begin_hold(w, n, lane, at.Y_END)
            else:
                scenarios_out[b, at.RES_HOLD_EX_INSP] = w[at.Y, lane]
                scenarios_out[b, at.RES_HOLD_EX_EXP] = w[at.Y + 1, lane]
                for i in range(n):
                    patients_out[b, i, at.OUT_HOLD_EX_WYE] = w[at.Y + 2 + 2 * i, lane]
                finished = True
            if finished and waiting < last:
                b = waiting
                waiting += 1
                s = settings_of[b]
                _load(
                    w, n, lane, limbs[network_of[b]], trunks[network_of[b]], lungs[b], settings[s], start[b],
                    tol_coarse
                )  # fmt: skip
                _begin_phase(w, n, lane, 0, phases[s, 0])
                _begin_breath(w, n, lane)
                book[lane, DOING] = BREATHING
                book[lane, SCENARIO] = b
                book[lane, PHASE] = 0
                book[lane, BREATH] = 1
                book[lane, STEPS] = 0
                book[lane, FINE] = 0
            elif finished:
                book[lane, DOING] = IDLE
                w[at.LIVE, lane] = 0.0
                busy -= 1
