"""Rows of ngspice: groups of one to four on builds read from their part lists, builds from the stock read joint by
joint, and one with a planted error."""

from __future__ import annotations

from functools import partial
from typing import Final, Literal

from airyoke.circuit import standard_build
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import build_for
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.verify import part_list, spice
from airyoke.verify.row import Check, Compared, Tolerance
from airyoke.verify.scenarios import (
    MIDDLE,
    OBSTRUCTED,
    SCENARIOS,
    SOFT,
    STIFF,
    LungValues,
    Scenario,
    breathe,
    figures,
    labels,
    pressure_control,
    solve_by_engine,
    volume_control,
)
from airyoke.verify.spice import SpiceBreath

_SOURCE: Final = "ngspice (general circuit simulator), netlist from the part list by the table's own reading"
_CLOSE: Final = Tolerance(relative=0.005, absolute=0.1)  # of volumes the former, of pressures the latter
_SIMPLIFIED: Final = Tolerance(relative=0.01, absolute=0.1)
_STILL_MOVING_ML: Final = 0.2  # a run that has not come to rest is no reference
PLANTED: Final = next(one for one in SCENARIOS if one.name == "two-pc")

_FOUR: Final = (STIFF, MIDDLE, SOFT, LungValues(28.0, 16.0, 18.0))
BUILT: Final = (
    (
        Scenario(
            "built-two-trimmed",
            "two patients from the stock: 4.5 mm restrictor for B, PEEP valve of 5 for A, pressure control",
            (STIFF, SOFT),
            pressure_control(20, 1.0, 8, 18),
        ),
        CircuitNeeds((PatientNeeds(peep_valve_cmh2o=5.0), PatientNeeds(restrictor="restrictor-4.5mm"))),
    ),
    (
        Scenario(
            "built-two-heated",
            "two patients from the stock: heated humidifier, 3 m of hose for B, volume control with a pause",
            (STIFF, SOFT),
            volume_control(18, 1.2, 10, 850, "constant", 0.3),
        ),
        CircuitNeeds((PatientNeeds(), PatientNeeds(reach_m=3.0)), humidification="heated"),
    ),
    (
        Scenario(
            "built-three-chain",
            "three patients from the stock: T-pieces in a chain, pressure control",
            (STIFF, MIDDLE, OBSTRUCTED),
            pressure_control(16, 1.1, 8, 16),
        ),
        CircuitNeeds((PatientNeeds(),) * 3, layout="chain"),
    ),
    (
        Scenario(
            "built-four-chain",
            "four patients from the stock: T-pieces in a chain, volume control, decelerating flow",
            _FOUR,
            volume_control(18, 1.2, 8, 1700, "decelerating", 0.0),
        ),
        CircuitNeeds((PatientNeeds(),) * 4, layout="chain"),
    ),
)


def checks() -> tuple[Check, ...]:
    """A row for each scenario, two on the tree that a build leaves out, builds from the stock, the planted error."""
    rows = [
        Check(
            f"ngspice-{one.name}",
            "ngspice",
            one.what,
            _SOURCE,
            "",
            _CLOSE,
            partial(_compared, one),
            one.setup,
            labels(one),
            ("ngspice",),
        )
        for one in SCENARIOS
    ]
    rows += [
        Check(
            f"ngspice-{one.name}-tree",
            "ngspice",
            f"what the build simplifies: {one.what}; splitters behind the first at the flow of all behind them",
            _SOURCE,
            "",
            _SIMPLIFIED,
            partial(_compared, one, "common"),
            one.setup,
            labels(one),
            ("ngspice",),
        )
        for one in SCENARIOS
        if one.name in ("three-vc", "four-pc")
    ]
    rows += [
        Check(
            f"ngspice-{one.name}",
            "ngspice",
            one.what,
            "ngspice (general circuit simulator), netlist from the joints by the table's own reading",
            "",
            _CLOSE,
            partial(_as_built, one, needs),
            one.setup,
            labels(one),
            ("ngspice",),
        )
        for one, needs in BUILT
    ]
    rows.append(
        Check(
            "ngspice-planted-error",
            "ngspice",
            "a planted error is noticed: hose and valve of B's way in twice as resistant in the netlist; "
            "difference as a multiple of what is allowed",
            _SOURCE,
            "",
            Tolerance(side="low"),
            _planted,
            PLANTED.setup,
            (),
            ("ngspice",),
        )
    )
    return tuple(rows)


def solve_from_parts(
    one: Scenario,
    *,
    second_splitters: Literal["common", "each"] = "each",
    doubled_limb: tuple[int, Literal["in", "out"]] | None = None,
) -> SpiceBreath:
    """The scenario by ngspice. Raises ``RuntimeError`` where the run has not come to rest."""
    patients = len(one.lungs)
    layout = (
        part_list.single_layout()
        if patients == 1
        else part_list.shared_layout(
            standard_build(patients).parts,
            patients,
            one.trims,
            second_splitters=second_splitters,
            doubled_limb=doubled_limb,
        )
    )
    return _rested(spice.solve(layout, one.lungs, one.settings, one.breaths), one)


def _rested(found: SpiceBreath, one: Scenario) -> SpiceBreath:
    if found.change_ml > _STILL_MOVING_ML:
        raise RuntimeError(f"after {one.breaths} breaths a tidal volume still changes by {found.change_ml:.2f} mL")
    return found


def _compared(one: Scenario, second_splitters: Literal["common", "each"] = "each") -> Compared:
    outside = solve_from_parts(one, second_splitters=second_splitters)
    return _outside_figures(outside), figures(solve_by_engine(one))


def _as_built(one: Scenario, needs: CircuitNeeds) -> Compared:
    built = build_for(needs, None)
    if isinstance(built, CannotBuild):
        raise RuntimeError("the circuit cannot be built")
    outside = _rested(spice.solve(part_list.joined_layout(built.assembly), one.lungs, one.settings, one.breaths), one)
    ours = breathe(built.build.network, one.settings, one.lungs)
    return _outside_figures(outside), figures(ours)


def _outside_figures(found: SpiceBreath) -> tuple[float, ...]:
    return (*found.tidal_volume_ml, *found.plateau_cmh2o, *found.total_peep_cmh2o)


def _planted() -> Compared:
    wrong = solve_from_parts(PLANTED, doubled_limb=(1, "in"))
    ours = solve_by_engine(PLANTED).tidal_volume_ml[0]
    return [1.0], [max(_CLOSE.excess(a, b) for a, b in zip(wrong.tidal_volume_ml, ours, strict=True))]
