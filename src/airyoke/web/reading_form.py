"""The form of one bed: what may be typed, what is wrong with it, and which entries it makes.

What is typed goes through the reader of wards, so a form and a workbook are judged by the same code.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Final

from airyoke.contract.words import name_words
from airyoke.exchange.columns import BEDS, Column
from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.lungs.readings import Readings
from airyoke.quantities import Finding, is_quantity, quantity
from airyoke.ward.candidates import BedAssessment, assess_bed
from airyoke.ward.columns import PATIENT, READING
from airyoke.ward.entries import Draft
from airyoke.ward.rows import ward_rows
from airyoke.web.desk import Look

_COLUMN: Final = {column.key: column for column in BEDS}
PARTS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("By inspiratory and expiratory hold", ("plateau_cmh2o", "total_peep_cmh2o")),
    ("On the ventilator", ("mode", "flow_shape", "tidal_volume_ml", "rate_per_min", "inspiratory_time_s", "pause_s",
                           "peep_cmh2o", "pressure_above_peep_cmh2o", "peak_cmh2o", "flow_l_per_min", "fio2",
                           "minute_volume_l_per_min", "resistance_cmh2o_s_per_l")),
    ("Gas exchange", ("spo2_pct", "pao2_mmhg", "paco2_mmhg", "ph", "etco2_mmhg", "haemoglobin_g_per_dl",
                      "bicarbonate_mmol_per_l", "temperature_c", "vasopressor")),
)  # fmt: skip
STAY: Final = ("sex", "height_cm", "weight_kg", "age_years", "passive", "position", "tube_mm", "humidification",
               "infection", "conditions", "exclude", "ventilator")  # fmt: skip
_UNIT_OF: Final = "unit-"


@dataclass(frozen=True, slots=True)
class FormField:
    """One field: ``units`` (header, unit) where more than one may be chosen; ``now`` is the value in use, in words,
    and ``since`` when and by whom it was read."""

    key: str
    label: str
    unit: str
    units: tuple[tuple[str, str], ...]
    choices: tuple[str, ...]
    needed: bool
    typed: str
    header: str
    now: str
    since: str
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Judged:
    """What was typed, judged. ``drafts`` is empty where something is refused or nothing was typed."""

    findings: tuple[Finding, ...]
    assessed: BedAssessment | None
    drafts: tuple[Draft, ...]

    @property
    def refused(self) -> bool:
        """Whether anything stands in the way of writing it."""
        return any(one.level == "refused" for one in self.findings)


def judge(look: Look, bed: str, form: Mapping[str, str]) -> Judged:
    """Judge a form. Keys are columns; ``unit-KEY`` is the header that was chosen for it."""
    state = look.state
    place = state.beds[bed]
    patient = place.patient
    assert patient is not None, "an empty bed has no form"
    row = next(one for one in ward_rows(state)["beds"] if one["bed"] == bed)
    typed = {key: form[key].strip() for key in READING if form.get(key, "").strip()}
    stay = {key: form[key].strip() for key in STAY if key in form and form[key].strip() != _shown(row.get(key))}
    row = {name: value for name, value in row.items() if name not in typed and name not in stay}
    row.update({_header(key, form): value for key, value in {**typed, **stay}.items() if value})
    read_at = form.get("read_at", "").strip()
    if typed and read_at:
        row["read_at"] = read_at
    stood = [one for one in form.get("confirmed", "").split(";") if one.strip()]
    if stood:
        there = [str(row["confirmed"])] if "confirmed" in row else []
        row["confirmed"] = "; ".join([*there, *stood])
    tables = {name: rows for name, rows in ward_rows(state).items() if name in ("ventilators", "policy")}
    ward = ward_of_rows({**tables, "beds": [row]}, file="this form", now=look.now)
    mine = tuple(one for one in ward.findings if one.bed == bed)
    judged = ward.beds[0]
    machine = next((one for one in ward.ventilators if one.label == (judged.ventilator or "")), None)
    assessed = assess_bed(judged, machine, ward.policy)
    found: Any = getattr(assessed.lungs, "findings", ())
    said = {one.id for one in mine}
    findings = (*mine, *(f for f in found if f.id not in said and f.id not in judged.confirmed))
    if typed and not read_at:
        remedy = "give the day and the time at which they were read"
        findings = (
            *findings,
            Finding("read-at-missing", "refused", "the readings have no time", remedy, column="read_at"),
        )
    if any(one.level == "refused" for one in findings) or judged.readings is None:
        return Judged(findings, assessed, ())
    return Judged(findings, assessed, _drafts(bed, patient.code, judged, typed, stay, stood, form))


def _drafts(bed: str, code: str | None, judged: Any, typed: Mapping[str, str], stay: Mapping[str, str],
            stood: list[str], form: Mapping[str, str]) -> tuple[Draft, ...]:  # fmt: skip
    about: dict[str, Any] = {"bed": bed} | ({} if code is None else {"code": code})
    readings = {item.name: getattr(judged.readings, item.name) for item in fields(Readings)}
    drafts: list[Draft] = []
    once = form.get("once", "")
    values: dict[str, Any] = {key: _of_stay(judged, readings, key) for key in stay}
    if stood:
        values["confirmed"] = list(judged.confirmed)
    if values:
        drafts.append(Draft("patient_changed", {**about, "values": values}, f"{once}-p" if once else None))
    if typed:
        at = readings["read_at"]
        read_at = at if at.tzinfo is not None else at.astimezone()
        said: dict[str, Any] = {"read_at": read_at.isoformat(), "values": {key: readings[key] for key in typed}}
        if form.get("read_by", "").strip():
            said["read_by"] = form["read_by"].strip()
        drafts.append(Draft("reading", {**about, **said}, f"{once}-r" if once else None))
    return tuple(drafts)


def _of_stay(judged: Any, readings: Mapping[str, Any], key: str) -> Any:
    if key == "infection":
        return sorted(judged.infection) if judged.infection else None
    if key in ("conditions", "confirmed"):
        return list(getattr(judged, key)) or None
    return getattr(judged, key) if key in ("exclude", "ventilator") else readings[key]


def form_fields(look: Look, bed: str, keys: tuple[str, ...], form: Mapping[str, str], findings: tuple[Finding, ...],
                since: Mapping[str, str], *, prefilled: bool) -> list[FormField]:  # fmt: skip
    """The fields of one part. Readings start empty: a value that is not read again keeps its own time."""
    patient = look.state.beds[bed].patient
    assert patient is not None, "an empty bed has no form"
    shown = []
    for key in keys:
        column = _COLUMN[key]
        used = patient.readings.get(key)
        value = used.value if used is not None else patient.values.get(key)
        typed = form.get(key, _shown(value) if prefilled else "")
        header = _header(key, form)
        here = tuple(one for one in findings if one.column in (key, header))
        shown.append(FormField(
            key, _label(key), _unit(key), _units(column), _choices(key), column.needed, typed, header, _shown(value),
            since.get(key, ""), here,
        ))  # fmt: skip
    return shown


def _header(key: str, form: Mapping[str, str]) -> str:
    """The header under which a field was typed: its own, or that of the unit that was chosen."""
    chosen = form.get(_UNIT_OF + key, key)
    return chosen if chosen in _COLUMN[key].headers() else key


def _units(column: Column) -> tuple[tuple[str, str], ...]:
    headers = tuple(column.headers().items())
    return headers if len({unit for _, unit in headers}) > 1 else ()


def _unit(key: str) -> str:
    return quantity(key).unit if is_quantity(key) else ""


def _choices(key: str) -> tuple[str, ...]:
    column = READING.get(key) or PATIENT[key]
    return column.words if column.kind == "choice" else ()


def _label(key: str) -> str:
    words = name_words(key)
    return words[0].upper() + words[1:] if words[1:2].islower() or " " in words else words


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.6g}"
    return "; ".join(value) if isinstance(value, list | tuple) else str(value)
