"""A circuit typed back by whoever built it: its pieces and joints, the answers about its valves, the bench readings.

Pieces and joints have the shape in which `airyoke circuit --json` writes them, so that one changes what differs.
"""

from __future__ import annotations

import json
from typing import Annotated

from pydantic import Field, ValidationError

from airyoke.circuit.assembly import Assembly, Joint, Piece
from airyoke.circuit.needs import Catalogue
from airyoke.contract.fields import Frozen
from airyoke.quantities import Finding, Refused

Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[A-Za-z0-9.-]+$")]
Place = Annotated[list[Name], Field(min_length=2, max_length=2, description="piece id, end name")]
MOST_PIECES = 200


class PieceBuilt(Frozen):
    """One piece: its id, the part it is, and what it is set to (a PEEP valve, cmH2O)."""

    id: Name
    part: Name
    setting: Annotated[float, Field(gt=0.0, le=20.0)] | None = None


class JointBuilt(Frozen):
    """Two ends pushed together, the one that gas leaves first."""

    upstream: Place
    downstream: Place


class Built(Frozen):
    """What was built. Without ``pieces`` and ``joints`` it is the planned circuit.

    ``valves``: valve id -> ``right``, ``reversed``, ``missing``. ``readings``: id of a bench check -> what was read (1
    for yes, 0 for no).
    """

    pieces: Annotated[list[PieceBuilt], Field(max_length=MOST_PIECES)] = Field(default_factory=list)
    joints: Annotated[list[JointBuilt], Field(max_length=2 * MOST_PIECES)] = Field(default_factory=list)
    valves: dict[Name, str] = Field(default_factory=dict)
    readings: dict[Name, float] = Field(default_factory=dict)

    def assembly(self, catalogue: Catalogue) -> Assembly | None:
        """The circuit as typed, of parts of that catalogue; ``None`` where none was."""
        if not self.pieces and not self.joints:
            return None
        return Assembly(
            tuple(Piece(one.id, one.part, one.setting) for one in self.pieces),
            tuple(
                Joint((one.upstream[0], one.upstream[1]), (one.downstream[0], one.downstream[1])) for one in self.joints
            ),
            catalogue,
        )


def read_built(text: str, file: str | None) -> Built:
    """Read what was typed back. Raises ``Refused`` with a finding for every field that is wrong."""
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        raise Refused((_refused("built-form", "it is not JSON", "write it as JSON", file, None),)) from None
    try:
        return Built.model_validate(value)
    except ValidationError as error:
        raise Refused(tuple(_about(one, file) for one in error.errors(include_url=False)[:20])) from None


def _about(error: object, file: str | None) -> Finding:
    assert isinstance(error, dict)
    where = ".".join(str(step) for step in error["loc"]) or None
    extra = error["type"] == "extra_forbidden"
    remedy = "leave it out; pieces, joints, valves and readings are known" if extra else "see airyoke circuit --json"
    return _refused("built-field", str(error["msg"]), remedy, file, where)


def _refused(id_: str, reason: str, remedy: str, file: str | None, column: str | None) -> Finding:
    return Finding(id_, "refused", reason, remedy, file=file, column=column)
