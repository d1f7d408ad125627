"""What a command says about its input: a refusal (`airyoke/error/1`)."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke.contract.answers import Answer, FindingAnswer
from airyoke.quantities import Finding


class ErrorAnswer(Answer):
    """Why nothing was computed. There is at least one finding."""

    schema_: Annotated[Literal["airyoke/error/1"], Field(alias="schema")] = "airyoke/error/1"
    outcome: Literal["refused"] = "refused"
    errors: list[FindingAnswer]

    @classmethod
    def of(cls, findings: tuple[Finding, ...]) -> ErrorAnswer:
        """From the findings of a refusal."""
        return cls(errors=[FindingAnswer.of(one) for one in findings])
