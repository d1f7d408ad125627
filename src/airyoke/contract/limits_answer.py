"""What the tool holds everybody to: limits, conditions that bear on sharing, policy, machine defaults."""

from __future__ import annotations

from dataclasses import MISSING, fields
from typing import Annotated, Any, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.breath.ventilator import Ventilator
from airyoke.contract.answers import Answer, known_number, number
from airyoke.contract.fields import Frozen
from airyoke.limits.policy import Policy
from airyoke.lungs.conditions import CONDITIONS
from airyoke.quantities import is_quantity, quantity

_MEANINGS = {
    "sharing": "whether sharing was accepted as the last resort",
    "rooms_may_mix": "whether beds in different rooms may share",
    "rehearse": "whether each patient is first tried alone at the shared settings",
    "room": "where it stands",
    "usable": "whether it can be given to anybody",
    "modes": "volume control, pressure control",
    "pressure_reference": "what its dial reads: pressure above PEEP, or absolute",
    "circuit_compensation": "whether it corrects its volumes for the circuit",
    "hold_sensor": "where the pressure shown during a hold is measured",
}


class LimitRow(Frozen):
    """One side of one limit. ``policy_name`` changes its target, with ``_hard`` its hard bound."""

    name: str
    policy_name: str
    side: Literal["low", "high"]
    target: float
    hard: float | None
    scale: float
    unit: str
    applies_to: Literal["patient", "shared", "pair", "entry", "search"]
    meaning: str
    source: str
    hard_source: str | None


class ConditionRow(Frozen):
    """A condition that bears on sharing; ``written``: a person writes it (else the readings show it)."""

    id: str
    rule: Literal["never", "ask", "allow"]
    text: str
    would_change: str
    must_match: bool
    written: bool


class DefaultRow(Frozen):
    """A value taken where nothing is stated."""

    name: str
    value: float | str
    unit: str
    meaning: str


class LimitsAnswer(Answer):
    """The table of limits, the ids of the conditions with their default rules, and every default."""

    schema_: Annotated[Literal["airyoke/limits/1"], Field(alias="schema")] = "airyoke/limits/1"
    version: str
    limits: list[LimitRow]
    conditions: list[ConditionRow]
    policy: list[DefaultRow]
    assumptions: list[DefaultRow]
    ventilator_defaults: list[DefaultRow]

    @classmethod
    def default(cls) -> LimitsAnswer:
        """As it is without any policy of a site."""
        policy = Policy()
        own = {"limits", "assumptions", "condition_rules"}
        return cls(
            version=__version__,
            limits=[
                LimitRow(
                    name=one.name,
                    policy_name=one.policy_name,
                    side=one.side,
                    target=known_number(one.target),
                    hard=number(one.hard),
                    scale=one.scale,
                    unit=one.unit,
                    applies_to=one.scope,
                    meaning=one.meaning,
                    source=one.source,
                    hard_source=None if one.hard is None else one.hard_source,
                )
                for one in policy.limits
            ],
            conditions=[
                ConditionRow(
                    id=one.id,
                    rule=one.rule,
                    text=one.text,
                    would_change=one.would_change,
                    must_match=one.must_match,
                    written=not one.from_readings,
                )
                for one in CONDITIONS
            ],
            policy=_rows({f.name: getattr(policy, f.name) for f in fields(policy) if f.name not in own}),
            assumptions=_rows({f.name: getattr(policy.assumptions, f.name) for f in fields(policy.assumptions)}),
            ventilator_defaults=_rows({f.name: f.default for f in fields(Ventilator) if f.default is not MISSING}),
        )


def _rows(values: dict[str, Any]) -> list[DefaultRow]:
    return [_row(name, value) for name, value in values.items()]


def _row(name: str, value: Any) -> DefaultRow:
    unit = meaning = ""
    if is_quantity(name):
        unit, meaning = quantity(name).unit, quantity(name).meaning
    return DefaultRow(name=name, value=_plain(name, value), unit=unit, meaning=_MEANINGS.get(name, meaning))


def _plain(name: str, value: Any) -> float | str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int):
        return known_number(value)
    if value is None:
        return "any room" if name == "room" else "none"
    return " ".join(value) if isinstance(value, tuple) else str(value)
