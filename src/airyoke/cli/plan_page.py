"""The page of a plan: groups first, then who has no place, then what the plan rests on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from airyoke.cli.findings_page import findings_part
from airyoke.cli.group_page import brief_table, ventilator_part
from airyoke.cli.lanes import figure_words, lane
from airyoke.cli.notes import assumed_part, cautions_part
from airyoke.cli.page import Column, Page, short
from airyoke.cli.plan_proof import pick_list_part, proof_part, refused_pairs_part, runner_up_part
from airyoke.cli.times import dated_readings_words, readings_words
from airyoke.contract.dials import dial_list
from airyoke.contract.standing import binding_words, verdict_words
from airyoke.contract.words import key_words, name_words, plain
from airyoke.limits.answer import Figure
from airyoke.plan.plan import Plan, PlannedGroup, Rehearsal, Unplaced
from airyoke.plan.room_left import RoomLeft
from airyoke.ward.ward import Ward


@dataclass(frozen=True, slots=True)
class PlanView:
    """A plan with the ward it was made for: times of readings and where everybody is now."""

    ward: Ward
    plan: Plan

    def read_at(self, beds: tuple[str, ...]) -> list[datetime | None]:
        """When each of these beds was read."""
        return [None if bed.readings is None else bed.readings.read_at for bed in self.ward.beds if bed.label in beds]

    def ventilator_of(self, label: str) -> str | None:
        """The ventilator that a bed is on now."""
        return next((bed.ventilator for bed in self.ward.beds if bed.label == label), None)


def plan_page(page: Page, view: PlanView, *, brief: bool, all_pairs: bool) -> None:
    """The whole plan, or the brief one."""
    plan = view.plan
    shared = [group for group in plan.groups if group.status == "judged"]
    alone = [group for group in plan.groups if group.status != "judged"]
    page.title(f"Plan for {view.ward.file or 'the ward'}")
    _summary(page, view, shared, alone)
    if brief:
        _brief(page, view)
        return
    for group in shared:
        _group(page, view, group)
    if shared:
        page.heading("On every shared ventilator, besides the dials")
        for line in dict.fromkeys(line for group in shared for line in group.switches):
            page.item(line)
    if alone:
        _alone(page, view, alone)
    if plan.unplaced:
        _without_a_place(page, plan.unplaced)
    refused_pairs_part(page, plan, view.ward.policy, everything=all_pairs)
    pick_list_part(page, plan)
    proof_part(page, plan)
    runner_up_part(page, plan)
    findings_part(page, plan.findings)
    assumed_part(page, plan.assumed)
    cautions_part(page, plan.cautions, _readings(view))


def _readings(view: PlanView) -> str:
    times = [bed.readings.read_at for bed in view.ward.beds if bed.readings is not None]
    return f"Every figure stands on {dated_readings_words(times)}; read again before coupling."


def _summary(page: Page, view: PlanView, shared: list[PlannedGroup], alone: list[PlannedGroup]) -> None:
    plan = view.plan
    placed = sum(len(group.beds) for group in plan.groups)
    total = placed + len(plan.unplaced)
    unjudged = sum(group.status == "not_judged" for group in alone)
    text = f"{placed} of {total} beds have a ventilator: {_count(len(shared), 'ventilator')} shared, "
    text += f"{_count(len(alone) - unjudged, 'bed')} alone"
    text += f", {unjudged} as they are and not judged." if unjudged else "."
    if plan.unplaced:
        text += f" Without one: {_and([one.bed for one in plan.unplaced])}."
    reserve = _and(list(plan.reserve)) if plan.reserve else "none"
    text += f" Held in reserve: {reserve}."
    page.text(text, style="strong")
    if plan.outcome_reason and plan.outcome != "some_left":
        page.text(f"{plan.outcome_reason[0].upper()}{plan.outcome_reason[1:]}.")
    page.text(_readings(view))
    draws = sorted({plan.draws, *(group.answer.draws for group in plan.groups if group.answer is not None)})
    counts = " to ".join(str(one) for one in (draws[0], draws[-1])[: len(draws)])
    page.text(f"Judged by the engine: {counts} draws, seed {plan.seed}; ranges are 5-95 %.")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _group(page: Page, view: PlanView, group: PlannedGroup) -> None:
    page.part(f"{group.id} · ventilator {group.ventilator} · beds {_and(list(group.beds))}")
    policy = view.ward.policy
    answer = group.answer
    if answer is None:
        page.text("Not judged: there is nothing to judge it by.", 2)
        return
    page.text(verdict_words(answer, policy, readings_words(view.read_at(group.beds))), 2)
    binding = binding_words(answer, "bed ")
    if binding is not None:
        page.text(f"Binding limit: {binding}.", 2)
    page.text(_moves(view, group), 2)
    if group.needs:
        page.blank()
        page.text("Needs a decision first", 2, style="strong")
        for need in group.needs:
            page.item(need.text, 4)
    _dials(page, view, group)
    _alarms(page, group)
    for patient in answer.patients:
        lane(page, answer, patient, f"bed {patient.label}", policy)
    ventilator_part(page, answer)
    _room_left(page, group)
    if group.rehearsal is not None:
        _rehearsal(page, group.rehearsal, group.beds)


_ROOM_NAMES = {"compliance_ml_per_cmh2o": "compliance, mL/cmH2O", "airway_resistance": "resistance in, cmH2O·s/L"}


def _room_left(page: Page, group: PlannedGroup) -> None:
    """How far one patient's lungs may change, the rest unchanged, before somebody is outside a target."""
    if not group.room_left:
        return
    page.blank()
    page.text("Room left: lungs of one patient changing, nothing else, until a target is left", 2, style="strong")
    rows = []
    for bed in group.beds:
        for quantity, name in _ROOM_NAMES.items():
            here = {r.direction: r for r in group.room_left if r.bed == bed and r.quantity == quantity}
            rows.append([f"bed {bed}", name, _room(here["down"]), f"{here['down'].now:.0f}", _room(here["up"])])
    page.table(
        [Column(""), Column(""), Column("down to", wrap=True), Column("now", right=True), Column("up to", wrap=True)],
        rows, 4,
    )  # fmt: skip


def _room(room: RoomLeft) -> str:
    if room.at is None or room.limit is None:
        return "no end seen"
    where = f"{room.at:.0f}" if abs(room.at - room.now) >= 1 else f"{room.at:.1f}"
    return f"{where}: {name_words(room.limit)}{'' if room.whose is None else f' of {room.whose}'} too {room.side}"


def _moves(view: PlanView, group: PlannedGroup) -> str:
    words = []
    for bed in group.beds:
        now = view.ventilator_of(bed)
        if now == group.ventilator:
            words.append(f"{bed} is on {now} already")
        else:
            words.append(f"{bed} comes from {now or 'a device outside the ward sheet'}")
    return f"{'; '.join(words)}. Circuit: {group.build}."


def _dials(page: Page, view: PlanView, group: PlannedGroup) -> None:
    machine = next((one for one in view.ward.ventilators if one.label == group.ventilator), None)
    now = tuple(group.present_settings.get(bed) for bed in group.beds)
    dials = dial_list(now, group.settings, machine)
    room = 12 if len(group.beds) <= 2 else 6
    page.blank()
    page.table(
        [
            Column("Dial"),
            *(Column(f"{short(bed, room)} now", right=True) for bed in group.beds),
            Column("→", right=True),
            Column(f"{short(group.ventilator)} new", right=True),
            Column("unit"),
        ],
        [[dial.name, *dial.now, "→" if any(one != dial.new for one in dial.now) else "=", dial.new, dial.unit]
         for dial in dials],
    )  # fmt: skip


def _alarms(page: Page, group: PlannedGroup) -> None:
    if not group.alarms:
        return
    page.blank()
    page.table(
        [
            Column("Alarm"),
            Column("low", right=True),
            Column("high", right=True),
            Column("unit"),
            Column("why", wrap=True),
        ],
        [
            [
                name_words(one.name),
                "-" if one.low is None else plain(one.low),
                "-" if one.high is None else plain(one.high),
                one.unit,
                one.why,
            ]
            for one in group.alarms
        ],
    )


def _rehearsal(page: Page, rehearsal: Rehearsal, beds: tuple[str, ...]) -> None:
    page.blank()
    page.text("Rehearsal before anybody is coupled", 2, style="strong")
    page.text(
        f"Each alone on its own ventilator at the new settings for {rehearsal.minutes} min. Read "
        f"{', '.join(key_words(one) for one in rehearsal.read)}. Expected:",
        4,
    )
    names = list(dict.fromkeys(one.quantity for one in rehearsal.expected))
    by_place = {(one.quantity, one.bed): one for one in rehearsal.expected}
    rows = []
    for name in names:
        cells = []
        for bed in beds:
            one = by_place.get((name, bed))
            cells.append("-" if one is None else figure_words(Figure(one.value, one.low, one.high), name))
        rows.append([name_words(name), *cells])
    page.table([Column(""), *(Column(short(bed)) for bed in beds)], rows, indent=4)
    page.text(f"Passes when: {rehearsal.passes[0].lower()}{rehearsal.passes[1:]}", 4)


def _keep(group: PlannedGroup) -> str:
    return f"{' and '.join(group.beds)} {'keeps' if len(group.beds) == 1 else 'keep'}"


def _alone(page: Page, view: PlanView, alone: list[PlannedGroup]) -> None:
    page.part("Alone, settings left as they are")
    judged = [(f"{one.id} {one.ventilator}", one.answer) for one in alone if one.answer is not None]
    brief_table(page, judged, view.ward.policy)
    for group in alone:
        bed = group.beds[0]
        if group.answer is None:
            page.item(f"{group.id}: {_keep(group)} {group.ventilator}; its readings cannot be judged")
        elif group.breaks:
            page.item(
                f"{bed} moves to {group.ventilator} from {view.ventilator_of(bed) or 'a device outside the ward sheet'}"
            )


def _without_a_place(page: Page, unplaced: tuple[Unplaced, ...]) -> None:
    page.part("Without a ventilator under this plan")
    for one in unplaced:
        page.text(f"bed {one.bed}", 2, style="strong")
        for note in one.why:
            page.item(note.text, 4)
        if one.would_change:
            page.text("would change it:", 4)
            for note in one.would_change:
                page.item(note.text, 6)
        page.blank()
    alternatives = list(dict.fromkeys(beds for one in unplaced for beds in one.alternatives))
    if alternatives:
        sets = "; ".join(" + ".join(beds) for beds in alternatives)
        page.text(f"Equal at the first two goals, and people choose: leave instead {sets}.", 2)


def _brief(page: Page, view: PlanView) -> None:
    page.blank()
    groups = [(f"{one.id} {one.ventilator}", one.answer) for one in view.plan.groups if one.answer is not None]
    brief_table(page, groups, view.ward.policy)
    page.blank()
    for group in view.plan.groups:
        if group.settings is not None:
            dials = ", ".join(
                f"{d.name} {d.new} {d.unit}".rstrip() for d in dial_list((), group.settings, None) if d.name != "I:E"
            )
            page.text(f"{group.id} {group.ventilator}: {dials}", 2, 4)
        for need in group.needs:
            page.text(f"{group.id} needs: {need.text}", 2, 4)
        if group.status == "not_judged":
            page.text(f"{group.id} {group.ventilator}: {_keep(group)} it, not judged", 2, 4)
    for one in view.plan.unplaced:
        page.text(f"no place: {one.bed}: {'; '.join(note.text.rstrip('.') for note in one.why)}", 2, 4)
    cautions_part(page, view.plan.cautions)


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
