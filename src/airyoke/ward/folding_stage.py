"""Where a group stands: found by its name, refused at the wrong time, asked what only people know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from airyoke.quantities import Finding, Refused, did_you_mean
from airyoke.ward.entries import Entry
from airyoke.ward.folding_tools import refuse, with_key
from airyoke.ward.group_standing import GroupStanding, Stage
from airyoke.ward.state import WardState

Content = Mapping[str, Any]

STAGE_WORDS: Final[dict[Stage, tuple[str, str]]] = {
    "rehearse": ("not rehearsed yet", "rehearse it, or skip that with a reason"),
    "gate": ("at its gate", "tick the gate, then start"),
    "coupling": ("being coupled", "finish its steps, or abandon"),
    "running": ("running", "read a round, act, or begin the exit"),
    "abandoning": ("being given up", "finish those steps"),
    "abandoned": ("given up", "take off who is still on it, and prepare another group once it is explained"),
    "leaving": ("on its way off", "finish those steps"),
    "dissolved": ("dissolved by its rehearsal", "plan again"),
    "ended": ("ended", "prepare another group"),
}
"""What a group is in words, and what comes next."""


def time_of(content: Content, entry: Entry) -> str:
    """When it was done: as somebody said, else when it was written down."""
    return content.get("at") or entry.local


def standing_of(state: WardState, name: str, *stages: Stage) -> GroupStanding:
    """That group. Refused where there is none, or it is not in one of these stages."""
    standing = state.standings.get(name)
    if standing is None:
        near = did_you_mean(name, state.standings)
        refuse("group-unknown", f"there is no group {name}", f"did you mean {near}?" if near else "prepare it first")
    if stages and standing.stage not in stages:
        what, remedy = STAGE_WORDS[standing.stage]
        refuse("group-stage", f"group {name} is {what}", remedy)
    return standing


def with_standing(state: WardState, name: str, standing: GroupStanding) -> WardState:
    """The state in which that group stands so."""
    return replace(state, standings=with_key(state.standings, name, standing))


def ask(content: Content, finding_id: str, reason: str, remedy: str) -> None:
    """Ask, unless somebody has answered it and said why: both are kept in the entry."""
    if finding_id in (content.get("confirmed") or ()) and content.get("reason"):
        return
    raise Refused((Finding(finding_id, "ask", reason, f"{remedy}; if it is so, confirm {finding_id} with a reason"),))
