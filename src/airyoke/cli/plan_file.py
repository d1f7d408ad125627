"""A plan in a file."""

from __future__ import annotations

import json
from pathlib import Path

from pydantic import ValidationError

from airyoke.contract.plan_answer import PlanAnswer
from airyoke.quantities import Finding, Refused

_LARGEST_PLAN_BYTES = 64 * 1024 * 1024


def read_plan(path: Path, option: str) -> PlanAnswer:
    """A plan as `airyoke plan --json` wrote it; ``option`` is where it was named. Raises ``Refused`` for any other."""
    try:
        if path.stat().st_size > _LARGEST_PLAN_BYTES:
            raise _plan_refused("it is larger than any plan", path, option)
        content = path.read_bytes()
    except OSError as error:
        raise _plan_refused(f"it cannot be opened: {error.strerror or type(error).__name__}", path, option) from None
    try:
        return PlanAnswer.model_validate_json(content)
    except ValidationError as error:
        kept = _is_kept(content)
        first = error.errors(include_url=False)[0]
        where = ".".join(str(step) for step in first["loc"])
        reason = "this is what the record keeps of a plan, not the plan" if kept else (
            f"it is no plan: {where or 'the file'}: {first['msg']}"
        )  # fmt: skip
        raise _plan_refused(reason, path, option) from None


def _is_kept(content: bytes) -> bool:
    try:
        value = json.loads(content)
    except (ValueError, RecursionError):
        return False
    return isinstance(value, dict) and "answer_sha256" in value


def _plan_refused(reason: str, path: Path, option: str) -> Refused:
    remedy = "give the file that airyoke plan --json wrote"
    return Refused((Finding("print-plan", "refused", reason, remedy, file=path.name, column=option),))
