"""Who may write what. A role is what somebody answers for; one person may have several."""

from __future__ import annotations

from typing import Final

from airyoke.quantities import Finding, Refused
from airyoke.ward.kinds import KINDS
from airyoke.ward.state import WardState

_PLANNER: Final = frozenset({
    "plan_accepted", "plan_superseded", "group_started", "group_changed", "group_ended", "group_prepared", "rehearsed",
    "coupling_begun", "exit_begun",
})  # fmt: skip
_KEEPER: Final = frozenset({"person", "site", "policy", "sequence_edited"})
_IMPORT: Final = frozenset({"import"})  # whoever may write any of its lines
_WRITER: Final = frozenset(
    kind.name for kind in KINDS.values() if kind.stream == "ward" and kind.name not in _PLANNER | _KEEPER
)  # fmt: skip

MAY_WRITE: Final[dict[str, frozenset[str]]] = {
    "reader": frozenset(),
    "writer": _WRITER,
    "planner": _WRITER | _PLANNER,
    "keeper": _KEEPER | _IMPORT,
}
"""Role -> kinds of entries. Everybody may read; corrections and undos are checked by the kind they change as well."""


def check_right(state: WardState, person: str, kind: str, changes: str | None = None) -> None:
    """Raise :class:`airyoke.quantities.Refused` unless ``person`` may write an entry of this kind now.

    ``changes`` is the kind of the entry that a correction or undo names: who may write it may change it. In an
    unlocked site everybody at the machine may write what a planner writes. In a record without people only its first
    keeper can be written.
    """
    needed = {kind if changes is None else changes}
    if not state.people:
        if needed <= {"person", "site"}:
            return
        raise _refused(person, "the record has no keeper yet", "run airyoke record people add NAME --role keeper")
    roles = state.people.get(person, ())
    allowed = frozenset[str]().union(*(MAY_WRITE[role] for role in roles))
    if state.site.get("unlocked"):
        allowed |= MAY_WRITE["planner"]
    if not needed <= allowed:
        who = " or ".join(role for role in MAY_WRITE if needed <= MAY_WRITE[role])
        has = ", ".join(roles) or "no role here"
        raise _refused(person, f"{person} ({has}) may not write {' or '.join(sorted(needed))}", f"ask a {who}")


def may_write(state: WardState, person: str, kind: str) -> bool:
    """Whether ``person`` may write an entry of this kind now."""
    try:
        check_right(state, person, kind)
    except Refused:
        return False
    return True


def _refused(person: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding("right-missing", "refused", reason, remedy, value=person),))
