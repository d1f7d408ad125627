"""The product as the studies ask it: a ward in, a plan out; pairs one by one; and groups judged again.

The hints of a plan (what would change who is left) are left out: they change no plan and take time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from unittest.mock import patch

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import standard_build
from airyoke.lungs.patient import Patient
from airyoke.plan import compose
from airyoke.plan.judging import Judge, refused_pair, ventilator_class
from airyoke.plan.plan import Plan
from airyoke.ward.candidates import assess_ward, candidate
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
    """Every pair of a ward that rooms, labels and conditions allow, judged by the product one at a time.

    All ventilators of the ward must be alike. The verdicts are those that a plan of the ward would make if it chose
    the pair; a pair that already the screen leaves outside has the screen's settings.
    """

    def __init__(self, ward: Ward, rules: WardRules | None = None, draws: int = DRAWS) -> None:
        self.ward = ward
        self.rules = WardRules(ward) if rules is None else rules
        self.permitted = tuple(sorted(self.rules.pairs()))
        (self._kind,) = {ventilator_class(v) for v in ward.ventilators}
        self._number = {bed.label: i for i, bed in enumerate(ward.beds)}
        candidates = tuple(candidate(a, ward.policy) for a in assess_ward(ward))
        self._judge = Judge(candidates, ward.policy, draws, seed=0)
        self._prepared = False
        self._known: dict[tuple[str, str], Pair] = {}

    def pair(self, beds: tuple[str, str]) -> Pair:
        """The pair at its best settings."""
        if beds not in self._known:
            if not self._prepared:
                self._judge.prepare(self._kind, standard_build(2))
                self._prepared = True
            verdict = self._judge.verdict(tuple(self._number[b] for b in beds), self._kind, standard_build(len(beds)))
            settings = (
                verdict.answer.settings
                if verdict.answer is not None
                else refused_pair(verdict, self._kind, self._judge).settings_tried
            )
            self._known[beds] = Pair(beds, settings, verdict.margin, verdict.allowed)
        return self._known[beds]


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
