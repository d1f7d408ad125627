"""Room left of two at once, as an answer and in words: `airyoke/room_left/1`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import Answer, NoteAnswer, caution_answers, known_number
from airyoke.contract.fields import Frozen
from airyoke.contract.words import amount_words, name_words
from airyoke.limits.policy import Policy
from airyoke.plan import region as domain
from airyoke.quantities.cautions import Caution

NOTHING_LEFT = "no limit within a factor of four"


def left_words(left: tuple[str | None, str | None, str | None], policy: Policy) -> str:
    """What is left at an edge: ``pH of B below 7.20``."""
    limit, side, whose = left
    if limit is None or side is None:
        return NOTHING_LEFT
    row = policy.limit(limit, side)
    beyond = "below" if side == "low" else "above"
    return f"{name_words(limit)} of {whose or 'the group'} {beyond} {amount_words(row.target, row.unit)}"


class BoundaryAnswer(Frozen):
    """One point of the boundary, compliances in mL/cmH2O, and the limit left there (``null``: none within reach)."""

    first: float
    second: float
    limit: str | None
    side: Literal["low", "high"] | None
    patient: str | None


class RegionAnswer(Frozen):
    """The room of one pair. No ``points``: somebody is outside now, and ``outside`` says who and what."""

    first: str
    second: str
    unit: Literal["mL/cmH2O"] = "mL/cmH2O"
    now: list[float]
    ranges: Annotated[list[list[float]], Field(description="5-95 % of the present compliances")]
    points: list[BoundaryAnswer]
    edges: list[str]
    outside: str | None

    @classmethod
    def of(cls, one: domain.Region, policy: Policy) -> RegionAnswer:
        """From the domain."""
        return cls(
            first=one.first,
            second=one.second,
            now=[known_number(value) for value in one.now],
            ranges=[[known_number(value) for value in ends] for ends in one.ranges],
            points=[
                BoundaryAnswer(
                    first=known_number(point.first),
                    second=known_number(point.second),
                    limit=point.limit,
                    side=point.side,
                    patient=point.whose,
                )
                for point in one.points
            ],
            edges=[left_words(run[0].left, policy) for run in one.edges()],
            outside=None if one.outside is None else left_words(one.outside, policy),
        )


class RoomLeftRegionsAnswer(Answer):
    """How far the compliances of two patients may go together, for every pair of a group, at best estimate."""

    schema_: Annotated[Literal["airyoke/room_left/1"], Field(alias="schema")] = "airyoke/room_left/1"
    version: str
    pairs: list[RegionAnswer]
    cautions: list[NoteAnswer]

    @classmethod
    def of(
        cls, regions: tuple[domain.Region, ...], policy: Policy, cautions: tuple[Caution, ...]
    ) -> RoomLeftRegionsAnswer:
        """From the domain."""
        return cls(
            version=__version__,
            pairs=[RegionAnswer.of(one, policy) for one in regions],
            cautions=caution_answers(cautions),
        )
