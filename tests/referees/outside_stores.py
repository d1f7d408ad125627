"""Apnoea written out again, for scipy's general-purpose solver: one patient, no step rule, no code of the tool.

State: volumes of O2, CO2 and N2 in the lung (mL STPD), oxygen content of venous blood (mL/dL), PCO2 of the fast and the
slow body store. Time in seconds. Severinghaus' curve and shift, Henderson-Hasselbalch, acute bicarbonate as in textbooks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq


@dataclass(frozen=True)
class Body:
    volume: float  # mL
    least: float
    fio2: float
    paco2: float
    bicarbonate: float
    shunt: float
    hb: float
    vo2: float
    vco2: float
    output: float  # L/min
    blood: float  # L
    fast: float
    slow: float
    tau_slow: float  # min
    beta: float
    air: bool = False
    blocked: bool = False
    ventilation: float = 0.0  # L/min


FACTOR = 863.0


def ph_of(body: Body, paco2: float) -> float:
    gain = min(max(0.1 * (paco2 - body.paco2), -6.0), 6.0)
    return 6.1 + math.log10(max(body.bicarbonate + gain, 2.0) / (0.0307 * paco2))


def curve(po2: float, ph: float) -> float:
    p = po2 * math.exp(((po2 / 26.6) ** 0.184 - 2.2) * (7.40 - ph))
    return 1.0 / (1.0 + 23400.0 / (p * p * p + 150.0 * p))


def content(body: Body, po2: float, ph: float) -> float:
    return 1.34 * body.hb * curve(po2, ph) + 0.0031 * po2


def lung(body: Body, y: NDArray[np.float64]) -> tuple[float, float, float, float]:
    volume = max((y[0] + y[1] + y[2]) * FACTOR / 713.0, body.least)
    return y[0] * FACTOR / volume, y[1] * FACTOR / volume, y[2] * FACTOR / volume, volume


def arterial(body: Body, y: NDArray[np.float64]) -> tuple[float, float]:
    po2, pco2, _, _ = lung(body, y)
    ph = ph_of(body, pco2)
    return (1 - body.shunt) * content(body, max(po2, 1.0), ph) + body.shunt * y[3], ph


def per_second(body: Body, y: NDArray[np.float64]) -> list[float]:
    po2, pco2, pn2, _ = lung(body, y)
    ca, _ = arterial(body, y)
    taken = 10 * body.output * (ca - y[3])
    given = body.output * body.beta * (y[4] - pco2)
    o2, co2, n2 = -taken, given, 0.0
    if not body.blocked:
        leaving = [1000 * body.ventilation * p / FACTOR for p in (po2, pco2, pn2)]
        entering = sum(leaving) + taken - given
        fio2 = 0.21 if body.air else body.fio2
        o2, co2, n2 = o2 - leaving[0], co2 - leaving[1], n2 - leaving[2]
        if entering > 0:
            o2, n2 = o2 + fio2 * entering, n2 + (1 - fio2) * entering
        else:
            total = po2 + pco2 + pn2
            o2, co2, n2 = o2 + entering * po2 / total, co2 + entering * pco2 / total, n2 + entering * pn2 / total
    aside = body.slow / body.tau_slow * (y[4] - y[5])
    rates = [
        o2,
        co2,
        n2,
        (taken - body.vo2 * min(1.0, y[3])) / (10 * body.blood),
        (body.vco2 - given - aside) / body.fast,
        aside / body.slow,
    ]
    return [rate / 60.0 for rate in rates]


def start(body: Body, lost_ml: float = 0.0) -> NDArray[np.float64]:
    r = body.vco2 / body.vo2
    po2 = body.fio2 * 713.0 - body.paco2 / r + body.paco2 * body.fio2 * (1 - r) / r
    ph = ph_of(body, body.paco2)
    venous = content(body, po2, ph) - body.vo2 / (10 * body.output * (1 - body.shunt))
    tissue = body.paco2 + body.vco2 / (body.output * body.beta)
    room = (body.volume - lost_ml) / FACTOR
    return np.array([po2 * room, body.paco2 * room, (713.0 - po2 - body.paco2) * room, venous, tissue, tissue])


def run(body: Body, seconds: float, lost_ml: float = 0.0) -> Any:
    return solve_ivp(
        lambda t, y: per_second(body, y),
        (0.0, seconds),
        start(body, lost_ml),
        method="LSODA",
        rtol=1e-9,
        atol=1e-9,
        dense_output=True,
    )


def spo2(body: Body, y: NDArray[np.float64]) -> float:
    ca, ph = arterial(body, y)
    po2 = brentq(lambda p: content(body, p, ph) - ca, 0.01, 800.0, xtol=1e-10)
    return 100.0 * curve(po2, ph)


def paco2(body: Body, y: NDArray[np.float64]) -> float:
    return lung(body, y)[1]


def seconds_until(body: Body, below_pct: float, most_s: float, lost_ml: float = 0.0) -> float:
    found = run(body, most_s, lost_ml)

    def above(t: float) -> float:
        return spo2(body, found.sol(t)) - below_pct

    grid = np.linspace(0.0, most_s, 400)
    signs = [above(t) for t in grid]
    for a, b, sign in zip(grid, grid[1:], signs[1:], strict=False):
        if sign < 0.0:
            return float(brentq(above, a, b, xtol=1e-6)) if above(a) > 0.0 else float(a)
    return math.inf
