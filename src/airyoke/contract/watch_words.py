"""How suspicion is told to people: readings beside what they should be, who may have changed, what to read next."""

from __future__ import annotations

from typing import Final

from airyoke.contract.words import number_words
from airyoke.quantities.cautions import MORE_THAN_TWO, PART_DATA, STANDING, Caution
from airyoke.watch.compared import Compared
from airyoke.watch.drift import Drift
from airyoke.watch.hypotheses import LANES
from airyoke.watch.next_reading import NextReading
from airyoke.watch.suspicion import Suspicion
from airyoke.watch.watch_readings import BY_KEY

NO_MONITOR: Final = Caution(
    "watch-no-monitor",
    "This is no monitor. It judges what somebody typed, late and after the fact. Whoever passes a threshold for acting "
    "is helped first, whoever is suspected.",
)
ONE_CHANGE: Final = Caution(
    "watch-one-change",
    "One change at a time is thought of: two at once are not on the list. How often each cause comes, how large it is "
    "and how much readings scatter are judgements of this tool; probabilities are no better than they are.",
)
NO_BASELINE: Final = Caution(
    "watch-no-baseline",
    "No baseline was given: what the sensors err by does not cancel, and a change must be large to be seen. Give what "
    "was read when the group had settled.",
)
_LEAST_SHOWN: Final = 0.02


def watch_cautions(patients: int, *, typical_parts: bool, baseline: bool) -> tuple[Caution, ...]:
    """What stands under every answer."""
    found = [*STANDING, NO_MONITOR, ONE_CHANGE]
    if not baseline:
        found.append(NO_BASELINE)
    if patients > 2:
        found.append(MORE_THAN_TWO)
    if typical_parts:
        found.append(PART_DATA)
    return tuple(found)


def percent_words(probability: float) -> str:
    """``80 %``; at the ends ``under 1 %`` and ``over 99 %``: nothing is certain."""
    if probability < 0.01:
        return "under 1 %"
    if probability > 0.99:
        return "over 99 %"
    return f"{100.0 * probability:.0f} %"


def who_words(lane: int | None) -> str:
    """Whose reading it is."""
    return "the machine" if lane is None else LANES[lane]


def amount_read_words(key: str, value: float) -> str:
    """A value as it is read: ``430 mL``, ``yes``."""
    what = BY_KEY[key]
    if what.kind == "yes or no":
        return "yes" if value else "no"
    return f"{_number(key, value)} {what.unit}".rstrip()


def _number(key: str, value: float) -> str:
    return f"{value:.2f}" if key == "fio2" else number_words(value, BY_KEY[key].unit)


def expected_words(one: Compared) -> str:
    """``765 to 850 mL``, ``yes``."""
    key = one.reading.key
    if one.low is None or one.high is None:
        return amount_read_words(key, one.value)
    return f"{_number(key, one.low)} to {_number(key, one.high)} {BY_KEY[key].unit}".rstrip()


def rule_words(one: Compared) -> str:
    """What the act rules say: ``act: under 684 mL``; empty where they say nothing."""
    if one.rule in ("inside", "no rule"):
        return ""
    if one.bound is None:
        return one.rule
    side = "under" if one.reading.value < one.bound else "over"
    return f"{one.rule}: {side} {amount_read_words(one.reading.key, one.bound)}"


def since_words(since: tuple[float, float] | None) -> str:
    """``15 to 30 min``."""
    return "" if since is None else f"{since[0]:g} to {since[1]:g} min"


def summary_words(said: Suspicion) -> str:
    """The whole in one or two sentences."""
    first = said.first
    if said.unexplained:
        return (
            "Nothing on the list explains these readings well: read them again, and look for what is not on it. "
            f"Nearest: {first.hypothesis.words} ({percent_words(first.probability)})."
        )
    if first.hypothesis.cause == "nobody":
        return f"Most likely nothing has changed: {percent_words(said.nobody)}."
    if first.probability >= 0.5:
        return f"Most likely {first.hypothesis.words}: {percent_words(first.probability)}."
    whose = ", ".join(f"{LANES[lane]} {percent_words(p)}" for lane, p in enumerate(said.of_patient))
    return (
        f"Something has changed ({percent_words(1.0 - said.nobody)}), but not yet clear what: {whose}, "
        f"what all share {percent_words(said.shared)}."
    )


def way_words(one: NextReading) -> str:
    """``clamp all but B``, in a few words."""
    x = who_words(one.lane)
    return {
        "look": f"look at {x}",
        "monitor": f"read {x}'s monitor",
        "machine": "read the machine and its dials",
        "press-one": f"press or clamp {x}: whose curve answers?",
        "clamp-one": f"read {x} with all others clamped",
    }[one.way]


def cost_words(one: NextReading) -> str:
    """``1.9 bit, about 3 min``."""
    time = f"{one.seconds} s" if one.seconds < 100 else f"{one.seconds / 60.0:.0f} min"
    return f"{one.bits:.1f} bit, about {time}"


def drift_words(one: Drift) -> str:
    """``B: EtCO2 drifts up, 36 to 44 mmHg since 60 min``."""
    what = BY_KEY[one.key]
    return (
        f"{who_words(one.lane)}: {what.words} drifts {one.direction}, from {_number(one.key, one.first_value)} to "
        f"{_number(one.key, one.last_value)} {what.unit}, since {one.since_minutes:g} min"
    )


def shown_suspects(said: Suspicion) -> list[tuple[str, str, str]]:
    """Rows of the table: probability, what, since; what is less likely than 2 % is left out."""
    rows: list[tuple[float, str, tuple[float, float] | None]] = [(said.nobody, "nothing has changed", None)]
    rows += [(one.probability, one.hypothesis.words, one.since_minutes) for one in said.suspects]
    rows.sort(key=lambda row: -row[0])
    kept = [row for row in rows if row[0] >= _LEAST_SHOWN]
    return [(percent_words(p), words, since_words(since)) for p, words, since in kept]
