"""Dictionary rows: what is dialled, what a ventilator can do, what it delivers and shows."""

from __future__ import annotations

from typing import Final

from airyoke.quantities.quantity import Quantity, Range

_PRESSURE: Final = ("kpa", "mbar", "hpa")

SETTING_ROWS: Final[tuple[Quantity, ...]] = (
    Quantity("rise_time_s", "rise", "s", "time over which the set pressure is reached, a linear ramp",
             Range(0, 2), Range(0, 0.5), (), ("ms",)),
    Quantity("expiratory_pause_s", "pause E", "s",
             "pause at the end of expiration, both valves shut, no flow", Range(0, 5), Range(0, 1), (),
             ("ms",)),
    Quantity("pressure_limit_cmh2o", "Plimit", "cmH2O",
             "absolute pressure above which the ventilator does not push", Range(10, 120), Range(20, 60),
             _PRESSURE, ("kPa",)),
    Quantity("bias_flow_l_per_min", "bias flow", "L/min",
             "continuous flow past the patients during expiration", Range(0, 60), Range(0, 20), (), ()),
)

MACHINE_ROWS: Final[tuple[Quantity, ...]] = (
    Quantity("delivered_tidal_volume_ml", "VT delivered", "mL",
             "what the machine delivers a breath in all: every patient and the circuit together",
             Range(50, 3000), Range(200, 2400), ("l",), ("L",),
             note="another quantity than one patient's tidal volume; also the set volume in volume control"),
    Quantity("displayed_tidal_volume_ml", "VT displayed", "mL", "the sum that the ventilator displays",
             Range(50, 3000), Range(200, 2400), ("l",), ("L",), loinc="76222-9", mdc=151980),
    Quantity("compressed_volume_ml", "V compressed", "mL",
             "gas that the circuit takes up and gives back in a breath: exhaled, but by no patient",
             Range(0, 1500), Range(0, 400), ("l",), ("L",)),
    Quantity("inspiratory_hold_cmh2o", "hold I", "cmH2O",
             "pressure that an inspiratory hold displays on the shared circuit: nobody's plateau"),
    Quantity("expiratory_hold_cmh2o", "hold E", "cmH2O",
             "pressure that an expiratory hold displays on the shared circuit: nobody's total PEEP"),
)

VENTILATOR_ROWS: Final[tuple[Quantity, ...]] = (
    Quantity("max_peak_flow_l_per_min", "highest flow", "L/min",
             "highest inspiratory flow the ventilator can give", Range(10, 300), Range(40, 250), (),
             ("L/s",)),
    Quantity("min_rate_per_min", "RR min", "/min", "lowest rate that can be set", Range(1, 60), Range(1, 15)),
    Quantity("max_rate_per_min", "RR max", "/min", "highest rate that can be set", Range(4, 150),
             Range(30, 120)),
    Quantity("min_inspiratory_time_s", "Ti min", "s", "shortest inspiratory time that can be set",
             Range(0.05, 5), Range(0.1, 0.6), (), ("ms",)),
    Quantity("max_inspiratory_time_s", "Ti max", "s", "longest inspiratory time that can be set",
             Range(0.2, 15), Range(1.5, 10), (), ("ms",)),
    Quantity("max_pressure_cmh2o", "P max", "cmH2O", "highest absolute airway pressure that can be set",
             Range(10, 120), Range(35, 100), _PRESSURE, ("kPa",)),
    Quantity("max_peep_cmh2o", "PEEP max", "cmH2O", "highest PEEP that can be set", Range(0, 60),
             Range(15, 50), _PRESSURE, ("kPa",)),
    Quantity("min_tidal_volume_ml", "VT min", "mL", "smallest volume that can be set in volume control",
             Range(1, 1000), Range(2, 300), ("l",), ("L",)),
    Quantity("max_tidal_volume_ml", "VT max", "mL", "largest volume that can be set in volume control",
             Range(50, 4000), Range(800, 3000), ("l",), ("L",)),
    Quantity("pressure_step_cmh2o", "P step", "cmH2O", "step in which the inspiratory pressure can be set",
             Range(0.05, 10), Range(0.1, 2.1), _PRESSURE),
    Quantity("peep_step_cmh2o", "PEEP step", "cmH2O", "step in which PEEP can be set", Range(0.05, 10),
             Range(0.1, 2.1), _PRESSURE),
    Quantity("rate_step_per_min", "RR step", "/min", "step in which the rate can be set", Range(0.05, 10),
             Range(0.1, 2)),
    Quantity("inspiratory_time_step_s", "Ti step", "s", "step in which the inspiratory time can be set",
             Range(0.001, 1), Range(0.01, 0.2), (), ("ms",)),
)

STOCK_ROWS: Final[tuple[Quantity, ...]] = (
    Quantity("count", "count", "", "how many of this part lie in the store room, whole and clean",
             Range(0, 100_000), Range(), integer=True),
)
