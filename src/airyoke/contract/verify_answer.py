"""The checks against sources outside the project: `airyoke/verify/1`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke.contract.answers import Answer, NoteAnswer
from airyoke.contract.fields import Frozen

Kind = Literal[
    "formula vector",
    "closed form",
    "LSODA",
    "ngspice",
    "library",
    "published bench (predicted)",
    "published bench (fitted, does not count)",
    "published apnoea",
    "sign test",
    "law",
]
Verdict = Literal["pass", "fail", "not run"]
Side = Literal["both", "low", "high"]


class ToleranceAnswer(Frozen):
    """What may be between expected and got: the larger of ``absolute`` and ``relative`` x expected.

    ``side`` ``low``: the expected value is the least that will do; ``high``: the most.
    """

    absolute: float
    relative: float
    side: Side


class ValueAnswer(Frozen):
    """One value of a check; ``label`` is empty where it speaks for itself."""

    label: str
    expected: float | None
    got: float | None


class CheckRow(Frozen):
    """One check. ``difference`` is got less expected, of the value nearest to failing (``worst``, counted from 0).

    ``counts`` false: something was fitted to this figure, so it proves nothing. ``reason``: why it was not run, or
    what went wrong.
    """

    id: str
    kind: Kind
    what: str
    source: str
    setup: str
    unit: str
    values: list[ValueAnswer]
    worst: int | None
    difference: float | None
    tolerance: ToleranceAnswer
    verdict: Verdict
    counts: bool
    reason: str | None


class CountsAnswer(Frozen):
    """How many checks that count hold, fail, could not be run; and how many figures were fitted."""

    passed: int
    failed: int
    not_run: int
    fitted: int


class ToolAnswer(Frozen):
    """An outside tool and its version here; ``null``: not installed."""

    name: str
    version: str | None


class VerifyAnswer(Answer):
    """The whole table, and what it does not show."""

    schema_: Annotated[Literal["airyoke/verify/1"], Field(alias="schema")] = "airyoke/verify/1"
    version: str
    outcome: Literal["all_hold", "some_fail"]
    counts: CountsAnswer
    checks: list[CheckRow]
    tools: list[ToolAnswer]
    limits_of_truth: list[NoteAnswer]
    cautions: list[NoteAnswer]
