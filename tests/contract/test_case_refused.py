"""Every way in which a case can be wrong is told in words: where, what, what to do."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from airyoke.contract.case import read_case
from airyoke.quantities import Finding, Refused
from contract.cases import CIRCUIT, VOLUME_CONTROL, example, text, two_patients

Change = Callable[[dict[str, Any]], object]


def findings_of(source: str) -> tuple[Finding, ...]:
    with pytest.raises(Refused) as caught:
        read_case(source)
    return caught.value.findings


def patient(**fields: object) -> Change:
    return lambda case: case["patients"][0].update(fields)


def settings(**fields: object) -> Change:
    return lambda case: case["settings"].update(fields)


def circuit(**fields: object) -> Change:
    return lambda case: case.update(circuit={**CIRCUIT, **fields})


def uncertainty(**fields: object) -> Change:
    return lambda case: case["patients"][0].update(uncertainty=fields)


REFUSED: list[tuple[str, str, Change]] = [
    # id of the finding, where, what was done to the case
    ("field-unknown", "patients[0].complianc", patient(complianc=30)),
    ("field-unknown", "patients[0].compliance", patient(compliance=30)),
    ("field-unknown", "setting", lambda case: case.update(setting={})),
    ("field-unknown", "settings.peep", settings(peep=5)),
    ("field-unknown", "patients[0].uncertainty.shunt", uncertainty(shunt={"sd": 0.1})),
    ("field-unknown", "circuit.inspiratory_trunk.lin", circuit(inspiratory_trunk={"linear": 1, "lin": 1})),
    ("field-missing", "settings", lambda case: case.pop("settings")),
    ("field-missing", "patients[0].label", lambda case: case["patients"][0].pop("label")),
    ("field-missing", "settings.mode", lambda case: case["settings"].pop("mode")),
    ("field-missing", "circuit.valves.linear", circuit(valves={"cracking_cmh2o": 1})),
    ("field-type", "patients[0].compliance_ml_per_cmh2o", patient(compliance_ml_per_cmh2o="32")),
    ("field-type", "patients[0].compliance_ml_per_cmh2o", patient(compliance_ml_per_cmh2o=True)),
    ("field-type", "patients[0].compliance_ml_per_cmh2o", patient(compliance_ml_per_cmh2o=None)),
    ("field-type", "patients[0].label", patient(label=3)),
    ("field-type", "patients", lambda case: case.update(patients={})),
    ("field-type", "circuit", lambda case: case.update(circuit=3)),
    ("field-type", "structural_uncertainty", lambda case: case.update(structural_uncertainty="no")),
    ("text-form", "patients[0].label", patient(label=" ")),
    ("text-form", "patients[0].label", patient(label="\x1b[2J")),
    ("text-form", "patients[0].label", patient(label="x" * 41)),
    ("word-unknown", "settings.mode", settings(mode="PC")),
    ("word-unknown", "patients[0].sex", patient(sex="female")),
    ("word-unknown", "circuit", lambda case: case.update(circuit="standart")),
    ("word-unknown", "circuit.valves", circuit(valves="off")),
    ("patients-number", "patients", lambda case: case.update(patients=[])),
    ("patients-number", "patients", lambda case: case.update(patients=case["patients"] * 5)),
    ("label-twice", "patients[1].label", lambda case: case.update(patients=case["patients"] * 2)),
    ("compliance-unit", "patients[0].compliance_ml_per_cmh2o", patient(compliance_ml_per_cmh2o=500)),
    ("compliance-out-of-range", "patients[0].compliance_ml_per_cmh2o", patient(compliance_ml_per_cmh2o=-1)),
    ("height-unit", "patients[0].height_cm", patient(height_cm=63)),
    ("shunt-unit", "patients[0].shunt_fraction", patient(shunt_fraction=25)),
    ("fio2-unit", "settings.fio2", settings(fio2=60)),
    ("peep-out-of-range", "settings.peep_cmh2o", settings(peep_cmh2o=80)),
    ("delivered-tidal-volume-unit", "settings.tidal_volume_ml",
     lambda case: case.update(settings={**VOLUME_CONTROL, "tidal_volume_ml": 0.8})),
    ("out-of-range", "circuit.inspiratory_trunk.linear", circuit(inspiratory_trunk={"linear": -1})),
    ("out-of-range", "circuit.wye_compliance_ml_per_cmh2o", circuit(wye_compliance_ml_per_cmh2o=1000)),
    ("out-of-range", "patients[0].uncertainty.shunt_fraction.sd", uncertainty(shunt_fraction={"sd": -1})),
    ("spread-form", "patients[0].uncertainty.shunt_fraction",
     uncertainty(shunt_fraction={"sd": 0.1, "relative_sd": 0.1})),
    ("spread-form", "patients[0].uncertainty.shunt_fraction", uncertainty(shunt_fraction={})),
    ("spread-out-of-range", "patients[0].uncertainty.shunt_fraction", uncertainty(shunt_fraction={"sd": 5})),
    ("spread-without-value", "patients[0].uncertainty.shunt_fraction",
     patient(shunt_fraction=None, uncertainty={"shunt_fraction": {"sd": 0.1}})),
    ("pc-incomplete", "settings.pressure_above_peep_cmh2o", settings(pressure_above_peep_cmh2o=None)),
    ("vc-incomplete", "settings.tidal_volume_ml",
     lambda case: case.update(settings={**VOLUME_CONTROL, "tidal_volume_ml": None})),
    ("mode-contradicted", "settings.tidal_volume_ml", settings(tidal_volume_ml=400)),
    ("mode-contradicted", "settings.pressure_above_peep_cmh2o",
     lambda case: case.update(settings={**VOLUME_CONTROL, "pressure_above_peep_cmh2o": 10})),
    ("no-expiration", "settings.inspiratory_time_s", settings(inspiratory_time_s=2.75)),
    ("no-expiration", "settings.inspiratory_time_s",
     settings(inspiratory_time_s=1.5, expiratory_pause_s=1.3)),
    ("pause-too-long", "settings.pause_s",
     lambda case: case.update(settings={**VOLUME_CONTROL, "pause_s": 1.0})),
    ("rise-too-long", "settings.rise_time_s", settings(rise_time_s=1.2)),
    ("limit-below-peep", "settings.pressure_limit_cmh2o",
     lambda case: case.update(settings={**VOLUME_CONTROL, "peep_cmh2o": 15, "pressure_limit_cmh2o": 12})),
    ("limit-below-pressure", "settings.pressure_limit_cmh2o", settings(pressure_limit_cmh2o=20)),
]  # fmt: skip


@pytest.mark.parametrize(("id_", "where", "change"), REFUSED, ids=[f"{r[0]} {r[1]} {i}" for i, r in enumerate(REFUSED)])
def test_refused_in_words(id_: str, where: str, change: Change) -> None:
    case = example()
    change(case)
    findings = findings_of(text(case))
    assert [(f.id, f.column) for f in findings] == [(id_, where)]
    assert findings[0].level == "refused"
    assert findings[0].reason
    assert findings[0].remedy
    assert findings[0].reason.isprintable()


@pytest.mark.parametrize(
    ("source", "id_"),
    [
        ("", "not-json"),
        ("{", "not-json"),
        ("[" * 100_000, "not-json"),
        ("[]", "not-a-case"),
        ('"case"', "not-a-case"),
        ('{"patients": 1, "patients": 2}', "field-twice"),
        ('{"patients": NaN}', "not-a-number"),
        (" " * 1_000_001, "case-too-long"),
    ],
)
def test_what_is_no_case_is_refused(source: str, id_: str) -> None:
    assert [finding.id for finding in findings_of(source)] == [id_]


def test_a_number_too_large_for_a_float_is_refused() -> None:
    source = text(example()).replace('"peep_cmh2o": 10', '"peep_cmh2o": 1e999')
    assert [finding.column for finding in findings_of(source)] == ["settings.peep_cmh2o"]


@pytest.mark.parametrize(
    ("change", "suggestion"),
    [
        (patient(complianc=30), "compliance_ml_per_cmh2o"),
        (settings(peep=5), "peep_cmh2o"),
        (settings(rate_per_mn=5), "rate_per_min"),
        (lambda case: case.update(circuit="standart"), "standard"),
        (uncertainty(shunt={"sd": 0.1}), "shunt_fraction"),
    ],
)
def test_did_you_mean(change: Change, suggestion: str) -> None:
    case = example()
    change(case)
    assert f"did you mean {suggestion}?" in findings_of(text(case))[0].remedy


def test_all_slips_are_told_at_once_with_the_patient() -> None:
    case = two_patients()
    case["patients"][1].update(height_cm=1.75, complianc=3)
    findings = findings_of(text(case))
    assert {finding.column for finding in findings} == {"patients[1].height_cm", "patients[1].complianc"}
    assert {finding.bed for finding in findings} == {"B"}


def test_a_remedy_never_sends_a_case_to_a_column() -> None:
    case = example()
    case["patients"][0]["height_cm"] = 63
    assert findings_of(text(case))[0].remedy == "was it typed in inches? That would be 160 cm: type it in cm"
