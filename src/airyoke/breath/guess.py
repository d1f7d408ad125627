"""Where a settled breath is looked for first: the closed form of one lung, for every lung of the group."""

# Compiled code: types are found by the compiler.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math

from airyoke.breath import layout as at
from airyoke.breath.compiled import compiled

FIRST_FLOW = 0.3  # L/s
LEAST_DRIVE = 0.5  # cmH2O
PASSES = 2


@compiled
def trapped_volumes(n, limbs, trunk, lungs, setting, small):
    """End-expiratory volume of each lung above its own PEEP, L: the first row of ``small[0]``.

    A square pressure drives one resistance and one compliance a lung: tidal volume C D (1-a)(1-b)/(1-ab), of which
    b/(1-b) stays behind, with a and b what is left of an exponential after inspiration and expiration. Quadratic
    parts are taken at the exponential's mean flow, shared trunks with everybody's flow. In volume control D is what
    gives the set volume.
    """
    trapped = small[0, 0]
    flow_in = small[1, 0]
    flow_out = small[1, 1]
    share = small[1, 2]
    time_in = setting[at.FILLING_TIME]
    time_out = setting[at.EMPTYING_TIME]
    is_pressure = setting[at.SET_DRIVE] > 0.0
    for i in range(n):
        flow_in[i] = FIRST_FLOW
        flow_out[i] = FIRST_FLOW
    for _ in range(PASSES):
        total_in = 0.0
        total_out = 0.0
        for i in range(n):
            total_in += flow_in[i]
            total_out += flow_out[i]
        drop_in = (trunk[at.TRUNK_IN_R] + trunk[at.TRUNK_IN_K] * total_in) * total_in
        drop_out = (trunk[at.TRUNK_OUT_R] + trunk[at.TRUNK_OUT_K] * total_out) * total_out
        tidal = 0.0  # of all, per drive
        lost = 0.0
        compliance = 0.0
        circuit = trunk[at.SPLITTER_IN_C] + trunk[at.SPLITTER_OUT_C]
        for i in range(n):
            limb = limbs[i]
            lung = lungs[i]
            elastance = lung[at.ELASTANCE]
            quadratic = lung[at.LUNG_K] + limb[at.PATIENT_K]
            r_in = lung[at.LUNG_R_IN] + limb[at.PATIENT_R] + limb[at.IN_R] + drop_in / flow_in[i]
            r_in += (quadratic + limb[at.IN_K]) * flow_in[i]
            r_out = lung[at.LUNG_R_OUT] + limb[at.PATIENT_R] + limb[at.OUT_R] + drop_out / flow_out[i]
            r_out += (quadratic + limb[at.OUT_K]) * flow_out[i]
            a = math.exp(-time_in * elastance / r_in)
            b = math.exp(-time_out * elastance / r_out)
            share[i] = (1.0 - a) * (1.0 - b) / (1.0 - a * b) / elastance
            trapped[i] = b / (1.0 - b)
            flow_in[i] = 0.5 * (1.0 + a) / (1.0 - a) * elastance / r_in if is_pressure else 1.0 / time_in
            flow_out[i] = 0.5 * (1.0 + b) / (1.0 - b) * elastance / r_out
            tidal += share[i]
            lost += (limb[at.IN_CRACK] + limb[at.OUT_CRACK]) * share[i]
            compliance += 1.0 / elastance
            circuit += limb[at.WYE_C]
        drive = setting[at.SET_DRIVE]
        if not is_pressure:
            swallows = setting[at.COMPENSATES] == 0.0
            volume = setting[at.SET_VOLUME] * (compliance / (compliance + circuit) if swallows else 1.0)
            drive = (volume + lost) / tidal
        for i in range(n):
            volume = max(drive - limbs[i, at.IN_CRACK] - limbs[i, at.OUT_CRACK], LEAST_DRIVE) * share[i]
            flow_in[i] *= volume
            flow_out[i] *= volume
            trapped[i] *= volume
    return trapped
