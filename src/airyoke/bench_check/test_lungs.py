"""Test lungs on the bench, and one engine call for many networks at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from airyoke.breath.engine import Breath, LungMechanics, settle
from airyoke.breath.settings import Settings
from airyoke.circuit.network import FlowNetwork


@dataclass(frozen=True, slots=True)
class TestLung:
    """A test lung with its resistor: pressure drop = linear Q + quadratic Q|Q|, cmH2O with Q in L/s."""

    __test__ = False  # no test class, whatever its name

    compliance_ml_per_cmh2o: float
    linear_cmh2o_s_per_l: float = 0.0
    quadratic_cmh2o_s2_per_l2: float = 5.0


STIFF, LAX = TestLung(20.0), TestLung(50.0)  # with a parabolic resistor, nominal 5 at 1 L/s


def usual_test_lungs(patients: int) -> tuple[TestLung, ...]:
    """Unlike lungs, stiff and lax in turn: 20 and 50 mL/cmH2O (common practice, no source)."""
    return tuple(STIFF if i % 2 == 0 else LAX for i in range(patients))


def breathe(
    networks: Sequence[FlowNetwork], settings: Settings | Sequence[Settings], lungs: Sequence[TestLung]
) -> Breath:
    """The settled breath of the same test lungs on every network, one run a network, each at settings of its own or all
    at the same."""
    runs = len(networks)
    each = (settings,) if isinstance(settings, Settings) else tuple(settings)
    settings_of = np.arange(runs) if len(each) > 1 else None
    lung_rows = mechanics_of(lungs, runs)
    return settle(list(networks), each, lung_rows, network_of=np.arange(runs), settings_of=settings_of)


def mechanics_of(lungs: Sequence[TestLung], runs: int) -> LungMechanics:
    """The same test lungs in every run."""

    def rows(values: list[float]) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        return np.tile(np.array(values), (runs, 1))

    linear = rows([lung.linear_cmh2o_s_per_l for lung in lungs])
    return LungMechanics(
        rows([lung.compliance_ml_per_cmh2o for lung in lungs]),
        linear,
        linear,
        rows([lung.quadratic_cmh2o_s2_per_l2 for lung in lungs]),
    )
