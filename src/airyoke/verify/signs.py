"""Rows of sign tests: papers that say which way something goes. The engine must go the same way, by a margin.

Lungs and settings here are of our own choice, on the standard build; only the direction is the papers'.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from airyoke.breath.engine import Floats
from airyoke.breath.settings import Settings
from airyoke.circuit import FlowNetwork, standard_build
from airyoke.verify.row import Check, Compared, Tolerance
from airyoke.verify.scenarios import LungValues, breathe

_AT_LEAST: Final = Tolerance(side="low")
_AT_MOST: Final = Tolerance(side="high")
_PC: Final = Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=14)
_VC: Final = Settings("vc", 20, 1.0, 8, tidal_volume_ml=850)
_STIFF: Final = LungValues(22.0, 12.0, 14.0)
_SOFT: Final = LungValues(45.0, 12.0, 14.0)
_PAIR: Final = "A C 22, B C 45, R 12/14; standard build for two; pressure control 14 above PEEP 8, 20/min, Ti 1 s"

_BRANSON: Final = "Branson, Respir Care 2012;57:399 (abstract)"
_TRONSTAD: Final = "Tronstad, Olsen 2020 (bench, abstract)"
_SOLIS: Final = "Solis-Lemus, R Soc Open Sci 2020 (10.1098/rsos.200585)"
_HANNON: Final = "Hannon, BMC Anesthesiol 2023 (10.1186/s12871-023-02200-2)"
_EIJO: Final = "Garcia Eijo, PLoS One 2021;16:e0250672"
_HARNISCH: Final = "Harnisch 2025 (PMC12331122)"
_STATEMENT: Final = "joint statement SCCM, AARC, ASA, APSF, AACN, CHEST, 26 March 2020: gas passes between patients"
_HERRMANN: Final = "Herrmann, Respir Care 2020;65:933 (direction from memory)"


def checks() -> tuple[Check, ...]:
    """One row a statement."""

    def row(
        name: str,
        what: str,
        source: str,
        unit: str,
        tolerance: Tolerance,
        compute: Callable[[], Compared],
        setup: str = _PAIR,
    ) -> Check:
        return Check(f"sign-{name}", "sign test", what, source, unit, tolerance, compute, setup)

    return (
        row("compliance-over-resistance", "unlike compliance spreads volumes more than unlike resistance: ratio of the "
            "spreads", _BRANSON, "", _AT_LEAST, _compliance_over_resistance,
            "four lungs, C 20 to 50 at R 10, or R 5 to 20 at C 35; the bench's volume 2 L, 10/min, PEEP 5; Ti 2 s"),
        row("unlike-pair", "a pair of unlike lungs gets unlike volumes: larger over smaller", _TRONSTAD, "", _AT_LEAST,
            _unlike_pair),
        row("stiff-loses", "volume control: the stiff lung gets less than half", _SOLIS, "of the sum", _AT_MOST,
            _stiff_loses, _PAIR.replace("pressure control 14 above PEEP 8", "volume control 850 mL, PEEP 8")),
        row("restrictor-evens", "a restrictor for the soft lung can make both volumes equal: difference left", _SOLIS,
            "mL", _AT_MOST, _restrictor_evens),
        row("one-without-the-other", "pressure control: B's restrictor (40 cmH2O·s²/L²) moves A by little", _SOLIS, "%",
            _AT_MOST, _restrictor_leaves_the_partner),
        row("own-lung-changes", "pressure control: A's compliance halved takes at least this from A", _HANNON, "%",
            _AT_LEAST, lambda: _halved(_PC, "own")),
        row("partner-stays", "the same leaves B within", _HANNON, "%", _AT_MOST, lambda: _halved(_PC, "partner")),
        row("sharing-delays-exhalation", "each patient keeps at least as much gas at the end of expiration as alone on "
            "the same build: least difference of total PEEP", _EIJO, "cmH2O", _AT_LEAST, _delays_exhalation,
            "A C 22, B C 55, R 12/14 and 18/25; pressure control 14 above PEEP 8, 24/min, Ti 1 s"),
        row("worse-with-resistive-valve", "a more resistive expiratory valve (x 4) adds trapped pressure for both: "
            "least rise", _EIJO, "cmH2O", _AT_LEAST, _resistive_valve,
            "A C 22, B C 55, R 12/14 and 18/25; pressure control 14 above PEEP 8, 24/min, Ti 1 s"),
        row("resistance-lessens-mismatch", "C 20 against 100: a restrictor lessens the ratio of volumes", _HARNISCH, "",
            _AT_MOST, lambda: ([_mismatch(0.0)], [_mismatch(20.0)]), "pressure control 14 above PEEP 8, 20/min"),
        row("mismatch-stays", "and does not remove it at 20 cmH2O·s²/L²: ratio left", _HARNISCH, "", _AT_LEAST,
            lambda: ([1.1], [_mismatch(20.0)]), "pressure control 14 above PEEP 8, 20/min"),
        row("volume-control-couples", "A's compliance halved moves B in volume control by at least", _HERRMANN, "%",
            _AT_LEAST, lambda: _halved(_VC, "coupled"),
            _PAIR.replace("pressure control 14 above PEEP 8", "volume control 850 mL, PEEP 8")),
        row("valves-stop-backflow", "without one-way valves gas flows back, with them it does not: volume a breath",
            _STATEMENT, "mL", _AT_LEAST, _backflow),
    )  # fmt: skip


def _network() -> FlowNetwork:
    return standard_build(2).network


def _volumes(network: FlowNetwork, settings: Settings, *lungs: LungValues) -> Floats:
    return np.asarray(breathe(network, settings, lungs).tidal_volume_ml[0])


def _restricted(quadratic: float) -> FlowNetwork:
    network = _network()
    return replace(network, limbs=(network.limbs[0], network.limbs[1].trimmed(quadratic)))


def _compliance_over_resistance() -> Compared:
    network, settings = standard_build(4).network, Settings("vc", 10, 2.0, 5, tidal_volume_ml=2000)
    by_c = _volumes(network, settings, *(LungValues(c, 10, 10) for c in (20, 30, 40, 50)))
    by_r = _volumes(network, settings, *(LungValues(35, r, r) for r in (5, 10, 15, 20)))
    return [1.0], [(by_c.max() / by_c.min() - 1.0) / (by_r.max() / by_r.min() - 1.0)]


def _unlike_pair() -> Compared:
    volumes = _volumes(_network(), _PC, _STIFF, LungValues(45, 20, 22))
    return [1.1], [volumes.max() / volumes.min()]


def _stiff_loses() -> Compared:
    volumes = _volumes(_network(), _VC, _STIFF, _SOFT)
    return [0.45], [volumes[0] / volumes.sum()]


def _restrictor_evens() -> Compared:
    low, high = 0.0, 400.0
    for _ in range(40):
        middle = (low + high) / 2
        stiff, soft = _volumes(_restricted(middle), _PC, _STIFF, _SOFT)
        low, high = (middle, high) if soft > stiff else (low, middle)
    return [1.0], [abs(soft - stiff)]


def _restrictor_leaves_the_partner() -> Compared:
    before, after = (_volumes(_restricted(k), _PC, _STIFF, _SOFT)[0] for k in (0.0, 40.0))
    return [5.0], [100.0 * abs(after / before - 1.0)]


def _halved(settings: Settings, whose: str) -> Compared:
    """Change in per cent when A's compliance falls to half."""
    sick = replace(_STIFF, compliance_ml_per_cmh2o=_STIFF.compliance_ml_per_cmh2o / 2)
    before, after = _volumes(_network(), settings, _STIFF, _SOFT), _volumes(_network(), settings, sick, _SOFT)
    own, partner = 100.0 * (after / before - 1.0)
    return {"own": ([25.0], [-own]), "partner": ([5.0], [abs(partner)]), "coupled": ([10.0], [partner])}[whose]


_TRAPPING: Final = Settings("pc", 24, 1.0, 8, pressure_above_peep_cmh2o=14)
_TRAPPED: Final = (LungValues(22.0, 12.0, 14.0), LungValues(55.0, 18.0, 25.0))


def _delays_exhalation() -> Compared:
    network = _network()
    together = breathe(network, _TRAPPING, _TRAPPED).total_peep_cmh2o[0]
    alone = [
        breathe(replace(network, limbs=(limb,)), _TRAPPING, (lung,)).total_peep_cmh2o[0, 0]
        for limb, lung in zip(network.limbs, _TRAPPED, strict=True)
    ]
    return [0.0], [float(np.min(together - np.array(alone)))]


def _resistive_valve() -> Compared:
    network = _network()
    stiffer = replace(network, expiratory_trunk=network.expiratory_trunk.scaled(4.0))
    usual, more = (breathe(one, _TRAPPING, _TRAPPED).total_peep_cmh2o[0] for one in (network, stiffer))
    return [0.1], [float(np.min(more - usual))]


def _mismatch(restrictor: float) -> float:
    volumes = _volumes(_restricted(restrictor), _PC, LungValues(20, 12, 14), LungValues(100, 12, 14))
    return float(volumes[1] / volumes[0])


def _backflow() -> Compared:
    network = _network()
    bare = replace(
        network,
        limbs=tuple(replace(limb, inspiratory_valve=None, expiratory_valve=None) for limb in network.limbs),
    )
    without, valved = (float(breathe(one, _PC, (_STIFF, _SOFT)).backflow_ml[0].sum()) for one in (bare, network))
    return [10.0], [without - valved]
