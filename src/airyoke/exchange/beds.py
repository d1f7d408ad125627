"""The beds sheet: one row, one bed; what is refused in it is dropped, and a bed without what the job needs
stays alone.

A refused reading that is optional becomes "not known". A bed loses its readings where a needed one is missing
or refused, or where something is unreadable that could forbid sharing (conditions, vasopressor, room).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any, Final

from airyoke.exchange import check_body, check_gas, check_pressure, check_timing
from airyoke.exchange.bed_values import BedValues, Check, ask, refused
from airyoke.exchange.cells import read_choice, read_list, read_text, read_time
from airyoke.exchange.columns import BEDS, Column, Row
from airyoke.exchange.sheet import Sheet
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.quantities import Finding, did_you_mean, quantity
from airyoke.ward.ward import Bed

_CHECKS: Final[tuple[Check, ...]] = (
    *check_timing.CHECKS,
    *check_body.CHECKS,
    *check_pressure.CHECKS,
    *check_gas.CHECKS,
)
_NO_EXCLUSION_MEANT: Final = frozenset({"no", "-", "none", "n", "0", "false", "nein", "n/a", "na"})
# Unreadable, these could hide a reason not to share, so that the bed is left out of sharing altogether.
_COULD_FORBID_SHARING: Final = frozenset({"room", "conditions", "vasopressor", "exclude"})
# Ids are written small everywhere; labels of infections are a site's own and compared as typed.
_LISTS_OF_IDS: Final = frozenset({"conditions", "confirmed"})
_READING_NAMES: Final = frozenset(field.name for field in fields(Readings))


@dataclass(frozen=True, slots=True)
class BedRow:
    """One bed as read, and everything to be said about it before it is compared with the rest of the ward."""

    bed: Bed
    row: Row
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class _Cells:
    """What single cells gave: values by key, numbers as typed, keys whose cell was refused, findings by
    key.
    """

    values: dict[str, Any]
    typed: dict[str, float]
    refused: frozenset[str]
    findings: tuple[tuple[str, Finding], ...]


def read_beds(sheet: Sheet, policy: Policy, conditions: tuple[str, ...], now: datetime) -> list[BedRow]:
    """Every bed of the sheet. ``conditions``: the ids that may stand in that column."""
    return [_read_bed(sheet, row, policy, conditions, now) for row in sheet.rows]


def _read_bed(sheet: Sheet, row: Row, policy: Policy, conditions: tuple[str, ...], now: datetime) -> BedRow:
    cells = _read_cells(sheet, row, now)
    findings = list(cells.findings)
    lost = set(cells.refused)
    values = BedValues(
        {key: value for key, value in cells.values.items() if isinstance(value, float)},
        {key: value for key, value in cells.values.items() if isinstance(value, str)},
        cells.typed,
        policy.assumptions.barometric_pressure_mmhg,
    )
    for check in _CHECKS:
        for finding in check(values):
            key = finding.column or ""
            findings.append((key, finding))
            if finding.level == "refused":
                values = values.without(key)
                lost.add(key)
    for finding in (
        *_needed(sheet, values, frozenset(lost)),
        *_about_time(cells, policy, now),
        *_about_lists(cells, conditions),
        *_about_words(values),
    ):
        findings.append((finding.column or "", finding))
        if finding.level == "refused":
            lost.add(finding.column or "")
    kept = {**cells.values, **values.numbers, **values.words}
    kept = {key: value for key, value in kept.items() if key not in lost}
    label = str(kept["bed"])
    complete = _is_complete(kept) and not lost & _COULD_FORBID_SHARING
    placed = tuple(sheet.place(finding, row, key or None, label) for key, finding in findings)
    readings = Readings(**{key: kept[key] for key in kept if key in _READING_NAMES}) if complete else None
    bed = Bed(
        label=label,
        code=kept.get("code"),
        room=kept.get("room"),
        readings=readings,
        infection=frozenset(kept["infection"]) if kept.get("infection") else None,
        conditions=kept.get("conditions", ()),
        exclude=kept.get("exclude"),
        confirmed=kept.get("confirmed", ()),
        ventilator=kept.get("ventilator"),
        row=row.number,
    )
    return BedRow(bed, row, placed)


def _read_cells(sheet: Sheet, row: Row, now: datetime) -> _Cells:
    values: dict[str, Any] = {}
    typed: dict[str, float] = {}
    lost: set[str] = set()
    findings: list[tuple[str, Finding]] = []
    for column in BEDS:
        key = column.key
        if row.cells.get(key) is None:
            continue
        if column.kind == "number":
            number = sheet.number(row, key)
            if number.typed is not None:
                typed[key] = number.typed
            value, finding = number.value, number.finding
        else:
            got = _read_cell(row, column, now)
            value, finding = (None, got) if isinstance(got, Finding) else (got, None)
        if finding is not None:
            findings.append((key, finding))
        if value is None:
            lost.add(key)
        else:
            values[key] = value
    return _Cells(values, typed, frozenset(lost), tuple(findings))


def _read_cell(row: Row, column: Column, now: datetime) -> Any:
    cell = row.cells[column.key]
    if column.kind == "choice":
        return read_choice(cell, column.choices, column.key.replace("_", "-"))
    if column.kind == "list":
        labels = read_list(cell)
        if column.key in _LISTS_OF_IDS and not isinstance(labels, Finding):
            return tuple(label.casefold() for label in labels)
        return labels
    if column.kind == "time":
        return read_time(cell, now)
    return read_text(cell)


def _needed(sheet: Sheet, bed: BedValues, lost: frozenset[str]) -> Iterator[Finding]:
    """What the job cannot do without. Silent where the value is there but refused, or the whole column is
    missing.
    """

    def absent(key: str) -> bool:
        return key not in bed.numbers and key not in bed.words and key not in lost

    for column in BEDS:
        if column.needed and column.key in sheet.places and absent(column.key):
            stem = (
                column.key.replace("_", "-") if column.kind != "number" else quantity(column.key).finding_stem
            )
            yield refused(
                f"{stem}-missing",
                column.key,
                f"{column.key} is missing",
                "fill it in: the bed stays alone until then",
            )
    mode = bed.words.get("mode")
    if mode == "vc" and absent("plateau_cmh2o"):
        yield refused(
            "plateau-missing",
            "plateau_cmh2o",
            "volume control without a plateau pressure",
            "make an inspiratory hold and read it",
        )
    if mode == "pc" and absent("pressure_above_peep_cmh2o"):
        reason = "pressure control without the pressure above PEEP"
        remedy = "read it from the ventilator"
        if "plateau_cmh2o" in bed.numbers:
            yield ask("pressure-above-peep-missing", "pressure_above_peep_cmh2o", reason, remedy)
        elif absent("plateau_cmh2o"):
            yield refused("pressure-above-peep-missing", "pressure_above_peep_cmh2o", reason, remedy)
    if absent("spo2_pct") and absent("pao2_mmhg"):
        yield refused(
            "oxygenation-missing", "spo2_pct", "neither SpO2 nor PaO2 is known", "fill in one of them"
        )


def _is_complete(kept: dict[str, Any]) -> bool:
    if any(column.needed and column.key not in kept for column in BEDS):
        return False
    if kept["mode"] == "vc" and "plateau_cmh2o" not in kept:
        return False
    if kept["mode"] == "pc" and not {"plateau_cmh2o", "pressure_above_peep_cmh2o"} & kept.keys():
        return False
    return bool({"spo2_pct", "pao2_mmhg"} & kept.keys())


def _about_time(cells: _Cells, policy: Policy, now: datetime) -> Iterator[Finding]:
    read_at = cells.values.get("read_at")
    if read_at is not None:
        age = now - read_at
        if age > timedelta(hours=policy.reading_max_age_h):
            reason = f"the readings are {_duration(age)} old, the policy allows {policy.reading_max_age_h:g} h"
            yield ask("reading-old", "read_at", reason, "read again")
        elif age < timedelta(0):
            reason = f"the readings are from {_duration(-age)} in the future"
            yield ask("reading-in-future", "read_at", reason, "check date, time and time zone")
    elif "read_at" not in cells.refused:
        yield ask("read-at-missing", "read_at", "nobody wrote when the readings were taken", "fill it in")
    if "read_by" not in cells.values and "read_by" not in cells.refused:
        yield ask("read-by-missing", "read_by", "nobody wrote who took the readings", "fill it in")
    if "code" not in cells.values and "code" not in cells.refused:
        reason = "without a code these readings cannot be told from those of the next patient in this bed"
        yield Finding("code-missing", "note", reason, "fill in the local code", column="code")


def _duration(span: timedelta) -> str:
    minutes = round(span.total_seconds() / 60)
    if minutes >= 48 * 60:
        return f"{minutes // (24 * 60)} days"
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{max(minutes, 1)} min"


def _about_lists(cells: _Cells, conditions: tuple[str, ...]) -> Iterator[Finding]:
    for condition in cells.values.get("conditions", ()):
        if condition not in conditions:
            near = did_you_mean(condition, conditions)
            remedy = f"did you mean {near}?" if near else "`airyoke limits` lists the ids"
            yield refused("condition-unknown", "conditions", f"there is no condition {condition!r}", remedy)
    if any("," in label for label in cells.values.get("infection", ())):
        reason = "a label of an infection contains a comma"
        yield ask("infection-comma", "infection", reason, "put ; between two labels")


def _about_words(bed: BedValues) -> Iterator[Finding]:
    exclude = bed.words.get("exclude")
    if exclude is not None and exclude.casefold() in _NO_EXCLUSION_MEANT:
        reason = f"{exclude!r} is read as a reason why this patient must be alone"
        yield ask("exclude-unclear", "exclude", reason, "clear the cell if the patient may share")
