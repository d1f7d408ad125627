"""A plan written down in the record it was made from: what was planned, on which entries, by whom."""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

from airyoke.cli.record_people import writer
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.plan.plan import Plan
from airyoke.record.record import Record
from airyoke.ward.entries import Draft

_OF_A_GROUP = ("id", "ventilator", "beds", "needs", "settings", "alarms")


def keep_plan(
    plan: Plan, where: str, site: str | None, *, based_on: int, person: str | None, password_file: Path | None
) -> None:
    """Write the plan down and say under which name. The whole answer is named by its SHA-256: ``airyoke plan --json``
    on the same entries, with the same seed and moment, gives it again."""
    answer = PlanAnswer.of(plan)
    groups = [
        {name: group[name] for name in _OF_A_GROUP if group.get(name) is not None}
        for group in answer.model_dump(mode="json", by_alias=True)["groups"]
    ]
    with Record.open(where, site=site) as record:
        who = writer(record, person, password_file)
        name = f"P{len(record.state().plans) + 1}"
        content = {
            "plan": name, "based_on": based_on, "seed": plan.seed, "groups": groups,
            "unplaced": [one.bed for one in answer.unplaced],
            "answer_sha256": hashlib.sha256(answer.json_text().encode()).hexdigest(),
        }  # fmt: skip
        (entry,) = record.write([Draft("plan_made", content)], person=who, seen=based_on)
    print(f"Kept as plan {name}, entry {entry.sequence}.", file=sys.stderr)
