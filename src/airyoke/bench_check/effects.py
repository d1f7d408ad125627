"""What a build does to the breath compared with a circuit without resistance and volume, and without its valves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from airyoke.bench_check.test_lungs import TestLung, breathe
from airyoke.breath.settings import Settings
from airyoke.circuit.builds import ideal_build
from airyoke.circuit.network import FlowNetwork


@dataclass(frozen=True, slots=True)
class Effect:
    """One lane: tidal volume and trapped pressure (total less set PEEP) on an ideal circuit and on this one.

    ``backflow_ml``: reversed volume a breath over both of its branches; it is gas that other patients have breathed.
    """

    lane: str
    ideal_tidal_volume_ml: float
    tidal_volume_ml: float
    ideal_trapped_cmh2o: float
    trapped_cmh2o: float
    backflow_ml: float


def effect_of(network: FlowNetwork, settings: Settings, lungs: Sequence[TestLung]) -> tuple[Effect, ...]:
    """This circuit against the ideal one, lane by lane. Raises ``ArithmeticError`` where no breath settles."""
    return _against_ideal(network, settings, lungs)


def without_valves(network: FlowNetwork, settings: Settings, lungs: Sequence[TestLung]) -> tuple[Effect, ...]:
    """The same circuit with every one-way valve left out, because people ask: gas then flows from lung to lung."""
    bare = tuple(replace(limb, inspiratory_valve=None, expiratory_valve=None) for limb in network.limbs)
    return _against_ideal(replace(network, limbs=bare), settings, lungs)


def _against_ideal(network: FlowNetwork, settings: Settings, lungs: Sequence[TestLung]) -> tuple[Effect, ...]:
    ideal, own = (breathe((one,), settings, lungs) for one in (ideal_build(len(lungs)).network, network))
    if not (ideal.settled.all() and own.settled.all()):
        raise ArithmeticError("no settled breath was found for this circuit")
    return tuple(
        Effect(
            "ABCD"[i],
            float(ideal.tidal_volume_ml[0, i]),
            float(own.tidal_volume_ml[0, i]),
            float(ideal.total_peep_cmh2o[0, i] - settings.peep_cmh2o),
            float(own.total_peep_cmh2o[0, i] - settings.peep_cmh2o),
            float(own.backflow_ml[0, i]),
        )
        for i in range(len(lungs))
    )
