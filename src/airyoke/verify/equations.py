"""Rows of LSODA: the engine against answers of scipy's integrator that are kept here, and these against scipy now."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Final

from airyoke.circuit import Branch, Element, FlowNetwork, Limb, Valve
from airyoke.verify import ode
from airyoke.verify.lsoda_answers import ANSWERS
from airyoke.verify.row import Check, Compared, Tolerance
from airyoke.verify.scenarios import SCENARIOS, Scenario, breathe, figures, labels, trimmed

_SOURCE: Final = "scipy's LSODA on the equations written out again"
_NUMERICAL: Final = Tolerance(relative=0.001, absolute=0.02)  # of volumes the former, of pressures the latter


_NO_VALVES: Final = "two-pc-no-valves"
_WITHOUT: Final = replace(
    next(one for one in SCENARIOS if one.name == "two-pc"),
    name=_NO_VALVES,
    what="two unlike patients, pressure control, no one-way valves: gas flows back",
)
# Splitters behind splitters, side by side on one side and in a row on the other.
_BRANCHES: Final[dict[str, tuple[tuple[Branch, ...], tuple[Branch, ...]]]] = {
    "four-pc-nested": (
        (Branch(Element(0.3, 0.6), 6.0, (0, 1)), Branch(Element(0.3, 0.6), 2.0, (2, 3))),
        (Branch(Element(0.2, 0.5), 1.0, (1,), (Branch(Element(0.4, 0.9), 3.0, (2, 3)),)),),
    ),
    "three-vc-nested": (
        (Branch(Element(0.5, 1.2), 4.0, (0, 2)),),
        (Branch(Element(0.4, 0.8), 4.0, (1, 2)),),
    ),
}
_NESTED: Final = tuple(
    replace(one, name=f"{one.name}-nested", what=f"{one.what}; splitters behind splitters")
    for one in SCENARIOS
    if f"{one.name}-nested" in _BRANCHES
)
CASES: Final = (*SCENARIOS, _WITHOUT, *_NESTED)


def checks() -> tuple[Check, ...]:
    """A row for each case, and one on whether LSODA says the same today."""
    rows = [
        Check(
            f"lsoda-{one.name}",
            "LSODA",
            one.what,
            f"{_SOURCE}; answer kept here",
            "",
            _NUMERICAL,
            partial(_kept, one),
            one.setup,
            labels(one),
        )
        for one in CASES
    ]
    now = Check(
        "lsoda-now",
        "LSODA",
        "run now, it gives the answers kept here: largest relative difference over all cases",
        _SOURCE,
        "",
        Tolerance(absolute=1e-5),
        _again,
        needs=("scipy",),
    )
    return (*rows, now)


def network_of(one: Scenario) -> FlowNetwork:
    """A circuit in plain numbers, of no catalogue, so that the kept answers stay true when part data change."""
    valve = None if one.name == _NO_VALVES else Valve(0.5, 2.0, 0.0001)
    limb = Limb(Element(1.5, 1.5), Element(0.5, 1.5), valve, valve, 1.5)
    inside, outside = _BRANCHES.get(one.name, ((), ()))
    network = FlowNetwork(
        Element(1.5, 0.5),
        Element(1.5, 0.8),
        0.5,
        (limb,) * len(one.lungs),
        inspiratory_branches=inside,
        expiratory_branches=outside,
    )
    return trimmed(network, one)


def solve_now(one: Scenario) -> tuple[float, ...]:
    """Volumes, plateaus and total PEEPs by LSODA."""
    found = ode.solve(network_of(one), one.settings, one.lungs)
    return (*found.tidal_volume_ml, *found.plateau_cmh2o, *found.total_peep_cmh2o)


def _kept(one: Scenario) -> Compared:
    return ANSWERS[one.name], figures(breathe(network_of(one), one.settings, one.lungs))


def _again() -> Compared:
    pairs = [pair for one in CASES for pair in zip(solve_now(one), ANSWERS[one.name], strict=True)]
    return [0.0], [max(abs(now / kept - 1.0) for now, kept in pairs)]
