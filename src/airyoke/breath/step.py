"""One step in time of eight scenarios side by side, each with its own clock and its own step size.

State of one scenario: inspiratory splitter pressure, expiratory splitter pressure, and per patient a wye pressure
and a lung volume (alveolar pressure = volume x elastance):

    CM pM' = q_source - sum q_in          Cw W' = q_in - q_lung - q_out
    CX pX' = sum q_out - q_expiratory     v'    = q_lung

Every flow is an explicit function of its pressure drop: dP = R q + K q|q| gives q = 2 dP / (R + sqrt(R^2 + 4K|dP|)).
Time stepping: RODAS3, a four-stage Rosenbrock method of order 3, L-stable and stiffly accurate (Sandu, Verwer,
Blom, Spee, Carmichael, Potra: Atmospheric Environment 1997;31:3459). Eliminating each lung, then each wye, leaves
two unknowns, so a solve costs a few operations per patient and nothing is pivoted or stored.
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

from airyoke.breath.compiled import inlined
from airyoke.breath.lanes import any_above, get, larger, magnitude, pick, put, root, smaller
from airyoke.breath.layout import (
    BACKFLOW,
    CARRIED,
    CONDUCTANCE,
    ELIMINATED,
    EVENT,
    FLOW,
    FLOW_LIMIT,
    K1,
    K2,
    K3,
    K4,
    KINK,
    LIVE,
    MASS,
    NOTHING,
    OUTLET,
    OUTSIDE,
    OWN_FLOW,
    OWN_FLOW_RATE,
    P_ELASTANCE,
    P_IN_CRACK,
    P_IN_K4,
    P_IN_LEAK,
    P_IN_ONE_WAY,
    P_IN_R,
    P_LUNG_K4,
    P_LUNG_R_IN,
    P_LUNG_R_OUT,
    P_OUT_CRACK,
    P_OUT_K4,
    P_OUT_LEAK,
    P_OUT_ONE_WAY,
    P_OUT_R,
    PATIENT,
    PATIENT_ROWS,
    PEAK,
    PEAK_IN,
    PEEP,
    PHASE_STEPS,
    PHASE_TIME,
    PRESSURE,
    PRESSURE_RATE,
    REVERSED,
    SOURCE,
    STAGE_CONDUCTANCE,
    STAGE_FLOW,
    STAGE_REVERSED,
    STAGE_Y,
    STEP,
    STEP_MAX,
    STEP_TAKEN,
    T_IN_K4,
    T_IN_R,
    T_OUT_K4,
    T_OUT_R,
    THROUGH,
    TIME,
    TOLERANCE,
    WATCH_IN,
    WATCH_OUT,
    Y,
)

VALVE_WIDTH = 0.002  # cmH2O: half-width over which a valve opens; measured against a hard valve: < 0.01 % of VT
FLOW_WIDTH = 0.002  # L/s: half-width of the change from the machine's own flow to its flow limit
VOLUME_WEIGHT = 20.0  # of an error in alveolar pressure against one in a junction's pressure
MAX_STEPS = 20000  # in one phase
SMALLEST_STEP = 1e-15  # as a part of the phase


@inlined
def _opening(x, width):
    """Smooth max(x, 0), exact outside +-width, and its slope."""
    u = smaller(larger(x + width, 0.0), 2.0 * width)
    return u * u * (0.25 / width) + larger(x - width, 0.0), u * (0.5 / width)


@inlined
def _two_way(drop, linear, quadratic4):
    """Flow of R q + K q|q| = drop and its slope; ``quadratic4`` is 4 K."""
    s = root(linear * linear + quadratic4 * magnitude(drop))
    both = 1.0 / (s * (linear + s))
    return 2.0 * drop * s * both, (linear + s) * both


@inlined
def _limb(drop, linear, quadratic4, cracking, leak, one_way):
    """Flow through a limb and its conductance d(flow)/d(drop)."""
    opened, slope = _opening(drop - cracking, VALVE_WIDTH)
    driving = pick(one_way, 0.5, opened, drop)
    slope = pick(one_way, 0.5, slope, 1.0)
    flow, conductance = _two_way(driving, linear, quadratic4)
    # A shut valve leaks backwards; without a valve the leak is zero.
    return flow + leak * smaller(drop, 0.0), slope * conductance + pick(0.0, drop, leak, 0.0)


@inlined
def _flows(w, n, state, flow, conductance, reverse, pressure, own_flow):
    """Net flow into each node, conductances, reversed flow of each patient's branches: rows that start at these places.

    Returns the conductances of source and expiratory trunk, and how much of a change of the machine's own flow
    reaches the splitter (0 to 1).
    """
    p_in = get(w, state)
    p_out = get(w, state + 1)
    source = get(w, SOURCE)
    driving, slope = _opening(pressure - p_in, VALVE_WIDTH)
    raw, g = _two_way(driving, get(w, T_IN_R), get(w, T_IN_K4))
    excess, share = _opening(own_flow - raw, FLOW_WIDTH)
    into_splitter = source * (own_flow - excess)
    g_source = source * share * slope * g
    outlet = get(w, OUTLET)
    driving, slope = _opening(p_out - get(w, PEEP), VALVE_WIDTH)
    leaving, g = _two_way(driving, get(w, T_OUT_R), get(w, T_OUT_K4))
    from_splitter = outlet * leaving
    g_expiratory = outlet * slope * g
    for i in range(n):
        p = PATIENT + PATIENT_ROWS * i
        wye = get(w, state + 2 + 2 * i)
        q_in, g_in = _limb(
            p_in - wye, get(w, p + P_IN_R), get(w, p + P_IN_K4), get(w, p + P_IN_CRACK), get(w, p + P_IN_LEAK),
            get(w, p + P_IN_ONE_WAY),
        )  # fmt: skip
        q_out, g_out = _limb(
            wye - p_out, get(w, p + P_OUT_R), get(w, p + P_OUT_K4), get(w, p + P_OUT_CRACK), get(w, p + P_OUT_LEAK),
            get(w, p + P_OUT_ONE_WAY),
        )  # fmt: skip
        drop = wye - get(w, p + P_ELASTANCE) * get(w, state + 3 + 2 * i)
        resistance = pick(drop, 0.0, get(w, p + P_LUNG_R_IN), get(w, p + P_LUNG_R_OUT))
        q_lung, g_lung = _two_way(drop, resistance, get(w, p + P_LUNG_K4))
        into_splitter = into_splitter - q_in
        from_splitter = from_splitter - q_out
        put(w, flow + 2 + 2 * i, q_in - q_lung - q_out)
        put(w, flow + 3 + 2 * i, q_lung)
        put(w, conductance + 3 * i, g_in)
        put(w, conductance + 3 * i + 1, g_lung)
        put(w, conductance + 3 * i + 2, g_out)
        put(w, reverse + i, larger(-1.0 * q_in, 0.0) + larger(-1.0 * q_out, 0.0))
    put(w, flow, into_splitter)
    put(w, flow + 1, -1.0 * from_splitter)
    return g_source, g_expiratory, source * (1.0 - share)


@inlined
def _eliminate(w, n, a, g_source, g_expiratory):
    """Eliminate lungs, then wyes from (mass a + conductances). Returns the 2x2 that is left and 1/determinant."""
    m_in = get(w, MASS) * a + g_source
    m_out = get(w, MASS + 1) * a + g_expiratory
    m_off = 0.0 * a
    for i in range(n):
        g_in = get(w, CONDUCTANCE + 3 * i)
        g_lung = get(w, CONDUCTANCE + 3 * i + 1)
        g_out = get(w, CONDUCTANCE + 3 * i + 2)
        stiffness = g_lung * get(w, PATIENT + PATIENT_ROWS * i + P_ELASTANCE)
        dv = 1.0 / (a + stiffness)
        share = stiffness * dv
        s = 1.0 / (get(w, MASS + 2 + 2 * i) * a + g_in + g_out + g_lung * (1.0 - share))
        put(w, ELIMINATED + 3 * i, dv)
        put(w, ELIMINATED + 3 * i + 1, share)
        put(w, ELIMINATED + 3 * i + 2, s)
        m_in = m_in + (g_in - g_in * g_in * s)
        m_out = m_out + (g_out - g_out * g_out * s)
        m_off = m_off + g_in * g_out * s
    return m_in, m_out, m_off, 1.0 / (m_in * m_out - m_off * m_off)


@inlined
def _solve(w, n, k, flow, carried, weight, extra, m_in, m_out, m_off, inverse):
    """Solve for a stage into the rows that start at ``k``.

    Right-hand side: the rows at ``flow`` + mass x weight x the rows at ``carried``, and ``extra`` at the inspiratory
    splitter.
    """
    r_in = get(w, flow) + get(w, MASS) * weight * get(w, carried) + extra
    r_out = get(w, flow + 1) + get(w, MASS + 1) * weight * get(w, carried + 1)
    for i in range(n):
        wye = 2 + 2 * i
        lung = 3 + 2 * i
        r_lung = get(w, flow + lung) + weight * get(w, carried + lung)
        r_wye = get(w, flow + wye) + get(w, MASS + wye) * weight * get(w, carried + wye)
        z = get(w, ELIMINATED + 3 * i + 2) * (r_wye + get(w, ELIMINATED + 3 * i + 1) * r_lung)
        r_in = r_in + get(w, CONDUCTANCE + 3 * i) * z
        r_out = r_out + get(w, CONDUCTANCE + 3 * i + 2) * z
        put(w, k + wye, z)
        put(w, k + lung, r_lung)
    k_in = (r_in * m_out + r_out * m_off) * inverse
    k_out = (r_out * m_in + r_in * m_off) * inverse
    put(w, k, k_in)
    put(w, k + 1, k_out)
    for i in range(n):
        wye = 2 + 2 * i
        lung = 3 + 2 * i
        through = get(w, CONDUCTANCE + 3 * i) * k_in + get(w, CONDUCTANCE + 3 * i + 2) * k_out
        k_wye = get(w, k + wye) + get(w, ELIMINATED + 3 * i + 2) * through
        put(w, k + wye, k_wye)
        r_lung = get(w, k + lung)
        put(w, k + lung, get(w, ELIMINATED + 3 * i) * (r_lung + get(w, CONDUCTANCE + 3 * i + 1) * k_wye))


@inlined
def attempt_step(w, n):
    """Try one step in every lane that is live; keep it where the error is below the tolerance, else shorten it.

    ``w`` is the workspace, shape (ROWS, LANES). Returns whether the row EVENT is set anywhere: a phase is over, or
    its steps collapsed.
    """
    size = 2 + 2 * n
    t = get(w, TIME)
    duration = get(w, PHASE_TIME)
    h = get(w, STEP)
    live = get(w, LIVE)
    kink = get(w, KINK)
    goal = pick(kink, t, kink, duration)
    arrives = pick(t + 1.01 * h, goal, 1.0, 0.0)
    h = pick(arrives, 0.5, goal - t, h)
    last = pick(kink, t, 0.0, arrives)

    pressure_rate = get(w, PRESSURE_RATE)
    flow_limit = get(w, FLOW_LIMIT)
    wanted = get(w, OWN_FLOW) + get(w, OWN_FLOW_RATE) * t
    flow_rate = pick(wanted, flow_limit, 0.0, get(w, OWN_FLOW_RATE))
    g_source, g_expiratory, share = _flows(
        w, n, Y, FLOW, CONDUCTANCE, REVERSED, get(w, PRESSURE) + pressure_rate * t, smaller(wanted, flow_limit)
    )
    change = g_source * pressure_rate + share * flow_rate  # of the source in time
    c = 1.0 / h
    m_in, m_out, m_off, inverse = _eliminate(w, n, 2.0 * c, g_source, g_expiratory)

    # Stages 1 and 2 share the evaluation at (t, y).
    _solve(w, n, K1, FLOW, NOTHING, 0.0 * c, 0.5 * h * change, m_in, m_out, m_off, inverse)
    _solve(w, n, K2, FLOW, K1, 4.0 * c, 1.5 * h * change, m_in, m_out, m_off, inverse)

    # Stages 3 and 4 at t + h.
    end = t + h
    pressure = get(w, PRESSURE) + pressure_rate * end
    own_flow = smaller(get(w, OWN_FLOW) + get(w, OWN_FLOW_RATE) * end, flow_limit)
    for j in range(size):
        k1 = get(w, K1 + j)
        put(w, CARRIED + j, k1 - get(w, K2 + j))
        put(w, STAGE_Y + j, get(w, Y + j) + 2.0 * k1)
    _flows(w, n, STAGE_Y, STAGE_FLOW, STAGE_CONDUCTANCE, STAGE_REVERSED, pressure, own_flow)
    _solve(w, n, K3, STAGE_FLOW, CARRIED, c, 0.0 * c, m_in, m_out, m_off, inverse)
    for j in range(size):
        k3 = get(w, K3 + j)
        put(w, CARRIED + j, get(w, CARRIED + j) - (8.0 / 3.0) * k3)
        put(w, STAGE_Y + j, get(w, STAGE_Y + j) + k3)
    _flows(w, n, STAGE_Y, STAGE_FLOW, STAGE_CONDUCTANCE, STAGE_REVERSED, pressure, own_flow)
    _solve(w, n, K4, STAGE_FLOW, CARRIED, c, 0.0 * c, m_in, m_out, m_off, inverse)

    # The fourth stage is the error. Adding 0 x the sum keeps a value that is not a number from slipping through.
    error = larger(get(w, WATCH_IN) * magnitude(get(w, K4)), get(w, WATCH_OUT) * magnitude(get(w, K4 + 1)))
    total = get(w, K4) + get(w, K4 + 1)
    for i in range(n):
        wye = magnitude(get(w, K4 + 2 + 2 * i))
        volume = magnitude(get(w, K4 + 3 + 2 * i))
        elastance = get(w, PATIENT + PATIENT_ROWS * i + P_ELASTANCE)
        error = larger(error, larger(wye, VOLUME_WEIGHT * elastance * volume))
        total = total + wye + volume
    error = error / get(w, TOLERANCE) + 0.0 * total + 1e-30
    # error^(-5/16) by square roots: near enough to -1/3, which lanes have no power function for.
    fourth = root(root(error))
    factor = larger(smaller(0.85 / (fourth * root(root(fourth))), 4.0), 0.15)
    factor = pick(error, 0.0, factor, 0.15)
    kept = pick(1.0, error, live, 0.0)

    put(w, OUTSIDE, pick(kept, 0.5, get(w, OUTSIDE) + h * (g_source + g_expiratory), get(w, OUTSIDE)))
    for i in range(n):
        g_in = get(w, CONDUCTANCE + 3 * i)
        g_lung = get(w, CONDUCTANCE + 3 * i + 1)
        outer = g_in + get(w, CONDUCTANCE + 3 * i + 2)
        through = get(w, THROUGH + i) + h * g_lung * outer / (g_lung + outer + 1e-30)
        put(w, THROUGH + i, pick(kept, 0.5, through, get(w, THROUGH + i)))
        back = get(w, BACKFLOW + i) + 0.5 * h * (get(w, REVERSED + i) + get(w, STAGE_REVERSED + i))
        put(w, BACKFLOW + i, pick(kept, 0.5, back, get(w, BACKFLOW + i)))
    for j in range(size):
        put(w, Y + j, pick(kept, 0.5, get(w, STAGE_Y + j) + get(w, K4 + j), get(w, Y + j)))
    put(w, PEAK_IN, larger(get(w, PEAK_IN), get(w, Y)))
    for i in range(n):
        put(w, PEAK + i, larger(get(w, PEAK + i), get(w, Y + 2 + 2 * i)))

    put(w, STEP_TAKEN, pick(t, 0.0, get(w, STEP_TAKEN), h))
    put(w, TIME, pick(kept, 0.5, pick(arrives, 0.5, goal, end), t))
    next_step = pick(kept, 0.5, smaller(h * factor, get(w, STEP_MAX)), h * factor)
    put(w, STEP, next_step)
    steps = get(w, PHASE_STEPS) + live
    put(w, PHASE_STEPS, steps)
    collapsed = pick(next_step, SMALLEST_STEP * duration, pick(steps, float(MAX_STEPS), 2.0, 0.0), 2.0)
    event = live * collapsed + kept * last
    put(w, EVENT, event)
    return any_above(event, 0.5)
