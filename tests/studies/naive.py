"""Pairing as it is done without the tool: by compliance, carefully by compliance, greedily by the tool's own margin.

Each takes only pairs that rooms, labels and conditions allow, and no more of them than are needed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from plan.ward_rules import WardRules
from studies.planning import Pair

PEEP_WITHIN_CMH2O = 5.0
FIO2_WITHIN = 0.15

Beds = tuple[str, str]


def by_compliance(rules: WardRules, permitted: Sequence[Beds], needed: int) -> list[Beds]:
    """In each room and infection label the patients in order of compliance, first with second, third with fourth;
    of these pairs the most alike."""
    who = {bed for pair in permitted for bed in pair}
    sorted_by: dict[tuple[str | None, frozenset[str] | None], list[str]] = defaultdict(list)
    for bed in sorted(who, key=lambda b: (_compliance(rules, b), b)):
        sorted_by[rules.bed[bed].room, rules.bed[bed].infection].append(bed)
    neighbours = [tuple(sorted(pair)) for row in sorted_by.values() for pair in zip(row[::2], row[1::2], strict=False)]
    allowed = set(permitted)
    return _disjoint(sorted((p for p in neighbours if p in allowed), key=lambda p: _apart(rules, p)), needed)


def careful(rules: WardRules, permitted: Sequence[Beds], needed: int) -> list[Beds]:
    """Only pairs with present PEEP within 5 cmH2O and FiO2 within 0.15; the most alike in compliance first."""
    near = []
    for pair in permitted:
        a, b = (rules.bed[x].readings for x in pair)
        assert a is not None
        assert b is not None
        if abs(a.peep_cmh2o - b.peep_cmh2o) <= PEEP_WITHIN_CMH2O and abs(a.fio2 - b.fio2) <= FIO2_WITHIN + 1e-9:
            near.append(pair)
    return _disjoint(sorted(near, key=lambda p: _apart(rules, p)), needed)


def greedy(pairs: Iterable[Pair], needed: int) -> list[Beds]:
    """The pair with the largest margin, then the largest of what is left, as long as it is allowed."""
    best = sorted((p for p in pairs if p.allowed), key=lambda p: (-p.margin, p.beds))
    return _disjoint([p.beds for p in best], needed)


def _disjoint(order: Iterable[Beds], needed: int) -> list[Beds]:
    taken: set[str] = set()
    chosen: list[Beds] = []
    for pair in order:
        if len(chosen) < needed and not taken & set(pair):
            chosen.append(pair)
            taken |= set(pair)
    return chosen


def _compliance(rules: WardRules, bed: str) -> float:
    patient = rules.lungs(rules.bed[bed])
    assert patient is not None
    return patient.lungs.compliance.value


def _apart(rules: WardRules, pair: Sequence[str]) -> tuple[float, Sequence[str]]:
    a, b = (_compliance(rules, bed) for bed in pair)
    return max(a, b) / min(a, b), pair
