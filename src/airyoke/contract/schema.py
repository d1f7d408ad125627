"""The JSON Schema of what goes in and out, made from the models.

``python -m airyoke.contract.schema [FOLDER]`` writes one file each (default ``schema``); a test holds the
committed files against the models.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from airyoke.contract.answers import Prediction
from airyoke.contract.bench_answer import BenchAnswer
from airyoke.contract.built import Built
from airyoke.contract.case import Case
from airyoke.contract.check_answer import CheckAnswer
from airyoke.contract.circuit_answer import CircuitAnswer, PartsAnswer
from airyoke.contract.faults_answer import FaultsAnswer
from airyoke.contract.fields import Frozen
from airyoke.contract.findings_answer import ErrorAnswer
from airyoke.contract.limits_answer import LimitsAnswer
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.contract.print_answer import PrintAnswer
from airyoke.contract.record_answer import RecordAnswer
from airyoke.contract.region_answer import RoomLeftRegionsAnswer
from airyoke.contract.replan_answer import ReplanAnswer
from airyoke.contract.template_answer import TemplateAnswer
from airyoke.contract.trim_answer import TrimAnswer
from airyoke.contract.verify_answer import VerifyAnswer
from airyoke.contract.watch_answer import WatchAnswer
from airyoke.contract.what_if_answer import FormsAnswer, WhatIfAnswer
from airyoke.contract.why import WhyAnswer

MODELS: dict[str, type[Frozen]] = {
    "case": Case,
    "prediction": Prediction,
    "what_if": WhatIfAnswer,
    "change_forms": FormsAnswer,
    "trim": TrimAnswer,
    "room_left": RoomLeftRegionsAnswer,
    "plan": PlanAnswer,
    "replan": ReplanAnswer,
    "circuit": CircuitAnswer,
    "built": Built,
    "parts": PartsAnswer,
    "faults": FaultsAnswer,
    "watch": WatchAnswer,
    "check": CheckAnswer,
    "why": WhyAnswer,
    "template": TemplateAnswer,
    "error": ErrorAnswer,
    "limits": LimitsAnswer,
    "verify": VerifyAnswer,
    "bench": BenchAnswer,
    "record": RecordAnswer,
    "print": PrintAnswer,
}
_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_text(name: str) -> str:
    """The schema of one model as its file holds it. ``KeyError`` for a name that is none of ``MODELS``."""
    model = MODELS[name]
    # Answers are described as they are written, a case as it is read.
    body = model.model_json_schema(by_alias=True, mode="validation" if model in (Case, Built) else "serialization")
    return json.dumps({"$schema": _DIALECT, **body}, indent=2, ensure_ascii=False) + "\n"


def write_schemas(folder: Path) -> None:
    """Write every schema into ``folder``, which is made where it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in MODELS:
        (folder / f"{name}.json").write_text(schema_text(name), encoding="utf-8")


if __name__ == "__main__":
    write_schemas(Path(sys.argv[1] if len(sys.argv) > 1 else "schema"))
