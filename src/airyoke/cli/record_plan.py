"""A plan written down in the record it was made from: what was planned, on which entries, by whom."""

from __future__ import annotations

import sys
from pathlib import Path

from airyoke.cli.record_people import writer
from airyoke.contract.kept_plan import kept_plan
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.plan.plan import Plan
from airyoke.record.record import Record
from airyoke.ward.entries import Draft


def keep_plan(
    plan: Plan, where: str, site: str | None, *, based_on: int, person: str | None, password_file: Path | None
) -> None:
    """Write the plan down and say under which name. The whole answer is named by its SHA-256: ``airyoke plan --json``
    on the same entries, with the same seed and moment, gives it again."""
    answer = PlanAnswer.of(plan)
    with Record.open(where, site=site) as record:
        who = writer(record, person, password_file)
        name = f"P{len(record.state().plans) + 1}"
        content = kept_plan(answer, name, based_on=based_on)
        (entry,) = record.write([Draft("plan_made", content)], person=who, seen=based_on)
    print(f"Kept as plan {name}, entry {entry.sequence}.", file=sys.stderr)
