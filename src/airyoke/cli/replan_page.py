"""The page after an event: what to dial at once, who comes off first, then the new plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from airyoke.cli.findings_page import findings_part
from airyoke.cli.group_page import brief_table, ventilator_part
from airyoke.cli.lanes import lane
from airyoke.cli.notes import cautions_part
from airyoke.cli.page import Column, Page, short
from airyoke.contract.dials import dial_list
from airyoke.contract.event_forms import event_words
from airyoke.contract.goals import GOALS, goal_words
from airyoke.contract.standing import binding_words, verdict_words
from airyoke.contract.times import dated_readings_words
from airyoke.contract.words import name_words, plain
from airyoke.limits.policy import Policy
from airyoke.plan.at_once import AtOnce, margin_of
from airyoke.plan.plan import Alarm
from airyoke.ward.replanning import Replan, ReplannedGroup, Touched
from airyoke.ward.ward import Ward
from airyoke.watch import EMERGENCIES, TimedStep


@dataclass(frozen=True, slots=True)
class ReplanView:
    """What is answered, with the ward as it was read."""

    ward: Ward
    replan: Replan

    @property
    def policy(self) -> Policy:
        """The rules of the site."""
        return self.ward.policy


def replan_page(page: Page, view: ReplanView, *, brief: bool) -> None:
    """The whole answer, or the brief one."""
    found, plan = view.replan, view.replan.plan
    page.title("After: " + "; ".join(event_words(event) for event in found.situation.events))
    _summary(page, view)
    for touched in found.touched:
        _touched(page, view, touched, brief=brief)
    _order(page, view)
    for group in plan.groups:
        if len(group.group.beds) > 1 and group.how in ("lanes_change", "new"):
            _group(page, view, group, brief=brief)
        elif group.how == "lanes_change":
            _left_alone(page, view, group)
    _rest(page, view)
    _proof(page, view)
    findings_part(page, found.findings)
    cautions_part(page, plan.cautions, _readings(view))


def _readings(view: ReplanView) -> str:
    times = [bed.readings.read_at for bed in view.ward.beds if bed.readings is not None]
    return f"Every figure stands on {dated_readings_words(times)}; read again before anything is opened."


def _summary(page: Page, view: ReplanView) -> None:
    plan = view.replan.plan
    shared = [one for one in plan.groups if len(one.group.beds) > 1]
    opened = f"{_count(len(plan.breaks), 'circuit')} opened" + (f": {_and(plan.breaks)}" if plan.breaks else "")
    text = f"New plan: {opened}. {_count(len(shared), 'ventilator')} shared"
    text += f"; comes off: {_and(plan.comes_off)}." if plan.comes_off else "; nobody comes off."
    if plan.left:
        text += f" Without a ventilator: {_and([one.bed for one in plan.left])}."
    text += f" Held in reserve: {_and(plan.reserve) if plan.reserve else 'none'}."
    page.text(text, style="strong")
    if plan.reserve_used:
        page.text("The reserve is used: without it somebody would have no ventilator.", style="strong")
    request = view.replan.situation.request
    page.text(
        f"Judged by the engine: {request.draws} draws, seed {request.seed}; ranges are 5-95 %. A circuit counts as "
        "opened for every patient put on a ventilator, taken off one, or moved to another machine or build; whoever "
        "stays on the same machine and build is not opened."
    )


def _touched(page: Page, view: ReplanView, one: Touched, *, brief: bool) -> None:
    group = one.at_once.group
    page.part(f"At once · ventilator {one.before.ventilator} · {_lanes(group.lanes)}")
    if one.failed:
        emergency = next(known for known in EMERGENCIES if known.id == "total-loss")
        named = {"beds": _and(group.beds), "ventilator": one.before.ventilator, "reserve": "the reserve ventilator",
                 "peep": _peep(one.at_once), "rate": _rate(one.at_once), "low": "", "high": ""}  # fmt: skip
        for line in emergency.lines:
            page.item(line.format(**named))
        page.text("What follows holds for the same circuit on another ventilator.", 2)
    _at_once(page, view, one.at_once, brief=brief)
    _steps(page, one.steps)


def _peep(one: AtOnce) -> str:
    return "as set" if one.settings is None else f"{one.settings.peep_cmh2o:g} cmH2O"


def _rate(one: AtOnce) -> str:
    return "20" if one.settings is None else f"{one.settings.rate_per_min:g}"


def _lanes(lanes: Sequence[str | None]) -> str:
    return ", ".join(f"{'ABCD'[k]} {'capped' if bed is None else f'bed {bed}'}" for k, bed in enumerate(lanes))


def _at_once(page: Page, view: ReplanView, one: AtOnce, *, brief: bool) -> None:
    """Settings now beside the best, alarm limits, what each gets."""
    answer = one.answer
    if answer is None:
        page.text("What is dialled or whose lungs these are is not known: nothing can be worked out. Watch each.", 2)
        return
    if one.as_it_runs is None:
        page.text("What is dialled now is not known. Dial the settings below.", 2, style="strong")
    elif one.dial == "as_it_runs":
        page.text("Leave the settings as they are; set the alarm limits.", 2, style="strong")
    else:
        page.text("Dial the new settings and the alarm limits in the same minute.", 2, style="strong")
    for word, side in (("As it runs", one.as_it_runs), ("Best settings", one.best)):
        if side is not None:
            inside = "inside every limit as surely as asked" if margin_of(side) >= 0.0 else "outside: see what binds"
            page.text(f"{word}: margin {margin_of(side):.2f}, {inside}.", 2)
    page.text(verdict_words(answer, view.policy, "readings as they are"), 2)
    binding = binding_words(answer, "bed ")
    if binding is not None:
        page.text(f"Binding limit: {binding}.", 2)
    machine = next(v for v in view.ward.ventilators if v.label == one.group.ventilator)
    now = None if one.as_it_runs is None else one.as_it_runs.settings
    best = None if one.best is None else one.best.settings
    dials = dial_list((now,), best if best is not None else now, machine)
    page.blank()
    page.table(
        [Column("Dial"), Column("now", right=True), Column("best", right=True), Column("unit")],
        [[dial.name, dial.now[0], dial.new if best is not None else "-", dial.unit] for dial in dials],
    )
    _alarms(page, one.alarms)
    if brief:
        page.blank()
        brief_table(page, [("", answer)], view.policy)
        return
    for patient in answer.patients:
        lane(page, answer, patient, f"bed {patient.label}", view.policy)
    ventilator_part(page, answer)


def _alarms(page: Page, alarms: Sequence[Alarm]) -> None:
    if not alarms:
        return
    page.blank()
    page.table(
        [Column("Alarm"), Column("low", right=True), Column("high", right=True), Column("unit"),
         Column("why", wrap=True)],
        [
            [name_words(one.name), "-" if one.low is None else plain(one.low),
             "-" if one.high is None else plain(one.high), one.unit, one.why]
            for one in alarms
        ],
    )  # fmt: skip


def _steps(page: Page, steps: Sequence[TimedStep]) -> None:
    if not steps:
        return
    page.blank()
    page.table(
        [Column("When"), Column("who"), Column("what", wrap=True), Column("read", wrap=True)],
        [[step.at, step.who, step.do, step.read] for step in steps],
    )


def _order(page: Page, view: ReplanView) -> None:
    plan = view.replan.plan
    if not plan.order:
        return
    page.part("Who comes off first: by fit in the group, never by worth")
    rows = []
    for place, one in enumerate(plan.order, start=1):
        for number, reason in enumerate(one.reasons or (None,)):
            first = number == 0
            rows.append([
                str(place) if first else "", short(one.bed) if first else "", one.ventilator if first else "",
                ("in this plan" if one.bed in plan.comes_off else "stays") if first else "",
                "nothing is known of it" if reason is None else reason.text, "" if reason is None else reason.source,
            ])  # fmt: skip
    page.table(
        [Column("", right=True), Column("bed"), Column("on"), Column("comes off"), Column("why", wrap=True),
         Column("source", wrap=True)],
        rows,
    )  # fmt: skip
    page.text(
        "The plan keeps to this order among plans that are equal in every earlier goal; where the first stays, an "
        "earlier goal would be worse.", 2,
    )  # fmt: skip


def _group(page: Page, view: ReplanView, one: ReplannedGroup, *, brief: bool) -> None:
    group = one.group
    kind = "new circuit" if one.how == "new" else _lanes(one.lanes)
    page.part(f"{group.id} · ventilator {group.ventilator} · beds {_and(group.beds)} · {kind}")
    page.text(_moves(view, one), 2)
    for need in group.needs:
        page.item(f"needs a decision first: {need.text}", 2)
    if one.at_once is not None:
        _at_once(page, view, one.at_once, brief=brief)
        _steps(page, one.steps)
        if one.joins:
            page.text("Whoever joins is rehearsed alone at these settings first, then put on as in a change-over.", 2)
        return
    answer = group.answer
    if answer is None:
        return
    page.text(verdict_words(answer, view.policy, "readings as they are"), 2)
    binding = binding_words(answer, "bed ")
    if binding is not None:
        page.text(f"Binding limit: {binding}.", 2)
    machine = next((v for v in view.ward.ventilators if v.label == group.ventilator), None)
    now = tuple(group.present_settings.get(bed) for bed in group.beds)
    page.blank()
    page.table(
        [Column("Dial"), *(Column(f"{short(bed)} read", right=True) for bed in group.beds),
         Column("new", right=True), Column("unit")],
        [[dial.name, *dial.now, dial.new, dial.unit] for dial in dial_list(now, group.settings, machine)],
    )  # fmt: skip
    _alarms(page, group.alarms)
    if brief:
        brief_table(page, [("", answer)], view.policy)
        return
    for patient in answer.patients:
        lane(page, answer, patient, f"bed {patient.label}", view.policy)
    ventilator_part(page, answer)
    if group.rehearsal is not None:
        passes = group.rehearsal.passes
        page.text(f"Rehearsal first, {group.rehearsal.minutes} min each. {passes}", 2)


def _moves(view: ReplanView, one: ReplannedGroup) -> str:
    on = {c.bed: c.ventilator for c in view.replan.situation.request.candidates}
    words = []
    for bed in one.group.beds:
        if bed not in one.group.breaks:
            words.append(f"{bed} stays and is not opened")
        else:
            words.append(f"{bed} comes from {on[bed] or 'no ventilator'}")
    return f"{'; '.join(words)}. Circuit: {one.group.build}."


def _left_alone(page: Page, view: ReplanView, one: ReplannedGroup) -> None:
    bed = one.group.beds[0]
    page.part(f"{one.group.id} · ventilator {one.group.ventilator} · bed {bed} alone · {_lanes(one.lanes)}")
    if any(touched.at_once.group.lanes == one.lanes for touched in view.replan.touched):
        page.text("As above.", 2)
        return
    if one.at_once is not None:
        _at_once(page, view, one.at_once, brief=True)
    _steps(page, one.steps)


def _rest(page: Page, view: ReplanView) -> None:
    plan = view.replan.plan
    on = {c.bed: c.ventilator for c in view.replan.situation.request.candidates}
    runs = [one for one in plan.groups if one.how == "runs_on"]
    alone = [one for one in plan.groups if one.how == "alone" and one.group.breaks]
    same = [one.group.beds[0] for one in plan.groups if one.how == "alone" and not one.group.breaks]
    page.part("Everybody else")
    for one in runs:
        margin = "not judged" if one.group.answer is None else f"margin {margin_of(one.group.answer):.2f}"
        what = "settings stay" if one.at_once is None or one.at_once.dial == "as_it_runs" else "dial the settings anew"
        page.item(f"{_and(one.group.beds)} go on together on {one.group.ventilator}: {margin}, {what}")
    for one in alone:
        bed = one.group.beds[0]
        page.item(f"{bed} goes alone to {one.group.ventilator} from {on[bed] or 'no ventilator'}, at its settings read")
    for one in plan.groups:
        if one.how == "not_judged":
            page.item(f"{_and(one.group.beds)} stay on {one.group.ventilator}: the readings cannot be judged")
    if same:
        page.item(f"alone as they are: {', '.join(same)}")
    for left in plan.left:
        page.item(f"no ventilator for {left.bed}: {'; '.join(note.text.rstrip('.') for note in left.why)}")
    if plan.parts:
        page.item(f"from the store room: {_parts(plan.parts)}")
    if plan.used:
        page.item(f"used, to be reprocessed, not back into the store room: {_parts(plan.used)}")


def _parts(parts: Sequence[tuple[str, int]]) -> str:
    return ", ".join(f"{count} {part}" for part, count in parts)


def _proof(page: Page, view: ReplanView) -> None:
    plan = view.replan.plan
    page.part("How it is known that no plan is better, goal by goal")
    page.table(
        [Column("", right=True), Column("", wrap=True), Column("", wrap=True)],
        [["-" if one.value is None else plain(round(one.value, 3)), GOALS[one.goal][0], goal_words(one)]
         for one in plan.proof if one.goal != "off_first" or one.value is not None],
    )  # fmt: skip
    page.text(f"For fewer breaks the smallest margin may fall by {view.policy.break_margin_loss:g}.", 2)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _and(words: Sequence[str]) -> str:
    found = list(words)
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}"
