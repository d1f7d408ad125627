"""Four beds of the demo ward and three machines: a pair fits, and the plan takes a second or two."""

from __future__ import annotations

from datetime import datetime

from airyoke.ward.demo import demo_tables
from airyoke.web.demo import Tables


def small_ward(now: datetime) -> Tables:
    """The tables of that ward, read at ``now``."""
    tables = demo_tables(now)
    tables["beds"] = [row for row in tables["beds"] if row["bed"] in ("E2", "E3", "W1", "W2")]
    tables["ventilators"] = [row for row in tables["ventilators"] if row["ventilator"] in ("V2", "V3", "V5", "V6")][:3]
    tables["beds"][-1]["ventilator"] = None
    return tables
