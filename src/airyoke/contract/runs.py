"""What runs when a plan that was written as JSON has been carried out."""

from __future__ import annotations

from airyoke.circuit.needs import Catalogue
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.plan.running import RunningGroup, build_of_parts
from airyoke.quantities import Finding, Refused
from airyoke.ward.events import Runs
from airyoke.ward.running import carried_out, settings_from


def runs_of_plan(plan: PlanAnswer, catalogue: Catalogue, *, counted: bool) -> Runs:
    """Its groups as they run, everybody else on the ventilator that the plan gives.

    ``counted``: the stock sheet was counted before the circuits of the plan were built, so that their parts are taken
    off. Raises ``Refused`` for parts that make no circuit.
    """
    groups, alone = [], {}
    for group in plan.groups:
        if len(group.beds) == 1:
            alone[group.beds[0]] = group.ventilator
            continue
        if not 2 <= len(group.beds) <= 4:
            reason = f"group {group.id} of the plan has {len(group.beds)} beds"
            raise Refused((Finding("running-group", "refused", reason, "give a plan of airyoke plan --json"),))
        parts = tuple((one.part, one.count) for one in group.circuit.parts)
        settings = None if group.settings is None else settings_from(group.settings.model_dump())
        build = build_of_parts(len(group.beds), parts, group.circuit.build, catalogue)
        groups.append(RunningGroup(group.ventilator, tuple(group.beds), build, settings))
    return carried_out(groups, alone, counted=counted)
