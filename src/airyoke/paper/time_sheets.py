"""Sheets by the clock: the change-over, and the rounds after it."""

from __future__ import annotations

from typing import Any, Final

from airyoke.contract.answers import FigureAnswer
from airyoke.contract.words import key_words, name_words, unit_words
from airyoke.paper.envelope import group_sheet, lanes_of
from airyoke.paper.material import GroupMaterial, LanePerson, Material
from airyoke.paper.words import (
    cell_words,
    figure_of,
    quantity_words,
    range_words,
    setting_words,
    stop_words,
    upper_first,
    value_words,
)
from airyoke.watch import (
    ABANDON,
    GATE,
    GROUP_ITEMS,
    PATIENT_ITEMS,
    ROLES,
    Item,
    Round,
    StopRules,
    filled,
    rounds,
    sequence,
)
from airyoke.watch import stop_rules as rules_to_stop

OBSERVED_MIN: Final = 12 * 60
ROUNDS_A_PAGE: Final = 8
LANES_A_PAGE: Final = 2
_EXPECTED_AFTERWARDS: Final = ("tidal_volume_ml", "plateau_cmh2o", "total_peep_cmh2o")


def rehearsal(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """Each alone at the shared settings before anybody is coupled: what to expect, room to write, when it passes."""
    plan = group.plan.rehearsal
    if plan is None:
        return group_sheet(material, group, "rehearsal", {"rehearsed": False})
    expected: dict[str, list[dict[str, str]]] = {}
    for one in plan.expected:
        figure = FigureAnswer(value=one.value, low=one.low, high=one.high, limit=None)
        row = {"name": quantity_words(one.quantity), "value": value_words(figure, one.quantity),
               "range": range_words(figure, one.quantity)}  # fmt: skip
        expected.setdefault(one.bed, []).append(row)
    body = {
        "rehearsed": True,
        "set": setting_words(plan.settings.model_dump(exclude_none=True)),
        "minutes": plan.minutes,
        "read": [key_words(one) for one in plan.read],
        "passes": plan.passes,
        "tables": [{"lane": lane, "rows": expected.get(lane["bed"], [])} for lane in lanes_of(group)],
    }
    return group_sheet(material, group, "rehearsal", body)


def change_over(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """Gate with names, the sequence, when to stop, how to go back."""
    letters = "".join(one.letter for one in group.lanes)
    plan, shows = group.plan, group.plan.ventilator_shows
    stops: list[str] = []
    displayed = None if shows is None else shows.displayed_tidal_volume_ml
    if displayed is not None and displayed.value is not None:
        stops = [upper_first(stop_words(one)) for one in rules_to_stop(displayed.value, StopRules())]
    body = {
        "roles": [one.text for one in ROLES],
        "needs": [one.text for one in plan.needs],
        "gate": [{"text": one.text, "source": one.source} for one in GATE],
        "steps": [{"at": one.at, "who": one.who, "do": one.do, "read": one.read} for one in sequence(letters)],
        "stops": stops,
        "abandon": [
            {"at": one.at, "who": one.who, "do": one.do, "read": one.read}
            for one in filled(ABANDON, ["the patient"])
        ],
        "set": setting_words(group.settings.model_dump(exclude_none=True)),
        "shown": "" if displayed is None else
        f"{value_words(displayed, 'displayed_tidal_volume_ml')} "
        f"({range_words(displayed, 'displayed_tidal_volume_ml')})",
        "expected_names": [f"{quantity_words(name)}, {unit_words(name)}" for name in _EXPECTED_AFTERWARDS],
        "expected": [
            {"lane": one.letter, "bed": one.bed,
             "cells": [cell_words(figure_of(group.patient(one), name), name) for name in _EXPECTED_AFTERWARDS]}
            for one in group.lanes
        ],
        "ventilator": plan.ventilator,
    }  # fmt: skip
    return group_sheet(material, group, "change-over", body)


def observation(material: Material, group: GroupMaterial) -> dict[str, Any]:
    """A grid to fill by hand: rounds across, what is read down, each beside what was predicted."""
    planned = rounds(OBSERVED_MIN)
    pages = [planned[i : i + ROUNDS_A_PAGE] for i in range(0, len(planned), ROUNDS_A_PAGE)]
    lanes = [group.lanes[i : i + LANES_A_PAGE] for i in range(0, len(group.lanes), LANES_A_PAGE)]
    body = {
        "pages": [
            {
                "rounds": [_minutes(one.minutes) for one in page],
                "blocks": [_patient_block(group, lane, page) for lane in some]
                + ([_group_block(group, page)] if some is lanes[-1] else []),
            }
            for page in pages
            for some in lanes
        ],
        "columns": ROUNDS_A_PAGE,
        "set": setting_words(group.settings.model_dump(exclude_none=True)),
        "after": "After any change, turn, dose or suction: a round, and mechanics. One change at a time, one author.",
    }
    return group_sheet(material, group, "observation", body)


def _minutes(minutes: int) -> str:
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h"


def _patient_block(group: GroupMaterial, lane: LanePerson, page: tuple[Round, ...]) -> dict[str, Any]:
    return {
        "lane": lane.letter,
        "name": f"bed {lane.bed}",
        "rows": [_row(one, group.patient(lane), page) for one in PATIENT_ITEMS],
    }


def _group_block(group: GroupMaterial, page: tuple[Round, ...]) -> dict[str, Any]:
    return {
        "lane": "",
        "name": group.plan.ventilator,
        "rows": [_row(one, group.plan.ventilator_shows, page) for one in GROUP_ITEMS],
    }


def _row(item: Item, answer: Any, page: tuple[Round, ...]) -> dict[str, Any]:
    predicted = item.expected
    if item.predicted is not None and answer is not None:
        predicted = cell_words(figure_of(answer, item.predicted), item.predicted)
    return {
        "name": upper_first(name_words(item.key)),
        "unit": item.unit,
        "predicted": predicted,
        "open": [_due(item, one) for one in page],
    }


def _due(item: Item, one: Round) -> bool:
    match item.when:
        case "every":
            return True
        case "mechanics":
            return one.mechanics
        case "gas":
            return one.gas
