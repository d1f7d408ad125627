"""Rows of closed forms: the engine where the answer is known on paper, and laws that hold whatever the numbers."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from math import exp
from typing import Final

import numpy as np

from airyoke.breath.settings import Settings
from airyoke.circuit import Element, FlowNetwork, Limb, ideal_build
from airyoke.verify.row import Check, Compared, Tolerance
from airyoke.verify.scenarios import SCENARIOS, LungValues, Scenario, breathe, build_of, figures, trimmed
from airyoke.verify.vectors_mechanics import PRESSURE_CONTROL, PRESSURE_CONTROL_ANSWERS

_ONE_LUNG: Final = "settled breath of one resistance and compliance behind a square source (textbook); worked"
_PARALLEL: Final = "two linear units in parallel, after Otis, J Appl Physiol 1956;8:427; worked"
_CLOSE: Final = Tolerance(relative=0.001, absolute=0.02)
_LONG_EXPIRATION: Final = "6/min, so that nothing stays trapped"


def checks() -> tuple[Check, ...]:
    """Closed forms, then laws."""
    return (*_closed_forms(), *_laws())


def _closed_forms() -> tuple[Check, ...]:
    def row(
        name: str, what: str, source: str, compute: partial[Compared], labels: tuple[str, ...], setup: str = ""
    ) -> Check:
        return Check(f"closed-form-{name}", "closed form", what, source, "", _CLOSE, compute, setup, labels)

    one_lung = [
        row(
            f"pc-{name}",
            f"one lung, pressure control, {name}",
            _ONE_LUNG,
            partial(_pressure_control, name),
            ("VT mL", "plateau", "total PEEP"),
        )
        for name in PRESSURE_CONTROL
    ]
    return (
        *one_lung,
        row("vc-pause", "one lung, volume control with a pause: plateau, peak", _ONE_LUNG,
            partial(_volume_control, LungValues(30, 12, 12), _vc(25, 0.8, 12, 400, 0.2), (400.0, 25.4918, 33.4918)),
            ("VT mL", "plateau", "peak")),
        row("vc", "one obstructed lung, volume control without a pause: plateau, peak", _ONE_LUNG,
            partial(_volume_control, LungValues(60, 20, 30), _vc(16, 0.9, 5, 450, 0.0), (450.0, 14.4374, 24.4374)),
            ("VT mL", "plateau", "peak")),
        row("ramp", "one lung, pressure control with a rise time of 0.2 s",
            "linear ramp into one compartment (textbook); worked here", partial(_ramp), ("VT mL",)),
        row("three-lungs", "three lungs behind an ideal pressure source: each as if alone", _PARALLEL,
            partial(_three_lungs), ("VT mL 20", "VT mL 40", "VT mL 60", "plateau 20", "plateau 40", "plateau 60")),
        row("flow-source-compliance", "constant flow into two lungs of unlike compliance", _PARALLEL,
            partial(_flow_source, LungValues(30, 12, 12), LungValues(60, 12, 12), (322.698, 477.302)),
            ("VT mL A", "VT mL B"), _LONG_EXPIRATION),
        row("flow-source-resistance", "constant flow into two lungs of unlike resistance", _PARALLEL,
            partial(_flow_source, LungValues(40, 10, 10), LungValues(40, 25, 25), (491.242, 308.758)),
            ("VT mL A", "VT mL B"), _LONG_EXPIRATION),
        row("sealed", "2 L into four lungs of 20, 30, 40, 50 and a circuit of 21 mL/cmH2O, long pause: shares by "
            "compliance", "Boyle's law for small pressures: V C / (sum of C + circuit); worked", partial(_sealed),
            ("VT mL 20", "VT mL 30", "VT mL 40", "VT mL 50"), "no valves, hardly any resistance, pause of 2 s"),
    )  # fmt: skip


def _laws() -> tuple[Check, ...]:
    groups = [one for one in SCENARIOS if len(one.lungs) > 1]
    return (
        Check("law-gas-balance", "law", "what goes in during inspiration comes out: largest relative gap, 8 groups",
              "conservation of mass", "", Tolerance(absolute=0.001), _gas_balance),
        Check("law-order", "law", "the order of the patients does not matter: largest relative change, 7 groups",
              "symmetry", "", Tolerance(absolute=0.0005), partial(_order, tuple(groups))),
        Check("law-linear", "law", "without valves and quadratic parts twice the drive is twice the volume: ratio",
              "linearity", "", Tolerance(absolute=0.001), _twice_the_drive),
        Check("law-ideal-source", "law", "behind an ideal pressure source a change of B leaves A alone: change of A",
              "no shared resistance, no coupling", "mL", Tolerance(absolute=0.4), _independence),
        Check("law-no-backflow", "law", "tight one-way valves: largest backflow of anybody",
              "definition of a one-way valve", "mL", Tolerance(absolute=0.01), _no_backflow),
    )  # fmt: skip


def _vc(rate: float, ti: float, peep: float, volume: float, pause: float) -> Settings:
    return Settings("vc", rate, ti, peep, tidal_volume_ml=volume, pause_s=pause)


def _pressure_control(name: str) -> Compared:
    c, r_in, r_out, peep, drive, rate, ti = PRESSURE_CONTROL[name]
    volume, intrinsic, plateau, *_ = PRESSURE_CONTROL_ANSWERS[name]
    settings = Settings("pc", rate, ti, peep, pressure_above_peep_cmh2o=drive)
    breath = breathe(ideal_build(1).network, settings, (LungValues(c, r_in, r_out),))
    return (volume, plateau, peep + intrinsic), figures(breath)


def _volume_control(lung: LungValues, settings: Settings, expected: tuple[float, ...]) -> Compared:
    breath = breathe(ideal_build(1).network, settings, (lung,))
    ours = (breath.tidal_volume_ml[0, 0], breath.plateau_cmh2o[0, 0], breath.ventilator_peak_cmh2o[0])
    return expected, ours


def _ramp() -> Compared:
    """R 12, C 30, drive 15, ramp 0.2 s, Ti 1 s, 20/min: volume from rest by the ramp formula, then settled."""
    tau, compliance, drive, rise, ti, te = 12 * 0.030, 30.0, 15.0, 0.2, 1.0, 2.0
    at_rise = compliance * drive / rise * (rise - tau * (1 - exp(-rise / tau)))
    from_rest = compliance * drive + (at_rise - compliance * drive) * exp(-(ti - rise) / tau)
    settled = from_rest * (1 - exp(-te / tau)) / (1 - exp(-(ti + te) / tau))
    settings = Settings("pc", 20, ti, 10, pressure_above_peep_cmh2o=drive, rise_time_s=rise)
    breath = breathe(ideal_build(1).network, settings, (LungValues(compliance, 12, 12),))
    return [settled], [breath.tidal_volume_ml[0, 0]]


def _three_lungs() -> Compared:
    settings = Settings("pc", 20, 1.0, 10, pressure_above_peep_cmh2o=15)
    breath = breathe(ideal_build(3).network, settings, [LungValues(c, 12, 12) for c in (20, 40, 60)])
    return (295.279, 518.148, 643.555, 24.7675, 23.1577, 21.4370), figures(breath)[:6]


def _flow_source(first: LungValues, second: LungValues, expected: tuple[float, float]) -> Compared:
    breath = breathe(ideal_build(2).network, _vc(6, 1.0, 0, 800, 0.0), (first, second))
    return expected, list(breath.tidal_volume_ml[0])


def _sealed() -> Compared:
    limb = Limb(Element(0.05), Element(0.05), None, None, 21.0 / 4)
    network = FlowNetwork(Element(0.05), Element(0.05), 0.0, (limb,) * 4)
    compliances = (20.0, 30.0, 40.0, 50.0)
    lungs = [LungValues(c, 1, 1) for c in compliances]
    breath = breathe(network, _vc(10, 3.0, 0, 2000, 2.0), lungs)
    pressure = 2000.0 / (sum(compliances) + 21.0)
    return [c * pressure for c in compliances], list(breath.tidal_volume_ml[0])


def _gas_balance() -> Compared:
    gaps = []
    for one in SCENARIOS:
        breath = breathe(trimmed(build_of(one).network, one), one.settings, one.lungs)
        gaps.append(abs(breath.exhaled_ml[0] / breath.delivered_ml[0] - 1.0))
    return [0.0], [max(gaps)]


def _order(groups: tuple[Scenario, ...]) -> Compared:
    changes = []
    for one in groups:
        turned = replace(one, lungs=one.lungs[::-1], trims=one.trims[::-1])
        there, back = (
            breathe(trimmed(build_of(case).network, case), case.settings, case.lungs).tidal_volume_ml[0]
            for case in (one, turned)
        )
        changes.append(float(np.max(np.abs(back[::-1] / there - 1.0))))
    return [0.0], [max(changes)]


def _twice_the_drive() -> Compared:
    limb = Limb(Element(1.5), Element(1.0), None, None, 1.5)
    network = FlowNetwork(Element(0.5), Element(1.5), 0.5, (limb, limb))
    lungs = (LungValues(25, 12, 12), LungValues(50, 15, 15))
    once, twice = (
        breathe(network, Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=drive), lungs).tidal_volume_ml[0]
        for drive in (8.0, 16.0)
    )
    return [2.0, 2.0], list(twice / once)


def _independence() -> Compared:
    settings = Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=15)
    before, after = (
        breathe(ideal_build(2).network, settings, (LungValues(30, 12, 12), LungValues(b, 12, 12))).tidal_volume_ml[0, 0]
        for b in (50.0, 25.0)
    )
    return [0.0], [after - before]


def _no_backflow() -> Compared:
    network = ideal_build(2).network
    settings = Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=15)
    breath = breathe(network, settings, (LungValues(20, 12, 12), LungValues(60, 20, 25)))
    return [0.0], [float(np.max(np.abs(breath.backflow_ml)))]
