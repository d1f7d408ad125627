"""What runs in a ward: from its rows, where two beds stand on one ventilator, or from the entries of its record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit import standard_build
from airyoke.circuit.builds import MAX_PATIENTS
from airyoke.circuit.needs import Catalogue
from airyoke.circuit.parts import PARTS
from airyoke.plan.running import RunningGroup, build_of_parts
from airyoke.plan.store_room import Parts
from airyoke.quantities import Finding, Refused
from airyoke.ward.candidates import present_settings
from airyoke.ward.entries import Entry
from airyoke.ward.events import Runs
from airyoke.ward.state import Group, WardState
from airyoke.ward.ward import Bed, Ward

_WORDS = ("mode", "flow_shape", "circuit_compensation")
_SHARED_DIALS = ("mode", "rate_per_min", "inspiratory_time_s", "peep_cmh2o", "pressure_above_peep_cmh2o", "fio2")


def running_in_rows(ward: Ward) -> Runs:
    """Groups as the beds of the ward say: those on one ventilator, at the settings that each of them shows.

    Raises ``Refused`` where the settings read at the beds of one group are not one and the same.
    """
    machines = {v.label: v for v in ward.ventilators}
    on: dict[str, list[Bed]] = {}
    for bed in ward.beds:
        if bed.ventilator is not None:
            on.setdefault(bed.ventilator, []).append(bed)
    groups, supposed = [], []
    for label, beds in on.items():
        if len(beds) < 2:
            continue
        if len(beds) > MAX_PATIENTS:
            reason = f"{len(beds)} beds are on {label}"
            raise Refused((Finding("group-size", "refused", reason, f"at most {MAX_PATIENTS} are worked out"),))
        groups.append(
            RunningGroup(label, tuple(bed.label for bed in beds), standard_build(len(beds)),
                         _dialled(label, beds, machines.get(label)))
        )  # fmt: skip
        supposed.append(_usual_circuit(label))
    return Runs(tuple(groups), {}, tuple(supposed))


def _usual_circuit(label: str) -> Finding:
    reason = f"nothing says what the circuit on {label} is built of: the default build is taken"
    return Finding("running-build-assumed", "note", reason, "give the plan that runs, or write down its parts")


def _dialled(label: str, beds: Sequence[Bed], ventilator: Ventilator | None) -> Settings | None:
    found = [present_settings(bed.readings, ventilator) for bed in beds if bed.readings is not None]
    known = [one for one in found if one is not None]
    if len(known) < len(beds):
        return None
    for name in _SHARED_DIALS:
        values = {getattr(one, name) for one in known}
        if len(values) > 1:
            words = " and ".join(str(value) for value in sorted(values, key=str))
            reason = f"{' and '.join(bed.label for bed in beds)} are on {label} and show {name} {words}: readings from "
            reason += "before they shared do not say what runs"
            remedy = "give the plan that runs, or the readings of the shared ventilator"
            raise Refused((Finding("running-settings", "refused", reason, remedy, column=name),))
    return known[0]


def running_in_record(state: WardState, entries: Sequence[Entry], catalogue: Catalogue | None = None) -> Runs:
    """Groups as the record says: lanes as they were started, the build from its parts, the settings last dialled.

    ``entries``: those of the ward up to the state. Raises ``Refused`` for parts that make no circuit.
    """
    known = PARTS if catalogue is None else catalogue
    groups, supposed = [], []
    for name, group in state.groups.items():
        if not 2 <= len(group.beds) <= MAX_PATIENTS:
            continue
        lanes = _lanes(name, group, entries)
        parts, counted = _parts(group, entries)
        if not parts:
            supposed.append(_usual_circuit(group.ventilator))
        build = build_of_parts(len(lanes), parts, group.build or "standard", known)
        settings = settings_from(state.settings.get(group.ventilator) or _planned(group, entries))
        groups.append(RunningGroup(group.ventilator, lanes, build, settings, counted))
    return Runs(tuple(groups), {}, tuple(supposed))


def _lanes(name: str, group: Group, entries: Sequence[Entry]) -> tuple[str | None, ...]:
    """Whoever was there at the start keeps the lane; later ones take the first that is capped."""
    started = next(e.content["beds"] for e in entries if e.sequence == group.since)
    lanes: list[str | None] = [bed if bed in group.beds else None for bed in started]
    for bed in group.beds:
        if bed not in started:
            if None not in lanes:
                lanes.append(None)
            lanes[lanes.index(None)] = bed
    return tuple(lanes)


def _parts(group: Group, entries: Sequence[Entry]) -> tuple[Parts, bool]:
    """The parts of its circuit, and whether the store room was counted before they were taken."""
    made = [e for e in entries if e.kind == "build_made" and e.content["build"] == group.build]
    planned = _planned_group(group, entries)
    taken = made[-1].sequence if made else group.since
    listed: Any = made[-1].content.get("parts") if made else None
    if listed is None and planned is not None:
        listed = {one["part"]: one["count"] for one in planned.get("circuit", {}).get("parts", ())}
    counted = [e.sequence for e in entries if e.kind == "stock"]
    return tuple((listed or {}).items()), bool(counted) and counted[-1] < taken


def _planned(group: Group, entries: Sequence[Entry]) -> Mapping[str, Any] | None:
    planned = _planned_group(group, entries)
    return None if planned is None else planned.get("settings")


def _planned_group(group: Group, entries: Sequence[Entry]) -> Mapping[str, Any] | None:
    for entry in reversed(entries):
        if entry.kind == "plan_made" and entry.content["plan"] == group.plan:
            for one in entry.content["groups"]:
                if one.get("ventilator") == group.ventilator and set(one.get("beds", ())) >= set(group.beds):
                    found: Mapping[str, Any] = one
                    return found
    return None


def settings_from(dialled: Mapping[str, Any] | None) -> Settings | None:
    """Settings as a plan or an entry keeps them; ``None`` where they do not say enough for the engine."""
    names = {field.name for field in fields(Settings)}
    known = {name: value for name, value in (dialled or {}).items() if name in names and value is not None}
    numbers = {name: value for name, value in known.items() if name not in _WORDS}
    if known.get("mode") not in ("pc", "vc") or not all(isinstance(v, int | float) for v in numbers.values()):
        return None
    if not {"rate_per_min", "inspiratory_time_s", "peep_cmh2o"} <= numbers.keys():
        return None
    driven = "pressure_above_peep_cmh2o" if known["mode"] == "pc" else "tidal_volume_ml"
    return Settings(**known) if driven in known else None


def carried_out(groups: Sequence[RunningGroup], alone: Mapping[str, str], *, counted: bool) -> Runs:
    """What runs when a plan has been carried out: its groups, and who is alone on which ventilator.

    ``counted``: the stock was counted before the circuits were built.
    """
    on: dict[str, str | None] = dict(alone)
    on |= {bed: group.ventilator for group in groups for bed in group.beds}
    return Runs(tuple(replace(group, counted=counted) for group in groups), on)
