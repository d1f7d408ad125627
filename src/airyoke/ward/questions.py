"""The questions people ask of a ward: what is in it, what would a group get, who shares with whom."""

from __future__ import annotations

from collections.abc import Sequence

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build
from airyoke.limits.answer import Assumed, GroupAnswer
from airyoke.limits.policy import Policy
from airyoke.lungs.patient import Patient

DRAWS = 256


def predict_case(
    patients: Sequence[Patient],
    build: Build,
    settings: Settings,
    *,
    policy: Policy | None = None,
    draws: int = DRAWS,
    seed: int = 0,
    structural: bool = True,
    assumed: tuple[Assumed, ...] = (),
) -> GroupAnswer:
    """One group, one circuit, one set of settings: what each patient gets, with ranges and margins."""
    from airyoke.limits.answering import answer_group
    from airyoke.limits.prediction import predict, sample_group

    policy = Policy() if policy is None else policy
    group = sample_group(patients, build, policy.assumptions, draws, seed, structural=structural)
    outcome = predict(group, [settings], holds=True)
    return answer_group(group, outcome, policy, seed, assumed=assumed)
