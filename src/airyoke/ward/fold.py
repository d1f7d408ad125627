"""From entries to the state of a ward, one entry at a time; corrections and undos count as if written right at once.

A correction replaces the content of the entry it names, an undo takes the entry it names out, and an undo of an undo
puts it back: then the entries after it are folded again from a state kept before it. What would make a later entry
contradict the ward is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, NoReturn

from airyoke.quantities import Finding, Refused
from airyoke.ward.entries import Entry
from airyoke.ward.folding import after
from airyoke.ward.kinds import KINDS, content_findings
from airyoke.ward.state import WardState

_KEEP_EVERY: Final = 256
_EMPTY: Final = WardState()
REVISIONS: Final = ("correction", "undo")
# Who may do what, and what an import was, is never changed backwards: a new entry says what holds from now on.
_NEVER_REVISED: Final = ("import", "person", "site")


@dataclass(frozen=True, slots=True)
class _Revision:
    """A correction or undo at ``sequence`` that names the entry at ``target``."""

    sequence: int
    kind: str
    target: int
    content: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Source:
    """Where entries that were folded before are found again: one by its id, or all from a sequence on."""

    by_id: Callable[[str], Entry | None]
    from_sequence: Callable[[int], Iterable[Entry]]


@dataclass(frozen=True, slots=True)
class Fold:
    """The state, and what is needed to go on: revisions so far, and earlier states to fold again from."""

    state: WardState = _EMPTY
    revisions: tuple[_Revision, ...] = ()
    kept: tuple[WardState, ...] = (_EMPTY,)

    def with_entries(self, entries: Iterable[Entry], source: Source) -> Fold:
        """The fold after these further entries. Raises :class:`airyoke.quantities.Refused` at a contradiction."""
        fold = self
        for entry in entries:
            fold = fold._with_entry(entry, source)
        return fold

    def counted(self, entries: Iterable[Entry]) -> Iterator[tuple[Entry, Mapping[str, Any]]]:
        """Of these entries those that count, each with the content that stands: corrected, and without the undone."""
        standing = _standing(self.revisions)
        for entry in entries:
            if standing.counts(entry.sequence) and entry.kind not in REVISIONS:
                yield entry, standing.replaced.get(entry.sequence, entry.content)

    def _with_entry(self, entry: Entry, source: Source) -> Fold:
        known = KINDS.get(entry.kind)
        if known is None or entry.version > known.version:
            _refuse("entry-newer", f"entry {entry.sequence} ({entry.kind}) was written by a newer program",
                    "update this one: it would show a ward that is not so")  # fmt: skip
        if entry.sequence != self.state.sequence + 1:
            _refuse("entry-gap", f"entry {entry.sequence} does not follow {self.state.sequence}", "verify the record")
        if entry.kind in REVISIONS:
            return self._revised(entry, source)
        return self._kept_after(after(self.state, entry, entry.content))

    def _kept_after(self, state: WardState) -> Fold:
        kept = (*self.kept, state) if state.sequence % _KEEP_EVERY == 0 else self.kept
        return Fold(state, self.revisions, kept)

    def _revised(self, entry: Entry, source: Source) -> Fold:
        revision = _revision(entry, source)
        revisions = (*self.revisions, revision)
        counts = _standing(revisions)
        if entry.kind == "undo" and not _standing(self.revisions).counts(revision.target):
            _refuse("undo-twice", "that entry is undone already", "undo the undo to bring it back")
        root = _root(revisions, revision)
        start = next(state for state in reversed(self.kept) if state.sequence < root)
        kept = tuple(state for state in self.kept if state.sequence < root)
        state = start
        for old in source.from_sequence(start.sequence + 1):
            if old.sequence >= entry.sequence:
                break
            state = _again(state, old, counts)
            if old.sequence % _KEEP_EVERY == 0:
                kept = (*kept, state)
        return Fold(state, revisions, kept)._kept_after(replace(state, sequence=entry.sequence))


@dataclass(frozen=True, slots=True)
class _Standing:
    """Which entries do not count, and whose content is replaced by what."""

    undone: frozenset[int]
    replaced: Mapping[int, Mapping[str, Any]]

    def counts(self, sequence: int) -> bool:
        return sequence not in self.undone


def _standing(revisions: tuple[_Revision, ...]) -> _Standing:
    """From the last revision back: one that is itself undone has no say; of two corrections the later one stands."""
    undone: set[int] = set()
    replaced: dict[int, Mapping[str, Any]] = {}
    for revision in reversed(revisions):
        if revision.sequence in undone:
            continue
        if revision.kind == "undo":
            undone.add(revision.target)
        else:
            replaced.setdefault(revision.target, revision.content)
    return _Standing(frozenset(undone), replaced)


def _root(revisions: tuple[_Revision, ...], revision: _Revision) -> int:
    """The earliest entry whose meaning this revision changes."""
    by_sequence = {one.sequence: one for one in revisions}
    target = revision.target
    while target in by_sequence:
        target = by_sequence[target].target
    return target


def _revision(entry: Entry, source: Source) -> _Revision:
    named = entry.content["corrects" if entry.kind == "correction" else "undoes"]
    target = source.by_id(named)
    if target is None or target.sequence >= entry.sequence or target.stream != entry.stream:
        _refuse("entry-unknown", f"there is no entry {named}", "name one that was written before")
    if target.kind in _NEVER_REVISED:
        _refuse("entry-not-revised", f"an entry of kind {target.kind} is not changed backwards", "write a new one")
    if entry.kind == "undo":
        return _Revision(entry.sequence, "undo", target.sequence, {})
    if target.kind in REVISIONS:
        remedy = "correct the entry that it names, or undo it"
        _refuse("entry-not-corrected", f"a {target.kind} is not corrected", remedy)
    content = entry.content["content"]
    wrong = content_findings(target.kind, content)
    if wrong:
        raise Refused(wrong)
    return _Revision(entry.sequence, "correction", target.sequence, content)


def _again(state: WardState, entry: Entry, standing: _Standing) -> WardState:
    if entry.kind in REVISIONS or not standing.counts(entry.sequence):
        return replace(state, sequence=entry.sequence)
    try:
        return after(state, entry, standing.replaced.get(entry.sequence, entry.content))
    except Refused as refusal:
        first = refusal.findings[0]
        reason = f"entry {entry.sequence} ({entry.kind}), written later, stands on it: {first.reason}"
        raise Refused((replace(first, id="later-entry", reason=reason, remedy="undo that one first"),)) from None


def effective(entries: Iterable[Entry], revisions: tuple[_Revision, ...]) -> Iterator[Entry]:
    """The entries that count, with the content that counts: what a screen lists as what happened."""
    standing = _standing(revisions)
    for entry in entries:
        if entry.kind not in REVISIONS and standing.counts(entry.sequence):
            content = standing.replaced.get(entry.sequence)
            yield entry if content is None else replace(entry, content=content)


def _refuse(finding_id: str, reason: str, remedy: str) -> NoReturn:
    raise Refused((Finding(finding_id, "refused", reason, remedy),))
