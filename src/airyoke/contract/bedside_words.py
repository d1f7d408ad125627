"""One line for what was written at the bedside: for a list of entries, a shift report, a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def bedside_words(kind: str, content: Mapping[str, Any]) -> str | None:
    """What an entry of the bedside says, in one line; ``None`` for another kind."""
    group = content.get("group")
    at = f" at bed {content['bed']}" if content.get("bed") else ""
    match kind:
        case "group_prepared":
            return f"group {group} prepared: {' and '.join(content['beds'])} on {content['ventilator']}"
        case "rehearsed":
            return f"group {group}: rehearsal {content['verdict']}. {content['reason']}"
        case "gate_ticked":
            held = "holds" if content["passed"] else "does NOT hold"
            by = f" ({' and '.join(content['by'])})" if content.get("by") else ""
            return f"gate of {group}: {content['item']} {held}{by}"
        case "coupling_begun":
            return f"change-over of group {group} begun; reader {content['roles']['reader']}"
        case "roles_changed":
            return f"roles of group {group} changed ({content['reason']})"
        case "step_done":
            counted = f", {content['clamps']} clamps counted" if "clamps" in content else ""
            asked = f"; asked and answered: {content['reason']}" if content.get("confirmed") else ""
            return f"group {group}: step {content['step']} done{counted}{asked}"
        case "step_undone":
            return f"group {group}: step {content['step']} taken back ({content['reason']})"
        case "coupling_abandoned":
            return f"change-over of group {group} GIVEN UP ({content['reason']})"
        case "exit_begun":
            return f"group {group}: {' and '.join(content['off'])} come off ({content['reason']})"
        case "baseline_read":
            return f"baseline of group {group} read"
        case "round_read":
            return f"round of group {group}: {', '.join(f'bed {bed}' for bed in content.get('patients') or ())}".rstrip(
                ": "
            )
        case "acted":
            return f"group {group}: {content['what']}{at}"
        case "sequence_edited":
            what = "edited" if content.get("steps") else "as usual again"
            return f"{content['sequence']} {what} ({content['reason']})"
        case "build_opened":
            return f"build {content['build']} opened ({content['reason']})"
        case _:
            return None
