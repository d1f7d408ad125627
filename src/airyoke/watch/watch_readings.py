"""What is read of a running group in one round, and what is refused of it.

A reading is a quantity, a value, and whose it is; times are minutes since the baseline, the round in which the group
had settled and nothing was wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from airyoke.quantities import Finding, Range, Refused, did_you_mean

Whose = Literal["group", "patient"]
Kind = Literal["number", "yes or no"]


@dataclass(frozen=True, slots=True)
class Readable:
    """One thing that can be read of a running group.

    key
        Its name everywhere. ``short`` is what people type.
    refuse
        Values outside are impossible, or in another unit; for what is answered with yes or no it is empty.
    """

    key: str
    whose: Whose
    unit: str
    words: str
    refuse: Range = field(default_factory=Range)
    kind: Kind = "number"
    short: tuple[str, ...] = ()


READABLES: Final[tuple[Readable, ...]] = (
    Readable("displayed_tidal_volume_ml", "group", "mL", "displayed volume (VTe) of all", Range(0, 4000),
             short=("vte", "displayed")),
    Readable("minute_volume_l_per_min", "group", "L/min", "exhaled minute volume of all", Range(0, 90), short=("mv",)),
    Readable("peak_pressure_cmh2o", "group", "cmH2O", "peak pressure", Range(0, 120), short=("peak",)),
    Readable("peep_cmh2o", "group", "cmH2O", "PEEP as displayed", Range(0, 60), short=("peep",)),
    Readable("rate_per_min", "group", "/min", "rate as displayed", Range(0, 120), short=("rate", "rr")),
    Readable("leak_pct", "group", "%", "leak as displayed", Range(0, 100), short=("leak",)),
    Readable("fio2", "group", "", "FiO2 as displayed", Range(0.15, 1.0), short=("fio2",)),
    Readable("dials_as_planned", "group", "", "every dial stands as planned", kind="yes or no", short=("dials",)),
    Readable("etco2_mmhg", "patient", "mmHg", "end-tidal CO2", Range(0, 150), short=("etco2",)),
    Readable("co2_curve", "patient", "", "CO2 curve present", kind="yes or no", short=("curve",)),
    Readable("inspired_co2_mmhg", "patient", "mmHg", "inspired CO2", Range(0, 80), short=("fico2", "inspired")),
    Readable("spo2_pct", "patient", "%", "SpO2", Range(30, 100), short=("spo2",)),
    Readable("chest_rises", "patient", "", "chest rises as before", kind="yes or no", short=("chest",)),
    Readable("joints_tight", "patient", "", "tube and hoses joined, no hiss, no bubbling", kind="yes or no",
             short=("joints", "tight")),
    Readable("effort_seen", "patient", "", "effort, cough or block too shallow", kind="yes or no", short=("effort",)),
    Readable("own_curve_answers", "patient", "", "own CO2 curve and oximeter answer when this patient is clamped or "
             "moved", kind="yes or no", short=("own",)),
    Readable("tidal_volume_ml", "patient", "mL", "tidal volume with all others clamped", Range(0, 3000),
             short=("vt",)),
    Readable("plateau_cmh2o", "patient", "cmH2O", "plateau with all others clamped", Range(0, 100),
             short=("plateau", "pplat")),
    Readable("total_peep_cmh2o", "patient", "cmH2O", "total PEEP with all others clamped", Range(0, 60),
             short=("total-peep", "peeptot")),
)  # fmt: skip
DRIVING_PRESSURE: Final = Readable(
    "driving_pressure_cmh2o", "patient", "cmH2O", "driving pressure: plateau less total PEEP"
)
"""Not read but reckoned from two readings of one round."""
BY_KEY: Final = {one.key: one for one in (*READABLES, DRIVING_PRESSURE)}
_NAMES: Final = {name.casefold(): one for one in READABLES for name in (one.key, *one.short)}


@dataclass(frozen=True, slots=True)
class WatchReading:
    """One value, in the unit of its :class:`Readable`; yes and no are 1 and 0. ``lane``: whose, ``None`` the group's.
    """

    key: str
    value: float
    lane: int | None = None


@dataclass(frozen=True, slots=True)
class WatchRound:
    """What was read together, ``minutes`` after the baseline (0 for the baseline itself)."""

    minutes: float
    readings: tuple[WatchReading, ...] = ()


def readable_named(name: str) -> Readable | None:
    """What that name or short name means; ``None`` where nothing does."""
    return _NAMES.get(name.strip().casefold())


def check_rounds(
    baseline: WatchRound, rounds: Sequence[WatchRound], patients: int, now_minutes: float | None = None
) -> None:
    """Raises ``Refused`` with everything that is wrong: unknown names, nobody's readings, impossible values, one thing
    read twice in a round, rounds out of order, and times after ``now_minutes``."""
    findings: list[Finding] = []
    before = baseline.minutes
    for number, one in enumerate((baseline, *rounds)):
        where = "baseline" if number == 0 else f"round at {one.minutes:g} min"
        if number and one.minutes <= before:
            reason = f"the {where} is not later than the one before it ({before:g} min)"
            findings.append(Finding("watch-order", "refused", reason, "give the rounds in the order of their times"))
        before = max(before, one.minutes)
        if now_minutes is not None and one.minutes > now_minutes + 1e-9:
            reason = f"the {where} lies in the future"
            findings.append(Finding("watch-future", "refused", reason, "check the clock and the time of the readings"))
        findings += [replace(finding, column=where) for finding in _round_findings(one, patients)]
    if findings:
        raise Refused(tuple(findings))


def _round_findings(one: WatchRound, patients: int) -> list[Finding]:
    findings: list[Finding] = []
    seen: set[tuple[str, int | None]] = set()
    for reading in one.readings:
        finding = reading_finding(reading, patients)
        if finding is None and (reading.key, reading.lane) in seen:
            finding = Finding("watch-twice", "refused", f"{reading.key} is given twice in one round",
                              "leave one out, or give the second its own time", value=reading.value)  # fmt: skip
        if finding is not None:
            findings.append(finding)
        seen.add((reading.key, reading.lane))
    return findings


def reading_finding(reading: WatchReading, patients: int) -> Finding | None:
    """What is wrong with one reading by itself; ``None`` = nothing."""
    what = BY_KEY.get(reading.key)
    if what is None or what is DRIVING_PRESSURE:
        return unknown_name(reading.key)
    if what.whose == "group" and reading.lane is not None:
        return Finding("watch-whose", "refused", f"{what.words} belongs to the group, not to one patient",
                       "leave the patient out", value=reading.value)  # fmt: skip
    if what.whose == "patient" and (reading.lane is None or not 0 <= reading.lane < patients):
        reason = f"{what.words} is one patient's, and " + (
            "no patient is named" if reading.lane is None else "that patient is not in this group"
        )
        letters = ", ".join("ABCD"[:patients])
        return Finding("watch-whose", "refused", reason, f"name one of {letters}", value=reading.value)
    if what.kind == "yes or no":
        if reading.value in (0.0, 1.0):
            return None
        return Finding("watch-yes-or-no", "refused", f"{what.words}: {reading.value:g} is no answer",
                       "answer yes or no", value=reading.value)  # fmt: skip
    if not what.refuse.holds(reading.value):
        reason = f"{what.words}: {reading.value:g} {what.unit} cannot be".replace("  ", " ")
        return Finding("watch-out-of-range", "refused", reason,
                       f"it must lie in {what.refuse.words(what.unit)}; check value and unit",
                       value=reading.value)  # fmt: skip
    return None


def unknown_name(name: str) -> Finding:
    """The refusal of a name that means nothing here, with the nearest one that does."""
    near = did_you_mean(name, _NAMES)
    known = ", ".join(one.short[0] if one.short else one.key for one in READABLES)
    remedy = f"did you mean {near}?" if near else f"what can be read: {known}"
    return Finding("watch-unknown", "refused", f"nothing called {name!r} is read of a group", remedy, value=name)
