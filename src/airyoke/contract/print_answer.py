"""What `airyoke print` wrote: `airyoke/print/1`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from airyoke.contract.answers import Answer, NoteAnswer
from airyoke.contract.fields import Frozen


class PrintedFile(Frozen):
    """One file: the sheet on it, the group it is about (``null``: the ward), its size and the SHA-256 of its bytes."""

    file: str
    sheet: str
    group: str | None
    bytes: int
    sha256: str


class PrintAnswer(Answer):
    """The files that were written, and where their content comes from. ``head`` is the end of the record's chain as it
    stands on the sheets, ``null`` where they do not come from a record."""

    schema_: Annotated[Literal["airyoke/print/1"], Field(alias="schema")] = "airyoke/print/1"
    version: str
    folder: str
    paper: Literal["a4", "letter"]
    as_of: str
    source: str
    head: str | None
    plan: str
    files: list[PrintedFile]
    cautions: list[NoteAnswer]
