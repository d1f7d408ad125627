"""How faults are told to people: whom they hurt and when, which alarm says so, and the card that hangs at the bed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from airyoke.contract.words import amount_words, name_words, number_words, unit_words
from airyoke.faults.alarm_report import AlarmReport, LimitSet
from airyoke.faults.alarms import Verdict
from airyoke.faults.card import CardLine, FaultCard, Other
from airyoke.faults.catalogue import LANES
from airyoke.faults.fault import Fault
from airyoke.faults.gas_reserve import Seconds
from airyoke.faults.harm import Harm
from airyoke.faults.report import FaultFinding, FaultReport
from airyoke.quantities.cautions import MORE_THAN_TWO, PART_DATA, STANDING, Caution

NOT_SEEN: Final = Caution(
    "faults-not-seen",
    "Each fault is taken alone, in lungs that change in nothing else. Not in the figures: falling blood pressure, "
    "collapse of the lung, what diffusion and the heartbeat mix, and what hands do about it.",
)
ALARMS_ARE_GENERIC: Final = Caution(
    "alarms-generic",
    "Alarm delays and sensors are those of a generic ventilator, from memory. At the bench, block and disconnect each "
    "limb and write down which alarm sounds and when. Limits count from what the ventilator shows before the fault: "
    "set them again from that. A cough, suction or a turn sounds the best ones too.",
)
OWN_MONITORS: Final = Caution(
    "own-monitors",
    "A patient without a CO2 curve and an oximeter of its own on a shared ventilator has no monitor: do not share.",
)

IN_FULL: Final = ("silent", "late", "uncertain", "no alarm known")
"""What no alarm is to be relied on for is told in full at once; the rest in short, or on demand."""
STANDING_WORDS: Final = {
    "silent": "Silent: somebody is hurt and no alarm is to be relied on",
    "late": "Told too late: the alarm sounds after the harm",
    "uncertain": "Uncertain: an alarm may sound",
    "no alarm known": "Not from the engine: no alarm is known to tell",
    "told": "Told by an alarm",
    "harmless": "Nobody hurt within the stated bounds",
    "not computed": "Not computed: its breaths never settled",
}


def time_words(seconds: float) -> str:
    """``40 s``, ``4 min``, ``over 15 min``; times are read with the precision that they have."""
    if not math.isfinite(seconds):
        return "over 15 min"
    if seconds < 10.0:
        return "at once"
    if seconds < 117.5:
        return f"{5 * round(seconds / 5.0):.0f} s"
    return f"{seconds / 60.0:.0f} min"


def span_words(time: Seconds) -> str:
    """``2 min (95 s-4 min)``; without the range where it says no more."""
    middle, low, high = (time_words(one) for one in (time.value, time.low, time.high))
    return middle if low == high else f"{middle} ({low} to {high})"


def harm_words(harm: Harm) -> str:
    """What happens to one patient: ``A: no ventilation; SpO2 under 85 % in 2 min (90 s to 3 min)``."""
    said = f"{LANES[harm.lane]}: {_what(harm)}"
    return said if harm.probability >= 0.95 else f"{said}, in {100.0 * harm.probability:.0f} % of draws"


def _what(harm: Harm) -> str:
    unit = unit_words(harm.quantity)
    value = f"{number_words(harm.value, unit)} {unit}".rstrip()
    bound = number_words(harm.bound, unit)
    if harm.kind == "no-ventilation":
        words = "no ventilation"
        if harm.seconds is not None:
            words += f"; SpO2 under 85 % in {span_words(harm.seconds)}"
        if harm.co2_mmhg_per_min is not None:
            words += f", PaCO2 up {harm.co2_mmhg_per_min.value:.0f} mmHg a minute"
        return words
    if harm.kind in ("little-ventilation", "low-oxygen"):
        soon = "" if harm.seconds is None else _within(harm.seconds)
        return f"{name_words(harm.quantity)} falls to {value} (bound {bound}){soon}"
    if harm.kind == "overdistension":
        return f"{name_words(harm.quantity)} {value} (bound {bound}){_from(harm.seconds)}"
    if harm.kind == "trapping":
        return f"trapped PEEP {value} (bound {bound}){_from(harm.seconds)}"
    if harm.kind == "peep-lost":
        return f"loses {value} of PEEP{_from(harm.seconds)}"
    return f"{value} a breath come back out of the limb: rebreathing, and its gas reaches the others"


def _from(first: Seconds | None) -> str:
    """The first breath that breaks a bound; nothing where none of the course does."""
    if first is None:
        return ""
    return ", at once" if first.value < 10.0 else f", from {time_words(first.value)} on"


def _within(time: Seconds) -> str:
    if time.value < 10.0:
        return ", at once"
    return f", {span_words(time)}" if not math.isfinite(time.value) else f", in {span_words(time)}"


def alarm_words(verdict: Verdict | None) -> str:
    """``low exhaled tidal volume, 9 s``, ``silent``, ``40 %: leak, 30 s``."""
    if verdict is None:
        return "no alarm known"
    if verdict.silent or verdict.first is None or verdict.seconds is None:
        return "silent"
    name, side = verdict.first
    words = limit_words(name, side)
    if name in ("power_failure", "obstruction", "disconnection", "sustained_pressure"):
        words = name.replace("_", " ")
    said = f"{words}, {max(verdict.seconds, 1.0):.0f} s"
    return said if verdict.sure else f"{100.0 * verdict.probability:.0f} %: {said}"


def harms_words(one: FaultFinding, most: int = 3) -> str:
    """Everybody whom a fault hurts, worst first; the rest as a number. What is reasoned, not computed, stands last."""
    told = [harm_words(harm) for harm in one.harms[:most]]
    more = len(one.harms) - len(told)
    if more > 0:
        told.append(f"and {more} more")
    if one.run.fault.reasoned is not None:
        told.append(f"{one.run.fault.reasoned.words} (not from the engine)")
    return "; ".join(told) if told else "nobody within the stated bounds"


def brief_harm_words(harm: Harm) -> str:
    """The same in a few words, for a table: ``A: none, 85 s``."""
    unit = unit_words(harm.quantity)
    value = f"{number_words(harm.value, unit)} {unit}".rstrip()
    if harm.kind == "no-ventilation":
        soon = "" if harm.seconds is None else f", {time_words(harm.seconds.value)}"
        said = f"no ventilation{soon}"
    elif harm.kind == "trapping":
        said = f"traps {value}"
    elif harm.kind == "peep-lost":
        said = f"loses {value} of PEEP"
    elif harm.kind == "backflow":
        said = f"{value} back"
    else:
        said = f"{name_words(harm.quantity)} {value}"
    return f"{LANES[harm.lane]}: {said}"


def brief_words(one: FaultFinding) -> str:
    """Everybody whom a fault hurts, the worst of each."""
    worst: dict[int, Harm] = {}
    for harm in one.harms:
        worst.setdefault(harm.lane, harm)
    return "; ".join(brief_harm_words(worst[lane]) for lane in sorted(worst))


def alike(findings: Sequence[FaultFinding]) -> list[list[FaultFinding]]:
    """The same fault in several lanes, where it stands alike: together, at the place of the first."""
    together: dict[tuple[str, str | None], list[FaultFinding]] = {}
    for one in findings:
        fault = one.run.fault
        name = fault.id if fault.lane is None else fault.id.rsplit(".", 1)[0]
        together.setdefault((name, one.priority), []).append(one)
    return [sorted(each, key=lambda one: one.run.fault.lane or 0) for each in together.values()]


def without_letter(words: str, fault: Fault) -> str:
    """Words about one lane's fault as they hold for any lane: ``hose is kinked`` of ``A's hose is kinked``."""
    return words if fault.lane is None else words.replace(f"{LANES[fault.lane]}'s ", "")


def card_words(card: FaultCard) -> tuple[str, ...]:
    """The card, one numbered line each, with this group's numbers."""
    lines = card.lines
    if not lines:
        return ()
    letters = [LANES[line.lane] for line in lines]
    lost = "; ".join(f"{LANES[line.lane]} lost: about {line.shown_after_ml:.0f} mL" for line in lines)
    who = (
        "Who is it? The one with the flat CO2 curve and the chest that does not move. "
        f"All well: {lines[0].shown_before_ml:.0f} mL on the ventilator's display; {lost}."
    )
    times = "; ".join(
        f"{LANES[line.lane]} {time_words(line.blocked_s.value)} blocked, {time_words(line.off_s.value)} off"
        for line in lines
    )
    bag = f"Bag that one, own bag, own oxygen. SpO2 under 85 % after: {times}."
    first = "Change to pressure control first. " if card.mode == "vc" and len(letters) > 1 else ""
    close = f"{first}Close that one's inspiratory branch, then the expiratory one. Count the clamps."
    words = [who, bag, close]
    others = [_others(line) for line in lines if line.others]
    if others:
        words.append(
            f"Check the others: chest, CO2 curve, SpO2. A breath of each: {'; '.join(others)}. Set the alarms anew."
        )
    return tuple(f"{number}. {line}" for number, line in enumerate(words, 1))


def _others(line: CardLine) -> str:
    return f"without {LANES[line.lane]} {', '.join(_other(one) for one in line.others)} mL"


def _other(one: Other) -> str:
    words = f"{LANES[one.lane]} {one.volume_before_ml:.0f} to {one.volume_after_ml:.0f}"
    if abs(one.plateau_after_cmh2o - one.plateau_before_cmh2o) < 1.0:
        return words
    return f"{words} (plateau {one.plateau_before_cmh2o:.0f} to {one.plateau_after_cmh2o:.0f})"


def summary_words(report: FaultReport) -> str:
    """How many faults, how many of them hurt somebody, how many of those no alarm tells."""
    computed = [one for one in report.findings if one.run.fault.from_engine and one.standing != "not computed"]
    count = {name: sum(one.standing == name for one in computed) for name in ("silent", "late", "uncertain", "told")}
    hurt = sum(count.values())
    return (
        f"{len(report.findings)} faults, {len(computed)} of them breathed through: {hurt} hurt somebody. "
        f"Alarms as dialled tell {count['told']} of these, may tell {count['uncertain']}, tell "
        f"{count['late']} too late, and stay silent in {count['silent']}."
    )


def outside_words(report: FaultReport) -> str | None:
    """What the group breaks while nothing is wrong; ``None`` where it breaks nothing."""
    if not report.outside:
        return None
    each = (
        f"{LANES[one.lane]} {name_words(one.quantity)} {number_words(one.value, unit_words(one.quantity))} "
        f"(bound {number_words(one.bound, unit_words(one.quantity))})"
        for one in report.outside
    )
    return f"Outside hard bounds while nothing is wrong: {', '.join(each)}. Only what a fault makes worse is told."


def patients_words(report: FaultReport) -> Sequence[str]:
    """``A: tidal volume 398 mL, plateau 22.7 cmH2O``: who is in which lane, as it should be."""
    breath = report.runs.baseline.breath
    return [
        f"{LANES[i]} is {patient.label}: {amount_words(float(breath.tidal_volume_ml[0, i]), 'mL')} a breath, plateau "
        f"{amount_words(float(breath.plateau_cmh2o[0, i]), 'cmH2O')}"
        for i, patient in enumerate(report.patients)
    ]


def cautions_of(patients: int, *, typical_parts: bool) -> tuple[Caution, ...]:
    """The cautions that stand under every page of faults."""
    more = (MORE_THAN_TWO,) if patients > 2 else ()
    parts = (PART_DATA,) if typical_parts and patients > 1 else ()
    return (*STANDING, *more, *parts, NOT_SEEN, ALARMS_ARE_GENERIC, OWN_MONITORS)


def limit_words(name: str, side: str) -> str:
    """What an alarm watches: ``low exhaled tidal volume``."""
    words = {"fio2": "FiO2", "peep": "PEEP"}.get(name, name.replace("_", " "))
    return words if name in ("apnoea", "leak") else f"{side} {words}"


def best_words(caught: Sequence[float | None]) -> str | None:
    """How the best limits do with one fault in some lanes; ``None`` where there is nothing to say."""
    known = [one for one in caught if one is not None]
    if not known:
        return None
    if max(known) < 0.05:
        return "No limit within the accepted false alarms tells"
    low, high = 100.0 * min(known), 100.0 * max(known)
    span = f"{low:.0f} %" if round(low) == round(high) else f"{low:.0f} to {high:.0f} %"
    return f"Best limits: {span} told in time"


def _rate_words(false_alarms: float) -> str:
    return "fewer than 0.01 false alarms" if false_alarms < 0.01 else f"{false_alarms:.2g} false alarms"


def worth_words(report: AlarmReport) -> tuple[str, ...]:
    """What each set of limits catches and costs; planned limits that ring by themselves."""
    sets: tuple[tuple[str, LimitSet | None], ...] = (
        ("As dialled", report.planned), ("As for one patient", report.usual), ("Best", report.best),
    )  # fmt: skip
    said = [
        f"{name}: {100.0 * one.caught:.0f} % of the harm told in time, "
        f"{_rate_words(one.false_alarms_in_all)} in 12 h from scatter alone"
        for name, one in sets
        if one is not None and one.caught is not None
    ]
    return (*said, *(f"{words[0].upper()}{words[1:]}" for words in report.noisy))
