"""Writes the kept record of one form: ``python -m record.make_samples FORM`` in ``tests``, once, when a form is new.

A sample is never written anew: it is what a record of that time looks like.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from airyoke.record.forms import make_tables
from airyoke.record.lines import FIRST, hash_of, line_of
from airyoke.record.schema import APPLICATION_ID, REVISIONS
from record.scribe import small_ward

SAMPLES = Path(__file__).parent / "samples"


def write(form: str) -> None:
    """A small ward, its chain, and the tables as they were then."""
    target = SAMPLES / f"{form}.sql"
    assert not target.exists(), "a sample is never written anew"
    scribe = small_ward()
    for number in range(6):
        scribe.write(
            "reading",
            bed="1",
            code="a",
            read_at=f"2026-11-25T14:{number:02}+00:00",
            values={"plateau_cmh2o": 20 + number},
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sample"
        make_tables(path, form=form)
        connection = sqlite3.connect(path)
        connection.execute("INSERT INTO site VALUES ('st-example')")
        previous = FIRST
        for entry in scribe.entries:
            line = line_of(replace(entry, previous=previous))
            previous = hash_of(line)
            row = (entry.site, entry.stream, entry.sequence, entry.id, entry.kind, previous, line)
            connection.execute(
                "INSERT INTO entry (site, stream, sequence, id, kind, hash, line) VALUES (?, ?, ?, ?, ?, ?, ?)", row
            )
        connection.commit()
        dump = "\n".join(connection.iterdump())
        connection.close()
    header = f"PRAGMA application_id={APPLICATION_ID};\nPRAGMA user_version={REVISIONS.index(form) + 1};\n"
    target.write_text(header + dump + "\nPRAGMA journal_mode=WAL;\n", "utf-8")


if __name__ == "__main__":
    write(sys.argv[1])
