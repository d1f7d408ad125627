"""`airyoke plan WARD --after 'leaves C2'`: what runs, one thing that happened, and what now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from airyoke.cli.page import page_for_stdout, print_page
from airyoke.cli.progress import Progress, engine_notice
from airyoke.cli.replan_page import ReplanView, replan_page
from airyoke.cli.run import EXIT_DONE, EXIT_LEFT_OVER
from airyoke.cli.times import now_from
from airyoke.cli.wards import note_reading, open_to_read, ward_refused
from airyoke.contract.event_forms import events_from
from airyoke.contract.replan_answer import ReplanAnswer
from airyoke.contract.runs import runs_of_plan
from airyoke.exchange import read_ward
from airyoke.quantities import Finding, Refused
from airyoke.ward.events import Runs
from airyoke.ward.replanning import replan_ward
from airyoke.ward.running import running_in_record, running_in_rows
from airyoke.ward.ward import Ward


@dataclass(frozen=True, slots=True)
class AskedAfter:
    """The command line of a plan after an event. ``recounted``: the stock was counted since the circuits were built."""

    source: Path | None
    record: str | None
    site: str | None
    running: Path | None
    recounted: bool
    after: Sequence[str]
    now: str | None
    seed: int
    site_parts: Path | None


def replan_command(asked: AskedAfter, *, as_json: bool, brief: bool) -> int:
    """0 everybody has a place, 3 somebody has none or nobody shares; the answer is printed either way."""
    events = events_from(asked.after)
    ward, runs = _ward_and_runs(asked)
    progress = Progress()
    try:
        with engine_notice():
            found = replan_ward(ward, runs, events, seed=asked.seed, progress=progress)
    finally:
        progress.clear()
    if as_json:
        print(ReplanAnswer.of(found).json_text())
    else:
        page = page_for_stdout()
        replan_page(page, ReplanView(ward, found), brief=brief)
        print_page(page)
    return EXIT_DONE if found.plan.outcome == "all_placed" else EXIT_LEFT_OVER


def _ward_and_runs(asked: AskedAfter) -> tuple[Ward, Runs]:
    if (asked.source is None) == (asked.record is None):
        raise ward_refused("give a workbook or folder, or --record with a record", "one of the two, not both")
    now = now_from(asked.now)
    if asked.record is None:
        assert asked.source is not None
        ward = read_ward(asked.source, now=now)
        if asked.site_parts is not None:
            from airyoke.cli.plan import with_site_parts

            ward = with_site_parts(ward, asked.site_parts)
        return ward, running_in_rows(ward) if asked.running is None else _of_plan(asked, ward)
    if asked.running is not None:
        reason = "the record says what runs"
        raise Refused((Finding("running-twice", "refused", reason, "leave --running out", column="--running"),))
    return _from_record(asked)


def _of_plan(asked: AskedAfter, ward: Ward) -> Runs:
    from airyoke.circuit.parts import PARTS
    from airyoke.cli.plan_file import read_plan

    assert asked.running is not None
    plan = read_plan(asked.running, "--running")
    return runs_of_plan(plan, {**PARTS, **{part.name: part for part in ward.own_parts}}, counted=not asked.recounted)


def _from_record(asked: AskedAfter) -> tuple[Ward, Runs]:
    from airyoke.exchange.ward_rows import ward_of_rows
    from airyoke.ward.rows import ward_rows

    assert asked.record is not None
    with open_to_read(asked.record, asked.site) as record:
        state, head = record.state(), record.head()
        ward = ward_of_rows(ward_rows(state), file=f"{record.site} at {head.short}", now=now_from(asked.now))
        runs = running_in_record(state, record.entries(1, state.sequence))
        note_reading(record, "plan after an event")
    if asked.recounted:
        runs = replace(runs, groups=tuple(replace(group, counted=False) for group in runs.groups))
    return ward, runs
