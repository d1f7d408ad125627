"""Who may share, and what sharing would need."""

from __future__ import annotations

from typing import Any

import pytest

from airyoke.lungs.conditions import CONDITIONS
from airyoke.lungs.eligibility import Eligibility, condition, eligibility
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.resistance_defaults import OBSTRUCTIVE_CONDITIONS
from lungs.bedside import ASSUMPTIONS, bent


def judged(
    conditions: tuple[str, ...] = (),
    exclude: str | None = None,
    rules: tuple[tuple[str, str], ...] = (),
    **changes: Any,
) -> Eligibility:
    readings = bent(**changes)
    return eligibility(
        readings,
        estimate_lungs(readings, "4", ASSUMPTIONS, circuit_compensation="on", conditions=conditions),
        conditions=conditions,
        exclude=exclude,
        condition_rules=rules,
        longest_expiratory_time_constant_s=1.5,
        lowest_ph=7.20,
        highest_fio2=0.80,
    )


def reasons(found: Eligibility) -> set[str]:
    return {reason.id for reason in found.reasons}


def needs(found: Eligibility) -> set[str]:
    return {need.id for need in found.needs}


def test_ordinary_patient_may_share_without_conditions() -> None:
    found = judged()
    assert found.may_share
    assert found == Eligibility("4", (), (), frozenset())


@pytest.mark.parametrize("known", [c for c in CONDITIONS if not c.from_readings], ids=lambda c: c.id)
def test_written_conditions_follow_their_default_rule(known: Any) -> None:
    found = judged((known.id,))
    assert (known.id in reasons(found)) is (known.rule == "never")
    assert (known.id in needs(found)) is (known.rule == "ask")
    assert found.may_share is (known.rule != "never")


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"passive": "no"}, "not-passive"),
        ({"ph": 7.19}, "ph-low"),
        ({"fio2": 0.81}, "fio2-high"),
        ({"vasopressor": "high"}, "vasopressor-high-or-rising"),
        ({"vasopressor": "rising"}, "vasopressor-high-or-rising"),
        ({"resistance_cmh2o_s_per_l": 50.5, "total_peep_cmh2o": None}, "expiratory-time-constant-long"),
        ({"plateau_cmh2o": None}, "plateau-missing"),
    ],
)
def test_what_the_readings_rule_out(changes: dict[str, Any], expected: str) -> None:
    found = judged(**changes)
    assert reasons(found) == {expected}
    assert all(reason.text.endswith(".") and reason.would_change.endswith(".") for reason in found.reasons)


def test_bounds_touched_exactly_are_kept() -> None:
    assert judged(ph=7.20, fio2=0.80, vasopressor="low").may_share


def test_block_is_a_decision_and_never_silent() -> None:
    found = judged(passive="possible")
    assert found.may_share
    assert needs(found) == {"paralysis"}
    assert "bed 4" in found.needs[0].text


def test_exclusion_by_hand() -> None:
    found = judged(exclude="transfer at 18:00")
    assert reasons(found) == {"excluded"}
    assert "transfer at 18:00" in found.reasons[0].text
    assert judged(exclude="  ").may_share


def test_a_site_changes_rules() -> None:
    assert not judged(("pregnancy",)).may_share
    asked = judged(("pregnancy",), rules=(("pregnancy", "ask"), ("fio2-high", "allow")), fio2=0.9)
    assert asked.may_share
    assert needs(asked) == {"pregnancy"}
    assert not judged(("limits-of-care",), rules=(("limits-of-care", "never"),)).may_share


def test_what_must_match_in_a_group() -> None:
    assert judged(("resistant-germ",), position="prone").must_match == {"resistant-germ", "prone"}
    assert judged(("resistant-germ",), rules=(("resistant-germ", "allow"),)).must_match == frozenset()
    assert judged(position="supine").must_match == frozenset()


def test_a_condition_written_and_shown_counts_once() -> None:
    found = judged(("ph-low",), ph=7.1)
    assert [reason.id for reason in found.reasons] == ["ph-low"]
    assert "7.10" in found.reasons[0].text


def test_unknown_names_are_refused_with_the_nearest() -> None:
    with pytest.raises(ValueError, match="did you mean 'pregnancy'"):
        judged(("pregnant",))
    with pytest.raises(ValueError, match="unknown condition"):
        judged(rules=(("weather", "never"),))
    with pytest.raises(ValueError, match="must be never, ask or allow"):
        judged(rules=(("pregnancy", "maybe"),))


def test_ids_are_unique_and_texts_are_sentences() -> None:
    assert len({c.id for c in CONDITIONS}) == len(CONDITIONS)
    for known in CONDITIONS:
        assert condition(known.id) is known
        assert known.text.endswith(".")
        assert known.would_change.endswith(".")


def test_conditions_that_change_the_default_resistance_are_known() -> None:
    assert {known.id for known in CONDITIONS} >= OBSTRUCTIVE_CONDITIONS
