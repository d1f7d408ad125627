"""Which step of the fold each entry of the bedside takes, and the lists that a site edits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from airyoke.ward.entries import Entry
from airyoke.ward.folding_gate import gate_item, gate_ticked, group_prepared, rehearsed
from airyoke.ward.folding_rounds import acted, baseline_read, round_read
from airyoke.ward.folding_stage import Content
from airyoke.ward.folding_steps import (
    coupling_abandoned,
    coupling_begun,
    exit_begun,
    roles_changed,
    step_done,
    step_undone,
)
from airyoke.ward.folding_tools import refuse, with_key, without_key
from airyoke.ward.state import WardState
from airyoke.watch.sequences import edited_forms


def sequence_edited(state: WardState, content: Content, entry: Entry) -> WardState:
    name, steps = content["sequence"], content.get("steps")
    if name not in ("gate", "start", "abandon", "exit"):
        refuse("sequence-unknown", f"there is no sequence {name}", "one of gate, start, abandon, exit")
    if steps is None:
        return replace(state, sequences=without_key(state.sequences, name))
    if name != "gate":
        edited_forms(name, steps)
    elif {gate_item(one).proof for one in steps} < {"rehearsal", "build", "plan"}:
        refuse("gate-form", "a gate has a line for the rehearsal, the build and the plan", "see the default")
    return replace(state, sequences=with_key(state.sequences, name, tuple(steps)))


BEDSIDE_STEPS: Final[dict[str, Callable[[WardState, Content, Entry], WardState]]] = {
    "group_prepared": group_prepared,
    "rehearsed": rehearsed,
    "gate_ticked": gate_ticked,
    "coupling_begun": coupling_begun,
    "roles_changed": roles_changed,
    "step_done": step_done,
    "step_undone": step_undone,
    "coupling_abandoned": coupling_abandoned,
    "exit_begun": exit_begun,
    "baseline_read": baseline_read,
    "round_read": round_read,
    "acted": acted,
    "sequence_edited": sequence_edited,
}
