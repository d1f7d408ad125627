"""What the record keeps of a plan: enough to see what was planned, and the SHA-256 of the whole answer."""

from __future__ import annotations

import hashlib
from typing import Any, Final

from airyoke.contract.plan_answer import PlanAnswer

_OF_A_GROUP: Final = ("id", "ventilator", "beds", "needs", "circuit", "settings", "alarms")


def kept_plan(answer: PlanAnswer, name: str, *, based_on: int) -> dict[str, Any]:
    """The content of a ``plan_made`` entry. ``based_on`` is the entry up to which the ward was looked at."""
    groups = [
        {key: group[key] for key in _OF_A_GROUP if group.get(key) is not None}
        for group in answer.model_dump(mode="json", by_alias=True)["groups"]
    ]
    return {
        "plan": name,
        "based_on": based_on,
        "seed": answer.seed,
        "groups": groups,
        "unplaced": [one.bed for one in answer.unplaced],
        "answer_sha256": hashlib.sha256(answer.json_text().encode()).hexdigest(),
    }
