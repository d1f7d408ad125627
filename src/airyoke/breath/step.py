"""One step in time of eight scenarios side by side, each with its own clock and its own step size.

State of one scenario: inspiratory splitter pressure, expiratory splitter pressure, and per patient a wye pressure
and a lung volume (alveolar pressure = volume x elastance):

    CM pM' = q_source - sum q_in          Cw W' = q_in - q_lung - q_out
    CX pX' = sum q_out - q_expiratory     v'    = q_lung

The flows are those of ``elements``; with splitters behind splitters each is a pressure more (``nested``).
Time stepping: RODAS3, a four-stage Rosenbrock method of order 3, L-stable and stiffly accurate (Sandu, Verwer,
Blom, Spee, Carmichael, Potra: Atmospheric Environment 1997;31:3459). Eliminating each lung, then each wye, leaves
two unknowns (more with splitters behind splitters), so a solve costs a few operations per patient and nothing is
pivoted.
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

from airyoke.breath.compiled import inlined
from airyoke.breath.elements import eliminate_patient, machine, patient, patient_backward, patient_forward
from airyoke.breath.lanes import any_above, get, larger, magnitude, pick, put, root, smaller
from airyoke.breath.layout import (
    BACKFLOW,
    BRIDGE_CONDUCTANCE,
    CARRIED,
    CONDUCTANCE,
    EVENT,
    FLOW,
    FLOW_LIMIT,
    HOLE_G,
    K1,
    K2,
    K3,
    K4,
    KINK,
    LIVE,
    LOCAL,
    MASS,
    MAX_JUNCTIONS,
    NEXT_SAMPLE,
    NODES,
    NOTHING,
    OUTSIDE,
    OWN_FLOW,
    OWN_FLOW_RATE,
    P_ELASTANCE,
    PATIENT,
    PATIENT_ROWS,
    PEAK,
    PEAK_IN,
    PHASE_STEPS,
    PHASE_TIME,
    PRESSURE,
    PRESSURE_RATE,
    REVERSED,
    SAMPLED,
    SLOW,
    STAGE_BRIDGE_CONDUCTANCE,
    STAGE_CONDUCTANCE,
    STAGE_FLOW,
    STAGE_LOCAL,
    STAGE_REVERSED,
    STAGE_Y,
    STEP,
    STEP_MAX,
    STEP_TAKEN,
    THROUGH,
    TIME,
    TOLERANCE,
    W_MUSCLE,
    W_MUSCLE_END,
    W_ROWS,
    W_SLOW_E,
    WATCH_IN,
    WATCH_OUT,
    WIDE,
    Y,
)
from airyoke.breath.nested import nested_error, nested_factor, nested_flows, nested_solve
from airyoke.breath.wide import bound_passed, close_wide_step, remember_openings, set_muscles

VOLUME_WEIGHT = 20.0  # of an error in alveolar pressure against one in a junction's pressure
MAX_STEPS = 20000  # in one phase
SMALLEST_STEP = 1e-15  # as a part of the phase
EVENT_S = 1e-3  # a bound of the machine is found to have been passed this exactly
BACK = 0.3  # times the step that went beyond a bound
BOUND_PASSED = 4.0
SLOW_END = NODES  # slow volumes and meters, the last rows of a state


@inlined
def _flows(w, n, tree, wide, state, flow, conductance, bridge, reverse, local, muscle, pressure, own_flow):
    """Net flow into each node, conductances, reversed flow of each patient's branches: rows that start at these places.

    Returns the conductances of source and expiratory trunk, and how much of a change of the machine's own flow
    reaches the splitter (0 to 1).
    """
    if tree is not None:
        return nested_flows(
            w, n, tree, wide, state, flow, conductance, bridge, reverse, local, muscle, pressure, own_flow
        )
    p_in = get(w, state)
    p_out = get(w, state + 1)
    into_splitter, from_splitter, g_source, g_expiratory, share = machine(w, p_in, p_out, pressure, own_flow)
    for i in range(n):
        q_in, q_out = patient(w, i, state, flow, conductance, reverse, p_in, p_out)
        into_splitter = into_splitter - q_in
        from_splitter = from_splitter - q_out
    put(w, flow, into_splitter)
    put(w, flow + 1, -1.0 * from_splitter)
    return g_source, g_expiratory, share


@inlined
def _eliminate(w, n, tree, wide, a, g_source, g_expiratory):
    """Eliminate lungs, then wyes from (mass a + conductances). Returns the 2x2 that is left and 1/determinant; of
    splitters behind splitters nothing, their matrix stays in the workspace."""
    if tree is not None:
        return nested_factor(w, n, tree, wide, a, g_source, g_expiratory)
    m_in = get(w, MASS) * a + g_source
    m_out = get(w, MASS + 1) * a + g_expiratory
    m_off = 0.0 * a
    for i in range(n):
        add_in, add_out, add_off = eliminate_patient(w, i, a)
        m_in = m_in + add_in
        m_out = m_out + add_out
        m_off = m_off + add_off
    return m_in, m_out, m_off, 1.0 / (m_in * m_out - m_off * m_off)


@inlined
def _solve(w, n, tree, wide, k, flow, carried, weight, extra, time_weight, a, left):
    """Solve for a stage into the rows that start at ``k``; ``left`` is what :func:`_eliminate` returned.

    Right-hand side: the rows at ``flow`` + mass x weight x the rows at ``carried``, and ``extra`` at the inspiratory
    splitter; in the wide kernel also ``time_weight`` x what the muscles change.
    """
    if tree is not None:
        nested_solve(w, n, tree, wide, k, flow, carried, weight, extra, time_weight, a)
    else:
        m_in, m_out, m_off, inverse = left
        r_in = get(w, flow) + get(w, MASS) * weight * get(w, carried) + extra
        r_out = get(w, flow + 1) + get(w, MASS + 1) * weight * get(w, carried + 1)
        for i in range(n):
            add_in, add_out = patient_forward(w, i, k, flow, carried, weight)
            r_in = r_in + add_in
            r_out = r_out + add_out
        k_in = (r_in * m_out + r_out * m_off) * inverse
        k_out = (r_out * m_in + r_in * m_off) * inverse
        put(w, k, k_in)
        put(w, k + 1, k_out)
        for i in range(n):
            patient_backward(w, i, k, k_in, k_out)


@inlined
def attempt_step(w, n, tree, wide):
    """Try one step in every lane that is live; keep it where the error is below the tolerance, else shorten it.

    ``w`` is the workspace, shape (ROWS, LANES); ``tree`` is None where each side has one splitter, else as in
    ``nested``; ``wide`` is None or anything, with a tree, for what ``wide`` adds: the compiler makes a version of its
    own for each. Returns whether the row EVENT is set anywhere: a phase is over, or its steps collapsed; in the wide
    kernel also where a bound of the machine is passed, or SAMPLED.
    """
    size = 2 + 2 * n
    if tree is not None:
        size += len(tree[0])
    t = get(w, TIME)
    duration = get(w, PHASE_TIME)
    h = get(w, STEP)
    live = get(w, LIVE)
    kink = get(w, KINK)
    goal = pick(kink, t, kink, duration)
    if wide is not None:
        goal = smaller(goal, get(w, NEXT_SAMPLE))
    arrives = pick(t + 1.01 * h, goal, 1.0, 0.0)
    h = pick(arrives, 0.5, goal - t, h)
    last = pick(kink, t, 0.0, arrives)
    if wide is not None:
        last = pick(duration, goal, 0.0, last)
        set_muscles(w, n, t, t + h)

    pressure_rate = get(w, PRESSURE_RATE)
    flow_limit = get(w, FLOW_LIMIT)
    wanted = get(w, OWN_FLOW) + get(w, OWN_FLOW_RATE) * t
    flow_rate = pick(wanted, flow_limit, 0.0, get(w, OWN_FLOW_RATE))
    g_source, g_expiratory, share = _flows(
        w, n, tree, wide, Y, FLOW, CONDUCTANCE, BRIDGE_CONDUCTANCE, REVERSED, LOCAL, W_MUSCLE,
        get(w, PRESSURE) + pressure_rate * t, smaller(wanted, flow_limit),
    )  # fmt: skip
    change = g_source * pressure_rate + share * flow_rate  # of the source in time
    c = 1.0 / h
    a = 2.0 * c
    left = _eliminate(w, n, tree, wide, a, g_source, g_expiratory)

    # Stages 1 and 2 share the evaluation at (t, y).
    _solve(w, n, tree, wide, K1, FLOW, NOTHING, 0.0 * c, 0.5 * h * change, 0.5 * h, a, left)
    _solve(w, n, tree, wide, K2, FLOW, K1, 4.0 * c, 1.5 * h * change, 1.5 * h, a, left)

    # Stages 3 and 4 at t + h.
    end = t + h
    pressure = get(w, PRESSURE) + pressure_rate * end
    own_flow = smaller(get(w, OWN_FLOW) + get(w, OWN_FLOW_RATE) * end, flow_limit)
    for j in range(size):
        k1 = get(w, K1 + j)
        put(w, CARRIED + j, k1 - get(w, K2 + j))
        put(w, STAGE_Y + j, get(w, Y + j) + 2.0 * k1)
    if wide is not None:
        for j in range(SLOW, SLOW_END):
            k1 = get(w, K1 + j)
            put(w, CARRIED + j, k1 - get(w, K2 + j))
            put(w, STAGE_Y + j, get(w, Y + j) + 2.0 * k1)
    _flows(
        w, n, tree, wide, STAGE_Y, STAGE_FLOW, STAGE_CONDUCTANCE, STAGE_BRIDGE_CONDUCTANCE, STAGE_REVERSED, STAGE_LOCAL,
        W_MUSCLE_END, pressure, own_flow,
    )  # fmt: skip
    _solve(w, n, tree, wide, K3, STAGE_FLOW, CARRIED, c, 0.0 * c, 0.0 * c, a, left)
    for j in range(size):
        k3 = get(w, K3 + j)
        put(w, CARRIED + j, get(w, CARRIED + j) - (8.0 / 3.0) * k3)
        put(w, STAGE_Y + j, get(w, STAGE_Y + j) + k3)
    if wide is not None:
        for j in range(SLOW, SLOW_END):
            k3 = get(w, K3 + j)
            put(w, CARRIED + j, get(w, CARRIED + j) - (8.0 / 3.0) * k3)
            put(w, STAGE_Y + j, get(w, STAGE_Y + j) + k3)
    _flows(
        w, n, tree, wide, STAGE_Y, STAGE_FLOW, STAGE_CONDUCTANCE, STAGE_BRIDGE_CONDUCTANCE, STAGE_REVERSED, STAGE_LOCAL,
        W_MUSCLE_END, pressure, own_flow,
    )  # fmt: skip
    _solve(w, n, tree, wide, K4, STAGE_FLOW, CARRIED, c, 0.0 * c, 0.0 * c, a, left)

    # The fourth stage is the error. Adding 0 x the sum keeps a value that is not a number from slipping through.
    error = larger(get(w, WATCH_IN) * magnitude(get(w, K4)), get(w, WATCH_OUT) * magnitude(get(w, K4 + 1)))
    total = get(w, K4) + get(w, K4 + 1)
    if tree is not None:
        worst, behind = nested_error(w, n, tree)
        error = larger(error, worst)
        total = total + behind
    for i in range(n):
        wye = magnitude(get(w, K4 + 2 + 2 * i))
        volume = magnitude(get(w, K4 + 3 + 2 * i))
        elastance = get(w, PATIENT + PATIENT_ROWS * i + P_ELASTANCE) if wide is None else get(w, LOCAL + i)
        error = larger(error, larger(wye, VOLUME_WEIGHT * elastance * volume))
        total = total + wye + volume
        if wide is not None:
            slow = magnitude(get(w, K4 + SLOW + i))
            error = larger(error, VOLUME_WEIGHT * get(w, WIDE + W_ROWS * i + W_SLOW_E) * slow)
            total = total + slow
    error = error / get(w, TOLERANCE) + 0.0 * total + 1e-30
    # error^(-5/16) by square roots: near enough to -1/3, which lanes have no power function for.
    fourth = root(root(error))
    factor = larger(smaller(0.85 / (fourth * root(root(fourth))), 4.0), 0.15)
    factor = pick(error, 0.0, factor, 0.15)
    kept = pick(1.0, error, live, 0.0)
    passed = 0.0 * h
    if wide is not None:
        passed = kept * bound_passed(w, end)
        # Passed within a longer step: back, to where it is passed.
        again = passed * pick(h, EVENT_S, 1.0, 0.0)
        factor = pick(again, 0.5, smaller(factor, BACK), factor)
        kept = kept - again
        passed = passed - again

    put(w, OUTSIDE, pick(kept, 0.5, get(w, OUTSIDE) + h * (g_source + g_expiratory), get(w, OUTSIDE)))
    if wide is not None:
        remember_openings(w, n, 2 + len(tree[0]), kept * h)
    for i in range(n):
        g_in = get(w, CONDUCTANCE + 3 * i)
        g_lung = get(w, CONDUCTANCE + 3 * i + 1)
        outer = g_in + get(w, CONDUCTANCE + 3 * i + 2)
        total = g_lung + outer + 1e-30
        if wide is not None:
            total = total + get(w, HOLE_G + MAX_JUNCTIONS + i)
        through = get(w, THROUGH + i) + h * g_lung * outer / total
        put(w, THROUGH + i, pick(kept, 0.5, through, get(w, THROUGH + i)))
        back = get(w, BACKFLOW + i) + 0.5 * h * (get(w, REVERSED + i) + get(w, STAGE_REVERSED + i))
        put(w, BACKFLOW + i, pick(kept, 0.5, back, get(w, BACKFLOW + i)))
    for j in range(size):
        put(w, Y + j, pick(kept, 0.5, get(w, STAGE_Y + j) + get(w, K4 + j), get(w, Y + j)))
    put(w, PEAK_IN, larger(get(w, PEAK_IN), get(w, Y)))
    for i in range(n):
        put(w, PEAK + i, larger(get(w, PEAK + i), get(w, Y + 2 + 2 * i)))
    if wide is not None:
        close_wide_step(w, n, kept, h)
        put(w, SAMPLED, kept * arrives * pick(get(w, NEXT_SAMPLE), goal, 0.0, 1.0))

    put(w, STEP_TAKEN, pick(t, 0.0, get(w, STEP_TAKEN), h))
    put(w, TIME, pick(kept, 0.5, pick(arrives, 0.5, goal, end), t))
    next_step = pick(kept, 0.5, smaller(h * factor, get(w, STEP_MAX)), h * factor)
    put(w, STEP, next_step)
    steps = get(w, PHASE_STEPS) + live
    put(w, PHASE_STEPS, steps)
    collapsed = pick(next_step, SMALLEST_STEP * duration, pick(steps, float(MAX_STEPS), 2.0, 0.0), 2.0)
    event = live * collapsed + kept * last
    if wide is not None:
        # A step whose end is both the phase's and past a bound ends the phase by the bound.
        event = pick(passed, 0.5, BOUND_PASSED, event)
        put(w, EVENT, event)
        return any_above(event + get(w, SAMPLED), 0.5)
    put(w, EVENT, event)
    return any_above(event, 0.5)
