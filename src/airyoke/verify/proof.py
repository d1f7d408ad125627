"""The table as Markdown, and its place in ``docs/proof.md``.

``python -m airyoke.verify.proof [FILE]`` makes the checks and writes the table between its markers in the file
(default ``docs/proof.md``); the rest of the file stays as it is.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

from airyoke.contract.verify_answer import CheckRow, VerifyAnswer
from airyoke.verify.words import (
    KIND_TITLES,
    difference_words,
    number_words,
    summary_words,
    tolerance_words,
)

BEGIN: Final = "<!-- begin: airyoke verify --markdown -->"
END: Final = "<!-- end: airyoke verify --markdown -->"


def markdown(answer: VerifyAnswer) -> str:
    """The table with its markers: a heading for each kind, then what the table does not show."""
    counts = answer.counts
    tools = ", ".join(f"{one.name} {one.version or 'not installed'}" for one in answer.tools)
    lines = [
        BEGIN,
        "",
        summary_words(counts.passed, counts.failed, counts.not_run, counts.fitted),
        f"Outside tools: {tools}. Where a check has several values, the one nearest to failing is shown.",
    ]
    for kind, (title, note) in KIND_TITLES.items():
        rows = [row for row in answer.checks if row.kind == kind]
        if not rows:
            continue
        lines += [
            "",
            f"### {title}",
            "",
            note,
            "",
            "| check | | expected | got | off by | allowed | verdict |",
            "|---|---|---:|---:|---:|---|---|",
            *(_line(row) for row in rows),
        ]
    lines += ["", "### What the table does not show", ""]
    lines += [f"- {note.text}" for note in answer.limits_of_truth]
    return "\n".join([*lines, "", END]) + "\n"


def _line(row: CheckRow) -> str:
    shown = row.values[row.worst] if row.worst is not None else None
    label = f" ({shown.label})" if shown is not None and shown.label else ""
    unit = f" {row.unit}" if row.unit else ""
    said = (f"{part.rstrip('.')}." for part in (row.what, row.setup, row.reason or "") if part)
    about = f"{' '.join(said)} *{row.source}*"
    cells = [
        f"`{row.id}`",
        about,
        f"{number_words(None if shown is None else shown.expected)}{unit}{label}",
        f"{number_words(None if shown is None else shown.got)}{unit}",
        difference_words(row),
        tolerance_words(row.tolerance, row.unit),
        row.verdict if row.counts else "fitted",
    ]
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def placed(document: str, part: str) -> str:
    """The document with the part between its markers replaced. Raises ``ValueError`` where they are missing."""
    begin, end = document.find(BEGIN), document.find(END)
    if begin < 0 or end < begin:
        raise ValueError(f"the document has no place for the table: put {BEGIN} and {END} on lines of their own")
    return document[:begin] + part.rstrip("\n") + document[end + len(END) :]


if __name__ == "__main__":
    from airyoke.verify.table import answer_of, run_checks

    path = Path(sys.argv[1] if len(sys.argv) > 1 else "docs/proof.md")
    path.write_text(placed(path.read_text("utf-8"), markdown(answer_of(run_checks()))), encoding="utf-8")
