"""What has happened to a ward that runs, one thing at a time, and what of it cannot be."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from airyoke.plan.running import RunningGroup
from airyoke.quantities import Finding, Refused, did_you_mean
from airyoke.ward.ward import Ward

Kind = Literal["frees", "fails", "ends", "arrives", "improves", "worsens", "leaves", "dies", "off"]
OF_A_VENTILATOR: Final = frozenset({"frees", "fails", "ends"})
GONE: Final = frozenset({"leaves", "dies"})
LUNGS: Final = frozenset({"improves", "worsens"})
LARGEST_CHANGE: Final = 0.90  # of the compliance, up or down


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened.

    kind
        ``frees`` a ventilator can be used · ``fails`` it cannot any more · ``ends`` the group on it is to be dissolved
        · ``arrives`` a patient of the ward who is on none yet · ``improves``, ``worsens`` readings are new, or the
        compliance is taken to have changed by ``amount`` · ``leaves``, ``dies`` · ``off`` must come off a group.
    whose
        The bed, or the ventilator of the first three.
    amount
        Share of the compliance, 0.3 for 30 % up or down; ``None``: the readings of the ward are the new ones.
    """

    kind: Kind
    whose: str
    amount: float | None = None


@dataclass(frozen=True, slots=True)
class Runs:
    """What runs now. ``on``: beds that are on another ventilator than the ward says, and which (``None``: none).

    ``supposed`` are findings about what had to be assumed of it.
    """

    groups: tuple[RunningGroup, ...]
    on: Mapping[str, str | None]
    supposed: tuple[Finding, ...] = ()

    def ventilator_of(self, bed: str, ward: Ward) -> str | None:
        """What a bed is on now."""
        if bed in self.on:
            return self.on[bed]
        return next((one.ventilator for one in ward.beds if one.label == bed), None)


def check_events(ward: Ward, runs: Runs, events: Sequence[Event]) -> None:
    """Raises ``Refused`` with everything that cannot be: in what runs, in one event, or between two."""
    found = [*_runs_findings(ward, runs, events), *_between(events)]
    if not events:
        found.append(Finding("event-missing", "refused", "nothing has happened", "say what: --after 'leaves C2'"))
    for event in events:
        found.extend(_finding(event, ward, runs))
    if found:
        raise Refused(tuple(dict.fromkeys(found)))


def _runs_findings(ward: Ward, runs: Runs, events: Sequence[Event]) -> Iterator[Finding]:
    beds, machines = {bed.label for bed in ward.beds}, {v.label for v in ward.ventilators}
    gone = {event.whose for event in events if event.kind in GONE}
    seen: dict[str, str] = {}
    for group in runs.groups:
        if group.ventilator not in machines:
            reason = f"a group runs on {group.ventilator}, which the ward has not"
            yield _refused("running-ventilator", reason, _near(group.ventilator, machines, "add the ventilator"))
        for bed in group.beds:
            if bed in seen:
                reason = f"bed {bed} is in two running groups, on {seen[bed]} and on {group.ventilator}"
                yield _refused("running-twice", reason, "say which is right", bed)
            seen[bed] = group.ventilator
            if bed not in beds | gone:
                remedy = f"say so: leaves {bed}; or add the bed"
                yield _refused("running-bed", f"bed {bed} is in a running group, and not in the ward", remedy, bed)
    for label in {group.ventilator for group in runs.groups}:
        together = {bed for group in runs.groups if group.ventilator == label for bed in group.beds}
        for one in ward.beds:
            if one.label not in together and runs.ventilator_of(one.label, ward) == label:
                reason = f"bed {one.label} is on {label}, and so is a group without it"
                yield _refused("running-ventilator-shared", reason, "say what the bed is on", one.label)


def _finding(event: Event, ward: Ward, runs: Runs) -> Iterator[Finding]:
    if event.amount is not None and not (event.kind in LUNGS and 0.0 < event.amount <= LARGEST_CHANGE):
        reason = f"{event.kind} {event.whose} by {100 * event.amount:g} %"
        yield _refused("event-amount", reason, "improves and worsens take 1 to 90 % of the compliance")
    if event.kind in OF_A_VENTILATOR:
        yield from _of_a_ventilator(event, ward, runs)
    else:
        yield from _of_a_bed(event, ward, runs)


def _of_a_ventilator(event: Event, ward: Ward, runs: Runs) -> Iterator[Finding]:
    label, machines = event.whose, {v.label: v for v in ward.ventilators}
    if label not in machines:
        yield _refused("event-ventilator", f"the ward has no ventilator {label}", _near(label, machines, "add it"))
        return
    on_it = [one.label for one in ward.beds if runs.ventilator_of(one.label, ward) == label]
    if event.kind == "frees" and on_it:
        reason = f"{label} is in use at {' and '.join(on_it)}"
        yield _refused("event-in-use", reason, "say who leaves; it frees up by that")
    if event.kind == "fails" and not machines[label].usable and not on_it:
        yield _refused("event-fails", f"{label} is out of use already", "leave it out")
    if event.kind == "ends" and label not in {group.ventilator for group in runs.groups}:
        running = [group.ventilator for group in runs.groups]
        words = f"groups run on {', '.join(running)}" if running else "no group runs"
        yield _refused("event-group", f"no group runs on {label}", _near(label, running, words))


def _of_a_bed(event: Event, ward: Ward, runs: Runs) -> Iterator[Finding]:
    bed, beds = event.whose, [one.label for one in ward.beds]
    sharing = {one for group in runs.groups for one in group.beds}
    if bed not in beds and not (event.kind in GONE and bed in sharing):
        reason = f"nobody is in bed {bed}: whoever was there has left already, or the bed is not in the ward"
        remedy = "add the bed with its readings" if event.kind == "arrives" else "leave it out"
        yield _refused("event-bed", reason, _near(bed, beds, remedy), bed)
        return
    if event.kind == "arrives" and runs.ventilator_of(bed, ward) is not None:
        reason = f"bed {bed} is on {runs.ventilator_of(bed, ward)} already"
        yield _refused("event-arrived", reason, "leave it out, or clear its ventilator", bed)
    if event.kind == "off" and bed not in sharing:
        yield _refused("event-alone", f"bed {bed} is in no running group", "nobody has to come off there", bed)


def _between(events: Sequence[Event]) -> Iterator[Finding]:
    by_whose: dict[tuple[bool, str], list[Event]] = {}
    for event in events:
        by_whose.setdefault((event.kind in OF_A_VENTILATOR, event.whose), []).append(event)
    for (_, whose), those in by_whose.items():
        kinds = [event.kind for event in those]
        if len(those) == 1 or (len(those) == 2 and "off" in kinds and set(kinds) & LUNGS):
            continue
        words = " and ".join(kinds)
        yield _refused("events-contradict", f"{whose} {words}: both cannot be", "say the one that is true")


def _near(said: str, known: Collection[str], otherwise: str) -> str:
    near = did_you_mean(said, known)
    return f"did you mean {near}?" if near else otherwise


def _refused(id_: str, reason: str, remedy: str, bed: str | None = None) -> Finding:
    return Finding(id_, "refused", reason, remedy, bed=bed)
