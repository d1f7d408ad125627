"""The committed JSON Schema is what the models make."""

from __future__ import annotations

from pathlib import Path

import pytest

from airyoke.contract.schema import MODELS, schema_text, write_schemas

FOLDER = Path(__file__).parents[2] / "schema"


@pytest.mark.parametrize("name", MODELS)
def test_committed_schema_is_current(name: str) -> None:
    committed = (FOLDER / f"{name}.json").read_text(encoding="utf-8")
    assert committed == schema_text(name), "run: python -m airyoke.contract.schema"


def test_no_schema_of_something_gone(tmp_path: Path) -> None:
    write_schemas(tmp_path)
    assert {file.name for file in FOLDER.glob("*.json")} == {file.name for file in tmp_path.glob("*.json")}


def test_a_case_s_ranges_and_units_stand_in_the_schema() -> None:
    schema = MODELS["case"].model_json_schema()
    field = schema["$defs"]["PatientCase"]["properties"]["compliance_ml_per_cmh2o"]
    assert (field["minimum"], field["maximum"], field["unit"]) == (3, 200, "mL/cmH2O")
    assert schema["additionalProperties"] is False
