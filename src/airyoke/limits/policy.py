"""A site's policy: how its limits differ from the defaults, and the rules by which it shares."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from airyoke.limits.table import LIMITS, Limit
from airyoke.lungs.assumptions import Assumptions

Sharing = Literal["last-resort-accepted", "no", "not-stated"]


@dataclass(frozen=True, slots=True)
class Policy:
    """The stated rules of one site. Every value here is a judgement that a site may change.

    confidence
        Chance that everybody is inside every target that a plan asks for (0.90 where nothing is rehearsed).
    hard_confidence
        Chance that everybody is inside every hard bound.
    confirm_confidence
        What the measured values of a rehearsal must reach before anybody is coupled.
    break_margin_loss
        How much of the largest smallest margin a plan gives up for fewer circuits opened.
    false_alarms_per_12_h
        What the best alarm limits of one ventilator may cost, from breath-to-breath scatter alone.
    alarm_within_s
        An alarm counts when it sounds this soon after a fault, or before the harm where that comes later.
    alarm_weight_high, alarm_weight_medium, alarm_weight_low
        How much catching a fault is worth by its priority (IEC 60601-1-8: result if nobody acts, and onset).
    change_per_round
        Probability that something changes in a running group between one round of readings and the next.
    watch_breaths_read
        Breaths averaged in one reading of a volume or pressure at a running group.
    drift_rounds_between_false_alarms
        Mean number of rounds until one series of readings is said to drift although it does not.
    condition_rules
        Condition id -> ``never``, ``ask`` or ``allow``, where it differs from the default.
    """

    limits: tuple[Limit, ...] = LIMITS
    assumptions: Assumptions = field(default_factory=Assumptions)
    max_group_size: int = 2
    reserve_ventilators: int = 1
    sharing: Sharing = "not-stated"
    rooms_may_mix: bool = False
    confidence: float = 0.70
    hard_confidence: float = 0.95
    confirm_confidence: float = 0.90
    break_margin_loss: float = 0.10
    rehearse: bool = True
    reading_max_age_h: float = 6.0
    spo2_aim_pct: float = 92.0
    eligible_expiratory_time_constant_s: float = 1.5
    eligible_ph: float = 7.20
    eligible_fio2: float = 0.80
    false_alarms_per_12_h: float = 1.0
    alarm_within_s: float = 60.0
    alarm_weight_high: float = 10.0
    alarm_weight_medium: float = 3.0
    alarm_weight_low: float = 1.0
    change_per_round: float = 0.05
    watch_breaths_read: float = 6.0
    drift_rounds_between_false_alarms: float = 500.0
    condition_rules: tuple[tuple[str, str], ...] = ()

    @property
    def planning_confidence(self) -> float:
        """Confidence a plan must reach: without a rehearsal, that of coupling."""
        return self.confidence if self.rehearse else max(self.confidence, self.confirm_confidence)

    def limit(self, name: str, side: str) -> Limit:
        """The limit of that name and side; ``KeyError`` where there is none."""
        for limit in self.limits:
            if limit.name == name and limit.side == side:
                return limit
        raise KeyError(f"{name}:{side}")

    def with_limit(self, policy_name: str, value: float) -> Policy:
        """A copy in which one bound is changed; ``NAME`` is the target, ``NAME_hard`` the hard bound.

        Raises ``KeyError`` for a name that is no limit, ``ValueError`` for a hard bound where the limit has none.
        """
        for index, limit in enumerate(self.limits):
            if policy_name == limit.policy_name:
                changed = replace(limit, target=value, source="policy of this site")
            elif policy_name == f"{limit.policy_name}_hard":
                if limit.hard is None:
                    raise ValueError(f"{limit.policy_name} has no hard bound")
                changed = replace(limit, hard=value, hard_source="policy of this site")
            else:
                continue
            return replace(self, limits=(*self.limits[:index], changed, *self.limits[index + 1 :]))
        raise KeyError(policy_name)


def limit_policy_names() -> tuple[str, ...]:
    """Every name a policy sheet may use to change a limit, in the order of the table."""
    names: list[str] = []
    for limit in LIMITS:
        names.append(limit.policy_name)
        if limit.hard is not None:
            names.append(f"{limit.policy_name}_hard")
    return tuple(names)
