"""The bench check of one build: what to do, the reading to expect, the tolerance to accept.

Figures that the engine gives are those of this build with these test lungs at these settings. Which alarm is to be
expected, and after how many seconds, is filled in by who knows alarms; without that it is written down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from airyoke.bench_check.squeeze import rising
from airyoke.bench_check.test_lungs import TestLung, breathe
from airyoke.breath.engine import Breath
from airyoke.breath.settings import Settings
from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.circuit.gas_path import GasPath
from airyoke.circuit.network import BLOCKED, Element, FlowNetwork, Opening
from airyoke.circuit.reduction import TYPICAL_COMPLIANCE_SD, network_of
from airyoke.circuit.steps import title, valves

VALID_FOR = timedelta(hours=24)  # judgement, no source: a tested build expires, or when it is opened
LEAK_LIMIT_ML_PER_MIN = 200.0  # ISO 80601-2-12, complete adult breathing system at 50 hPa; from memory
VOLUME_TOLERANCE = 0.10  # bedside judgement: 10 % or 30 mL, whichever is more
VOLUME_TOLERANCE_ML = 30.0
PRESSURE_TOLERANCE_CMH2O = 1.5
BLOCKED_VOLUME_ML = 30.0
PORT_MM = 15.0  # of a tracheal tube's connector, ISO 5356-1
USUAL_PEAK_FLOW_L_PER_MIN = 120.0  # from memory: 120 to 200 L/min in intensive care


@dataclass(frozen=True, slots=True)
class Check:
    """One check. ``low`` to ``high`` is accepted; ``expected`` is the figure at the centre.

    ``unit`` of ``yes`` is a question answered 1 (yes) or 0 (no). ``expected`` ``None``: nothing is predicted, what is
    read is written down. ``why`` is where the figure comes from.
    """

    id: str
    do: str
    read: str
    expected: float | None
    low: float | None
    high: float | None
    unit: str
    why: str

    def accepts(self, reading: float) -> bool:
        """Whether a reading is what this build should show."""
        return (self.low is None or reading >= self.low) and (self.high is None or reading <= self.high)


def bench_settings() -> Settings:
    """Where no plan is at hand: pressure control 14 above 10, 20 a minute, 1 s in."""
    return Settings("pc", 20.0, 1.0, 10.0, pressure_above_peep_cmh2o=14.0)


def still_valid(tested_at: datetime, now: datetime, *, opened: bool) -> bool:
    """Whether a bench check still stands: not opened since, and not older than a day."""
    return not opened and timedelta(0) <= now - tested_at <= VALID_FOR


def expected_checks(path: GasPath, settings: Settings, lungs: Sequence[TestLung]) -> tuple[Check, ...]:
    """Every check of this build, in the order in which they are done.

    Raises ``ArithmeticError`` where the engine found no settled breath, ``ValueError`` for another number of lungs.
    """
    if len(lungs) != len(path.lanes):
        raise ValueError(f"{len(path.lanes)} lanes need as many test lungs, not {len(lungs)}")
    letters = [lane.letter for lane in path.lanes]
    network = network_of(path)
    breath = breathe_bench(path, settings, lungs)
    if not breath.settled[: 1 + 2 * len(letters)].all():
        raise ArithmeticError("no settled breath was found for a step of the bench check")
    together = _together(
        letters, breath, f"Test lungs {_lung_words(letters, lungs)} at {_setting_words(settings)}, 10 min"
    )
    found = [*_at_rest(path, network), *_squeezes(path), *together]
    for i, letter in enumerate(letters):
        found += _block(letters, letter, breath, 1 + i)
    for i, letter in enumerate(letters):
        found += _shut(letters, letter, breath, 1 + len(letters) + i)
    for i, letter in enumerate(letters):
        found += _disconnect(letters, letter, breath, 1 + 2 * len(letters) + i)
    return tuple(found)


def bench_steps(path: GasPath) -> tuple[str, ...]:
    """What is breathed on the bench, in the order of the runs of :func:`breathe_bench`: ``together``, then each tube
    blocked (``block.A``), each expiratory branch (``shut.A``), each tube taken off (``disconnect.A``)."""
    letters = [lane.letter for lane in path.lanes]
    return ("together", *(f"{what}.{letter}" for what in ("block", "shut", "disconnect") for letter in letters))


def breathe_bench(path: GasPath, settings: Settings, lungs: Sequence[TestLung]) -> Breath:
    """The settled breath of every step, one run a step."""
    networks, each = bench_networks(path, settings)
    return breathe(networks, each, lungs)


def bench_networks(path: GasPath, settings: Settings) -> tuple[tuple[FlowNetwork, ...], tuple[Settings, ...]]:
    """What is breathed in every step, and the machine's settings.

    Where the circuit is open the machine gives no more than its highest flow, a usual one if none is stated.
    """
    network = network_of(path)
    numbers = range(len(path.lanes))
    whole = [
        network,
        *(_with_limb(network, i, patient=BLOCKED) for i in numbers),
        *(_with_limb(network, i, expiratory=BLOCKED) for i in numbers),
    ]
    opened = [_tube_off(network, i) for i in numbers]
    flow = settings.max_peak_flow_l_per_min or USUAL_PEAK_FLOW_L_PER_MIN
    bounded = replace(settings, max_peak_flow_l_per_min=flow)
    return (*whole, *opened), (*[settings] * len(whole), *[bounded] * len(opened))


def volume_band(expected_ml: float) -> tuple[float, float]:
    """Accepted tidal volumes around an expected one."""
    off = max(VOLUME_TOLERANCE * expected_ml, VOLUME_TOLERANCE_ML)
    return max(expected_ml - off, 0.0), expected_ml + off


def _with_limb(network: FlowNetwork, lane: int, **changes: object) -> FlowNetwork:
    limbs = list(network.limbs)
    limbs[lane] = replace(limbs[lane], **changes)  # type: ignore[arg-type]
    return replace(network, limbs=tuple(limbs))


def _tube_off(network: FlowNetwork, lane: int) -> FlowNetwork:
    """One test lung off: its 15 mm port, behind the filter if there is one, stands open to the room."""
    limb = network.limbs[lane]
    port = limb.patient.in_series_with(Element(0.0, orifice_quadratic_cmh2o_s2_per_l2(PORT_MM)))
    return replace(_with_limb(network, lane, patient=BLOCKED), openings=(Opening("wye", port, lane),))


def _at_rest(path: GasPath, network: FlowNetwork) -> list[Check]:
    compliance = network.compliance_ml_per_cmh2o
    spread = float(np.exp(1.645 * TYPICAL_COMPLIANCE_SD))
    found = [
        Check("self-test", "The machine's own self-test on its own circuit, before the shared build", "passed",
              1.0, 1.0, 1.0, "yes", "a machine that fails alone is not shared"),
        Check("leak", "Cap every patient end and hold 50 cmH2O on the whole build", "leak", 0.0, 0.0,
              LEAK_LIMIT_ML_PER_MIN, "mL/min", "ISO 80601-2-12, adult breathing system, from memory"),
        Check("compliance", "Self-test or syringe on the whole build, patient ends capped", "circuit compliance",
              compliance, compliance / spread, compliance * spread, "mL/cmH2O",
              "sum of the parts; machines may refuse a value this large"),
    ]  # fmt: skip
    found += [
        Check(f"leak.{lane.letter}", f"The same with {lane.letter}'s two branches alone, the others clamped", "leak",
              0.0, 0.0, LEAK_LIMIT_ML_PER_MIN, "mL/min", "finds the branch that leaks; the limit is that of the whole")
        for lane in path.lanes if len(path.lanes) > 1
    ]  # fmt: skip
    for piece in valves(path.assembly):
        name = title(piece, path.assembly.part(piece))
        found.append(
            Check(f"valve.{piece}", f"{name} alone, before it is built in: push gas both ways", "passes one way only",
                  1.0, 1.0, 1.0, "yes", "in a shared build a missing valve stays hidden")
        )  # fmt: skip
    return found


def _squeezes(path: GasPath) -> list[Check]:
    if len(path.lanes) == 1:
        return []
    found: list[Check] = []
    for lane in path.lanes:
        letters = [other.letter for other in path.lanes if other is not lane]
        others = letters[0] if len(letters) == 1 else f"any of {', '.join(letters)}"
        for clamped in (False, True):
            rises = float(bool(rising(path, lane.letter, inspiratory_clamped=clamped)))
            also = ", every inspiratory hose clamped" if clamped else ""
            found.append(
                Check(f"squeeze.{lane.letter}{'.expiratory' if clamped else ''}",
                      f"Both common ports shut{also}: squeeze {lane.letter}'s test lung", f"{others} rises",
                      rises, rises, rises, "yes", "the valves of the two branches hold")
            )  # fmt: skip
    return found


def _lung_words(letters: Sequence[str], lungs: Sequence[TestLung]) -> str:
    each = (f"{letter} {lung.compliance_ml_per_cmh2o:g}" for letter, lung in zip(letters, lungs, strict=True))
    return f"{', '.join(each)} mL/cmH2O"


def _setting_words(settings: Settings) -> str:
    drive = settings.pressure_above_peep_cmh2o
    if settings.mode == "pc" and drive is not None:
        return f"{drive:g} above {settings.peep_cmh2o:g} cmH2O, {settings.rate_per_min:g}/min"
    return f"{settings.tidal_volume_ml:g} mL, PEEP {settings.peep_cmh2o:g} cmH2O, {settings.rate_per_min:g}/min"


def _together(letters: Sequence[str], breath: Breath, do: str) -> list[Check]:
    found = [
        _volume(f"vt.{letter}", do, f"{letter}'s tidal volume",
                float(breath.tidal_volume_ml[0, i]))
        for i, letter in enumerate(letters)
    ]  # fmt: skip
    exhaled = float(breath.exhaled_ml[0])
    low, high = volume_band(exhaled)
    found.append(
        Check("vte", do, "machine's exhaled volume, compensation off", exhaled, low, high, "mL",
              "engine: everybody's volume and what the circuit gives back")
    )  # fmt: skip
    return found


def _block(letters: Sequence[str], letter: str, breath: Breath, run: int) -> list[Check]:
    do = f"Block {letter}'s tube"
    found = []
    for i, other in enumerate(letters):
        volume = float(breath.tidal_volume_ml[run, i])
        if other == letter:
            found.append(
                Check(f"block.{letter}.vt.{letter}", do, f"{letter}'s tidal volume", 0.0, 0.0, BLOCKED_VOLUME_ML, "mL",
                      "nothing passes")
            )  # fmt: skip
        else:
            found.append(_volume(f"block.{letter}.vt.{other}", do, f"{other}'s tidal volume", volume))
    exhaled = float(breath.exhaled_ml[run])
    low, high = volume_band(exhaled)
    read = "machine's exhaled volume, compensation off"
    found.append(Check(f"block.{letter}.vte", do, read, exhaled, low, high, "mL", "engine"))
    found.append(_alarm(f"block.{letter}.alarm", do))
    return found


def _shut(letters: Sequence[str], letter: str, breath: Breath, run: int) -> list[Check]:
    do = f"Occlude {letter}'s expiratory branch"
    held = float(breath.total_peep_cmh2o[run, letters.index(letter)])
    tolerance = PRESSURE_TOLERANCE_CMH2O
    found = [
        Check(f"shut.{letter}.held", do, f"pressure held in {letter}'s lung, end-expiratory", held,
              held - tolerance, held + tolerance, "cmH2O", "engine: it stays near the set peak")
    ]  # fmt: skip
    found += [
        _volume(f"shut.{letter}.vt.{other}", do, f"{other}'s tidal volume", float(breath.tidal_volume_ml[run, i]))
        for i, other in enumerate(letters)
        if other != letter
    ]
    found.append(_alarm(f"shut.{letter}.alarm", do))
    return found


def _disconnect(letters: Sequence[str], letter: str, breath: Breath, run: int) -> list[Check]:
    do = f"Take {letter}'s tube off"
    if not breath.settled[run]:
        # In volume control nearly all of the volume is lost, and what is left finds no settled breath.
        return [_alarm(f"disconnect.{letter}.alarm", do)]
    found = [
        _volume(f"disconnect.{letter}.vt.{other}", do, f"{other}'s tidal volume",
                float(breath.tidal_volume_ml[run, i]))
        for i, other in enumerate(letters)
        if other != letter
    ]  # fmt: skip
    exhaled = float(breath.exhaled_ml[run])
    low, high = volume_band(exhaled)
    found.append(
        Check(f"disconnect.{letter}.vte", do, "machine's exhaled volume, compensation off", exhaled, low, high, "mL",
              "engine; a machine that gives up to its highest flow")
    )  # fmt: skip
    found.append(_alarm(f"disconnect.{letter}.alarm", do))
    return found


def _alarm(id_: str, do: str) -> Check:
    return Check(id_, do, "which alarm, after how many seconds", None, None, None, "s",
                 "written down: silent means another monitor, or do not share")  # fmt: skip


def _volume(id_: str, do: str, read: str, expected_ml: float) -> Check:
    low, high = volume_band(expected_ml)
    return Check(id_, do, read, expected_ml, low, high, "mL", "engine; 10 % or 30 mL")
