"""What must hold for every patient, and how far is it away: the named bounds, the site's policy, the margins.

``prediction`` joins engine and gas exchange into what each patient gets; ``answering`` turns draws into an answer.
Pure: nothing here knows a planner. The modules with the engine behind them load on first use.
"""

from airyoke.limits.policy import Policy, limit_policy_names
from airyoke.limits.table import LIMITS, Limit

__all__ = ["LIMITS", "Limit", "Policy", "limit_policy_names"]
