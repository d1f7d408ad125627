"""Putting a scenario into a lane of the workspace, and beginning one of its phases."""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import numpy as np

from airyoke.breath import layout as at
from airyoke.breath.compiled import compiled
from airyoke.breath.guess import trapped_volumes
from airyoke.breath.lanes import LANES
from airyoke.breath.wide import volume_at

RESISTANCE_FOR_FULL_TOLERANCE = 0.1  # cmH2O·s/L
# While gas flows only in, the expiratory splitter is a dead end behind valves that sit just at opening (and the other
# way round): an error there costs little volume, and chasing it in full would cost more steps.
DEAD_END_WEIGHT = 0.1
FIRST_STEP = 2e-3  # as a part of the phase
STEPS_TO_SEE_A_PEAK = 24.0  # the peak of a changing flow lies inside the phase
FADING_FLOW_FINENESS = 0.5  # valves shut one after the other while the flow fades
EARLIEST_KINK = 1e-3  # as a part of the phase
NEVER = 1e9  # a pressure, a flow, a time that is not reached


@compiled
def workspace():
    """Rows of eight, each on one line of the processor's cache."""
    raw = np.zeros(at.ROWS * LANES + LANES)
    skip = ((64 - raw.ctypes.data % 64) % 64) // 8
    return raw[skip : skip + at.ROWS * LANES].reshape((at.ROWS, LANES))


@compiled
def stored(w, lane):
    """Gas stored in splitters, wyes and lungs, L: the difference over a phase is what came in or went out."""
    total = 0.0
    for j in range(at.NODES):
        total += w[at.MASS + j, lane] * w[at.Y + j, lane]
    return total


@compiled
def load_parts(w, n, lane, limbs, trunk, lungs, bridges, tolerance):
    """Put a circuit and its lungs into a lane, everything that does not change while it breathes."""
    w[at.T_IN_R, lane] = trunk[at.TRUNK_IN_R]
    w[at.T_IN_K4, lane] = 4.0 * trunk[at.TRUNK_IN_K]
    w[at.T_OUT_R, lane] = trunk[at.TRUNK_OUT_R]
    w[at.T_OUT_K4, lane] = 4.0 * trunk[at.TRUNK_OUT_K]
    w[at.MASS, lane] = trunk[at.SPLITTER_IN_C]
    w[at.MASS + 1, lane] = trunk[at.SPLITTER_OUT_C]
    if bridges is not None:
        for b in range(len(bridges)):
            w[at.BRIDGE_R + b, lane] = bridges[b, at.BETWEEN_R]
            w[at.BRIDGE_K4 + b, lane] = 4.0 * bridges[b, at.BETWEEN_K]
            w[at.MASS + 2 + 2 * n + b, lane] = bridges[b, at.BETWEEN_C]
    # The tolerance is on pressures; across a near-zero resistance it must shrink, or the flow error would be
    # larger than the flow and a valve would flutter.
    least = min(trunk[at.TRUNK_IN_R], trunk[at.TRUNK_OUT_R])
    for i in range(n):
        p = at.PATIENT + at.PATIENT_ROWS * i
        limb = limbs[i]
        lung = lungs[i]
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
        w[p + at.P_ELASTANCE, lane] = lung[at.ELASTANCE]
        w[at.MASS + 2 + 2 * i, lane] = limb[at.WYE_C]
        w[at.MASS + 3 + 2 * i, lane] = 1.0
        least = min(least, limb[at.IN_R], limb[at.OUT_R])
    fineness = min(1.0, max(least / RESISTANCE_FOR_FULL_TOLERANCE, 0.01))
    w[at.FINENESS, lane] = fineness
    w[at.SCENARIO_TOLERANCE, lane] = tolerance * fineness
    w[at.VOLUME_SCALE, lane] = 1.0
    w[at.LIVE, lane] = 1.0


@compiled
def load_wide(w, n, lane, limbs, lungs, holes, more):
    """The same for what the wide kernel knows besides; nobody's muscles do anything, no bound is looked at."""
    for i in range(n):
        x = at.WIDE + at.W_ROWS * i
        one = more[i]
        is_sigmoid = one[at.SIGMOID_SPAN] > 0.0
        w[x + at.W_IN_SIGN, lane] = limbs[i, at.IN_SIGN]
        w[x + at.W_OUT_SIGN, lane] = limbs[i, at.OUT_SIGN]
        w[x + at.W_ELASTANCE, lane] = lungs[i, at.ELASTANCE]
        w[x + at.W_IS_SIGMOID, lane] = 1.0 if is_sigmoid else 0.0
        w[x + at.W_SPAN, lane] = one[at.SIGMOID_SPAN] if is_sigmoid else 1.0
        w[x + at.W_CENTRE, lane] = one[at.SIGMOID_CENTRE]
        w[x + at.W_WIDTH, lane] = one[at.SIGMOID_WIDTH]
        w[x + at.W_SLOW_G, lane] = one[at.SLOW_G]
        w[x + at.W_SLOW_E, lane] = one[at.SLOW_ELASTANCE]
        w[x + at.W_EFFORT, lane] = 0.0
        w[x + at.W_EFFORT_AT, lane] = 0.0
        w[x + at.W_EFFORT_TIME, lane] = 1.0
        w[at.MASS + at.SLOW + i, lane] = 1.0
    for site in range(at.SITES):
        for column in range(at.HOLE_COLUMNS):
            w[at.HOLE + at.HOLE_COLUMNS * site + column, lane] = holes[site, column]
    w[at.HIGHEST, lane] = NEVER
    w[at.LOWEST, lane] = -NEVER
    w[at.MISSING_FLOW, lane] = NEVER
    w[at.ARMED_FROM, lane] = NEVER
    w[at.NEXT_SAMPLE, lane] = NEVER


@compiled
def load_resting(w, n, lane, limbs, trunk, lungs, setting, tolerance, small, nested, network, wide, scenario):
    """Put a scenario at rest into a lane, its lungs at the first guess of their end-expiratory volumes.

    ``nested`` and ``wide`` as in ``settle_range``, of which this is network number ``network``.
    """
    peep = setting[at.SET_PEEP]
    w[at.PEEP, lane] = peep
    w[at.FLOW_LIMIT, lane] = setting[at.MAX_FLOW]
    w[at.Y, lane] = peep
    w[at.Y + 1, lane] = peep
    if nested is None:
        load_parts(w, n, lane, limbs, trunk, lungs, None, tolerance)
        trapped = trapped_volumes(n, limbs, trunk, lungs, setting, small)
    else:
        bridges = nested[1][network]
        load_parts(w, n, lane, limbs, trunk, lungs, bridges, tolerance)
        trapped = trapped_volumes(n, nested[2][network], trunk, lungs, setting, small)
        for b in range(len(bridges)):
            w[at.Y + 2 + 2 * n + b, lane] = peep
    for i in range(n):
        elastance = lungs[i, at.ELASTANCE]
        volume = (peep + limbs[i, at.OUT_CRACK]) / elastance + trapped[i]
        w[at.START + i, lane] = volume
        w[at.Y + 2 + 2 * i, lane] = elastance * volume
        w[at.Y + 3 + 2 * i, lane] = volume
    if wide is not None:
        load_wide(w, n, lane, limbs, lungs, wide[0][network], wide[1][scenario])
        for i in range(n):
            pressure = w[at.Y + 2 + 2 * i, lane]
            volume = volume_at(w, lane, i, pressure)
            w[at.START + i, lane] = volume
            w[at.Y + 3 + 2 * i, lane] = volume
            is_slow = w[at.WIDE + at.W_ROWS * i + at.W_SLOW_G, lane] > 0.0
            slow = pressure / w[at.WIDE + at.W_ROWS * i + at.W_SLOW_E, lane] if is_slow else 0.0
            w[at.Y + at.SLOW + i, lane] = slow
            w[at.SLOW_START + i, lane] = slow
        for j in range(at.METER_IN, at.NODES):
            w[at.Y + j, lane] = 0.0
    for number in range(at.MAX_PHASES):
        w[at.FIRST_STEP + number, lane] = 0.0


@compiled
def begin_phase(w, n, lane, phase, first_step):
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
    w[at.STORED, lane] = stored(w, lane)
    w[at.OUTSIDE, lane] = 0.0
    for i in range(n):
        w[at.THROUGH + i, lane] = 0.0
        w[at.LOST + i, lane] = 0.0
