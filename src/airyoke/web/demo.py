"""The demo ward in a record of its own, for whoever wants to look before anything is typed."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from airyoke.exchange import write_tables
from airyoke.exchange.ward_rows import read_typed_rows
from airyoke.record import Record, create
from airyoke.record.people import add_person
from airyoke.record.space import SpaceRules
from airyoke.ward.demo import demo_tables
from airyoke.ward.proposal import propose

Tables = dict[str, list[dict[str, object]]]
PERSON: Final = "demo-keeper"
SITE: Final = "demo-ward"


@dataclass(frozen=True, slots=True)
class Ticket:
    """A way in that counts once: who gets in with which ``word`` at ``/enter/WORD``."""

    person: str
    word: str


def make_demo_record(folder: Path, now: datetime) -> tuple[Record, Ticket, str]:
    """A record in ``folder`` with the demo ward as read shortly before ``now``, its one person's ticket and password.

    Both are random and known to nobody else. No space is held back for it.
    """
    record = create(folder / "demo.airyoke", SITE, title="Demo ward", space=SpaceRules(0, 0, 0))
    password = "-".join(secrets.token_hex(3) for _ in range(4))
    add_person(record, PERSON, ["keeper", "planner", "writer"], password, by=PERSON)
    fill(record, folder, demo_tables(now), now, writer=PERSON, keeper=PERSON)
    return record, Ticket(PERSON, secrets.token_urlsafe(24)), password


def fill(record: Record, folder: Path, tables: Tables, now: datetime, *, writer: str, keeper: str) -> None:
    """Write a ward in tables into an empty record, as a workbook is taken in; that is left in ``folder``."""
    workbook = folder / "ward.xlsx"
    write_tables(workbook, tables)  # type: ignore[arg-type]
    _, rows = read_typed_rows(workbook, now=now)
    for line in propose(record.state(), rows):
        who = keeper if any(draft.kind == "policy" for draft in line.drafts) else writer
        record.write(list(line.drafts), person=who, seen=record.state().sequence)
