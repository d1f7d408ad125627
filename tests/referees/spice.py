"""Second outside check: a case as an electrical circuit, solved by ngspice.

Pressure is voltage (cmH2O = V), flow is current (L/s = A), compliance is capacitance (L/cmH2O = F), so that
charge is gas in L. Elements are behavioural current sources with the flow written as a function of the drop.
The netlist is written from the case by this module alone and shares no code with the other referee.

A course: a limb is clamped, or a hole opens, at its instant; a voltage that jumps from 0 to 1 switches its current.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

EDGE = 1e-6  # s, rise of a signal that should jump
SMALLEST_COMPLIANCE = 1e-6  # L/cmH2O
LONGEST_STEP = 0.002  # s


def _number(value: float) -> str:
    return f"{value:.12g}"


def _flow(drop: str, linear: float, quadratic: float) -> str:
    """R q + K q|q| = drop, solved for q."""
    r, k = _number(linear), _number(quadratic)
    return f"2*({drop})/({r}+sqrt({r}*{r}+4*{k}*abs({drop})))"


def _one_way(drop: str, linear: float, quadratic: float, cracking: float, leak: float) -> str:
    """Nothing below the cracking pressure, a linear leak when reversed."""
    forward = _flow(f"max({drop}-{_number(cracking)},0)", linear, quadratic)
    return f"{forward}+{_number(leak)}*min({drop},0)" if leak else forward


def _pulse(name: str, delay: float, rise: float, fall: float, width: float, period: float) -> str:
    timing = " ".join(_number(x) for x in (delay, rise, fall, width, period))
    return f"V{name} {name} 0 PULSE(0 1 {timing})"


@dataclass(frozen=True)
class Switch:
    """At `at_s`, counted from the start of the breath after `settling` ones: one patient's limb is blocked, or a hole opens.

    `limb`: inspiratory, expiratory, or None for a hole at the wye of these resistances.
    """

    at_s: float
    patient: int
    limb: str | None = None
    linear: float = 0.0
    quadratic: float = 0.0


def netlist(case: dict[str, Any], breaths: int, switches: Sequence[Switch] = (), measured: Sequence[int] = ()) -> str:
    """The case as ngspice input that runs from rest and measures the last two of `breaths`, or those `measured`.

    `switches` count from the start of the first breath measured.
    """
    measured = measured or (breaths - 2, breaths - 1)
    circuit, settings, patients = case["circuit"], case["settings"], case["patients"]
    if settings.get("circuit_compensation", "off") == "on":
        raise ValueError("circuit compensation is not a circuit element: take off the circuit's part first")
    peep, period, inspiration = (
        settings["peep_cmh2o"],
        60 / settings["rate_per_min"],
        settings["inspiratory_time_s"],
    )
    pause = settings.get("pause_s", 0) if settings["mode"] == "vc" else 0
    flow_time = inspiration - pause
    open_time = period - inspiration - settings.get("expiratory_pause_s", 0)
    valves = None if circuit["valves"] == "none" else circuit["valves"]
    splitter = max(circuit["splitter_compliance_ml_per_cmh2o"] / 1000, SMALLEST_COMPLIANCE)
    wye = max(circuit["wye_compliance_ml_per_cmh2o"] / 1000, SMALLEST_COMPLIANCE)

    lines = [
        "one ventilator and several lungs",
        f"Cm m 0 {_number(splitter)}",
        f"Cx x 0 {_number(splitter)}",
        _pulse("filling", 0, EDGE, EDGE, flow_time - 2 * EDGE, period),
        _pulse("emptying", inspiration, EDGE, EDGE, open_time - 2 * EDGE, period),
    ]
    start = [f"v(m)={_number(peep)}", f"v(x)={_number(peep)}", "v(sum)=0", "v(given)=0"]
    zero = measured[0] * period if switches else 0.0
    for i, one in enumerate(switches):
        at = zero + one.at_s
        lines.append(f"Vs{i} s{i} 0 PWL(0 0 {_number(at)} 0 {_number(at + EDGE)} 1)")
        if one.limb is None:
            hole = _flow(f"v(w{one.patient})", one.linear, one.quadratic)
            lines.append(f"Bhole{i} w{one.patient} 0 I=v(s{i})*({hole})")

    trunk = circuit["inspiratory_trunk"]
    if settings["mode"] == "pc":
        rise = max(settings.get("rise_time_s", 0), EDGE)
        lines.append(_pulse("ramp", 0, rise, EDGE, inspiration - rise - 2 * EDGE, period))
        port = f"{_number(peep)}+{_number(settings['pressure_above_peep_cmh2o'])}*v(ramp)"
        supply = _one_way(f"{port}-v(m)", trunk["linear"], trunk["quadratic"], 0, 0)
    else:
        mean = settings["tidal_volume_ml"] / 1000 / flow_time
        supply = _number(mean)
        if settings.get("flow_shape", "constant") == "decelerating":
            lines.append(_pulse("fading", 0, EDGE, flow_time, EDGE, period))
            supply = f"{_number(2 * mean)}*v(fading)"
        if settings.get("pressure_limit_cmh2o") is not None:
            limit = _number(settings["pressure_limit_cmh2o"])
            supply = f"min({supply},{_one_way(f'{limit}-v(m)', trunk['linear'], trunk['quadratic'], 0, 0)})"
    if settings.get("max_peak_flow_l_per_min") is not None:
        supply = f"min({supply},{_number(settings['max_peak_flow_l_per_min'] / 60)})"
    bias = _number(settings.get("bias_flow_l_per_min", 0) / 60)
    lines.append(f"Bsource 0 m I=v(filling)*({supply})+{bias}*v(emptying)")
    lines += [f"Bgiven 0 given I=v(filling)*({supply})", "Cgiven given 0 1"]
    trunk = circuit["expiratory_trunk"]
    out = _one_way(f"v(x)-{_number(peep)}", trunk["linear"], trunk["quadratic"], 0, 0)
    lines.append(f"Bout x 0 I=v(emptying)*({out})")
    lines += [f"Bsum 0 sum I=v(emptying)*({out}-{bias})", "Csum sum 0 1"]

    for k, patient in enumerate(patients):
        w, a = f"v(w{k})", f"v(a{k})"
        compliance = patient["compliance_ml_per_cmh2o"] / 1000
        r_in = patient["inspiratory_resistance_cmh2o_s_per_l"]
        r_out = patient.get("expiratory_resistance_cmh2o_s_per_l", r_in)
        tube = patient.get("quadratic_resistance_cmh2o_s2_per_l2", 0)
        in_line = patient.get("peep_valve_cmh2o", 0)
        limb_in, limb_out = circuit["inspiratory_limb"], circuit["expiratory_limb"]
        k_in = limb_in["quadratic"] + patient.get("restrictor_cmh2o_s2_per_l2", 0)
        if valves is not None:
            own = (valves["cracking_cmh2o"], valves["back_leak_l_per_s_per_cmh2o"])
            flow_in = _one_way(f"v(m)-{w}", limb_in["linear"] + valves["linear"], k_in, *own)
            own = (valves["cracking_cmh2o"] + in_line, valves["back_leak_l_per_s_per_cmh2o"])
            flow_out = _one_way(f"{w}-v(x)", limb_out["linear"] + valves["linear"], limb_out["quadratic"], *own)
        else:
            flow_in = _flow(f"v(m)-{w}", limb_in["linear"], k_in)
            flow_out = _flow(f"{w}-v(x)", limb_out["linear"], limb_out["quadratic"])
            if in_line:
                flow_out = _one_way(f"{w}-v(x)", limb_out["linear"], limb_out["quadratic"], in_line, 0)
        for i, one in enumerate(switches):
            if one.patient == k and one.limb == "inspiratory":
                flow_in = f"(1-v(s{i}))*({flow_in})"
            elif one.patient == k and one.limb == "expiratory":
                flow_out = f"(1-v(s{i}))*({flow_out})"
        lung_in, lung_out = _flow(f"{w}-{a}", r_in, tube), _flow(f"{w}-{a}", r_out, tube)
        lines += [
            f"Bin{k} m w{k} I={flow_in}",
            f"Bout{k} w{k} x I={flow_out}",
            f"Blung{k} w{k} a{k} I=({w}>{a}) ? ({lung_in}) : ({lung_out})",
            f"Cw{k} w{k} 0 {_number(wye)}",
            f"Ca{k} a{k} 0 {_number(compliance)}",
        ]
        start += [f"v(w{k})={_number(peep + in_line)}", f"v(a{k})={_number(peep + in_line)}"]

    for breath in measured:
        at_ti, at_end = breath * period + inspiration, (breath + 1) * period
        for k in range(len(patients)):
            lines.append(f".meas tran b{breath}_ti_{k} FIND v(a{k}) AT={at_ti:.12g}")
            lines.append(f".meas tran b{breath}_end_{k} FIND v(a{k}) AT={at_end:.12g}")
        for name in ("sum", "given"):
            lines.append(f".meas tran b{breath}_{name}_from FIND v({name}) AT={max(breath * period, EDGE):.12g}")
            lines.append(f".meas tran b{breath}_{name}_to FIND v({name}) AT={at_end:.12g}")
    # A little beyond the last breath, so that its end lies inside the run.
    stop = breaths * period + 0.01
    lines += [
        ".ic " + " ".join(start),
        ".options method=gear maxord=2 reltol=1e-5 vntol=1e-7 abstol=1e-9 chgtol=1e-12 trtol=1",
        f".tran {_number(LONGEST_STEP)} {_number(stop)} 0 {_number(LONGEST_STEP)} uic",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def run_case(case: dict[str, Any], breaths: int = 10) -> dict[str, Any]:
    """Tidal volume (mL), plateau, total PEEP (cmH2O) of each patient in the last of `breaths` breaths from rest.

    `change_ml`: largest change of a tidal volume from the breath before, so that a run too short shows.
    """
    before, last = _measured(netlist(case, breaths), case, (breaths - 2, breaths - 1))
    change = max(
        abs(a["tidal_volume_ml"] - b["tidal_volume_ml"])
        for a, b in zip(last["patients"], before["patients"], strict=True)
    )
    return {"patients": last["patients"], "change_ml": change}


def run_course(
    case: dict[str, Any], switches: Sequence[Switch], breaths: int, settling: int = 12
) -> list[dict[str, Any]]:
    """The breaths from the one on in which something is switched, after `settling` from rest: patients as in
    :func:`run_case`, gas that the machine gave in inspiration and that came back through it (bias flow taken off), mL.
    """
    measured = tuple(range(settling, settling + breaths))
    return _measured(netlist(case, settling + breaths, switches, measured), case, measured)


def _measured(text: str, case: dict[str, Any], breaths: Sequence[int]) -> list[dict[str, Any]]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "case.cir"
        path.write_text(text, encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", path.name], cwd=folder, capture_output=True, text=True, timeout=240, check=False
        )
    found = {name: float(value) for name, value in re.findall(r"^(\w+)\s*=\s*([-+.\deE]+)", done.stdout, re.M)}
    answers = []
    try:
        for breath in breaths:
            patients = []
            for k, patient in enumerate(case["patients"]):
                ti, end = found[f"b{breath}_ti_{k}"], found[f"b{breath}_end_{k}"]
                patients.append(
                    {
                        "label": patient["label"],
                        "tidal_volume_ml": patient["compliance_ml_per_cmh2o"] * (ti - end),
                        "plateau_cmh2o": ti,
                        "total_peep_cmh2o": end,
                    }
                )
            back, given = (1000 * (found[f"b{breath}_{n}_to"] - found[f"b{breath}_{n}_from"]) for n in ("sum", "given"))
            answers.append({"patients": patients, "exhaled_ml": back, "inspired_ml": given})
    except KeyError as missing:
        raise RuntimeError(f"ngspice gave no {missing}: {done.stdout[-500:]} {done.stderr[-500:]}") from None
    return answers
