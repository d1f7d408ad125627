"""What the power-cut rig runs: writes, makes, upgrades or backs up a record, and says on stdout what was acknowledged."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from airyoke.record import database
from airyoke.record.backup import back_up
from airyoke.record.forms import upgrade
from airyoke.record.record import Record
from airyoke.record.setup import create
from airyoke.ward.entries import Draft
from record.conftest import NO_RESERVE


def acknowledge(number: int, what: str) -> None:
    os.write(1, f"ack {number} {what}\n".encode())


def write(where: str, entries: str, synchronous: str, checkpoint_above_bytes: str) -> None:
    """Write; every few entries the log is checkpointed, so that the rig sees that too."""
    database.CHECKPOINT_ABOVE_BYTES = int(checkpoint_above_bytes)  # type: ignore[misc]
    with Record.open(where, site="st-example", space=NO_RESERVE, synchronous=synchronous) as record:
        for number in range(int(entries)):
            draft = Draft("reading", {"bed": "1", "code": "a", "values": {"plateau_cmh2o": 20 + number / 1000}})
            (entry,) = record.write([draft], person="writer", seen=10**9)
            acknowledge(entry.sequence, entry.hash)


def make(where: str) -> None:
    """A new record, acknowledged once it is there."""
    with create(where, "st-example", unlocked=True, space=NO_RESERVE) as record:
        acknowledge(1, record.head().hash)


def bring_up(where: str) -> None:
    """An older record to the present form."""
    upgrade(where)
    acknowledge(1, "upgraded")


def copy(where: str, folder: str) -> None:
    """A backup beside the record."""
    with Record.open(where, site="st-example", space=NO_RESERVE) as record:
        acknowledge(1, back_up(record, Path(folder), person="rig").sha256)


if __name__ == "__main__":
    {"write": write, "make": make, "upgrade": bring_up, "backup": copy}[sys.argv[1]](*sys.argv[2:])
