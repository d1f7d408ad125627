"""What the wide kernel knows besides: openings to the room, reversed valves, lungs that are more than one compliance,
and muscles that pull or push.

The compiler makes this version of the step only where it is asked for; the usual one carries nothing of it. One lung:

    Cw W' = q_in - q_lung - q_out - q_wye     v' = q_lung - q_slow - q_cuff     s' = q_slow
    q_lung = f(W - P(v) + M)                  q_slow = (P(v) - Es s) / Rs       q_cuff = h(P(v) - M)

v is the volume of the lung (of its fast compartment), s that of the slow one, which hangs on the first through its own
resistance (Otis et al.: J Appl Physiol 1956;8:427), M the pressure of the muscles, positive when they breathe in. P(v)
is v x elastance or the sigmoid curve (Venegas, Harris, Simon: J Appl Physiol 1998;84:389), v = b / (1 + exp(-(P -
c)/d)), turned round. Meters integrate, by the same method as the state, what enters, what leaves through the machine
and what openings take: stored gas equals their balance to rounding.
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math

from airyoke.breath import layout as at
from airyoke.breath.compiled import compiled, inlined
from airyoke.breath.elements import VALVE_WIDTH, limb, opening, two_way
from airyoke.breath.lanes import exponent, get, larger, magnitude, mantissa, pick, put, root, smaller

GENTLE = 0.1  # cmH2O: above, an opening follows its law exactly
EDGE = 1e-4  # of the span: nearer to its ends the sigmoid curve goes on straight
LN_2 = math.log(2.0)
HALF_PI = 0.5 * math.pi


@inlined
def natural_log(x):
    """ln of positive normal numbers, to rounding: the series of the inverse hyperbolic tangent on a mantissa."""
    m = mantissa(x)
    t = (m - math.sqrt(2.0)) / (m + math.sqrt(2.0))
    u = t * t
    series = 1.0 + u * (1 / 3 + u * (1 / 5 + u * (1 / 7 + u * (1 / 9 + u * (1 / 11 + u * (1 / 13 + u * (1 / 15)))))))
    return LN_2 * (exponent(x) + 0.5) + 2.0 * t * series


@inlined
def sine_and_cosine(x):
    """Of numbers between -pi/2 and pi/2, to 1e-9."""
    u = x * x
    sine = x * (1.0 - u / 6 * (1.0 - u / 20 * (1.0 - u / 42 * (1.0 - u / 72 * (1.0 - u / 110 * (1.0 - u / 156))))))
    cosine = 1.0 - u / 2 * (
        1.0 - u / 12 * (1.0 - u / 30 * (1.0 - u / 56 * (1.0 - u / 90 * (1.0 - u / 132 * (1.0 - u / 182)))))
    )
    return sine, cosine


@inlined
def elastic(w, i, volume):
    """Pressure of a lung at a volume, and its elastance there."""
    p = at.WIDE + at.W_ROWS * i
    span = get(w, p + at.W_SPAN)
    width = get(w, p + at.W_WIDTH)
    linear = get(w, p + at.W_ELASTANCE)
    part = volume / span
    inside = smaller(larger(part, EDGE), 1.0 - EDGE)
    slope = width / (span * inside * (1.0 - inside))
    pressure = get(w, p + at.W_CENTRE) + width * natural_log(inside / (1.0 - inside)) + slope * span * (part - inside)
    sigmoid = get(w, p + at.W_IS_SIGMOID)
    return pick(sigmoid, 0.5, pressure, linear * volume), pick(sigmoid, 0.5, slope, linear)


@inlined
def hole(w, site, pressure):
    """Flow out through the opening at a site, and its conductance."""
    p = at.HOLE + at.HOLE_COLUMNS * site
    drop = pressure - get(w, p + at.HOLE_OUTSIDE)
    opened, slope = opening(drop - get(w, p + at.HOLE_CRACK), VALVE_WIDTH)
    one_way = get(w, p + at.HOLE_ONE_WAY)
    driving = pick(one_way, 0.5, opened, drop)
    slope = pick(one_way, 0.5, slope, 1.0) * get(w, p + at.HOLE_OPEN)
    # The law of an orifice is infinitely steep at rest, where a step would swing to and fro for ever. Real gas creeps
    # there: below GENTLE the root is taken of a parabola that meets |drop| with its slope.
    linear = get(w, p + at.HOLE_R)
    quadratic = get(w, p + at.HOLE_K)
    size = magnitude(driving)
    flat = driving * driving * (1.0 / GENTLE)
    s = root(linear * linear + 4.0 * quadratic * pick(size, GENTLE, size, 0.5 * (flat + GENTLE)))
    both = 1.0 / (linear + s)
    q = 2.0 * driving * both
    g = 2.0 * both * (1.0 - 2.0 * quadratic * pick(size, GENTLE, size, flat) * both / s)
    return q * get(w, p + at.HOLE_OPEN) + get(w, p + at.HOLE_DRAWS), g * slope


@compiled
def junction_holes(w, n, count, state, flow, local):
    """Take what leaves through the openings of all junctions from their net flows."""
    total = 0.0 * get(w, state)
    for j in range(count):
        row = j if j < 2 else j + 2 * n
        q, g = hole(w, j, get(w, state + row))
        put(w, flow + row, get(w, flow + row) - q)
        put(w, local + at.MAX_PATIENTS + j, g)
        total = total + q
    put(w, flow + at.METER_JUNCTIONS, total)


@inlined
def read_machine(w, flow, p_in, entering, leaving):
    """What the machine's sensors and meters are given."""
    put(w, at.PORT, p_in + (get(w, at.T_IN_R) + 0.25 * get(w, at.T_IN_K4) * magnitude(entering)) * entering)
    put(w, at.ENTERING, entering)
    put(w, at.LEAVING, leaving)
    put(w, flow + at.METER_IN, entering)
    put(w, flow + at.METER_OUT, leaving)


@compiled
def wide_patient(w, i, state, flow, conductance, reverse, p_in, p_out, local, muscle):
    """As ``patient`` of ``elements``; ``muscle`` is the row of the muscles' pressure at this time."""
    p = at.PATIENT + at.PATIENT_ROWS * i
    x = at.WIDE + at.W_ROWS * i
    wye = get(w, state + 2 + 2 * i)
    sign_in = get(w, x + at.W_IN_SIGN)
    sign_out = get(w, x + at.W_OUT_SIGN)
    q_in, g_in = limb(
        sign_in * (p_in - wye), get(w, p + at.P_IN_R), get(w, p + at.P_IN_K4), get(w, p + at.P_IN_CRACK),
        get(w, p + at.P_IN_LEAK), get(w, p + at.P_IN_ONE_WAY),
    )  # fmt: skip
    q_out, g_out = limb(
        sign_out * (wye - p_out), get(w, p + at.P_OUT_R), get(w, p + at.P_OUT_K4), get(w, p + at.P_OUT_CRACK),
        get(w, p + at.P_OUT_LEAK), get(w, p + at.P_OUT_ONE_WAY),
    )  # fmt: skip
    q_in = sign_in * q_in
    q_out = sign_out * q_out
    recoil, elastance = elastic(w, i, get(w, state + 3 + 2 * i))
    alveolar = recoil - get(w, x + muscle)
    drop = wye - alveolar
    resistance = pick(drop, 0.0, get(w, p + at.P_LUNG_R_IN), get(w, p + at.P_LUNG_R_OUT))
    q_lung, g_lung = two_way(drop, resistance, get(w, p + at.P_LUNG_K4))
    q_slow = get(w, x + at.W_SLOW_G) * (recoil - get(w, x + at.W_SLOW_E) * get(w, state + at.SLOW + i))
    q_wye, g_wye = hole(w, at.MAX_JUNCTIONS + i, wye)
    q_cuff, g_cuff = hole(w, at.MAX_JUNCTIONS + at.MAX_PATIENTS + i, alveolar)
    put(w, flow + 2 + 2 * i, q_in - q_lung - q_out - q_wye)
    put(w, flow + 3 + 2 * i, q_lung - q_slow - q_cuff)
    put(w, flow + at.SLOW + i, q_slow)
    put(w, flow + at.METER_PATIENT + i, q_wye + q_cuff)
    put(w, conductance + 3 * i, g_in)
    put(w, conductance + 3 * i + 1, g_lung)
    put(w, conductance + 3 * i + 2, g_out)
    put(w, local + i, elastance)
    put(w, local + at.MAX_PATIENTS + at.MAX_JUNCTIONS + i, g_wye)
    put(w, local + at.MAX_PATIENTS + at.MAX_JUNCTIONS + at.MAX_PATIENTS + i, g_cuff)
    put(w, reverse + i, larger(-1.0 * q_in, 0.0) + larger(-1.0 * q_out, 0.0))
    put(w, x + at.W_FLOW, q_lung)
    return q_in, q_out


@inlined
def _openings_of(w, i):
    """Conductances of a patient's two openings at the start of the step: at the wye, past the cuff."""
    wye = at.HOLE_G + at.MAX_JUNCTIONS + i
    return get(w, wye), get(w, wye + at.MAX_PATIENTS)


@compiled
def wide_eliminate(w, i, a):
    """As ``eliminate_patient`` of ``elements``: the slow compartment first, then the lung, then the wye."""
    g_in = get(w, at.CONDUCTANCE + 3 * i)
    g_lung = get(w, at.CONDUCTANCE + 3 * i + 1)
    g_out = get(w, at.CONDUCTANCE + 3 * i + 2)
    g_wye, g_cuff = _openings_of(w, i)
    x = at.WIDE + at.W_ROWS * i
    g_slow = get(w, x + at.W_SLOW_G)
    stiffness = g_slow * get(w, x + at.W_SLOW_E)
    d_slow = 1.0 / (a + stiffness)
    slow_share = stiffness * d_slow
    elastance = get(w, at.LOCAL + i)
    dv = 1.0 / (a + (g_lung + g_cuff + g_slow * (1.0 - slow_share)) * elastance)
    share = g_lung * elastance * dv
    s = 1.0 / (get(w, at.MASS + 2 + 2 * i) * a + g_in + g_out + g_wye + g_lung * (1.0 - share))
    put(w, at.ELIMINATED + 3 * i, dv)
    put(w, at.ELIMINATED + 3 * i + 1, share)
    put(w, at.ELIMINATED + 3 * i + 2, s)
    put(w, at.ELIMINATED_SLOW + 2 * i, d_slow)
    put(w, at.ELIMINATED_SLOW + 2 * i + 1, slow_share)
    return g_in - g_in * g_in * s, g_out - g_out * g_out * s, g_in * g_out * s


@compiled
def wide_forward(w, i, k, flow, carried, weight, time_weight):
    """As ``patient_forward`` of ``elements``; ``time_weight`` is that of a change in time, s."""
    wye = 2 + 2 * i
    lung = 3 + 2 * i
    slow = at.SLOW + i
    _, g_cuff = _openings_of(w, i)
    g_lung = get(w, at.CONDUCTANCE + 3 * i + 1)
    pull = time_weight * get(w, at.WIDE + at.W_ROWS * i + at.W_MUSCLE_RATE)
    r_slow = get(w, flow + slow) + weight * get(w, carried + slow)
    r_lung = get(w, flow + lung) + weight * get(w, carried + lung) + (g_lung + g_cuff) * pull
    r_lung = r_lung + get(w, at.ELIMINATED_SLOW + 2 * i + 1) * r_slow
    r_wye = get(w, flow + wye) + get(w, at.MASS + wye) * weight * get(w, carried + wye) - g_lung * pull
    z = get(w, at.ELIMINATED + 3 * i + 2) * (r_wye + get(w, at.ELIMINATED + 3 * i + 1) * r_lung)
    put(w, k + wye, z)
    put(w, k + lung, r_lung)
    put(w, k + slow, r_slow)
    return get(w, at.CONDUCTANCE + 3 * i) * z, get(w, at.CONDUCTANCE + 3 * i + 2) * z


@compiled
def wide_backward(w, i, k, k_in, k_out, flow, carried, weight, time_weight, a):
    """As ``patient_backward`` of ``elements``, and the patient's meter."""
    wye = 2 + 2 * i
    lung = 3 + 2 * i
    slow = at.SLOW + i
    meter = at.METER_PATIENT + i
    x = at.WIDE + at.W_ROWS * i
    g_wye, g_cuff = _openings_of(w, i)
    elastance = get(w, at.LOCAL + i)
    through = get(w, at.CONDUCTANCE + 3 * i) * k_in + get(w, at.CONDUCTANCE + 3 * i + 2) * k_out
    k_wye = get(w, k + wye) + get(w, at.ELIMINATED + 3 * i + 2) * through
    k_lung = get(w, at.ELIMINATED + 3 * i) * (get(w, k + lung) + get(w, at.CONDUCTANCE + 3 * i + 1) * k_wye)
    k_slow = get(w, at.ELIMINATED_SLOW + 2 * i) * (get(w, k + slow) + get(w, x + at.W_SLOW_G) * elastance * k_lung)
    put(w, k + wye, k_wye)
    put(w, k + lung, k_lung)
    put(w, k + slow, k_slow)
    pull = time_weight * get(w, x + at.W_MUSCLE_RATE)
    taken = get(w, flow + meter) + weight * get(w, carried + meter)
    put(w, k + meter, (taken + g_wye * k_wye + g_cuff * (elastance * k_lung - pull)) / a)


@compiled
def solve_meters(w, n, count, k, flow, carried, weight, extra, a):
    """The machine's meters and that of the junctions' openings, once the junctions are solved."""
    entered = get(w, flow + at.METER_IN) + weight * get(w, carried + at.METER_IN) + extra
    put(w, k + at.METER_IN, (entered - get(w, at.G_SOURCE) * get(w, k)) / a)
    left = get(w, flow + at.METER_OUT) + weight * get(w, carried + at.METER_OUT)
    put(w, k + at.METER_OUT, (left + get(w, at.G_EXPIRATORY) * get(w, k + 1)) / a)
    taken = get(w, flow + at.METER_JUNCTIONS) + weight * get(w, carried + at.METER_JUNCTIONS)
    for j in range(count):
        taken = taken + get(w, at.HOLE_G + j) * get(w, k + (j if j < 2 else j + 2 * n))
    put(w, k + at.METER_JUNCTIONS, taken / a)


@compiled
def set_muscles(w, n, t, end):
    """Pressure of each patient's muscles at both ends of the step, and its rate at the start: half a sine."""
    for i in range(n):
        x = at.WIDE + at.W_ROWS * i
        amplitude = get(w, x + at.W_EFFORT)
        pace = math.pi / get(w, x + at.W_EFFORT_TIME)
        began = get(w, x + at.W_EFFORT_AT)
        sine, cosine = sine_and_cosine(smaller(larger((t - began) * pace, 0.0), math.pi) - HALF_PI)
        put(w, x + at.W_MUSCLE, amplitude * cosine)
        put(w, x + at.W_MUSCLE_RATE, -1.0 * amplitude * pace * sine)
        _, cosine = sine_and_cosine(smaller(larger((end - began) * pace, 0.0), math.pi) - HALF_PI)
        put(w, x + at.W_MUSCLE_END, amplitude * cosine)


@compiled
def remember_openings(w, n, count, h):
    """For the memory: what openings let out of the lungs past the splitters, and out of these, over a step."""
    outside = 0.0 * h
    for j in range(count):
        outside = outside + get(w, at.HOLE_G + j)
    for i in range(n):
        g_lung = get(w, at.CONDUCTANCE + 3 * i + 1)
        outer = get(w, at.CONDUCTANCE + 3 * i) + get(w, at.CONDUCTANCE + 3 * i + 2)
        g_wye, g_cuff = _openings_of(w, i)
        part = g_wye / (g_lung + outer + g_wye + 1e-30)
        put(w, at.LOST + i, get(w, at.LOST + i) + h * (g_cuff + g_lung * part))
        outside = outside + outer * part
    put(w, at.OUTSIDE, get(w, at.OUTSIDE) + h * outside)


@inlined
def bound_passed(w, end):
    """1 where the machine's sensors are past one of its bounds at the end of the step."""
    port = get(w, at.PORT)
    low = smaller(port, get(w, at.STAGE_Y + 1))
    high = pick(larger(port, get(w, at.STAGE_Y + 1)), get(w, at.HIGHEST), 1.0, 0.0)
    triggered = larger(
        pick(get(w, at.LOWEST), low, 1.0, 0.0),
        pick(get(w, at.ENTERING) - get(w, at.LEAVING), get(w, at.MISSING_FLOW), 1.0, 0.0),
    )
    return larger(high, pick(get(w, at.ARMED_FROM), end, 0.0, triggered))


@compiled
def close_wide_step(w, n, kept, h):
    """The machine's peak and mean; each lung's elastance for the memory; slow volumes and meters."""
    port = get(w, at.PORT)
    highest = larger(get(w, at.PEAK_PORT), larger(port, get(w, at.STAGE_Y + 1)))
    put(w, at.PEAK_PORT, pick(kept, 0.5, highest, get(w, at.PEAK_PORT)))
    put(w, at.PORT_SUM, get(w, at.PORT_SUM) + kept * h * port)
    for i in range(n):
        put(w, at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, get(w, at.LOCAL + i))
    for j in range(at.SLOW, at.NODES):
        put(w, at.Y + j, pick(kept, 0.5, get(w, at.STAGE_Y + j) + get(w, at.K4 + j), get(w, at.Y + j)))


@compiled
def recoil_at(w, lane, i, volume):
    """Pressure of one lung in one lane at a volume, cmH2O, as :func:`elastic` has it."""
    p = at.WIDE + at.W_ROWS * i
    if w[p + at.W_IS_SIGMOID, lane] == 0.0:
        return w[p + at.W_ELASTANCE, lane] * volume
    part = volume / w[p + at.W_SPAN, lane]
    width = w[p + at.W_WIDTH, lane]
    inside = min(max(part, EDGE), 1.0 - EDGE)
    straight = width * (part - inside) / (inside * (1.0 - inside))
    return w[p + at.W_CENTRE, lane] + width * math.log(inside / (1.0 - inside)) + straight


@compiled
def volume_at(w, lane, i, pressure):
    """Volume of one lung in one lane at a pressure, L: :func:`recoil_at` turned round."""
    p = at.WIDE + at.W_ROWS * i
    if w[p + at.W_IS_SIGMOID, lane] == 0.0:
        return pressure / w[p + at.W_ELASTANCE, lane]
    width = w[p + at.W_WIDTH, lane]
    end = width * math.log((1.0 - EDGE) / EDGE)
    above = pressure - w[p + at.W_CENTRE, lane]
    inside = min(max(above, -end), end)
    straight = (above - inside) * EDGE * (1.0 - EDGE) / width
    return w[p + at.W_SPAN, lane] * (1.0 / (1.0 + math.exp(-inside / width)) + straight)
