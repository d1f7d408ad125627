"""Rows of published benches: what was measured with test lungs, and what the engine says of the same set-up.

The papers' abstracts give volumes and pressures, not every part and setting. What is missing is assumed, said in the
set-up, and some of it is fitted to one figure of a bench so that another figure can be predicted; a figure that
something was fitted to does not count. The bar is the error that a linear model of a shared circuit reached on a
bench of its own (Plummer, PLoS One 2020;15:e0242123): mean 4 %, largest 9.3 %.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from typing import Final

from airyoke.breath.engine import Breath
from airyoke.breath.settings import Settings
from airyoke.circuit import PARTS, Element, FlowNetwork, Limb
from airyoke.contract.verify_answer import Kind
from airyoke.verify.row import FITTED, Check, Compared, Tolerance
from airyoke.verify.scenarios import LungValues, breathe

_NEYMAN: Final = "Neyman, Irvin, Acad Emerg Med 2006;13:1246 (abstract)"
_BRANSON: Final = "Branson, Respir Care 2012;57:399 (abstract)"
BAR_ID: Final = "bench-bar"
_BAR: Final = "Plummer, PLoS One 2020;15:e0242123 (bar rounded up to 5 and 10 %)"

_TEST_LUNG_RESISTANCE: Final = 5.0  # cmH2O·s/L; assumed, the abstracts do not give it
_BARE_CIRCUIT: Final = (
    "Assumed: bare hoses and Y-pieces of typical data, no valves or filters, test lungs of 5 cmH2O·s/L, I:E 1:2."
)
_FIRST: Final = Settings("pc", 16.0, 1.25, 0.0, pressure_above_peep_cmh2o=25.0)
_FIRST_VOLUME: Final = Settings("vc", 16.0, 1.25, 0.0, tidal_volume_ml=2000.0)
_SECOND: Final = Settings("pc", 10.0, 2.0, 5.0, pressure_above_peep_cmh2o=15.0)
_SECOND_VOLUME: Final = Settings("vc", 10.0, 2.0, 5.0, tidal_volume_ml=2000.0)
_GUESSED_LIST: Final = (20.0, 30.0, 40.0, 50.0)
_WORST: Final = Tolerance(relative=0.10)


def checks() -> tuple[Check, ...]:
    """Fitted figures first, then what they predict, then the bar."""
    predicted: Kind = "published bench (predicted)"
    return (
        Check("bench-2006-pressure", FITTED, "bench of 2006, four equal test lungs, pressure control 25: total volume",
              _NEYMAN, "mL", Tolerance(relative=0.005), _fit_first,
              f"Compliance of a test lung fitted to it. PEEP 0 assumed; 16/min from 30.2 L/min. {_BARE_CIRCUIT}"),
        Check("bench-2012-pressure", FITTED, "bench of 2012, four equal chambers, pressure target 15: volume (528-544)",
              _BRANSON, "mL", Tolerance(relative=0.005), _fit_second,
              f"Compliance of a chamber fitted to the middle, 536 mL. 10/min, PEEP 5. {_BARE_CIRCUIT}"),
        Check("bench-2012-volume", FITTED, "the same, volume control 2 L: volume (428-442)", _BRANSON, "mL",
              Tolerance(relative=0.005), _fit_circuit, "Compliance of the whole circuit fitted to the middle, 435 mL."),
        Check("bench-2012-volume-spread", FITTED, "the same, unlike compliance, volume control 2 L: volumes",
              _BRANSON, "mL", _WORST, _spread_in_volume_control,
              "Compliances are not in the abstract: 20, 30, 40, 50 mL/cmH2O guessed because they come near this row.",
              ("smallest", "largest")),
        Check("bench-2006-volume-peak", predicted, "the lungs of the bench of 2006, volume control 2 L: peak pressure",
              _NEYMAN, "cmH2O", Tolerance(absolute=2.0), lambda: ([28.0], [_first_peak()]),
              "Compliance from the pressure-control run. With test lungs of 2 to 10 cmH2O·s/L and I:E 1:1 to 1:3 "
              f"instead, 27 to 31. {_BARE_CIRCUIT}"),
        Check("bench-2006-volume-minute", predicted, "the same: minute volume (arithmetic of the rate)", _NEYMAN,
              "L/min", Tolerance(relative=0.05), _first_minute_volume,
              "Rate = minute volume / tidal volume of the pressure-control run."),
        Check("bench-2012-pressure-spread", predicted, "bench of 2012, unlike compliance, pressure target 15: volumes",
              _BRANSON, "mL", _WORST, lambda: ((320.0, 762.0), _spread_in_pressure_control()),
              "The guessed compliances of the volume-control run; nothing fitted to this one.",
              ("smallest", "largest")),
        Check(BAR_ID, predicted, "predicted pressures and volumes together, against the error that a linear model "
              "reached on a bench of its own", _BAR, "%", Tolerance(side="high"), _bar,
              "Three figures: peak of the bench of 2006, smallest and largest volume of that of 2012.",
              ("mean error", "largest error")),
    )  # fmt: skip


def bench_network(circuit_compliance_ml_per_cmh2o: float, patients: int = 4) -> FlowNetwork:
    """Bare hoses and Y-pieces, no valves; the compliance of the whole circuit shared out to the patients."""
    hose, wye = PARTS["tube-22mm-1500mm"].element, PARTS["y-piece"].element
    branch = hose.in_series_with(wye)
    limb = Limb(branch, branch, None, None, circuit_compliance_ml_per_cmh2o / patients)
    return FlowNetwork(Element(0.1, 0.25), Element(1.5, 1.2), 0.0, (limb,) * patients)


def _breathe(network: FlowNetwork, settings: Settings, compliances: Sequence[float]) -> Breath:
    r = _TEST_LUNG_RESISTANCE
    return breathe(network, settings, [LungValues(c, r, r) for c in compliances])


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function crosses zero, by halving."""
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < 0.0 else (low, middle)
    return (low + high) / 2


@cache
def _first_network() -> FlowNetwork:
    hoses = 8 * PARTS["tube-22mm-1500mm"].compliance_ml_per_cmh2o
    return bench_network(hoses)


@cache
def _first_compliance() -> float:
    return _root(lambda c: float(_breathe(_first_network(), _FIRST, [c] * 4).exhaled_ml[0]) - 1884.0, 8.0, 40.0)


def _fit_first() -> Compared:
    breath = _breathe(_first_network(), _FIRST, [_first_compliance()] * 4)
    return [1884.0], [float(breath.exhaled_ml[0])]


@cache
def _first_peak() -> float:
    breath = _breathe(_first_network(), _FIRST_VOLUME, [_first_compliance()] * 4)
    return float(breath.ventilator_peak_cmh2o[0])


def _first_minute_volume() -> Compared:
    rate = 30.2 / 1.884
    breath = _breathe(_first_network(), _FIRST_VOLUME, [_first_compliance()] * 4)
    return [32.5], [rate * float(breath.exhaled_ml[0]) / 1000.0]


@cache
def _second_compliance() -> float:
    network = bench_network(20.0)  # in pressure control it hardly matters
    return _root(lambda c: float(_breathe(network, _SECOND, [c] * 4).tidal_volume_ml[0, 0]) - 536.0, 20.0, 60.0)


@cache
def _second_network() -> FlowNetwork:
    lungs = [_second_compliance()] * 4

    def lacking(compliance: float) -> float:
        return 435.0 - float(_breathe(bench_network(compliance), _SECOND_VOLUME, lungs).tidal_volume_ml[0, 0])

    return bench_network(_root(lacking, 2.0, 60.0))


def _fit_second() -> Compared:
    breath = _breathe(_second_network(), _SECOND, [_second_compliance()] * 4)
    return [536.0], [float(breath.tidal_volume_ml[0, 0])]


def _fit_circuit() -> Compared:
    breath = _breathe(_second_network(), _SECOND_VOLUME, [_second_compliance()] * 4)
    return [435.0], [float(breath.tidal_volume_ml[0, 0])]


def _spread_in_volume_control() -> Compared:
    volumes = _breathe(_second_network(), _SECOND_VOLUME, _GUESSED_LIST).tidal_volume_ml[0]
    return (257.0, 621.0), (float(min(volumes)), float(max(volumes)))


@cache
def _spread_in_pressure_control() -> tuple[float, float]:
    volumes = _breathe(_second_network(), _SECOND, _GUESSED_LIST).tidal_volume_ml[0]
    return float(min(volumes)), float(max(volumes))


def _bar() -> Compared:
    smallest, largest = _spread_in_pressure_control()
    pairs = ((_first_peak(), 28.0), (smallest, 320.0), (largest, 762.0))
    errors = [100.0 * abs(ours / published - 1.0) for ours, published in pairs]
    return (5.0, 10.0), (sum(errors) / len(errors), max(errors))
