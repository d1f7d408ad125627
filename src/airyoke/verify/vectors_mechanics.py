"""Formula vectors: mechanics, the closed form of one breath, mechanical power.

"Worked" in a source: worked out from the published formula apart from this code; else the number is printed there.
The closed forms were also integrated step by step when they were worked out.
"""

from __future__ import annotations

from functools import partial
from typing import Final

import numpy as np

from airyoke.lungs import closed_forms, mechanics, power
from airyoke.verify.row import Check, Compared, Tolerance, vector

_TEXTBOOK: Final = "equation of motion of one compartment, settled breath (textbook); worked"
_PARALLEL: Final = "two linear units in parallel, after Otis, J Appl Physiol 1956;8:427; worked"
_CLOSE: Final = Tolerance(relative=1e-4)

# Compliance, resistance in and out, PEEP, drive, rate, inspiratory time.
PRESSURE_CONTROL: Final = {
    "ards-like": (30.0, 12.0, 12.0, 12.0, 15.0, 25.0, 0.8),
    "copd-like": (60.0, 20.0, 30.0, 5.0, 15.0, 20.0, 1.0),
    "near-normal": (55.0, 10.0, 10.0, 5.0, 12.0, 14.0, 1.4),
}
# Tidal volume, intrinsic PEEP, plateau, driving pressure, flow at the end of inspiration, mean alveolar pressure.
PRESSURE_CONTROL_ANSWERS: Final = {
    "ards-like": (397.0277, 0.1573, 25.3915, 13.2343, 8.0424, 17.0),
    "copd-like": (398.3366, 3.2580, 14.8970, 6.6389, 15.3091, 11.3278),
    "near-normal": (605.2792, 0.0582, 16.0633, 11.0051, 5.6201, 8.9200),
}
_BREATH_LABELS: Final = ("VT mL", "PEEPi", "plateau", "driving", "end flow L/min", "mean alveolar")

# Resistance, compliance, drive, inspiratory and expiratory time -> tidal volume, intrinsic PEEP.
_SECOND_SET: Final = (
    ((10, 50, 15, 1.0, 2.0), (638.2, 0.238)),
    ((10, 25, 15, 1.0, 2.0), (368.0, 0.005)),
    ((20, 50, 15, 1.0, 2.0), (431.4, 1.350)),
    ((20, 80, 15, 0.8, 1.6), (384.2, 2.795)),
    ((10, 30, 14, 0.9, 1.8), (398.1, 0.033)),
    ((15, 40, 12, 1.0, 1.4), (358.1, 0.961)),
)

# Flow L/s, time s, first and second (resistance, compliance) -> volumes, airway and alveolar pressures.
_FLOW_SOURCE: Final = (
    ((1.0, 0.9, 10, 50, 10, 25), (548.2, 351.8, 17.52, 10.96, 14.07)),
    ((1.0, 0.9, 10, 40, 20, 40), (527.7, 372.3, 18.56, 13.19, 9.31)),
    ((1.2, 0.8, 8, 30, 20, 60), (514.6, 445.4, 21.23, 17.15, 7.42)),
)


def checks() -> tuple[Check, ...]:
    """The vectors of mechanics and power."""
    return (*_breaths(), *_holds(), *_power())


def _breaths() -> tuple[Check, ...]:
    one_lung = tuple(
        Check(
            f"pressure-control-{name}",
            "formula vector",
            f"settled breath in pressure control, {name}: C {c:g}, R {r_in:g}/{r_out:g}, PEEP {peep:g}, "
            f"drive {drive:g}, {rate:g}/min, Ti {ti:g} s",
            _TEXTBOOK,
            "",
            Tolerance(relative=1e-4, absolute=5e-5),
            partial(_worked_example, name),
            labels=_BREATH_LABELS,
        )
        for name, (c, r_in, r_out, peep, drive, rate, ti) in PRESSURE_CONTROL.items()
    )
    return (
        *one_lung,
        vector(
            "pressure-control-volumes",
            "tidal volume of six more lungs in pressure control",
            _TEXTBOOK,
            "mL",
            [volume for _, (volume, _) in _SECOND_SET],
            Tolerance(absolute=0.05),
            lambda: [_second_set(case)[0] for case, _ in _SECOND_SET],
        ),
        vector(
            "pressure-control-trapping",
            "intrinsic PEEP of the same six lungs",
            _TEXTBOOK,
            "cmH2O",
            [trapped for _, (_, trapped) in _SECOND_SET],
            Tolerance(absolute=5e-4),
            lambda: [_second_set(case)[1] for case, _ in _SECOND_SET],
        ),
        vector(
            "volume-control-stiff",
            "plateau, peak, driving, intrinsic PEEP in volume control with pause: C 30, R 12, VT 400, PEEP 12, 25/min",
            _TEXTBOOK,
            "cmH2O",
            (25.4918, 33.4918, 13.3333, 0.1584),
            Tolerance(relative=1e-4, absolute=5e-5),
            lambda: _volume_control(30.0, 12.0, 12.0, 12.0, 400.0, 25.0, 0.6, 0.2),
        ),
        vector(
            "volume-control-obstructive",
            "plateau, peak, driving, intrinsic PEEP in volume control: C 60, R 20/30, VT 450, PEEP 5, 16/min",
            _TEXTBOOK,
            "cmH2O",
            (14.4374, 24.4374, 7.5, 1.9374),
            _CLOSE,
            lambda: _volume_control(60.0, 20.0, 30.0, 5.0, 450.0, 16.0, 0.9, 0.0),
        ),
        Check(
            "parallel-pressure-source",
            "formula vector",
            "VT, plateau, intrinsic PEEP of C 20, 40, 60 behind one ideal pressure source: each as if alone",
            _PARALLEL,
            "",
            Tolerance(relative=1e-4, absolute=5e-5),
            _pressure_source,
            labels=tuple(f"{what} {c}" for what in ("VT mL", "plateau", "PEEPi") for c in (20, 40, 60)),
        ),
        vector(
            "parallel-flow-source-volumes",
            "volumes of five pairs of lungs behind one constant flow",
            _PARALLEL,
            "mL",
            (322.698, 477.302, 491.242, 308.758, *(volume for _, answer in _FLOW_SOURCE for volume in answer[:2])),
            Tolerance(absolute=0.05),
            lambda: [
                *_flow_source(0.8, 1.0, 12, 30, 12, 60)[:2],
                *_flow_source(0.8, 1.0, 10, 40, 25, 40)[:2],
                *(volume for case, _ in _FLOW_SOURCE for volume in _flow_source(*case)[:2]),
            ],
        ),
        vector(
            "parallel-flow-source-pressures",
            "airway and both alveolar pressures of three of these pairs",
            _PARALLEL,
            "cmH2O",
            [pressure for _, answer in _FLOW_SOURCE for pressure in answer[2:]],
            Tolerance(absolute=0.006),
            lambda: [pressure for case, _ in _FLOW_SOURCE for pressure in _flow_source(*case)[2:]],
        ),
    )


def _holds() -> tuple[Check, ...]:
    curve = (0.0, 2000.0, 18.0, 6.0)
    return (
        vector(
            "static-compliance",
            "compliance and driving pressure count total PEEP: VT 420, plateau 28, total PEEP 12",
            "definition, Amato, N Engl J Med 2015;372:747; worked",
            "",
            (26.25, 16.0),
            Tolerance(relative=1e-6),
            lambda: [
                float(mechanics.static_compliance_ml_per_cmh2o(420.0, 28.0, 12.0)),
                float(mechanics.driving_pressure_cmh2o(28.0, 12.0)),
            ],
        ),
        vector(
            "compressible-volume",
            "volume that reaches the patient: 450 mL set, circuit 2 mL/cmH2O, 35 over 10 cmH2O",
            "compressible volume of a circuit (textbook); worked",
            "mL",
            (400.0,),
            Tolerance(absolute=1e-9),
            lambda: [float(mechanics.patient_volume_ml(450.0, 2.0, 35.0, 10.0))],
        ),
        vector(
            "emptying",
            "highest rate that leaves 3 and 5 time constants of 0.69 s at Ti 0.8 s",
            "exponential emptying (textbook); worked",
            "/min",
            (20.91, 14.12),
            Tolerance(relative=1e-3),
            lambda: [float(mechanics.highest_rate_per_min(0.8, 0.69, count)) for count in (3.0, 5.0)],
        ),
        vector(
            "emptied-fraction",
            "part emptied after 1 to 5 time constants",
            "exponential emptying, as in handbooks (63, 86, 95, 98, 99 %)",
            "",
            (0.6321, 0.8647, 0.9502, 0.9817, 0.9933),
            Tolerance(absolute=5e-5),
            lambda: [float(mechanics.emptied_fraction(float(count), 1.0)) for count in range(1, 6)],
        ),
        vector(
            "sigmoid-curve",
            "volume between 10 and 25 cmH2O, and slope at 18, 10, 25 cmH2O, on a sigmoid pressure-volume curve",
            "Venegas, J Appl Physiol 1998;84:389; worked",
            "",
            (1107.867, 83.333, 55.030, 60.357),
            _CLOSE,
            lambda: [
                float(mechanics.sigmoid_volume_ml(25.0, *curve) - mechanics.sigmoid_volume_ml(10.0, *curve)),
                *(float(mechanics.sigmoid_compliance_ml_per_cmh2o(p, *curve[1:])) for p in (18.0, 10.0, 25.0)),
            ],
        ),
        vector(
            "recruitment-to-inflation",
            "recruitment-to-inflation ratio: 850 mL out, VT 360, C 30 at low PEEP, 15 to 5 cmH2O",
            "Chen, Am J Respir Crit Care Med 2020;201:178; worked",
            "",
            (0.6333,),
            Tolerance(relative=1e-3),
            lambda: [float(mechanics.recruitment_to_inflation_ratio(850.0, 360.0, 30.0, 15.0, 5.0))],
        ),
    )


def _power() -> tuple[Check, ...]:
    plateau, peak = 10 + 400 / 30, 10 + 400 / 30 + 15 * 0.4
    return (
        vector(
            "power-volume-control",
            "power in volume control by three formulas: 20/min, VT 400, C 30, R 15, PEEP 10, I:E 1:2",
            "Gattinoni, Intensive Care Med 2016;42:1567 (two); Giosa, Intensive Care Med Exp 2019;7:61; worked",
            "J/min",
            (17.7707, 17.7707, 17.3333),
            _CLOSE,
            lambda: [
                float(power.power_gattinoni_extended_j_per_min(20, 400, 30, 15, 10, 0.5)),
                float(power.power_gattinoni_simple_j_per_min(20, 400, peak, plateau, 10)),
                float(power.power_giosa_j_per_min(8, peak, 10, 24)),
            ],
        ),
        vector(
            "power-pressure-control",
            "power in pressure control by three formulas: 20/min, VT 420, drive 15, PEEP 10",
            "Becher, Intensive Care Med 2019;45:1321 (two); van der Meijden, Intensive Care Med 2019;45:1495; worked",
            "J/min",
            (20.580, 19.5079, 19.8122),
            _CLOSE,
            lambda: [
                float(power.power_becher_simple_j_per_min(20, 420, 15, 10)),
                float(power.power_becher_rise_j_per_min(20, 420, 15, 10, 30, 12, 0.2)),
                float(power.power_van_der_meijden_j_per_min(20, 420, 15, 10, 30, 12, 1.0)),
            ],
        ),
        Check(
            "power-of-a-ramp",
            "formula vector",
            "power with a rise time equals the pressure-volume loop, integrated here; and without rise time",
            "Becher, Intensive Care Med 2019;45:1321; loop by the trapezoidal rule",
            "J/min",
            Tolerance(relative=1e-3),
            _ramp,
        ),
    )


def _worked_example(name: str) -> Compared:
    return PRESSURE_CONTROL_ANSWERS[name], _pressure_control(*PRESSURE_CONTROL[name])


def _pressure_control(
    compliance: float, r_in: float, r_out: float, peep: float, drive: float, rate: float, ti: float
) -> list[float]:
    breath = closed_forms.pressure_control(compliance, r_in, r_out, peep, drive, rate, ti)
    flows = closed_forms.pressure_control_flows(breath, r_in, r_out, drive, rate, ti)
    return [
        float(breath.tidal_volume_ml),
        float(breath.intrinsic_peep_cmh2o),
        float(breath.plateau_cmh2o),
        float(breath.driving_pressure_cmh2o),
        float(flows.end_inspiratory_flow_l_per_min),
        float(flows.mean_alveolar_pressure_cmh2o),
    ]


def _second_set(case: tuple[float, ...]) -> tuple[float, float]:
    resistance, compliance, drive, ti, te = case
    breath = closed_forms.pressure_control(compliance, resistance, resistance, 0.0, drive, 60 / (ti + te), ti)
    return float(breath.tidal_volume_ml), float(breath.intrinsic_peep_cmh2o)


def _volume_control(*case: float) -> list[float]:
    found = closed_forms.volume_control(*case)
    return [
        float(found.breath.plateau_cmh2o),
        float(found.peak_cmh2o),
        float(found.breath.driving_pressure_cmh2o),
        float(found.breath.intrinsic_peep_cmh2o),
    ]


def _flow_source(*case: float) -> list[float]:
    found = closed_forms.parallel_constant_flow(*case)
    pressures = (found.airway_cmh2o, found.first_alveolar_cmh2o, found.second_alveolar_cmh2o)
    return [float(found.first_ml), float(found.second_ml), *(float(one) for one in pressures)]


def _pressure_source() -> Compared:
    found = closed_forms.pressure_control(np.array([20.0, 40.0, 60.0]), 12.0, 12.0, 10.0, 15.0, 20.0, 1.0)
    ours = np.concatenate([found.tidal_volume_ml, found.plateau_cmh2o, found.intrinsic_peep_cmh2o])
    volumes, plateaus, trapped = (295.279, 518.148, 643.555), (24.7675, 23.1577, 21.4370), (0.0035, 0.2040, 0.7111)
    return (*volumes, *plateaus, *trapped), list(ours)


def _ramp() -> Compared:
    """One breath from rest, R 12, C 30, drive 15, rise 0.2 s, Ti 1 s: its loop, and the formulas at its volume."""
    resistance, compliance_l, peep, drive, rise = 12.0, 0.03, 10.0, 15.0, 0.2
    time = np.linspace(0.0, 1.0, 20_001)
    step = float(time[1])
    pressure = drive * np.minimum(time / rise, 1.0)
    tau = resistance * compliance_l
    decay = float(np.exp(-step / tau))
    volume = np.zeros_like(time)
    for i in range(1, time.size):  # exact for a pressure that is linear between the points
        slope = (pressure[i] - pressure[i - 1]) / step
        start = compliance_l * (pressure[i - 1] - slope * tau)
        volume[i] = start + compliance_l * slope * step + (volume[i - 1] - start) * decay
    loop = 0.098 * 20 * float(np.trapezoid(pressure + peep, volume))
    volume_ml = 1000 * float(volume[-1])
    ramp = float(power.power_becher_rise_j_per_min(20, volume_ml, drive, peep, 30, 12, rise))
    square = float(power.power_becher_simple_j_per_min(20, volume_ml, drive, peep))
    return (loop, 19.1446, 20.2167), (ramp, ramp, square)
