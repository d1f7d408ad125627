"""Is the record the one that was written? Every line is hashed into the next: an edit, a deletion, an insertion, a
swap breaks the chain where it happened; a cut tail shows against a head that was kept elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from airyoke.quantities import Finding, Refused
from airyoke.record.lines import FIRST, entry_of, hash_of

_HEAD: Final = re.compile(r"(ward|audit):([0-9]{1,12}):([0-9a-f]{8,64})")
SHORTEST_HASH: Final = 8
"""Letters of a hash that a print shows at least: enough to notice, not enough to prove."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row as the database has it. All but ``line`` repeats what the line says, for finding it."""

    site: str
    stream: str
    sequence: int
    id: str
    kind: str
    hash: str
    line: str


@dataclass(frozen=True, slots=True)
class Head:
    """The end of a stream at one time: kept on a print or a second machine, it shows that nothing was cut since."""

    stream: str
    sequence: int
    hash: str

    def __str__(self) -> str:
        return f"{self.stream}:{self.sequence}:{self.hash}"

    @property
    def short(self) -> str:
        """As it stands on a print: enough of the hash to compare later."""
        return f"{self.stream}:{self.sequence}:{self.hash[:SHORTEST_HASH]}"

    @classmethod
    def read(cls, text: str) -> Head:
        """A head as it was printed, ``ward:214:3fa9c01b…``. Raises :class:`airyoke.quantities.Refused`."""
        match = _HEAD.fullmatch(text.strip())
        if match is None:
            remedy = "copy it as printed: stream, sequence and hash with colons between"
            raise Refused((Finding("head-form", "refused", f"{text.strip()!r} is no head of a record", remedy),))
        return cls(match.group(1), int(match.group(2)), match.group(3))


@dataclass(frozen=True, slots=True)
class Verified:
    """How far a stream was verified, and where it breaks. ``head`` is where the chain ends."""

    head: Head
    count: int
    findings: tuple[Finding, ...]


def verify(rows: Iterable[Row], site: str, stream: str, *, after: Head | None = None,
           known: Iterable[Head] = ()) -> Verified:  # fmt: skip
    """Check rows in the order the database gives them, from the first or from ``after`` on.

    ``known`` are heads kept elsewhere. One finding for each row that is not what was written, and for each known head
    that the record does not contain.
    """
    findings: list[Finding] = []
    head = Head(stream, 0, FIRST) if after is None else after
    wanted = {one.sequence: one for one in known if one.stream == stream}
    count = 0
    for row in rows:
        problem = _problem(row, site, stream, head)
        if problem is not None:
            findings.append(_broken(row.sequence, problem))
        head = Head(stream, row.sequence, row.hash)
        count += 1
        findings += _compared(wanted.pop(row.sequence, None), row.hash)
    for sequence in sorted(wanted):
        if sequence > head.sequence:
            reason = f"the {stream} stream ends at {head.sequence}, but {sequence} was there when this head was kept"
            remedy = "entries are missing at the end: keep this file, look for the last backup that has them"
            findings.append(Finding("chain-cut", "refused", reason, remedy))
    return Verified(head, count, tuple(findings))


def _problem(row: Row, site: str, stream: str, head: Head) -> str | None:
    if hash_of(row.line) != row.hash:
        return "its text is not the one that was hashed"
    try:
        entry = entry_of(row.line, row.hash)
    except (ValueError, TypeError):
        return "its text is no entry"
    says = (entry.site, entry.stream, entry.sequence, entry.id, entry.kind)
    if says != (row.site, row.stream, row.sequence, row.id, row.kind):
        return "it stands in a place that is not its own"
    if (row.site, row.stream) != (site, stream):
        return "it belongs to another site or stream"
    if row.sequence != head.sequence + 1:
        return f"it does not follow {head.sequence}"
    if entry.previous != head.hash:
        return "the one before it is not the one that stood there when it was written"
    return None


def _broken(sequence: int, problem: str) -> Finding:
    reason = f"entry {sequence}: {problem}"
    remedy = "stop writing, keep this file as it is, compare with the last backup"
    return Finding("chain-broken", "refused", reason, remedy, value=float(sequence))


def _compared(known: Head | None, found: str) -> list[Finding]:
    if known is None or found.startswith(known.hash):
        return []
    reason = f"entry {known.sequence} has another hash than the head that was kept ({known.hash[:12]}…)"
    remedy = "the record was written anew after that head: keep this file, look for the backup of that time"
    return [Finding("chain-other", "refused", reason, remedy)]
