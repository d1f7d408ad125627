"""A laid-out build as an electrical circuit, solved by ngspice.

Pressure is voltage (1 cmH2O = 1 V), flow is current (1 L/s = 1 A), compliance is capacitance (1 L/cmH2O = 1 F), so
charge is gas in litres. A part is a voltage that follows from its current, R i + K i|i|, as its data are stated; the
engine uses the inverse. Only one-way parts and the machine are currents that follow from a drop.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from airyoke.breath.settings import Settings
from airyoke.verify.part_list import Layout, Piece
from airyoke.verify.scenarios import LungValues

_EDGE_S: Final = 1e-6  # rise of a signal that should jump
_LONGEST_STEP_S: Final = 0.005
_SMALLEST_ML_PER_CMH2O: Final = 0.001  # a place without any gas would be an algebraic equation
_TIMEOUT_S: Final = 120


@dataclass(frozen=True, slots=True)
class SpiceBreath:
    """The last of the breaths, patient by patient, and how much a tidal volume still changed from the one before."""

    tidal_volume_ml: tuple[float, ...]
    plateau_cmh2o: tuple[float, ...]
    total_peep_cmh2o: tuple[float, ...]
    change_ml: float


def netlist(layout: Layout, lungs: Sequence[LungValues], settings: Settings, breaths: int) -> str:
    """The circuit as ngspice reads it: from rest, the last two breaths measured.

    Raises ``ValueError`` for settings that have no circuit element here.
    """
    if settings.circuit_compensation == "on" or settings.bias_flow_l_per_min or settings.expiratory_pause_s:
        raise ValueError("compensation, bias flow and expiratory pause have no circuit element here")
    lines = ["several lungs on one ventilator", *_machine(layout, settings)]
    for number, piece in enumerate(layout.pieces):
        lines += _piece(piece, f"p{number}")
    places = {place for piece in layout.pieces for place in (piece.start, piece.end)}
    for place in sorted(places):
        compliance = max(layout.compliance_ml_per_cmh2o.get(place, 0.0), _SMALLEST_ML_PER_CMH2O)
        lines.append(f"C{place} {place} 0 {compliance / 1000:.12g}")
    for k, lung in enumerate(lungs):
        resistance = f"((i(Vlung{k})>0) ? {lung.resistance_in:.12g} : {lung.resistance_out:.12g})"
        lines += [
            f"Vlung{k} tube{k} s{k} 0",
            f"Blung{k} s{k} lung{k} V={resistance}*i(Vlung{k})",
            f"Clung{k} lung{k} 0 {lung.compliance_ml_per_cmh2o / 1000:.12g}",
        ]
    start = [f"v({place})={settings.peep_cmh2o:.12g}" for place in sorted(places)]
    start += [f"v(lung{k})={settings.peep_cmh2o:.12g}" for k in range(len(lungs))]
    for name, breath in (("before", breaths - 2), ("last", breaths - 1)):
        at_ti = breath * settings.period_s + settings.inspiratory_time_s
        at_end = (breath + 1) * settings.period_s
        for k in range(len(lungs)):
            lines.append(f".meas tran {name}_ti_{k} FIND v(lung{k}) AT={at_ti:.12g}")
            lines.append(f".meas tran {name}_end_{k} FIND v(lung{k}) AT={at_end:.12g}")
    stop = breaths * settings.period_s + 0.01  # a little beyond, so that the end lies inside the run
    lines += [
        ".ic " + " ".join(start),
        ".options method=gear maxord=2 reltol=1e-5 vntol=1e-7 abstol=1e-9 chgtol=1e-12 trtol=1",
        f".tran {_LONGEST_STEP_S} {stop:.12g} 0 {_LONGEST_STEP_S} uic",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def solve(layout: Layout, lungs: Sequence[LungValues], settings: Settings, breaths: int = 8) -> SpiceBreath:
    """Run ngspice. Raises ``RuntimeError`` with its words where it gives no answer."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "build.cir"
        path.write_text(netlist(layout, lungs, settings, breaths), encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", path.name], cwd=folder, capture_output=True, text=True, timeout=_TIMEOUT_S, check=False
        )
    found = {name: float(value) for name, value in re.findall(r"^(\w+)\s*=\s*([-+.\deE]+)", done.stdout, re.M)}

    def pressures(name: str) -> list[float]:
        wanted = [f"{name}_{k}" for k in range(len(lungs))]
        missing = [one for one in wanted if one not in found]
        if missing:
            words = " ".join((done.stdout[-300:] + " " + done.stderr[-300:]).split())
            raise RuntimeError(f"ngspice gave no {', '.join(missing)}: {words}")
        return [found[one] for one in wanted]

    def volumes(high: list[float], low: list[float]) -> list[float]:
        return [lung.compliance_ml_per_cmh2o * (a - b) for lung, a, b in zip(lungs, high, low, strict=True)]

    ti, end = pressures("last_ti"), pressures("last_end")
    last, before = volumes(ti, end), volumes(pressures("before_ti"), pressures("before_end"))
    change = max(abs(a - b) for a, b in zip(last, before, strict=True))
    return SpiceBreath(tuple(last), tuple(ti), tuple(end), change)


def _piece(piece: Piece, name: str) -> list[str]:
    if piece.one_way:
        drop = f"v({piece.start})-v({piece.end})"
        flow = _forward(f"max({drop}-{piece.cracking_cmh2o:.12g},0)", piece.linear, piece.quadratic)
        return [f"B{name} {piece.start} {piece.end} I={flow}+{piece.back_leak:.12g}*min({drop},0)"]
    current = f"i(V{name})"
    drop = f"{piece.linear:.12g}*{current}+{piece.quadratic:.12g}*{current}*abs({current})"
    return [f"V{name} {piece.start} s{name} 0", f"B{name} s{name} {piece.end} V={drop}"]


def _forward(drop: str, linear: float, quadratic: float) -> str:
    """Flow through R q + K q² = drop, for a drop that is not negative."""
    r, k = f"{linear:.12g}", f"{quadratic:.12g}"
    return f"2*({drop})/({r}+sqrt({r}*{r}+4*{k}*({drop})))"


def _machine(layout: Layout, settings: Settings) -> list[str]:
    """The inspiratory port pushes through its own resistance, or with the set flow; the expiratory valve lets out."""
    period, ti = settings.period_s, settings.inspiratory_time_s
    pause = settings.pause_s if settings.mode == "vc" else 0.0
    lines = [
        _pulse("filling", 0.0, _EDGE_S, _EDGE_S, ti - pause - 2 * _EDGE_S, period),
        _pulse("emptying", ti, _EDGE_S, _EDGE_S, period - ti - 2 * _EDGE_S, period),
    ]
    if settings.mode == "pc":
        rise = max(settings.rise_time_s, _EDGE_S)
        lines.append(_pulse("ramp", 0.0, rise, _EDGE_S, ti - rise - 2 * _EDGE_S, period))
        port = f"{settings.peep_cmh2o:.12g}+{settings.pressure_above_peep_cmh2o or 0.0:.12g}*v(ramp)"
        supply = _forward(f"max({port}-v(in),0)", *layout.way_in)
    else:
        mean = (settings.tidal_volume_ml or 0.0) / 1000 / (ti - pause)
        supply = f"{mean:.12g}"
        if settings.flow_shape == "decelerating":
            lines.append(_pulse("fading", 0.0, _EDGE_S, ti - pause, _EDGE_S, period))
            supply = f"{2 * mean:.12g}*v(fading)"
    lines.append(f"Bsource 0 in I=v(filling)*({supply})")
    flow = _forward(f"max(v(out)-{settings.peep_cmh2o:.12g},0)", *layout.way_out)
    lines.append(f"Bvalve out 0 I=v(emptying)*({flow})")
    return lines


def _pulse(name: str, delay: float, rise: float, fall: float, width: float, period: float) -> str:
    timing = " ".join(f"{one:.12g}" for one in (delay, rise, fall, width, period))
    return f"V{name} {name} 0 PULSE(0 1 {timing})"
