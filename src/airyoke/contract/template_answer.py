"""Where an empty ward was written: `airyoke/template/1`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import Answer


class TemplateAnswer(Answer):
    """The workbook or folder that was written, as it was named on the command line."""

    schema_: Annotated[Literal["airyoke/template/1"], Field(alias="schema")] = "airyoke/template/1"
    version: str
    path: str
    kind: Literal["workbook", "folder"]

    @classmethod
    def of(cls, target: Path) -> TemplateAnswer:
        """For what was written to ``target``."""
        kind: Literal["workbook", "folder"] = "workbook" if target.suffix.casefold() == ".xlsx" else "folder"
        return cls(version=__version__, path=str(target), kind=kind)
