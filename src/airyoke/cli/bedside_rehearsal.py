"""What is typed of a rehearsal, and what comes of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from airyoke.breath.settings import Settings
from airyoke.cli.bedside import typed_beds
from airyoke.record.record import Record
from airyoke.ward.entries import Draft
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.rehearsing import rehearsal_values, rehearse_in_ward, settings_values, skip_in_ward
from airyoke.ward.state import WardState
from airyoke.ward.ward import Ward
from airyoke.watch.rehearsal import ALSO_READ, MEASURED
from airyoke.watch.rounds import Item

FORM: Final = tuple(Item(name, "") for name in (*MEASURED, *ALSO_READ))
_DIALLED: Final = ("rate_per_min", "inspiratory_time_s", "pressure_above_peep_cmh2o", "peep_cmh2o", "fio2")


def alone_words(standing: GroupStanding) -> list[str]:
    """What to do before there is anything to judge."""
    settings = Settings(**standing.settings)
    return [
        f"Prepared: {' and '.join(standing.beds)}, each alone on its own ventilator for 20 to 30 min at: "
        f"pressure above PEEP {settings.pressure_above_peep_cmh2o or 0.0:g}, PEEP {settings.peep_cmh2o:g} cmH2O, rate "
        f"{settings.rate_per_min:g}/min, inspiratory time {settings.inspiratory_time_s:g} s, FiO2 {settings.fio2:.2f}.",
        f"Then read of each, in this order: {', '.join(item.key for item in FORM)} (- = not read).",
    ]


def readings_of(record: Record, state: WardState, standing: GroupStanding, read: Sequence[str]) -> list[Draft]:
    """Readings taken alone at the shared settings, as entries of each bed."""
    now = record.clock().local.isoformat(timespec="seconds")
    dialled = {name: standing.settings[name] for name in _DIALLED if name in standing.settings}
    drafts = []
    for bed, values in typed_beds(read, FORM, standing.beds).items():
        patient = state.beds[bed].patient
        content = {"bed": bed, "read_at": now, "values": {"mode": "pc", **dialled, **values}}
        if patient is not None and patient.code is not None:
            content["code"] = patient.code
        drafts.append(Draft("reading", content))
    return drafts


def rehearsal_draft(before: Ward, state: WardState, group: str, parts: Mapping[str, int] | None, skip: str | None,
                    draws: int, seed: int) -> Draft:  # fmt: skip
    """The entry that says what the rehearsal came to, or why there was none."""
    content: dict[str, Any] = {"group": group, "based_on": state.sequence}
    if skip is not None:
        found = skip_in_ward(before, state, group, parts, draws=draws, seed=seed)
        content |= {"verdict": "skipped", "reason": f"{skip}. {found.words}"}
    else:
        found = rehearse_in_ward(before, state, group, parts, draws=draws, seed=seed)
        content |= {"verdict": found.outcome, "reason": found.words}
    settings = settings_values(found.settings) if found.outcome == "retuned" else dict(state.standings[group].settings)
    return Draft("rehearsed", {**content, "settings": settings, "values": rehearsal_values(found, before.policy)})
