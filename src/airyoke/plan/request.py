"""What a plan is asked of, and how it reports while it works."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.needs import Catalogue
from airyoke.circuit.parts import PARTS
from airyoke.limits.policy import Policy
from airyoke.plan.candidate import Candidate

Progress = Callable[[str, int, int], None]  # what is being done, how many are done, of how many
Stop = Callable[[], bool]  # asked between judgements: whether to answer with what is known


@dataclass(frozen=True, slots=True)
class Request:
    """Everything a plan depends on. ``candidates`` in the order of the beds; ``stock`` ``None`` = nothing is scarce.

    ``catalogue`` holds the parts that may be in the store room, the site's own among them.
    """

    candidates: tuple[Candidate, ...]
    ventilators: tuple[Ventilator, ...]
    policy: Policy
    stock: dict[str, int] | None
    draws: int = 256
    seed: int = 0
    catalogue: Catalogue = field(default_factory=lambda: PARTS)


def usable_count(request: Request) -> int:
    """How many ventilators may be used: the usable ones less the reserve (below 0 where there are fewer)."""
    return sum(v.usable for v in request.ventilators) - request.policy.reserve_ventilators
