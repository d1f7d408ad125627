"""What flows through each kind of element at a pressure drop, and how much more it would at a larger one.

Every flow is an explicit function of its pressure drop: dP = R q + K q|q| gives q = 2 dP / (R + sqrt(R^2 + 4K|dP|)).
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

from airyoke.breath import layout as at
from airyoke.breath.compiled import inlined
from airyoke.breath.lanes import get, larger, magnitude, pick, put, root, smaller

VALVE_WIDTH = 0.002  # cmH2O: half-width over which a valve opens; measured against a hard valve: < 0.01 % of VT
FLOW_WIDTH = 0.002  # L/s: half-width of the change from the machine's own flow to its flow limit


@inlined
def opening(x, width):
    """Smooth max(x, 0), exact outside +-width, and its slope."""
    u = smaller(larger(x + width, 0.0), 2.0 * width)
    return u * u * (0.25 / width) + larger(x - width, 0.0), u * (0.5 / width)


@inlined
def two_way(drop, linear, quadratic4):
    """Flow of R q + K q|q| = drop and its slope; ``quadratic4`` is 4 K."""
    s = root(linear * linear + quadratic4 * magnitude(drop))
    both = 1.0 / (s * (linear + s))
    return 2.0 * drop * s * both, (linear + s) * both


@inlined
def limb(drop, linear, quadratic4, cracking, leak, one_way):
    """Flow through a limb and its conductance d(flow)/d(drop)."""
    opened, slope = opening(drop - cracking, VALVE_WIDTH)
    driving = pick(one_way, 0.5, opened, drop)
    slope = pick(one_way, 0.5, slope, 1.0)
    flow, conductance = two_way(driving, linear, quadratic4)
    # A shut valve leaks backwards; without a valve the leak is zero.
    return flow + leak * smaller(drop, 0.0), slope * conductance + pick(0.0, drop, leak, 0.0)


@inlined
def machine(w, p_in, p_out, pressure, own_flow):
    """The machine at both first splitters: flow in, flow out, both conductances, and how much of a change of the
    machine's own flow reaches the splitter (0 to 1)."""
    source = get(w, at.SOURCE)
    driving, slope = opening(pressure - p_in, VALVE_WIDTH)
    raw, g = two_way(driving, get(w, at.T_IN_R), get(w, at.T_IN_K4))
    excess, share = opening(own_flow - raw, FLOW_WIDTH)
    entering = source * (own_flow - excess)
    g_source = source * share * slope * g
    outlet = get(w, at.OUTLET)
    driving, slope = opening(p_out - get(w, at.PEEP), VALVE_WIDTH)
    leaving, g = two_way(driving, get(w, at.T_OUT_R), get(w, at.T_OUT_K4))
    return entering, outlet * leaving, g_source, outlet * slope * g, source * (1.0 - share)


@inlined
def patient(w, i, state, flow, conductance, reverse, p_in, p_out):
    """One patient between two junctions. Writes its rows; returns the flow through the branch in and the branch out."""
    p = at.PATIENT + at.PATIENT_ROWS * i
    wye = get(w, state + 2 + 2 * i)
    q_in, g_in = limb(
        p_in - wye, get(w, p + at.P_IN_R), get(w, p + at.P_IN_K4), get(w, p + at.P_IN_CRACK),
        get(w, p + at.P_IN_LEAK), get(w, p + at.P_IN_ONE_WAY),
    )  # fmt: skip
    q_out, g_out = limb(
        wye - p_out, get(w, p + at.P_OUT_R), get(w, p + at.P_OUT_K4), get(w, p + at.P_OUT_CRACK),
        get(w, p + at.P_OUT_LEAK), get(w, p + at.P_OUT_ONE_WAY),
    )  # fmt: skip
    drop = wye - get(w, p + at.P_ELASTANCE) * get(w, state + 3 + 2 * i)
    resistance = pick(drop, 0.0, get(w, p + at.P_LUNG_R_IN), get(w, p + at.P_LUNG_R_OUT))
    q_lung, g_lung = two_way(drop, resistance, get(w, p + at.P_LUNG_K4))
    put(w, flow + 2 + 2 * i, q_in - q_lung - q_out)
    put(w, flow + 3 + 2 * i, q_lung)
    put(w, conductance + 3 * i, g_in)
    put(w, conductance + 3 * i + 1, g_lung)
    put(w, conductance + 3 * i + 2, g_out)
    put(w, reverse + i, larger(-1.0 * q_in, 0.0) + larger(-1.0 * q_out, 0.0))
    return q_in, q_out


@inlined
def eliminate_patient(w, i, a):
    """Eliminate one lung, then its wye, from (mass a + conductances): what they add to the matrix of the junctions.

    Returns the entries of the junction in, of the junction out, and (negative) the one off the diagonal.
    """
    g_in = get(w, at.CONDUCTANCE + 3 * i)
    g_lung = get(w, at.CONDUCTANCE + 3 * i + 1)
    g_out = get(w, at.CONDUCTANCE + 3 * i + 2)
    stiffness = g_lung * get(w, at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE)
    dv = 1.0 / (a + stiffness)
    share = stiffness * dv
    s = 1.0 / (get(w, at.MASS + 2 + 2 * i) * a + g_in + g_out + g_lung * (1.0 - share))
    put(w, at.ELIMINATED + 3 * i, dv)
    put(w, at.ELIMINATED + 3 * i + 1, share)
    put(w, at.ELIMINATED + 3 * i + 2, s)
    return g_in - g_in * g_in * s, g_out - g_out * g_out * s, g_in * g_out * s


@inlined
def patient_forward(w, i, k, flow, carried, weight):
    """One patient's right-hand side into the rows at ``k``; what it adds to that of the junctions in and out."""
    wye = 2 + 2 * i
    lung = 3 + 2 * i
    r_lung = get(w, flow + lung) + weight * get(w, carried + lung)
    r_wye = get(w, flow + wye) + get(w, at.MASS + wye) * weight * get(w, carried + wye)
    z = get(w, at.ELIMINATED + 3 * i + 2) * (r_wye + get(w, at.ELIMINATED + 3 * i + 1) * r_lung)
    put(w, k + wye, z)
    put(w, k + lung, r_lung)
    return get(w, at.CONDUCTANCE + 3 * i) * z, get(w, at.CONDUCTANCE + 3 * i + 2) * z


@inlined
def patient_backward(w, i, k, k_in, k_out):
    """One patient's part of the solution in the rows at ``k``, from that of its junctions."""
    wye = 2 + 2 * i
    lung = 3 + 2 * i
    through = get(w, at.CONDUCTANCE + 3 * i) * k_in + get(w, at.CONDUCTANCE + 3 * i + 2) * k_out
    k_wye = get(w, k + wye) + get(w, at.ELIMINATED + 3 * i + 2) * through
    put(w, k + wye, k_wye)
    r_lung = get(w, k + lung)
    put(w, k + lung, get(w, at.ELIMINATED + 3 * i) * (r_lung + get(w, at.CONDUCTANCE + 3 * i + 1) * k_wye))
