"""Splitters behind splitters: the step's flows and its linear system where a side is a tree of junctions.

Junctions are numbered: 0 and 1 the first splitters, inspiratory and expiratory, then those behind them, each after the
one it hangs on. The stretch between a junction and the one that it hangs on is a bridge, passed both ways. ``tree``:
(hangs_on, side, limb_on): for each bridge the junction nearer to the machine and 0 or 1 for the side; for each patient
the junctions of its branch in and its branch out. One tree serves all scenarios of a call.

Eliminating each lung, then each wye, leaves the junctions, at most six for four patients: a symmetric positive
definite matrix, factored as L D L' without pivots. The wide kernel (``wide``) comes this way even where no splitter is
behind another.
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

from airyoke.breath import layout as at
from airyoke.breath.compiled import inlined
from airyoke.breath.elements import eliminate_patient, machine, patient, patient_backward, patient_forward, two_way
from airyoke.breath.lanes import get, larger, magnitude, put
from airyoke.breath.wide import (
    junction_holes,
    read_machine,
    solve_meters,
    wide_backward,
    wide_eliminate,
    wide_forward,
    wide_patient,
)


@inlined
def _row(junction, n):
    """Where a junction stands in a state of ``n`` patients."""
    return junction if junction < 2 else junction + 2 * n


@inlined
def _entry(i, j):
    return at.MATRIX + at.MAX_JUNCTIONS * i + j


@inlined
def _add(w, row, value):
    put(w, row, get(w, row) + value)


@inlined
def nested_flows(w, n, tree, wide, state, flow, conductance, bridge, reverse, local, muscle, pressure, own_flow):
    """As the flows of a single splitter a side; conductances of the bridges into the rows at ``bridge``."""
    hangs_on, _, limb_on = tree
    entering, leaving, g_source, g_expiratory, share = machine(w, get(w, state), get(w, state + 1), pressure, own_flow)
    put(w, flow, entering)
    put(w, flow + 1, -1.0 * leaving)
    for b in range(len(hangs_on)):
        near = _row(hangs_on[b], n)
        far = _row(b + 2, n)
        drop = get(w, state + near) - get(w, state + far)
        q, g = two_way(drop, get(w, at.BRIDGE_R + b), get(w, at.BRIDGE_K4 + b))
        put(w, bridge + b, g)
        put(w, flow + far, q)
        _add(w, flow + near, -1.0 * q)
    for i in range(n):
        before = _row(limb_on[i, 0], n)
        behind = _row(limb_on[i, 1], n)
        p_in = get(w, state + before)
        p_out = get(w, state + behind)
        if wide is None:
            q_in, q_out = patient(w, i, state, flow, conductance, reverse, p_in, p_out)
        else:
            q_in, q_out = wide_patient(w, i, state, flow, conductance, reverse, p_in, p_out, local, muscle)
        _add(w, flow + before, -1.0 * q_in)
        _add(w, flow + behind, q_out)
    if wide is not None:
        read_machine(w, flow, get(w, state), entering, leaving)
        junction_holes(w, n, 2 + len(hangs_on), state, flow, local)
    return g_source, g_expiratory, share


@inlined
def nested_factor(w, n, tree, wide, a, g_source, g_expiratory):
    """Eliminate lungs and wyes, and factor what is left: L below the diagonal, 1/D on it."""
    hangs_on, _, limb_on = tree
    count = 2 + len(hangs_on)
    for i in range(count):
        for j in range(i):
            put(w, _entry(i, j), 0.0 * a)
        put(w, _entry(i, i), get(w, at.MASS + _row(i, n)) * a)
    _add(w, _entry(0, 0), g_source)
    _add(w, _entry(1, 1), g_expiratory)
    for b in range(len(hangs_on)):
        near = hangs_on[b]
        g = get(w, at.BRIDGE_CONDUCTANCE + b)
        _add(w, _entry(near, near), g)
        _add(w, _entry(b + 2, b + 2), g)
        _add(w, _entry(b + 2, near), -1.0 * g)
    if wide is not None:
        put(w, at.G_SOURCE, g_source)
        put(w, at.G_EXPIRATORY, g_expiratory)
        for j in range(count):
            _add(w, _entry(j, j), get(w, at.HOLE_G + j))
    for i in range(n):
        before = limb_on[i, 0]
        behind = limb_on[i, 1]
        m_in, m_out, m_off = eliminate_patient(w, i, a) if wide is None else wide_eliminate(w, i, a)
        _add(w, _entry(before, before), m_in)
        _add(w, _entry(behind, behind), m_out)
        _add(w, _entry(max(before, behind), min(before, behind)), -1.0 * m_off)
    for p in range(count):
        inverse = 1.0 / get(w, _entry(p, p))
        put(w, _entry(p, p), inverse)
        for i in range(count - 1, p, -1):  # from below, so that column p is whole where it is read
            ratio = get(w, _entry(i, p)) * inverse
            for j in range(p + 1, i + 1):
                put(w, _entry(i, j), get(w, _entry(i, j)) - ratio * get(w, _entry(j, p)))
            put(w, _entry(i, p), ratio)


@inlined
def nested_solve(w, n, tree, wide, k, flow, carried, weight, extra, time_weight, a):
    """As the solve of a single splitter a side; ``time_weight`` and ``a`` as in ``wide``."""
    hangs_on, _, limb_on = tree
    count = 2 + len(hangs_on)
    for i in range(count):
        row = _row(i, n)
        put(w, k + row, get(w, flow + row) + get(w, at.MASS + row) * weight * get(w, carried + row))
    _add(w, k, extra)
    for i in range(n):
        if wide is None:
            r_in, r_out = patient_forward(w, i, k, flow, carried, weight)
        else:
            r_in, r_out = wide_forward(w, i, k, flow, carried, weight, time_weight)
        _add(w, k + _row(limb_on[i, 0], n), r_in)
        _add(w, k + _row(limb_on[i, 1], n), r_out)
    for i in range(1, count):
        value = get(w, k + _row(i, n))
        for j in range(i):
            value = value - get(w, _entry(i, j)) * get(w, k + _row(j, n))
        put(w, k + _row(i, n), value)
    for q in range(count):
        i = count - 1 - q
        value = get(w, k + _row(i, n)) * get(w, _entry(i, i))
        for j in range(i + 1, count):
            value = value - get(w, _entry(j, i)) * get(w, k + _row(j, n))
        put(w, k + _row(i, n), value)
    for i in range(n):
        k_in = get(w, k + _row(limb_on[i, 0], n))
        k_out = get(w, k + _row(limb_on[i, 1], n))
        if wide is None:
            patient_backward(w, i, k, k_in, k_out)
        else:
            wide_backward(w, i, k, k_in, k_out, flow, carried, weight, time_weight, a)
    if wide is not None:
        solve_meters(w, n, count, k, flow, carried, weight, extra, a)


@inlined
def nested_error(w, n, tree):
    """Largest error of the junctions behind the first, and the sum of all of them."""
    hangs_on, side, _ = tree
    worst = 0.0 * get(w, at.K4)
    total = worst
    for b in range(len(hangs_on)):
        error = magnitude(get(w, at.K4 + _row(b + 2, n)))
        worst = larger(worst, error * get(w, at.WATCH_IN if side[b] == 0 else at.WATCH_OUT))
        total = total + error
    return worst, total
