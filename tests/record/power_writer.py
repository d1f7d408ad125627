"""What the power-cut rig runs: opens a record, writes, and says on stdout what was acknowledged."""

from __future__ import annotations

import os
import sys

from airyoke.record import database
from airyoke.record.record import Record
from airyoke.ward.entries import Draft
from record.conftest import NO_RESERVE


def main(where: str, entries: int, synchronous: str, checkpoint_above_bytes: int) -> None:
    """Write; every few entries the log is checkpointed, so that the rig sees that too."""
    database.CHECKPOINT_ABOVE_BYTES = checkpoint_above_bytes  # type: ignore[misc]
    with Record.open(where, site="st-example", space=NO_RESERVE, synchronous=synchronous) as record:
        for number in range(entries):
            draft = Draft("reading", {"bed": "1", "code": "a", "values": {"plateau_cmh2o": 20 + number / 1000}})
            (entry,) = record.write([draft], person="writer", seen=10**9)
            os.write(1, f"ack {entry.sequence} {entry.hash}\n".encode())


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
