"""Groups that several checks share: their lungs, settings, trims, and the engine's answer for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from airyoke.breath.engine import Breath, LungMechanics, settle
from airyoke.breath.settings import Settings
from airyoke.circuit import Build, FlowNetwork, single_build, standard_build


@dataclass(frozen=True, slots=True)
class LungValues:
    """One lung: mL/cmH2O, cmH2O·s/L in and out, tube included."""

    compliance_ml_per_cmh2o: float
    resistance_in: float
    resistance_out: float


@dataclass(frozen=True, slots=True)
class Trim:
    """What was added to one patient's limbs: restrictor on the way in (cmH2O·s²/L²), in-line PEEP valve (cmH2O)."""

    restrictor_cmh2o_s2_per_l2: float = 0.0
    peep_valve_cmh2o: float = 0.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """Lungs on the standard build for that many (the ordinary circuit for one), settings, trims."""

    name: str
    what: str
    lungs: tuple[LungValues, ...]
    settings: Settings
    trims: tuple[Trim, ...] = ()
    breaths: int = 8

    @property
    def setup(self) -> str:
        """Lungs and settings in a line."""
        lungs = "; ".join(
            f"{letter} C {lung.compliance_ml_per_cmh2o:g} R {lung.resistance_in:g}/{lung.resistance_out:g}"
            for letter, lung in zip("ABCD", self.lungs, strict=False)
        )
        one = self.settings
        if one.mode == "pc":
            drive = f"pressure control {one.pressure_above_peep_cmh2o:g} above PEEP {one.peep_cmh2o:g}"
        else:
            drive = f"volume control {one.tidal_volume_ml:g} mL {one.flow_shape}, pause {one.pause_s:g} s, PEEP " + (
                f"{one.peep_cmh2o:g}"
            )
        return f"{lungs}. {drive}, {one.rate_per_min:g}/min, Ti {one.inspiratory_time_s:g} s."


def pressure_control(rate: float, ti: float, peep: float, drive: float, rise: float = 0.0) -> Settings:
    """Rate, inspiratory time, PEEP, pressure above it, rise time."""
    return Settings("pc", rate, ti, peep, pressure_above_peep_cmh2o=drive, rise_time_s=rise)


def volume_control(
    rate: float, ti: float, peep: float, volume: float, shape: Literal["constant", "decelerating"], pause: float
) -> Settings:
    """Rate, inspiratory time, PEEP, volume, shape of the flow, pause."""
    return Settings("vc", rate, ti, peep, tidal_volume_ml=volume, flow_shape=shape, pause_s=pause)


STIFF: Final = LungValues(24.0, 11.0, 13.0)
SOFT: Final = LungValues(48.0, 12.0, 16.0)
OBSTRUCTED: Final = LungValues(55.0, 20.0, 28.0)
MIDDLE: Final = LungValues(34.0, 10.0, 12.0)

SCENARIOS: Final = (
    Scenario("one-pc", "one patient, pressure control", (STIFF,), pressure_control(22, 0.9, 12, 15)),
    Scenario("two-pc", "two unlike patients, pressure control", (STIFF, SOFT), pressure_control(20, 1.0, 10, 15)),
    Scenario(
        "two-pc-trimmed",
        "two unlike patients, pressure control; restrictor for B, in-line PEEP valve for A",
        (STIFF, SOFT),
        pressure_control(20, 1.0, 8, 18),
        (Trim(peep_valve_cmh2o=4.0), Trim(restrictor_cmh2o_s2_per_l2=60.0)),
    ),
    Scenario(
        "two-vc-pause",
        "two unlike patients, volume control with a pause",
        (STIFF, SOFT),
        volume_control(18, 1.2, 10, 850, "constant", 0.3),
    ),
    Scenario(
        "three-pc-ramp",
        "three patients, one obstructed, pressure control with a rise time",
        (STIFF, MIDDLE, OBSTRUCTED),
        pressure_control(16, 1.1, 8, 16, 0.2),
    ),
    Scenario(
        "three-vc",
        "three patients, volume control, constant flow without a pause",
        (STIFF, MIDDLE, SOFT),
        volume_control(20, 1.0, 10, 1250, "constant", 0.0),
    ),
    Scenario(
        "four-pc",
        "four unlike patients, pressure control",
        (STIFF, MIDDLE, SOFT, LungValues(28.0, 16.0, 18.0)),
        pressure_control(20, 1.0, 10, 15),
    ),
    Scenario(
        "four-vc-decelerating",
        "four unlike patients, volume control, decelerating flow",
        (STIFF, MIDDLE, SOFT, LungValues(28.0, 16.0, 18.0)),
        volume_control(18, 1.2, 8, 1700, "decelerating", 0.0),
    ),
)


def build_of(one: Scenario) -> Build:
    """The standard build for that many, or the ordinary circuit of one."""
    return single_build("hme") if len(one.lungs) == 1 else standard_build(len(one.lungs))


def trimmed(network: FlowNetwork, one: Scenario) -> FlowNetwork:
    """The network with the scenario's trims on its limbs."""
    if not one.trims:
        return network
    limbs = tuple(
        limb.trimmed(trim.restrictor_cmh2o_s2_per_l2, trim.peep_valve_cmh2o)
        for limb, trim in zip(network.limbs, one.trims, strict=True)
    )
    return replace(network, limbs=limbs)


def solve_by_engine(one: Scenario) -> Breath:
    """The scenario by the engine, on the network of the build."""
    return breathe(trimmed(build_of(one).network, one), one.settings, one.lungs)


def breathe(network: FlowNetwork, settings: Settings, lungs: Sequence[LungValues]) -> Breath:
    """One settled breath by the engine. Raises ``RuntimeError`` where it does not settle."""
    breath = settle(network, settings, mechanics(lungs))
    if not breath.settled.all():
        raise RuntimeError("the engine did not settle")
    return breath


def mechanics(lungs: Sequence[LungValues]) -> LungMechanics:
    """One run of the engine with these lungs."""
    r_in = np.array([[lung.resistance_in for lung in lungs]])
    r_out = np.array([[lung.resistance_out for lung in lungs]])
    return LungMechanics(np.array([[lung.compliance_ml_per_cmh2o for lung in lungs]]), r_in, r_out, np.zeros_like(r_in))


def labels(one: Scenario) -> tuple[str, ...]:
    """What :func:`figures` gives, in words."""
    names = "ABCD"[: len(one.lungs)]
    return tuple(f"{what} {name}" for what in ("VT mL", "plateau", "total PEEP") for name in names)


def figures(breath: Breath) -> tuple[float, ...]:
    """Volumes, plateaus and total PEEPs of one run of the engine."""
    return (*breath.tidal_volume_ml[0], *breath.plateau_cmh2o[0], *breath.total_peep_cmh2o[0])
