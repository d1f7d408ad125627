"""The compiled core: the settled breath of one ventilator and up to four lungs, for many scenarios at once.

Every kernel lives in this one file, so that numba's on-disk cache (keyed by file) can never serve a stale helper.
Inside: cmH2O, litres, seconds.

State of one scenario: inspiratory splitter pressure, expiratory splitter pressure, and per patient a wye pressure
and a lung volume (alveolar pressure = volume x elastance):

    CM pM' = q_source - sum q_in          Cw W' = q_in - q_lung - q_out
    CX pX' = sum q_out - q_expiratory     v'    = q_lung

Every flow is an explicit function of its pressure drop: dP = R q + K q|q| gives q = 2 dP / (R + sqrt(R^2 + 4K|dP|)).
Time stepping: RODAS3, a four-stage Rosenbrock method of order 3, L-stable and stiffly accurate (Sandu, Verwer,
Blom, Spee, Carmichael, Potra: Atmospheric Environment 1997;31:3459). Eliminating each lung, then each wye, leaves
two unknowns, so a solve costs a few operations per patient and nothing is pivoted or stored.
The settled state is found by a fixed-point iteration on the end-expiratory volumes, preconditioned with each lung's
own emptying factor and accelerated by Anderson's method of depth one (Anderson: J ACM 1965;12:547).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

# Columns of a limb row.
IN_R, IN_K, IN_CRACK, IN_LEAK, IN_ONE_WAY = 0, 1, 2, 3, 4
OUT_R, OUT_K, OUT_CRACK, OUT_LEAK, OUT_ONE_WAY = 5, 6, 7, 8, 9
WYE_C, PATIENT_R, PATIENT_K = 10, 11, 12  # the last two lie between wye and tube, passed both ways
LIMB_COLUMNS = 13

# Columns of a trunk row.
TRUNK_IN_R, TRUNK_IN_K, TRUNK_OUT_R, TRUNK_OUT_K, SPLITTER_IN_C, SPLITTER_OUT_C = 0, 1, 2, 3, 4, 5
TRUNK_COLUMNS = 6

# Columns of a lung row.
ELASTANCE, LUNG_R_IN, LUNG_R_OUT, LUNG_K = 0, 1, 2, 3
LUNG_COLUMNS = 4

# Columns of a phase: pressures and flows change linearly from *_0 to *_1 over the duration.
DURATION, PRESSURE_0, PRESSURE_1, FLOW_0, FLOW_1, SOURCE_OPEN, EXPIRATORY_OPEN, IS_SET_VOLUME = 0, 1, 2, 3, 4, 5, 6, 7
PHASE_COLUMNS = 8
MAX_PHASES = 5

# Columns of a settings row.
SET_PEEP, PHASES_IN_INSPIRATION, PHASES, COMPENSATES, SET_VOLUME, MAX_FLOW = 0, 1, 2, 3, 4, 5
SETTING_COLUMNS = 6

# Per patient results.
OUT_VT, OUT_PLATEAU, OUT_TOTAL_PEEP, OUT_END_FLOW, OUT_PEAK, OUT_BACKFLOW, OUT_HOLD_IN_WYE, OUT_HOLD_EX_WYE = range(8)
PATIENT_RESULTS = 8
# Per scenario results.
(
    RES_DELIVERED,
    RES_EXHALED,
    RES_PEAK,
    RES_HOLD_IN_INSP,
    RES_HOLD_IN_EXP,
    RES_HOLD_EX_INSP,
    RES_HOLD_EX_EXP,
    RES_STATUS,
    RES_BREATHS,
    RES_STEPS,
) = range(10)
SCENARIO_RESULTS = 10

CONVERGED, TOO_MANY_BREATHS, STEP_FAILED = 0, 1, 2

VALVE_WIDTH = 0.002  # cmH2O: half-width over which a valve opens; measured against a hard valve: < 0.01 % of VT
FLOW_WIDTH = 0.002  # L/s: half-width of the change from the machine's own flow to its flow limit
RESISTANCE_FOR_FULL_TOLERANCE = 0.1  # cmH2O·s/L
DEAD_END_WEIGHT = 0.01
HOLD_S = 3.0
MAX_BREATHS = 80
MAX_STEPS = 20000


@njit(cache=True, inline="always")
def _opening(x, width):  # type: ignore[no-untyped-def]
    """Smooth max(x, 0), exact outside +-width, and its slope."""
    if x >= width:
        return x, 1.0
    if x <= -width:
        return 0.0, 0.0
    u = x + width
    return u * u / (4.0 * width), u / (2.0 * width)


@njit(cache=True, inline="always")
def _two_way(drop, linear, quadratic):  # type: ignore[no-untyped-def]
    root = math.sqrt(linear * linear + 4.0 * quadratic * abs(drop))
    return 2.0 * drop / (linear + root), 1.0 / root


@njit(cache=True, inline="always")
def _element(drop, linear, quadratic, cracking, leak, one_way):  # type: ignore[no-untyped-def]
    """Flow through a limb and its conductance d(flow)/d(drop)."""
    if one_way == 0.0:
        return _two_way(drop, linear, quadratic)
    opened, slope = _opening(drop - cracking, VALVE_WIDTH)
    root = math.sqrt(linear * linear + 4.0 * quadratic * opened)
    flow = 2.0 * opened / (linear + root)
    conductance = slope / root
    if drop < 0.0:
        flow += leak * drop
        conductance += leak
    return flow, conductance


@njit(cache=True)
def _flows(  # type: ignore[no-untyped-def]
    y, n, limbs, trunk, lungs, source_open, pressure, cap, expiratory_open, peep, f, g, reverse
):
    """Net flow into each node ``f``, conductances ``g``, reversed flow of each patient's branches ``reverse``.

    Layout of y and f: pM, pX, W_0..W_n-1, v_0..v_n-1; of g: in_0.., lung_0.., out_0... Returns the conductances of
    source and expiratory trunk, and how much of a change of the flow cap reaches the splitter (0 to 1).
    """
    p_in = y[0]
    p_out = y[1]
    q_source = 0.0
    g_source = 0.0
    cap_share = 0.0
    if source_open > 0.0:
        raw, slope = _element(pressure - p_in, trunk[TRUNK_IN_R], trunk[TRUNK_IN_K], 0.0, 0.0, 1.0)
        excess, share = _opening(cap - raw, FLOW_WIDTH)
        q_source = cap - excess
        g_source = share * slope
        cap_share = 1.0 - share
    q_expiratory = 0.0
    g_expiratory = 0.0
    if expiratory_open > 0.0:
        q_expiratory, g_expiratory = _element(
            p_out - peep, trunk[TRUNK_OUT_R], trunk[TRUNK_OUT_K], 0.0, 0.0, 1.0
        )
    into_limbs = 0.0
    from_limbs = 0.0
    for i in range(n):
        w = y[2 + i]
        b = limbs[i]
        q_in, g_in = _element(p_in - w, b[IN_R], b[IN_K], b[IN_CRACK], b[IN_LEAK], b[IN_ONE_WAY])
        q_out, g_out = _element(w - p_out, b[OUT_R], b[OUT_K], b[OUT_CRACK], b[OUT_LEAK], b[OUT_ONE_WAY])
        drop = w - lungs[i, ELASTANCE] * y[2 + n + i]
        resistance = lungs[i, LUNG_R_IN] if drop > 0.0 else lungs[i, LUNG_R_OUT]
        q_lung, g_lung = _two_way(drop, resistance + b[PATIENT_R], lungs[i, LUNG_K] + b[PATIENT_K])
        into_limbs += q_in
        from_limbs += q_out
        f[2 + i] = q_in - q_lung - q_out
        f[2 + n + i] = q_lung
        g[i] = g_in
        g[n + i] = g_lung
        g[2 * n + i] = g_out
        reverse[i] = max(-q_in, 0.0) + max(-q_out, 0.0)
    f[0] = q_source - into_limbs
    f[1] = from_limbs - q_expiratory
    return g_source, g_expiratory, cap_share


@njit(cache=True)
def _factor(n, a, limbs, trunk, lungs, g, gs, gx, fac):  # type: ignore[no-untyped-def]
    """Eliminate lungs, then wyes. ``fac`` rows: 1/(a + gl E), gl E/(a + gl E), S. Returns the 2x2 that is left."""
    m_in = trunk[SPLITTER_IN_C] * a + gs
    m_out = trunk[SPLITTER_OUT_C] * a + gx
    m_off = 0.0
    for i in range(n):
        g_in = g[i]
        g_lung = g[n + i]
        g_out = g[2 * n + i]
        dv = 1.0 / (a + g_lung * lungs[i, ELASTANCE])
        share = g_lung * lungs[i, ELASTANCE] * dv
        s = 1.0 / (limbs[i, WYE_C] * a + g_in + g_out + g_lung * (1.0 - share))
        fac[0, i] = dv
        fac[1, i] = share
        fac[2, i] = s
        m_in += g_in - g_in * g_in * s
        m_out += g_out - g_out * g_out * s
        m_off += g_in * g_out * s
    return m_in, m_out, m_off, 1.0 / (m_in * m_out - m_off * m_off)


@njit(cache=True)
def _solve(n, r, g, fac, m_in, m_out, m_off, inv_det, k):  # type: ignore[no-untyped-def]
    r_in = r[0]
    r_out = r[1]
    for i in range(n):
        z = r[2 + i] + fac[1, i] * r[2 + n + i]
        sz = fac[2, i] * z
        r_in += g[i] * sz
        r_out += g[2 * n + i] * sz
        k[2 + i] = z
    k_in = (r_in * m_out + r_out * m_off) * inv_det
    k_out = (r_out * m_in + r_in * m_off) * inv_det
    k[0] = k_in
    k[1] = k_out
    for i in range(n):
        kw = fac[2, i] * (k[2 + i] + g[i] * k_in + g[2 * n + i] * k_out)
        k[2 + i] = kw
        k[2 + n + i] = fac[0, i] * (r[2 + n + i] + g[n + i] * kw)


@njit(cache=True)
def _run_phase(  # type: ignore[no-untyped-def]
    y, n, limbs, trunk, lungs, phase, volume_scale, max_flow, peep, tol, mass, work, fac, decay, track, peak_in
):
    """Advance ``y`` through one phase with error-controlled steps.

    ``decay`` collects each lung's emptying exponent, ``track`` the wye peaks (row 0) and the reversed volumes
    (row 1). Returns the number of steps (-1: the step size collapsed) and the peak of the inspiratory splitter.
    """
    duration = phase[DURATION]
    p0 = phase[PRESSURE_0]
    dp = (phase[PRESSURE_1] - p0) / duration
    scale = volume_scale if phase[IS_SET_VOLUME] > 0.0 else 1.0
    q0 = phase[FLOW_0] * scale
    dq = (phase[FLOW_1] * scale - q0) / duration
    source = phase[SOURCE_OPEN]
    out = phase[EXPIRATORY_OPEN]
    size = 2 + 2 * n
    f = work[0]
    g = work[1]
    k1 = work[2]
    k2 = work[3]
    k3 = work[4]
    k4 = work[5]
    r = work[6]
    ys = work[7]
    fs = work[8]
    gs = work[9]
    reverse = work[10]
    ignored = work[11]
    # While gas flows only in, the expiratory splitter is a dead end behind valves that sit just at opening (and the
    # other way round): an error there costs no volume, and chasing it would halve the steps.
    watch_in = 1.0 if source > 0.0 or out == 0.0 else DEAD_END_WEIGHT
    watch_out = 1.0 if out > 0.0 or source == 0.0 else DEAD_END_WEIGHT
    t = 0.0
    h = 2e-3 * duration
    # The peak of a decelerating flow lies inside the phase: steps stay short enough to see it.
    h_max = duration / 24.0 if dq != 0.0 else duration
    h_done = 0.0
    steps = 0
    fresh = True
    f_t = 0.0
    g_source = 0.0
    g_expiratory = 0.0
    while t < duration:
        steps += 1
        if steps > MAX_STEPS or not (h > 1e-15 * duration):
            return -1, peak_in
        last = t + 1.01 * h >= duration
        if last:
            h = duration - t
        if fresh:
            cap = q0 + dq * t
            cap_rate = dq
            if cap > max_flow:
                cap = max_flow
                cap_rate = 0.0
            g_source, g_expiratory, cap_share = _flows(
                y, n, limbs, trunk, lungs, source, p0 + dp * t, cap, out, peep, f, g, reverse
            )
            f_t = g_source * dp + cap_share * cap_rate
            for i in range(n):
                track[1, i] += 0.5 * h_done * reverse[i]  # right end of the last step's trapezoid
            fresh = False
        m_in, m_out, m_off, inv_det = _factor(n, 2.0 / h, limbs, trunk, lungs, g, g_source, g_expiratory, fac)
        c = 1.0 / h
        # Stages 1 and 2 share the evaluation at (t, y).
        for j in range(size):
            r[j] = f[j]
        r[0] += 0.5 * h * f_t
        _solve(n, r, g, fac, m_in, m_out, m_off, inv_det, k1)
        for j in range(size):
            r[j] = f[j] + 4.0 * c * mass[j] * k1[j]
        r[0] += 1.5 * h * f_t
        _solve(n, r, g, fac, m_in, m_out, m_off, inv_det, k2)
        # Stages 3 and 4 at t + h.
        cap = min(q0 + dq * (t + h), max_flow)
        pressure = p0 + dp * (t + h)
        for j in range(size):
            ys[j] = y[j] + 2.0 * k1[j]
        _flows(ys, n, limbs, trunk, lungs, source, pressure, cap, out, peep, fs, gs, ignored)
        for j in range(size):
            r[j] = fs[j] + c * mass[j] * (k1[j] - k2[j])
        _solve(n, r, g, fac, m_in, m_out, m_off, inv_det, k3)
        for j in range(size):
            ys[j] += k3[j]
        _flows(ys, n, limbs, trunk, lungs, source, pressure, cap, out, peep, fs, gs, ignored)
        for j in range(size):
            r[j] = fs[j] + c * mass[j] * (k1[j] - k2[j] - 8.0 / 3.0 * k3[j])
        _solve(n, r, g, fac, m_in, m_out, m_off, inv_det, k4)
        err = max(watch_in * abs(k4[0]), watch_out * abs(k4[1]))
        for i in range(n):
            err = max(err, abs(k4[2 + i]), 10.0 * lungs[i, ELASTANCE] * abs(k4[2 + n + i]))
        err /= tol
        factor = 4.0 if err < 1e-4 else min(4.0, max(0.15, 0.85 * err ** (-1.0 / 3.0)))
        if not (err <= 1.0):
            h *= factor if err > 1.0 else 0.15
            continue
        for i in range(n):
            through = g[n + i]
            outer = g[i] + g[2 * n + i]
            decay[i] += h * lungs[i, ELASTANCE] * through * outer / (through + outer + 1e-30)
            track[1, i] += 0.5 * h * reverse[i]
        for j in range(size):
            y[j] = ys[j] + k4[j]
        peak_in = max(peak_in, y[0])
        for i in range(n):
            track[0, i] = max(track[0, i], y[2 + i])
        fresh = True
        h_done = h
        t = duration if last else t + h
        h = min(h * factor, h_max)
    _flows(y, n, limbs, trunk, lungs, source, p0 + dp * duration, q0 + dq * duration, out, peep, fs, gs, reverse)
    for i in range(n):
        track[1, i] += 0.5 * h_done * reverse[i]
    return steps, peak_in


@njit(cache=True)
def _stored(y, n, limbs, trunk):  # type: ignore[no-untyped-def]
    """Gas stored in splitters, wyes and lungs, L: the difference over a phase is what came in or went out."""
    total = trunk[SPLITTER_IN_C] * y[0] + trunk[SPLITTER_OUT_C] * y[1]
    for i in range(n):
        total += limbs[i, WYE_C] * y[2 + i] + y[2 + n + i]
    return total


@njit(cache=True)
def _hold(y, n, limbs, trunk, lungs, tol, mass, work, fac, scratch, track):  # type: ignore[no-untyped-def]
    """Both valves of the machine shut for HOLD_S seconds from state ``y`` (changed in place)."""
    phase = np.zeros(PHASE_COLUMNS)
    phase[DURATION] = HOLD_S
    _run_phase(y, n, limbs, trunk, lungs, phase, 1.0, 1e9, 0.0, tol, mass, work, fac, scratch, track, 0.0)


@njit(cache=True, nogil=True)
def settle_range(  # type: ignore[no-untyped-def]
    first, last, n, limbs_all, trunks, lungs_all, phases, settings, network_of, settings_of, start,
    tol_coarse, tol_final, stop, with_holds, patients_out, scenarios_out
):
    """Settle scenarios ``first`` to ``last`` - 1.

    limbs_all (networks, n, LIMB_COLUMNS) · trunks (networks, TRUNK_COLUMNS) · lungs_all (scenarios, n, LUNG_COLUMNS) ·
    phases (settings, MAX_PHASES, PHASE_COLUMNS) · settings (settings, SETTING_COLUMNS) · network_of, settings_of
    (scenarios,) · start (scenarios, n): first guess of each lung's end-expiratory volume above PEEP, L.
    Writes patients_out (scenarios, n, PATIENT_RESULTS) and scenarios_out (scenarios, SCENARIO_RESULTS).
    """
    size = 2 + 2 * n
    work = np.zeros((12, max(size, 3 * n)))
    fac = np.zeros((3, n))
    mass = np.zeros(size)
    y = np.zeros(size)
    y_end = np.zeros(size)
    y_ti = np.zeros(size)
    x = np.zeros(n)
    v_ti = np.zeros(n)
    end_flow = np.zeros(n)
    decay = np.zeros(n)
    scratch = np.zeros(n)
    track = np.zeros((2, n))
    track_hold = np.zeros((2, n))
    res = np.zeros(n)
    res_old = np.zeros(n)
    image = np.zeros(n)
    image_old = np.zeros(n)
    for b in range(first, last):
        limbs = limbs_all[network_of[b]]
        trunk = trunks[network_of[b]]
        lungs = lungs_all[b]
        s = settings_of[b]
        peep = settings[s, SET_PEEP]
        n_insp = int(settings[s, PHASES_IN_INSPIRATION])
        n_phases = int(settings[s, PHASES])
        set_volume = settings[s, SET_VOLUME]
        max_flow = settings[s, MAX_FLOW]
        mass[0] = trunk[SPLITTER_IN_C]
        mass[1] = trunk[SPLITTER_OUT_C]
        circuit_c = trunk[SPLITTER_IN_C] + trunk[SPLITTER_OUT_C]
        y[0] = peep
        y[1] = peep
        for i in range(n):
            mass[2 + i] = limbs[i, WYE_C]
            mass[2 + n + i] = 1.0
            circuit_c += limbs[i, WYE_C]
            own_peep = peep + limbs[i, OUT_CRACK]
            x[i] = own_peep / lungs[i, ELASTANCE] + start[b, i]
            y[2 + i] = lungs[i, ELASTANCE] * x[i]
            y[2 + n + i] = x[i]
        # The tolerance is on pressures; across a near-zero resistance it must shrink, or the flow error would be
        # larger than the flow and a valve would flutter.
        least = min(trunk[TRUNK_IN_R], trunk[TRUNK_OUT_R])
        for i in range(n):
            least = min(least, limbs[i, IN_R], limbs[i, OUT_R])
        fineness = min(1.0, max(least / RESISTANCE_FOR_FULL_TOLERANCE, 0.01))
        tol = tol_coarse * fineness
        scale = 1.0
        fine = False
        status = TOO_MANY_BREATHS
        breaths = 0
        steps = 0
        peak = 0.0
        delivered = 0.0
        exhaled = 0.0
        accelerated = False
        while breaths < MAX_BREATHS:
            breaths += 1
            for i in range(n):
                decay[i] = 0.0
                track[0, i] = y[2 + i]
                track[1, i] = 0.0
            peak = y[0]
            failed = False
            delivered = 0.0
            exhaled = 0.0
            for p in range(n_phases):
                before = _stored(y, n, limbs, trunk)
                done, peak = _run_phase(
                    y, n, limbs, trunk, lungs, phases[s, p], scale, max_flow, peep, tol, mass, work, fac,
                    decay, track, peak
                )
                if done < 0:
                    failed = True
                    break
                steps += done
                if p < n_insp:
                    delivered += _stored(y, n, limbs, trunk) - before
                else:  # a bias flow passes through and is not counted: the machine knows it and takes it off
                    exhaled += before - _stored(y, n, limbs, trunk)
                if p == n_insp - 1:
                    for i in range(n):
                        v_ti[i] = y[2 + n + i]
                        end_flow[i] = work[8][2 + n + i]
                    for j in range(size):
                        y_ti[j] = y[j]
            if failed:
                status = STEP_FAILED
                break
            # How far the end-expiratory volumes still have to go: breath-to-breath change over (1 - emptying factor).
            worst = 0.0
            largest = 1e-3
            for i in range(n):
                f_i = y[2 + n + i]
                largest = max(largest, v_ti[i] - f_i)
                res[i] = (f_i - x[i]) / max(1.0 - math.exp(-decay[i]), 0.02)
                image[i] = x[i] + res[i]
                worst = max(worst, abs(res[i]))
            settled = worst < stop * largest
            new_scale = 1.0
            if settings[s, COMPENSATES] > 0.0:
                new_scale = (set_volume + circuit_c * max(peak - peep, 0.0)) / set_volume
                settled = settled and abs(new_scale - scale) < stop * scale
            if settled and fine:
                status = CONVERGED
                break
            if worst < 20.0 * stop * largest:
                fine = True
                tol = tol_final * fineness
            scale = new_scale
            # Anderson's method of depth one on x + res.
            theta = 0.0
            if accelerated:
                top = 0.0
                bottom = 0.0
                for i in range(n):
                    d = res[i] - res_old[i]
                    top += d * res[i]
                    bottom += d * d
                if bottom > 1e-20:
                    theta = min(max(top / bottom, -2.0), 0.9)
            for i in range(n):
                target = image[i] - theta * (image[i] - image_old[i]) if accelerated else image[i]
                image_old[i] = image[i]
                res_old[i] = res[i]
                shift = target - y[2 + n + i]
                y[2 + n + i] = target
                y[2 + i] += lungs[i, ELASTANCE] * shift
                x[i] = target
            accelerated = True
        for i in range(n):
            patients_out[b, i, OUT_VT] = v_ti[i] - y[2 + n + i]
            patients_out[b, i, OUT_PLATEAU] = lungs[i, ELASTANCE] * v_ti[i]
            patients_out[b, i, OUT_TOTAL_PEEP] = lungs[i, ELASTANCE] * y[2 + n + i]
            patients_out[b, i, OUT_END_FLOW] = end_flow[i]
            patients_out[b, i, OUT_PEAK] = track[0, i]
            patients_out[b, i, OUT_BACKFLOW] = track[1, i]
        scenarios_out[b, RES_DELIVERED] = delivered
        scenarios_out[b, RES_EXHALED] = exhaled
        scenarios_out[b, RES_PEAK] = peak
        scenarios_out[b, RES_STATUS] = status
        scenarios_out[b, RES_BREATHS] = breaths
        scenarios_out[b, RES_STEPS] = steps
        if with_holds and status == CONVERGED:
            for j in range(size):
                y_end[j] = y[j]
            _hold(y_ti, n, limbs, trunk, lungs, tol_final * fineness, mass, work, fac, scratch, track_hold)
            _hold(y_end, n, limbs, trunk, lungs, tol_final * fineness, mass, work, fac, scratch, track_hold)
            scenarios_out[b, RES_HOLD_IN_INSP] = y_ti[0]
            scenarios_out[b, RES_HOLD_IN_EXP] = y_ti[1]
            scenarios_out[b, RES_HOLD_EX_INSP] = y_end[0]
            scenarios_out[b, RES_HOLD_EX_EXP] = y_end[1]
            for i in range(n):
                patients_out[b, i, OUT_HOLD_IN_WYE] = y_ti[2 + i]
                patients_out[b, i, OUT_HOLD_EX_WYE] = y_end[2 + i]
