"""Four emergencies of a shared ventilator, three lines each, and what the ventilator shows when one patient is off.

In pressure control the others keep breathing when one is lost and the alarm is weak; in volume control the others get
the share of the lost one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from airyoke.watch.act import ActRules, volume_band_ml
from airyoke.watch.sources import JUDGEMENT


@dataclass(frozen=True, slots=True)
class Emergency:
    """What is seen, and three lines to do. ``{peep}``, ``{rate}``, ``{beds}``, ``{ventilator}``, ``{reserve}``,
    ``{low}``, ``{high}`` stand for the numbers and names of the group."""

    id: str
    title: str
    sign: str
    lines: tuple[str, str, str]
    source: str = JUDGEMENT


@dataclass(frozen=True, slots=True)
class Left:
    """One patient is off and its branches are closed: about what the ventilator then shows, and when to act on it."""

    off: str
    stay: tuple[str, ...]
    shown_ml: float
    low_ml: float
    high_ml: float


EMERGENCIES: Final[tuple[Emergency, ...]] = (
    Emergency("arrest", "Arrest of one", "no pulse in one patient", (
        "Off the circuit before the first compression: bag that one with its own oxygen, by the resuscitation protocol",
        "Close its inspiratory branch, then its expiratory branch",
        "One is left: its settings from before, below; more are left: the volumes below; alarm limits again",
    )),
    Emergency("total-loss", "Everything off", "no pressure, no volume, all CO2 curves flat", (
        "Bag every bed at once, by name: {beds}; PEEP valve {peep}, {rate} a minute, 100 % oxygen",
        "Then look from {ventilator} outwards: ports, trunk, filter, splitters; power and gas",
        "Not found in one minute: stay on bags, fetch {reserve}",
    )),
    Emergency("one-off", "One tube off or blocked", "one CO2 curve flat, {ventilator} may stay silent", (
        "Who has the flat curve? Look at that chest; bag that one",
        "Close its inspiratory branch, then its expiratory branch",
        "Look at the others; the ventilator must show the volumes below",
    )),
    Emergency("unexplained", "Something is wrong, nobody knows what", "a number, a sound, a face", (
        "Every chest, every CO2 curve: whoever is flat, still or blue is bagged first",
        "Press one chest: does the right curve move? If not, monitors or labels are crossed",
        "Volume outside {low} to {high} mL and no reason found: every bed bagged, {ventilator} off",
    )),
)  # fmt: skip


def ventilator_without(
    off: str, shared_ml: Sequence[tuple[str, float]], displayed_ml: float, rules: ActRules
) -> Left:
    """What the ventilator shows in **pressure control** once the patient ``off`` is closed off: the sum less its share.

    ``shared_ml`` is what each gets now (name, mL), ``displayed_ml`` what the ventilator shows with everybody on. Those
    who stay get a few per cent more, as the common resistance carries less flow: well inside the band of ``rules``.
    """
    shown = displayed_ml - dict(shared_ml)[off]
    low, high = volume_band_ml(shown, rules)
    return Left(off, tuple(name for name, _ in shared_ml if name != off), shown, low, high)
