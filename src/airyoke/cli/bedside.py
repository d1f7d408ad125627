"""`airyoke record rehearse, tick, start, step, …`: a group from the plan to the bedside and off again."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from airyoke.cli.record import answer
from airyoke.cli.record_people import writer
from airyoke.cli.wards import ward_refused
from airyoke.contract.record_answer import EntryAnswer
from airyoke.exchange.ward_rows import ward_of_rows
from airyoke.quantities import Finding, Refused, did_you_mean
from airyoke.record.faults import told
from airyoke.record.record import Record
from airyoke.ward.bedside import abandon_steps, exit_steps, forms, gate_objects, start_steps
from airyoke.ward.due import apnoea_of
from airyoke.ward.entries import Draft, Entry
from airyoke.ward.folding_gate import gate_open
from airyoke.ward.folding_stage import STAGE_WORDS, standing_of
from airyoke.ward.group_standing import GroupStanding
from airyoke.ward.round_words import predicted_of, typed_round
from airyoke.ward.rows import ward_rows
from airyoke.ward.state import WardState
from airyoke.ward.ward import Ward
from airyoke.watch.rounds import Item
from airyoke.watch.sequences import SEQUENCES, step_object
from airyoke.watch.start import StopRules, stop_rules


@dataclass(frozen=True, slots=True)
class Writing:
    """Where a command writes, and as whom."""

    record: str
    site: str | None
    person: str | None
    password_file: Path | None
    as_json: bool

    def write(self, did: str, drafts: Callable[[Record, WardState, str], Sequence[Draft]],
              words: Callable[[Record, WardState], Iterable[str]]) -> int:  # fmt: skip
        """Write what ``drafts`` makes of the ward as it stands, and print ``words`` of the ward after it."""
        with Record.open(self.record, site=self.site) as record:
            who = writer(record, self.person, self.password_file)
            state = record.state()
            made = drafts(record, state, who)
            written = record.write(made, person=who, seen=state.sequence) if made else ()
            lines = list(words(record, record.state()))
            return answer(did, lines, record, as_json=self.as_json, written=len(written),
                          entries=[EntryAnswer.of(one) for one in written])  # fmt: skip


def only(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content without what was not given."""
    return {name: value for name, value in content.items() if value is not None and value != []}


def pairs(given: Sequence[str], option: str) -> dict[str, str]:
    """NAME=VALUE, several times."""
    found = {}
    for one in given:
        name, named, value = one.partition("=")
        if not named or not name or not value:
            raise _refused("option-form", f"{option} {one!r}", f"give it as {option} NAME=VALUE")
        found[name] = value
    return found


def _refused(finding_id: str, reason: str, remedy: str) -> Refused:
    return Refused((Finding(finding_id, "refused", reason, remedy),))


def build_command(writing: Writing, label: str, patients: int | None, passed: bool | None, expires: str | None, *,
                  opened: bool, reason: str | None) -> int:  # fmt: skip
    """A circuit of the record."""
    drafts = []
    if patients is not None:
        drafts.append(Draft("build_made", {"build": label, "patients": patients}))
    if passed is not None:
        drafts.append(Draft("build_tested", only({"build": label, "passed": passed, "expires_at": expires})))
    if opened:
        drafts.append(Draft("build_opened", only({"build": label, "reason": reason})))
    if not drafts:
        raise ward_refused("nothing is said of the build", "--patients N, --passed, --failed, or --opened")

    def words(record: Record, state: WardState) -> Iterable[str]:
        one = state.builds[label]
        test = {True: "passed its bench check", False: "did NOT pass its bench check", None: "has no bench check"}
        yield f"Build {label}, for {one.patients}: {test[one.passed]}" + (", opened since." if one.opened else ".")

    return writing.write("build", lambda _r, _s, _w: drafts, words)


def ward_at(record: Record, state: WardState, now: datetime) -> Ward:
    """The ward as the rest of the program computes with it."""
    return ward_of_rows(ward_rows(state), file=record.site, now=now)


def _planned(record: Record, state: WardState, group: str, plan: str | None) -> tuple[str, Mapping[str, Any]]:
    """The group as the plan has it, and which plan."""
    names = [plan] if plan is not None else list(state.plans)[::-1]
    for name in names:
        if name not in state.plans:
            raise _refused("plan-unknown", f"there is no plan {name}", "airyoke plan --record … --keep")
        if state.plans[name].standing == "superseded":
            continue
        made = state.plans[name].made
        (entry,) = record.entries(made, made)
        for one in entry.content["groups"]:
            if one.get("id") == group and len(one["beds"]) > 1 and one.get("settings"):
                return name, one
    reason = f"no plan that holds has a shared group {group}"
    raise _refused("group-not-planned", reason, "airyoke plan --record … --keep")


def _prepare(record: Record, state: WardState, group: str, plan: str | None) -> Draft:
    name, planned = _planned(record, state, group, plan)
    content = {"group": group, "ventilator": planned["ventilator"], "beds": planned["beds"], "plan": name,
               "settings": only(planned["settings"]), "gate": gate_objects(state)}  # fmt: skip
    return Draft("group_prepared", content)


def _parts(record: Record, state: WardState, standing: GroupStanding) -> dict[str, int] | None:
    """The parts of the planned circuit."""
    if standing.plan is None:
        return None
    made = state.plans[standing.plan].made
    (entry,) = record.entries(made, made)
    for one in entry.content["groups"]:
        if one["ventilator"] == standing.ventilator and set(one["beds"]) == set(standing.beds):
            return {line["part"]: line["count"] for line in one.get("circuit", {}).get("parts", ())} or None
    return None


def typed_beds(read: Sequence[str], items: Sequence[Item], beds: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Each bed with its values, as typed."""
    found: dict[str, dict[str, Any]] = {}
    for one in read:
        bed, _, values = one.strip().partition(" ")
        if bed not in beds:
            near = did_you_mean(bed, beds)
            raise _refused("bed-unknown", f"{bed} is not a bed of this group", f"did you mean {near}?" if near else
                           f"its beds are {', '.join(beds)}")  # fmt: skip
        found[bed] = typed_round(values, items)
    return found


def rehearse_command(writing: Writing, group: str, read: Sequence[str], skip: str | None, plan: str | None, *,
                     draws: int, seed: int) -> int:  # fmt: skip
    """Prepare; then what the readings say."""
    from airyoke.cli.bedside_rehearsal import alone_words, readings_of, rehearsal_draft

    with Record.open(writing.record, site=writing.site) as record:
        who = writer(record, writing.person, writing.password_file)
        written: list[Entry] = []
        state = record.state()
        if group not in state.standings:
            written += record.write([_prepare(record, state, group, plan)], person=who, seen=state.sequence)
            state = record.state()
        standing = standing_of(state, group, "rehearse", "gate")
        if read:
            drafts = readings_of(record, state, standing, read)
            written += record.write(drafts, person=who, seen=state.sequence)
            state = record.state()
        words = alone_words(standing)
        if read or skip is not None:
            before = ward_at(record, record.state_at(standing.since), record.clock().local)
            draft = rehearsal_draft(before, state, group, _parts(record, state, standing), skip, draws, seed)
            written += record.write([draft], person=who, seen=state.sequence)
            verdict = draft.content["verdict"]
            words = [f"Group {group}: {verdict}. {draft.content['reason']}"]
            if record.state().standings[group].over:
                words.append("It is not coupled. Its beds are free for another plan.")
            else:
                words += gate_words(record.state(), group, record.clock().local_text)
        return answer("rehearse", words, record, as_json=writing.as_json, written=len(written),
                      entries=[EntryAnswer.of(one) for one in written])  # fmt: skip


def gate_words(state: WardState, group: str, at: str) -> list[str]:
    """The gate of a group: what holds, and what does not."""
    standing = standing_of(state, group)
    open_lines = {item.id: why for item, why in gate_open(state, group, at)}
    words = []
    for item in standing.gate_items:
        tick = standing.gate.get(item.id)
        by = "" if tick is None else f" ({' and '.join(tick.by)})"
        mark = f"open, {open_lines[item.id]}" if item.id in open_lines else f"holds{by}"
        words.append(f"{item.id}: {item.text}: {mark}")
    left = len(open_lines)
    words.append(f"{left} lines are open." if left else "The gate holds: airyoke record start")
    return words


def tick_command(writing: Writing, group: str, items: Sequence[str], by: Sequence[str], build: str | None, *,
                 holds: bool, at: str | None) -> int:  # fmt: skip
    """Lines of the gate. Who accepts the last resort accepts the plan with it."""
    if not items:
        with Record.open(writing.record, site=writing.site, read_only=True) as record:
            words = gate_words(record.state(), group, record.clock().local_text)
            return answer("tick", words, record, as_json=writing.as_json)

    def drafts(record: Record, state: WardState, who: str) -> Sequence[Draft]:
        standing = standing_of(state, group)
        made = []
        for name in items:
            item = next((one for one in standing.gate_items if one.id == name), None)
            proof = "" if item is None else item.proof
            plan = standing.plan
            if proof == "plan" and holds and plan is not None and state.plans[plan].standing == "made":
                made.append(Draft("plan_accepted", {"plan": plan, "accepted_by": list(by) or [who]}))
            named = build if proof == "build" else None
            made.append(Draft("gate_ticked", only({
                "group": group, "item": name, "passed": holds, "by": list(by), "build": named, "at": at,
            })))  # fmt: skip
        return made

    return writing.write("tick", drafts, lambda record, state: gate_words(state, group, record.clock().local_text))


def start_command(writing: Writing, group: str, roles: Sequence[str], confirm: Sequence[str], reason: str | None,
                  at: str | None) -> int:  # fmt: skip
    """The change-over begins."""

    def drafts(record: Record, state: WardState, who: str) -> Sequence[Draft]:
        steps = start_steps(state, standing_of(state, group))
        return [Draft("coupling_begun", only({
            "group": group, "roles": pairs(roles, "--role"), "steps": steps, "confirmed": list(confirm),
            "reason": reason, "at": at,
        }))]  # fmt: skip

    def words(record: Record, state: WardState) -> Iterable[str]:
        standing = state.standings[group]
        yield from way_words(record, state, group)
        shown = predicted_of(standing).get("", {}).get("displayed_tidal_volume_ml")
        if shown is not None:
            yield "Stop and give up (airyoke record abandon) at: " + "; ".join(
                one.text.format(low=_number(one.low), high=_number(one.high))
                for one in stop_rules(float(shown[0]), StopRules())
            )

    return writing.write("start", drafts, words)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.0f}"


def way_words(record: Record, state: WardState, group: str) -> Iterable[str]:
    """Where a group is now: the step that comes next, and the clock of a clamped tube."""
    standing = state.standings[group]
    way = standing.way
    if way is None or way.next is None:
        what, remedy = STAGE_WORDS[standing.stage]
        yield f"Group {group} is {what}. Next: {remedy}."
        return
    if (clock := apnoea_of(standing, record.clock().local)) is not None:
        bed, passed = clock
        word = "STOP: bag" if passed.stop else f"{passed.left_s:.0f} s left before the stop"
        yield f"TUBE CLAMPED at bed {bed} for {passed.seconds:.0f} s: {word}."
    number = 1 + sum(one.done is not None for one in way.steps)
    step = way.next
    yield f"Step {number} of {len(way.steps)}, {step.at}, {step.who} ({way.roles[step.who]}): {step.do}"
    if step.read:
        yield f"Then: {step.read}"
    if step.clamps is not None:
        yield f"Count the clamps afterwards (--clamps): {step.clamps} are to be on."


def step_command(writing: Writing, group: str, clamps: int | None, undo: str | None, confirm: Sequence[str],
                 reason: str | None, at: str | None) -> int:  # fmt: skip
    """One step on, or one back."""

    def drafts(record: Record, state: WardState, who: str) -> Sequence[Draft]:
        standing = standing_of(state, group, "coupling", "abandoning", "leaving")
        assert standing.way is not None, "these stages have one"
        step = standing.way.next if undo is None else standing.way.last
        if step is None:
            raise _refused("step-order", "no step is done yet", "there is nothing to take back")
        if undo is not None:
            return [Draft("step_undone", only({"group": group, "step": step.id, "reason": undo, "at": at}))]
        return [Draft("step_done", only({
            "group": group, "step": step.id, "clamps": clamps, "confirmed": list(confirm), "reason": reason, "at": at,
        }))]  # fmt: skip

    return writing.write("step", drafts, lambda record, state: way_words(record, state, group))


def abandon_command(writing: Writing, group: str, reason: str, at: str | None) -> int:
    """Give up."""

    def drafts(record: Record, state: WardState, who: str) -> Sequence[Draft]:
        steps = abandon_steps(state, standing_of(state, group))
        return [Draft("coupling_abandoned", only({"group": group, "reason": reason, "steps": steps, "at": at}))]

    return writing.write("abandon", drafts, lambda record, state: way_words(record, state, group))


def exit_command(writing: Writing, group: str, off: Sequence[str], roles: Sequence[str], to: Sequence[str],
                 reason: str, at: str | None) -> int:  # fmt: skip
    """Take off."""

    def drafts(record: Record, state: WardState, who: str) -> Sequence[Draft]:
        standing = standing_of(state, group, "running", "abandoned")
        unknown = [bed for bed in off if bed not in standing.beds]
        if unknown:
            raise _refused("bed-not-in-group", f"bed {unknown[0]} is not in group {group}",
                           f"its beds are {', '.join(standing.beds)}")  # fmt: skip
        return [Draft("exit_begun", only({
            "group": group, "off": list(off), "roles": pairs(roles, "--role"), "reason": reason, "at": at,
            "steps": exit_steps(state, standing, off), "to": pairs(to, "--to"),
        }))]  # fmt: skip

    return writing.write("exit", drafts, lambda record, state: way_words(record, state, group))


def sequence_command(writing: Writing, name: str, file: Path | None, reason: str | None, *, show: bool) -> int:
    """The site's own list."""
    if show:
        with Record.open(writing.record, site=writing.site, read_only=True) as record:
            state = record.state()
            found = next((one for one in SEQUENCES if one == name), None)
            if found is None and name != "gate":
                raise _refused("sequence-unknown", f"there is no sequence {name}", "one of gate, start, abandon, exit")
            held = gate_objects(state) if found is None else [step_object(one) for one in forms(state, found)]
            print(json.dumps(held, indent=1, ensure_ascii=False))
            return 0
    steps = None
    if file is not None:
        with told(file.name):
            text = file.read_text("utf-8", errors="replace")
        try:
            steps = json.loads(text)
        except ValueError:
            raise _refused("sequence-form", f"{file.name} is no JSON", "see --show for its form") from None
    content = only({"sequence": name, "steps": steps, "reason": reason})


    def words(record: Record, state: WardState) -> Iterable[str]:
        yield f"{name}: {'the own one of this site' if name in state.sequences else 'as usual'}."

    return writing.write("sequence", lambda _r, _s, _w: [Draft("sequence_edited", content)], words)
