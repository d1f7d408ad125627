"""Everything that can be wrong with a case, in plain words: where it is, what is wrong, what to do."""

from __future__ import annotations

import json
import typing
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, Final

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from airyoke.contract.case import Case, PatientCase, SettingsCase, SpreadCase
from airyoke.contract.case_alarms import alarm_findings
from airyoke.quantities import Finding, Refused, did_you_mean, is_quantity, quantity, value_finding

MAX_CHARACTERS: Final = 1_000_000
# The alternatives of a union stand in pydantic's paths, but not in what a person wrote.
_TAGS: Final = frozenset({"(name)", "(numbers)", "(none)", "(valves)"})
_WORDS_OF_TYPE: Final = {
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "string_type": "text",
    "list_type": "a list [ ]",
    "model_type": "an object { }",
    "model_attributes_type": "an object { }",
    "dict_type": "an object { }",
}


def checked_case(text: str, file: str | None = None) -> Case:
    """See :func:`airyoke.contract.case.read_case`."""
    raw = _parsed(text, file)
    try:
        case = Case.model_validate_json(text)
    except ValidationError as error:
        found = [_from_pydantic(one, raw) for one in error.errors(include_url=False)]
        raise Refused(tuple(replace(one, file=file) for one in _without_doubles(found))) from None
    wrong = tuple(replace(one, file=file) for one in _contradictions(case))
    if wrong:
        raise Refused(wrong)
    return case


def unusual(case: Case) -> tuple[Finding, ...]:
    """Values that are possible but rare: used as written, and worth reading again. Level ``note``."""
    found: list[Finding] = []
    parts: list[tuple[str, PatientCase | SettingsCase, str | None]] = [
        (f"patients[{i}]", patient, patient.label) for i, patient in enumerate(case.patients)
    ]
    parts.append(("settings", case.settings, None))
    for path, part, label in parts:
        for name in type(part).model_fields:
            value, key = getattr(part, name), _key(path, name)
            if isinstance(value, bool) or not isinstance(value, float | int) or not is_quantity(key):
                continue
            finding = value_finding(quantity(key), float(value))
            if finding is not None:
                remedy = "read it again; it was used as written"
                found.append(replace(finding, level="note", column=f"{path}.{name}", bed=label, remedy=remedy))
    found.extend(_unused(case.settings))
    if case.settings.fio2 is None and any(patient.shunt_fraction is not None for patient in case.patients):
        found.append(
            Finding(
                "fio2-missing",
                "note",
                "no FiO2 is given, so the saturation is that of room air",
                "write settings.fio2",
                column="settings.fio2",
            )
        )
    return tuple(found)


def _unused(one: SettingsCase) -> Iterator[Finding]:
    """What is written but does nothing in this mode: said, so that nobody believes that it does."""
    names = ("rise_time_s",) if one.mode == "vc" else ("pause_s", "flow_shape")
    for name in names:
        value = getattr(one, name)
        if value not in (None, 0.0, "off"):
            reason = f"mode {one.mode} does not use {name}"
            yield Finding("not-used", "note", reason, "leave it out", column=f"settings.{name}", value=value)


def _parsed(text: str, file: str | None) -> Any:
    def refuse(id_: str, reason: str, remedy: str) -> Refused:
        return Refused((Finding(id_, "refused", reason, remedy, file=file),))

    if len(text) > MAX_CHARACTERS:
        raise refuse("case-too-long", "this is far longer than a case", "give one case with 1 to 4 patients")
    try:
        raw = json.loads(text, object_pairs_hook=_no_doubles, parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise refuse("not-json", f"the case is not JSON: {error.msg} at {where}", "mend that place") from None
    except _NotAccepted as error:
        raise refuse(*error.words) from None
    except (RecursionError, ValueError):
        raise refuse("not-json", "the case is not JSON that can be read", "start from the example") from None
    if not isinstance(raw, dict):
        raise refuse("not-a-case", "a case is one JSON object { }", "put patients, circuit and settings in it")
    return raw


class _NotAccepted(Exception):  # noqa: N818 - never leaves this module
    """JSON as some writers make it, but not to be read: twice the same name, or a number that is none."""

    def __init__(self, *words: str) -> None:
        self.words: tuple[str, str, str] = (words[0], words[1], words[2])
        super().__init__(words[1])


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    seen: dict[str, Any] = {}
    for name, value in pairs:
        if name in seen:
            raise _NotAccepted("field-twice", f"the field {name!r} is there twice", "keep one of them")
        seen[name] = value
    return seen


def _no_constant(word: str) -> Any:
    raise _NotAccepted("not-a-number", f"{word} is no number", "write the number, or leave the field out")


def path_words(loc: Sequence[int | str]) -> str:
    """``patients[0].compliance_ml_per_cmh2o``."""
    words = ""
    for part in loc:
        if isinstance(part, int):
            words += f"[{part}]"
        elif part not in _TAGS:
            words += f".{part}" if words else part
    return words


def _key(path: str, name: str) -> str:
    return "delivered_tidal_volume_ml" if path == "settings" and name == "tidal_volume_ml" else name


def _label_at(raw: Any, loc: Sequence[int | str]) -> str | None:
    if len(loc) < 2 or loc[0] != "patients" or not isinstance(loc[1], int):
        return None
    patient = raw["patients"][loc[1]]
    label = patient.get("label") if isinstance(patient, dict) else None
    return label if isinstance(label, str) and label.isprintable() else None


def _shown(value: Any) -> str | float:
    if isinstance(value, float | int) and not isinstance(value, bool):
        return float(value)
    text = json.dumps(value, ensure_ascii=False, default=str)
    text = "".join(letter if letter.isprintable() else "?" for letter in text)
    return text if len(text) <= 40 else text[:37] + "..."


def _said(value: Any) -> str:
    shown = _shown(value)
    return shown if isinstance(shown, str) else f"{shown:g}"


def _from_pydantic(error: ErrorDetails, raw: Any) -> Finding:
    loc, kind, value = error["loc"], error["type"], error["input"]
    path, label, name = path_words(loc), _label_at(raw, loc), str(loc[-1])
    place: dict[str, Any] = {"column": path, "bed": label, "value": _shown(value)}
    if kind == "missing":
        where = path.rpartition(".")[0] or "the case"
        return Finding("field-missing", "refused", f"{where} lacks {name}", f"add {name}", column=path, bed=label)
    if kind == "extra_forbidden":
        near = _nearest(name, _known_names(loc))
        known = ", ".join(_known_names(loc))
        remedy = f"did you mean {near}?" if near else f"the fields here are {known}"
        return Finding("field-unknown", "refused", f"there is no field {name!r} here", remedy, **place)
    if kind in ("greater_than_equal", "less_than_equal") and not isinstance(value, bool):
        return _out_of_range(error, place, _key(path.rpartition(".")[0], name))
    if kind == "literal_error":
        expected = str(error.get("ctx", {}).get("expected", "")).replace(" or ", ", ").replace("'", "")
        choices = expected.split(", ")
        near = did_you_mean(str(value), choices)
        remedy = f"did you mean {near}?" if near else f"write {' or '.join(choices)}"
        if path == "circuit":
            remedy += "; or give the circuit as numbers"
        return Finding("word-unknown", "refused", f"{path} cannot be {_said(value)}", remedy, **place)
    if kind == "too_short" and path == "patients":
        return Finding("patients-number", "refused", "there is no patient", "give 1 to 4 patients", column=path)
    if kind == "too_long" and path == "patients":
        reason = f"{len(value)} patients on one ventilator"
        return Finding("patients-number", "refused", reason, "at most 4 are worked out", column=path)
    if kind.startswith("string_") and kind != "string_type":
        remedy = "write 1 to 40 printable characters"
        return Finding("text-form", "refused", f"{path} cannot be {_said(value)}", remedy, **place)
    wanted = _WORDS_OF_TYPE.get(kind, "something else")
    return Finding("field-type", "refused", f"{path} must be {wanted}, not {_said(value)}", f"write {wanted}", **place)


def _out_of_range(error: ErrorDetails, place: dict[str, Any], key: str) -> Finding:
    value = float(error["input"])
    finding = value_finding(quantity(key), value) if is_quantity(key) else None
    if finding is not None:
        # A sheet may name another unit in its header; a case has one name for each field.
        remedy = finding.remedy.partition(", or name the column")[0]
        return replace(finding, remedy=remedy, column=place["column"], bed=place["bed"])
    context = error.get("ctx", {})
    bound = f"at least {context['ge']:g}" if "ge" in context else f"at most {context['le']:g}"
    reason = f"{place['column']} must be {bound}, not {value:g}"
    return Finding("out-of-range", "refused", reason, "read it again", **place)


def _nearest(word: str, names: tuple[str, ...]) -> str | None:
    """The name that was meant: by the whole name, or by what stands before its unit."""
    stems = {(quantity(name).stem if is_quantity(name) else name): name for name in names}
    near = did_you_mean(word, (*names, *stems))
    return None if near is None else stems.get(near, near)


def _known_names(loc: Sequence[int | str]) -> tuple[str, ...]:
    """The fields that the object holding the last part of ``loc`` may have."""
    model: Any = Case
    for part in loc[:-1]:
        if isinstance(part, int) or part in _TAGS:
            continue
        fields = model.model_fields
        if part not in fields:
            return ()
        model = next(_models_in(fields[part].annotation), None)
        if model is None:
            return ()
    return tuple(field.alias or name for name, field in model.model_fields.items())


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    arguments = typing.get_args(annotation)
    if not arguments and isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in arguments:
        yield from _models_in(argument)


def _without_doubles(found: list[Finding]) -> list[Finding]:
    """One finding a place: of several errors about one value the first says enough."""
    seen: set[str | None] = set()
    kept = []
    for finding in found:
        if finding.column not in seen:
            kept.append(finding)
        seen.add(finding.column)
    return kept


def _contradictions(case: Case) -> Iterator[Finding]:
    labels = [patient.label.strip() for patient in case.patients]
    for i, patient in enumerate(case.patients):
        if labels.index(labels[i]) < i:
            yield Finding(
                "label-twice",
                "refused",
                f"two patients are called {patient.label!r}",
                "give each patient a label of its own",
                column=f"patients[{i}].label",
                value=patient.label,
            )
        yield from _about_patient(patient, f"patients[{i}]")
    yield from _about_settings(case.settings)
    yield from alarm_findings(case.alarms, case.alarm_conditions, 60.0 / case.settings.rate_per_min)


def _about_patient(patient: PatientCase, path: str) -> Iterator[Finding]:
    for name in type(patient.uncertainty).model_fields:
        spread: SpreadCase | None = getattr(patient.uncertainty, name)
        if spread is None:
            continue
        place: dict[str, Any] = {"column": f"{path}.uncertainty.{name}", "bed": patient.label}
        if (spread.relative_sd is None) == (spread.sd is None):
            reason = f"the uncertainty of {name} needs exactly one of relative_sd and sd"
            yield Finding("spread-form", "refused", reason, "keep one of them", **place)
        elif getattr(patient, name) is None and not _has_default(patient, name):
            reason = f"an uncertainty of {name}, but no {name}"
            yield Finding("spread-without-value", "refused", reason, f"add {name}, or leave it out", **place)
        elif spread.sd is not None and spread.sd > (quantity(name).refuse.high or 1.0):
            reason = f"an sd of {spread.sd:g} {quantity(name).unit} for {name}".replace("  ", " ")
            yield Finding(
                "spread-out-of-range",
                "refused",
                reason,
                "read it again; sd has the unit of the value",
                **place,
            )


def _has_default(patient: PatientCase, name: str) -> bool:
    if name == "shunt_fraction":
        return False
    return name != "airway_dead_space_ml" or (patient.sex is not None and patient.height_cm is not None)


def _about_settings(one: SettingsCase) -> Iterator[Finding]:
    def refuse(id_: str, name: str, reason: str, remedy: str) -> Finding:
        return Finding(id_, "refused", reason, remedy, column=f"settings.{name}", value=getattr(one, name))

    needed, other = ("pressure_above_peep_cmh2o", "tidal_volume_ml")
    if one.mode == "vc":
        needed, other = other, needed
    if getattr(one, needed) is None:
        yield refuse(f"{one.mode}-incomplete", needed, f"mode {one.mode} needs {needed}", f"add {needed}")
    if getattr(one, other) is not None:
        reason = f"mode {one.mode} does not use {other}"
        yield refuse("mode-contradicted", other, reason, "leave it out, or change the mode")
    if one.mode == "pc" and one.pressure_limit_cmh2o is not None and one.pressure_above_peep_cmh2o is not None:
        top = one.peep_cmh2o + one.pressure_above_peep_cmh2o
        if one.pressure_limit_cmh2o < top:
            reason = f"the pressure limit of {one.pressure_limit_cmh2o:g} is below the {top:g} cmH2O of the drive"
            yield refuse("limit-below-pressure", "pressure_limit_cmh2o", reason, "raise it, or ask for less pressure")
    period = 60.0 / one.rate_per_min
    left = period - (one.expiratory_pause_s or 0.0)
    if one.inspiratory_time_s >= left:
        reason = (
            f"an inspiratory time of {one.inspiratory_time_s:g} s leaves no time to breathe out: a breath is "
            f"{period:.3g} s at {one.rate_per_min:g}/min"
        )
        if one.expiratory_pause_s:
            reason += f", {one.expiratory_pause_s:g} s of it expiratory pause"
        remedy = f"take less than {left:.3g} s, or a lower rate" if left > 0.0 else "take a shorter expiratory pause"
        yield refuse("no-expiration", "inspiratory_time_s", reason, remedy)
    if one.pause_s and one.pause_s >= one.inspiratory_time_s:
        reason = f"a pause of {one.pause_s:g} s fills the inspiratory time of {one.inspiratory_time_s:g} s"
        yield refuse("pause-too-long", "pause_s", reason, "the pause lies inside the inspiratory time: shorten it")
    if one.rise_time_s and one.rise_time_s > one.inspiratory_time_s:
        reason = f"a rise time of {one.rise_time_s:g} s is longer than the inspiratory time"
        yield refuse("rise-too-long", "rise_time_s", reason, "shorten it")
    if one.pressure_limit_cmh2o is not None and one.pressure_limit_cmh2o <= one.peep_cmh2o:
        reason = f"the pressure limit of {one.pressure_limit_cmh2o:g} cmH2O is not above PEEP"
        yield refuse("limit-below-peep", "pressure_limit_cmh2o", reason, "it is absolute, not above PEEP")
