"""How a breath remembers where its lungs started: the change of their volumes now with those at its beginning.

The settled breath is a fixed point: it ends where it started. With the memory M of a whole breath, Newton's step from
a breath that started at x and ended at F is (I - M) d = F - x. M is not exact (conductances are averaged over each
phase), but near enough that two or three breaths suffice, and that the last little way need not be breathed.
"""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

from airyoke.breath import layout as at
from airyoke.breath.compiled import compiled

HALVINGS = 5
LONGEST = 0.995  # a lung that keeps nearly everything must not ask for a leap


@compiled
def forget_all(w, n, lane):
    """The memory at the start of a breath: one to one."""
    for i in range(n):
        for j in range(n):
            w[at.MEMORY + n * i + j, lane] = 1.0 if i == j else 0.0


@compiled
def carry_through_phase(w, n, lane, small):
    """Carry the memory through the phase that has just ended.

    A change d of the lung volumes obeys d_i' = g_i (P - E_i d_i) - l_i E_i d_i, with l_i what openings let out to the
    room, while the pressure of the splitter between lungs and machine follows with P = sum(g_i E_i d_i) / (g_outside +
    sum(g_i)). With conductances averaged over the phase of
    length T that is d' = A d with a constant A, a diagonal plus rank one; exp(A T) is taken as (I - A T / 32)^-32.
    """
    m = small[0]
    square = small[1]
    stays = small[2, 0]
    pushed = small[2, 1]  # by a splitter pressure
    pushes = small[2, 2]  # the splitter pressure
    part = 1.0 / 2**HALVINGS
    total = w[at.OUTSIDE, lane] + 1e-30
    for i in range(n):
        total += w[at.THROUGH + i, lane]
    coupling = 0.0
    for i in range(n):
        through = w[at.THROUGH + i, lane]
        elastance = w[at.PATIENT + at.PATIENT_ROWS * i + at.P_ELASTANCE, lane]
        stays[i] = 1.0 / (1.0 + part * (through + w[at.LOST + i, lane]) * elastance)
        pushed[i] = part * through * stays[i]
        pushes[i] = through * elastance * stays[i] / total
        coupling += through * elastance / total * pushed[i]
    for i in range(n):
        for j in range(n):
            m[i, j] = pushed[i] * pushes[j] / (1.0 - coupling)
        m[i, i] += stays[i]
    for _ in range(HALVINGS):
        for i in range(n):
            for j in range(n):
                value = 0.0
                for k in range(n):
                    value += m[i, k] * m[k, j]
                square[i, j] = value
        m, square = square, m
    column = small[2, 0]
    for j in range(n):
        for i in range(n):
            column[i] = w[at.MEMORY + n * i + j, lane]
        for i in range(n):
            value = 0.0
            for k in range(n):
                value += m[i, k] * column[k]
            w[at.MEMORY + n * i + j, lane] = value


@compiled
def way_to_go(w, n, lane, small):
    """Solve (I - memory) d = end - start by elimination. Returns d, the first row of ``small[2]``."""
    m = small[0]
    d = small[2, 0]
    for i in range(n):
        for j in range(n):
            m[i, j] = -LONGEST * w[at.MEMORY + n * i + j, lane]
        m[i, i] += 1.0
        d[i] = w[at.Y + 3 + 2 * i, lane] - w[at.START + i, lane]
    for p in range(n):
        for i in range(p + 1, n):
            ratio = m[i, p] / m[p, p]
            for j in range(p, n):
                m[i, j] -= ratio * m[p, j]
            d[i] -= ratio * d[p]
    for q in range(n):
        i = n - 1 - q
        for j in range(i + 1, n):
            d[i] -= m[i, j] * d[j]
        d[i] /= m[i, i]
    return d
