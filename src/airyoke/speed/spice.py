"""The same groups as electrical circuits, solved by ngspice in batch: pressure is voltage, flow is current.

Only groups in pressure control without bias flow or pause: the rest has no simple element.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from pathlib import Path

import numpy as np

from airyoke.breath import layout as at
from airyoke.speed.baselines import Problem, Settled
from airyoke.speed.scenarios import StoredScenario

EDGE_S = 1e-6
TIMEOUT_S = 120


def has_circuit(scenario: StoredScenario) -> bool:
    """Whether the group can be written with the elements here."""
    s = scenario.settings
    return s.mode == "pc" and s.bias_flow_l_per_min == 0.0 and s.expiratory_pause_s == 0.0


def netlist(problem: Problem, scenario: StoredScenario, breaths: int) -> str:
    """From rest, the end of inspiration and of expiration of the last breath measured."""
    s = scenario.settings
    period, ti = s.period_s, s.inspiratory_time_s
    rise = max(s.rise_time_s, EDGE_S)
    drive = s.pressure_above_peep_cmh2o or 0.0

    def flow(drop: str, r: float, k: float) -> str:
        return f"2*({drop})/({r:.12g}+sqrt({r * r:.12g}+{4 * k:.12g}*abs({drop})))"

    def limb(drop: str, r: float, k: float, cracking: float, leak: float, one_way: float) -> str:
        if one_way == 0.0:
            return flow(drop, r, k)
        return flow(f"max({drop}-{cracking:.12g},0)", r, k) + f"+{leak:.12g}*min({drop},0)"

    def pulse(name: str, delay: float, up: float, width: float) -> str:
        return f"V{name} {name} 0 PULSE(0 1 {delay:.12g} {up:.12g} {EDGE_S} {width:.12g} {period:.12g})"

    trunk = problem.trunk
    port = f"max({problem.peep:.12g}+{drive:.12g}*v(ramp)-v(m),0)"
    source = f"min({flow(port, trunk[at.TRUNK_IN_R], trunk[at.TRUNK_IN_K])},{problem.flow_limit:.12g})"
    outlet = flow(f"max(v(x)-{problem.peep:.12g},0)", trunk[at.TRUNK_OUT_R], trunk[at.TRUNK_OUT_K])
    lines = [
        "one ventilator, several lungs",
        pulse("ramp", 0.0, rise, ti - rise - 2 * EDGE_S),
        pulse("filling", 0.0, EDGE_S, ti - 2 * EDGE_S),
        pulse("emptying", ti, EDGE_S, period - ti - 2 * EDGE_S),
        f"Bsource 0 m I=v(filling)*({source})",
        f"Bout x 0 I=v(emptying)*({outlet})",
        f"Cm m 0 {trunk[at.SPLITTER_IN_C]:.12g}",
        f"Cx x 0 {trunk[at.SPLITTER_OUT_C]:.12g}",
    ]
    start = [f"v(m)={problem.peep:.12g}", f"v(x)={problem.peep:.12g}"]
    for i, (b, (elastance, r_in, r_out, k)) in enumerate(zip(problem.limbs, problem.lungs, strict=True)):
        own, k = b[at.PATIENT_R], k + b[at.PATIENT_K]
        lung = f"v(w{i})-v(a{i})"
        lines += [
            f"Bin{i} m w{i} I={limb(f'v(m)-v(w{i})', *b[at.IN_R : at.IN_ONE_WAY + 1])}",
            f"Bex{i} w{i} x I={limb(f'v(w{i})-v(x)', *b[at.OUT_R : at.OUT_ONE_WAY + 1])}",
            f"Blung{i} w{i} a{i} I=({lung}>0) ? ({flow(lung, r_in + own, k)}) : ({flow(lung, r_out + own, k)})",
            f"Cw{i} w{i} 0 {b[at.WYE_C]:.12g}",
            f"Ca{i} a{i} 0 {1.0 / elastance:.12g}",
            f".meas tran ti_{i} FIND v(a{i}) AT={(breaths - 1) * period + ti:.12g}",
            f".meas tran end_{i} FIND v(a{i}) AT={breaths * period:.12g}",
        ]
        start += [f"v(w{i})={problem.peep:.12g}", f"v(a{i})={problem.peep:.12g}"]
    stop = breaths * period + 0.01  # a little beyond, so that the end lies inside the run
    lines += [".ic " + " ".join(start), f".tran 0.005 {stop:.12g} 0 0.02 uic", ".end"]
    return "\n".join(lines) + "\n"


def settle_by_spice(problem: Problem, scenario: StoredScenario, breaths: int) -> Settled:
    """Run ngspice at its own tolerances for as many breaths as another solver needed. Raises ``RuntimeError``."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "group.cir"
        path.write_text(netlist(problem, scenario, breaths), encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", path.name], cwd=folder, capture_output=True, text=True, timeout=TIMEOUT_S, check=False
        )
    found = {name: float(value) for name, value in re.findall(r"^(\w+)\s*=\s*([-+.\deE]+)", done.stdout, re.M)}
    try:
        top, end = (np.array([found[f"{name}_{i}"] for i in range(len(problem.limbs))]) for name in ("ti", "end"))
    except KeyError as missing:
        raise RuntimeError(f"ngspice gave no {missing}") from None
    return Settled(1000.0 * (top - end) / problem.lungs[:, at.ELASTANCE], top, end, breaths)
