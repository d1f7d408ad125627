"""The compiled core of a course: every run goes on from its own state through one phase, or to where a bound is passed.

Eight runs side by side as in ``kernel``. What the next phase is, the machine in ``machine`` decides between calls.
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import numpy as np

from airyoke.breath import layout as at
from airyoke.breath.compiled import compiled, kept, without_lock
from airyoke.breath.lanes import LANES
from airyoke.breath.loading import NEVER, begin_phase, load_parts, load_wide, workspace
from airyoke.breath.step import attempt_step
from airyoke.breath.wide import recoil_at

SAME_TIME_S = 1e-9
STEPS_OF_AN_EFFORT = 24.0

# Columns of a course's phase, after those of any phase.
(
    C_PEEP, C_FLOW_LIMIT, C_SCALE, C_HIGHEST, C_LOWEST, C_MISSING, C_ARMED_FROM, C_STARTS, C_FIRST_STEP,
) = range(at.PHASE_COLUMNS, at.PHASE_COLUMNS + 9)  # fmt: skip
COURSE_COLUMNS = at.PHASE_COLUMNS + 9
# Columns of the effort of a patient.
E_AMPLITUDE, E_AT, E_TIME = 0, 1, 2
# Columns of what comes back; then one a patient of each kind.
R_ELAPSED, R_EVENT, R_STEPS, R_PORT, R_PORT_PEAK, R_PORT_SUM, R_SPLITTER_PEAK, R_FIRST_STEP = range(8)
R_PEAK = 8
R_BACKFLOW = R_PEAK + at.MAX_PATIENTS
R_ALVEOLAR = R_BACKFLOW + at.MAX_PATIENTS
RESULT_COLUMNS = R_ALVEOLAR + at.MAX_PATIENTS
# Columns of a sample; then four a patient.
S_PORT, S_SPLITTER_IN, S_SPLITTER_OUT, S_ENTERING, S_LEAVING = range(5)
S_PATIENT = 5
SAMPLE_COLUMNS = S_PATIENT + 4 * at.MAX_PATIENTS


@compiled
def _next_sample(w, lane, phase, number, interval):
    """Set when the next sample is due, in the phase's time."""
    due = (number + 1) * interval - phase[C_STARTS] if interval > 0.0 else NEVER
    if abs(due - phase[at.DURATION]) < SAME_TIME_S:
        due = phase[at.DURATION]
    w[at.NEXT_SAMPLE, lane] = max(due, SAME_TIME_S)


@compiled
def _enter(w, n, lane, run, tables, bridges, wide, phases, efforts, states, tolerance, counts, interval):
    """Put a run into a lane, at the beginning of its phase."""
    limbs, trunks, lungs, network_of, lungs_of = tables
    network = network_of[run]
    who = lungs_of[run]
    load_parts(w, n, lane, limbs[network], trunks[network], lungs[who], bridges[network], tolerance)
    load_wide(w, n, lane, limbs[network], lungs[who], wide[0][network], wide[1][who])
    for j in range(at.NODES):
        w[at.Y + j, lane] = states[run, j]
    for j in range(at.METER_IN, at.NODES):
        w[at.Y + j, lane] = 0.0
    phase = phases[run]
    w[at.PEEP, lane] = phase[C_PEEP]
    w[at.FLOW_LIMIT, lane] = phase[C_FLOW_LIMIT]
    w[at.VOLUME_SCALE, lane] = phase[C_SCALE]
    begin_phase(w, n, lane, phase, min(phase[C_FIRST_STEP], phase[at.DURATION]))
    w[at.HIGHEST, lane] = phase[C_HIGHEST]
    w[at.LOWEST, lane] = phase[C_LOWEST]
    w[at.MISSING_FLOW, lane] = phase[C_MISSING]
    w[at.ARMED_FROM, lane] = phase[C_ARMED_FROM]
    _next_sample(w, lane, phase, counts[run], interval)
    w[at.PEAK_PORT, lane] = -NEVER
    w[at.PORT_SUM, lane] = 0.0
    w[at.PEAK_IN, lane] = w[at.Y, lane]
    for i in range(n):
        x = at.WIDE + at.W_ROWS * i
        w[x + at.W_EFFORT, lane] = efforts[run, i, E_AMPLITUDE]
        w[x + at.W_EFFORT_AT, lane] = efforts[run, i, E_AT]
        w[x + at.W_EFFORT_TIME, lane] = efforts[run, i, E_TIME]
        if efforts[run, i, E_AMPLITUDE] != 0.0:
            w[at.STEP_MAX, lane] = min(w[at.STEP_MAX, lane], efforts[run, i, E_TIME] / STEPS_OF_AN_EFFORT)
        w[at.PEAK + i, lane] = w[at.Y + 2 + 2 * i, lane]
        w[at.BACKFLOW + i, lane] = 0.0
    w[at.STEP, lane] = min(w[at.STEP, lane], w[at.STEP_MAX, lane])


@compiled
def _alveolar(w, lane, i):
    x = at.WIDE + at.W_ROWS * i
    return recoil_at(w, lane, i, w[at.Y + 3 + 2 * i, lane]) - w[x + at.W_MUSCLE_END, lane]


@compiled
def _sample(w, n, lane, row):
    row[S_PORT] = w[at.PORT, lane]
    row[S_SPLITTER_IN] = w[at.Y, lane]
    row[S_SPLITTER_OUT] = w[at.Y + 1, lane]
    row[S_ENTERING] = w[at.ENTERING, lane]
    row[S_LEAVING] = w[at.LEAVING, lane]
    for i in range(n):
        row[S_PATIENT + 4 * i] = w[at.Y + 2 + 2 * i, lane]
        row[S_PATIENT + 4 * i + 1] = _alveolar(w, lane, i)
        row[S_PATIENT + 4 * i + 2] = w[at.WIDE + at.W_ROWS * i + at.W_FLOW, lane]
        row[S_PATIENT + 4 * i + 3] = w[at.Y + 3 + 2 * i, lane] + w[at.Y + at.SLOW + i, lane]


@compiled
def _leave(w, n, lane, state, result):
    for j in range(at.NODES):
        state[j] = w[at.Y + j, lane]
    result[R_ELAPSED] = w[at.TIME, lane]
    result[R_EVENT] = w[at.EVENT, lane]
    result[R_STEPS] = w[at.PHASE_STEPS, lane]
    result[R_PORT] = w[at.PORT, lane]
    result[R_PORT_PEAK] = w[at.PEAK_PORT, lane]
    result[R_PORT_SUM] = w[at.PORT_SUM, lane]
    result[R_SPLITTER_PEAK] = w[at.PEAK_IN, lane]
    result[R_FIRST_STEP] = w[at.STEP_TAKEN, lane]
    for i in range(n):
        result[R_PEAK + i] = w[at.PEAK + i, lane]
        result[R_BACKFLOW + i] = w[at.BACKFLOW + i, lane]
        result[R_ALVEOLAR + i] = _alveolar(w, lane, i)


@kept
@without_lock
def advance_range(
    first, last, n, who, tables, nested, wide, phases, efforts, states, results, tolerance, interval, curves, counts
):
    """Advance runs ``who[first:last]``, each through its own phase or to where a bound of the machine is passed.

    tables: limbs, trunks, lungs as of ``settle_range`` · network_of, lungs_of (runs,). nested, wide as there, the
    second table of wide by lungs. phases (runs, COURSE_COLUMNS), efforts (runs, n, 3). Changes states (runs, NODES),
    whose meters then hold what flowed in this call, and writes results (runs, RESULT_COLUMNS). interval: seconds
    between samples, 0 none; curves (runs, samples, SAMPLE_COLUMNS) and counts (runs,), how many are written so far.
    """
    w = workspace()
    book = np.zeros(LANES, np.int64)
    tree = nested[0]
    bridges = nested[1]
    waiting = first
    busy = 0
    for lane in range(LANES):
        run = who[waiting if waiting < last else first]
        _enter(w, n, lane, run, tables, bridges, wide, phases, efforts, states, tolerance, counts, interval)
        book[lane] = run
        if waiting < last:
            waiting += 1
            busy += 1
        else:
            w[at.LIVE, lane] = 0.0
    while busy > 0:
        if not attempt_step(w, n, tree, wide):
            continue
        for lane in range(LANES):
            run = book[lane]
            if w[at.SAMPLED, lane] > 0.0:
                if counts[run] < curves.shape[1]:
                    _sample(w, n, lane, curves[run, counts[run]])
                counts[run] += 1
                _next_sample(w, lane, phases[run], counts[run], interval)
            if w[at.EVENT, lane] == 0.0:
                continue
            _leave(w, n, lane, states[run], results[run])
            if waiting < last:
                run = who[waiting]
                _enter(w, n, lane, run, tables, bridges, wide, phases, efforts, states, tolerance, counts, interval)
                book[lane] = run
                waiting += 1
            else:
                w[at.LIVE, lane] = 0.0
                busy -= 1
