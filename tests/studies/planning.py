"""The product as the studies ask it: a ward in, a plan out; a pair by a ward of two; and groups judged again.

Only the public question ``plan_ward`` is asked. Its hints (what would change who is left) are left out: they change
no plan and take time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from unittest.mock import patch

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import standard_build
from airyoke.lungs.patient import Patient
from airyoke.plan import compose
from airyoke.plan.plan import Plan
from airyoke.ward.questions import plan_ward
from airyoke.ward.ward import Ward
from plan.ward_rules import WardRules
from referees.margin_referee import Judged, fresh_draws, group_margin, judge

NOW = datetime(2026, 11, 25, 14, 0)
DRAWS = 256
# A group is outside where fresh draws find less than this; 0.03 and 0.02 below what a plan asks for.
OUTSIDE_TARGET, OUTSIDE_HARD = 0.67, 0.93
FRESH, FRESH_SEED = 4096, 310_000
FIRST_FRESH = 512  # enough where the answer is as clear as the next two say: more than seven standard errors
CLEARLY_TARGET, CLEARLY_HARD = 0.50, 0.83


def planned(ward: Ward, draws: int = DRAWS) -> Plan:
    """The plan of a ward."""
    with patch.object(compose, "why_left", lambda *_: ((), ())):
        return plan_ward(ward, now=NOW, draws=draws)


@dataclass(frozen=True)
class Pair:
    """Two beds at the best settings that the product finds for them, whether or not it allows them together."""

    beds: tuple[str, str]
    settings: Settings | None
    margin: float
    allowed: bool


class PairBook:
    """Every pair of a ward that rooms, labels and conditions allow, judged by the product one at a time."""

    def __init__(self, ward: Ward, rules: WardRules | None = None, draws: int = DRAWS) -> None:
        self.ward = ward
        self.rules = WardRules(ward) if rules is None else rules
        self.permitted = tuple(sorted(self.rules.pairs()))
        self._draws = draws
        self._known: dict[tuple[str, str], Pair] = {}

    def pair(self, beds: tuple[str, str]) -> Pair:
        """The pair, from a ward of these two beds and one ventilator."""
        if beds not in self._known:
            self._known[beds] = self._ask(beds)
        return self._known[beds]

    def _ask(self, beds: tuple[str, str]) -> Pair:
        two = tuple(self.rules.bed[b] for b in beds)
        plan = planned(replace(self.ward, beds=two, ventilators=self.ward.ventilators[:1]), self._draws)
        for group in plan.groups:
            if len(group.beds) == 2:
                assert group.answer is not None
                assert group.answer.margin is not None
                return Pair(beds, group.settings, group.answer.margin.value, True)
        (refused,) = plan.refused_pairs
        margin = float("-inf") if refused.margin is None else refused.margin
        return Pair(beds, refused.settings_tried, margin, False)


@dataclass(frozen=True)
class Again:
    """A group judged again on fresh draws."""

    inside: float
    hard_inside: float
    margin: float

    @property
    def outside(self) -> bool:
        """Less sure than a plan may be."""
        return self.inside < OUTSIDE_TARGET or self.hard_inside < OUTSIDE_HARD


class JudgedAgain:
    """Groups of one ward judged by the referee's own draws and own arithmetic; the flows are the engine's."""

    def __init__(self, ward: Ward, rules: WardRules, seed: int, fresh: int = FRESH) -> None:
        self.policy = ward.policy
        self.rules = rules
        self.seed = seed
        self.fresh = fresh
        self._known: dict[tuple[tuple[str, ...], Settings], Again] = {}

    def group(self, beds: Sequence[str], settings: Settings | None) -> Again:
        """How sure this group is at these settings; without any settings it is as far outside as can be."""
        if settings is None:
            return Again(0.0, 0.0, float("-inf"))
        key = (tuple(beds), settings)
        if key not in self._known:
            self._known[key] = self._judge(*key)
        return self._known[key]

    def _judge(self, beds: tuple[str, ...], settings: Settings) -> Again:
        patients = tuple(p for b in beds if (p := self.patient(b)) is not None)
        assert len(patients) == len(beds)
        build, assumptions = standard_build(len(beds)), self.policy.assumptions
        draws = fresh_draws(patients, build, assumptions, self.fresh, FRESH_SEED + self.seed)
        judged: Judged | None = None
        if self.fresh > FIRST_FRESH:
            judged = judge(patients, build, settings, draws.first(FIRST_FRESH + 1), assumptions)
            if judged.inside() > CLEARLY_TARGET and judged.hard_inside() > CLEARLY_HARD:
                judged = None
        if judged is None:
            judged = judge(patients, build, settings, draws, assumptions)
        margin = group_margin(judged, self.policy.confidence, self.policy.hard_confidence)
        return Again(judged.inside(), judged.hard_inside(), margin)

    def patient(self, bed: str) -> Patient | None:
        """The lungs that the readings of this bed mean."""
        return self.rules.lungs(self.rules.bed[bed])
