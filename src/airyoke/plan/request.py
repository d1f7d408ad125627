"""What a plan is asked of, and how it reports while it works."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from airyoke.breath.ventilator import Ventilator
from airyoke.limits.policy import Policy
from airyoke.plan.candidate import Candidate

Progress = Callable[[str, int, int], None]  # what is being done, how many are done, of how many
Stop = Callable[[], bool]  # asked between judgements: whether to answer with what is known


@dataclass(frozen=True, slots=True)
class Request:
    """Everything a plan depends on. ``candidates`` in the order of the beds; ``stock`` ``None`` = nothing is scarce."""

    candidates: tuple[Candidate, ...]
    ventilators: tuple[Ventilator, ...]
    policy: Policy
    stock: dict[str, int] | None
    draws: int = 256
    seed: int = 0


def usable_count(request: Request) -> int:
    """How many ventilators may be used: the usable ones less the reserve (below 0 where there are fewer)."""
    return sum(v.usable for v in request.ventilators) - request.policy.reserve_ventilators
