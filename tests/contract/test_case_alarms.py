"""Alarms of a case: a plan's lines can be put in as they stand; what the dial does not take is refused where it stands."""

from __future__ import annotations

import pytest

from airyoke.contract.case import read_case
from airyoke.plan.alarm_system import AlarmSystem
from airyoke.plan.alarms import alarm_limits, limits_of
from airyoke.quantities import Refused
from contract.cases import example, text


def case(**fields):
    return read_case(text({**example(), **fields}))


def refused(**fields):
    with pytest.raises(Refused) as error:
        case(**fields)
    return {one.column: one for one in error.value.findings}


def test_the_alarms_of_a_plan_can_be_put_into_a_case_as_they_stand():
    settings = case().to_domain().settings
    planned = alarm_limits(settings, [400.0, 500.0], 950.0)
    lines = [{"name": a.name, "low": a.low, "high": a.high, "unit": a.unit, "why": a.why} for a in planned]
    assert case(alarms=lines).to_domain().alarms == limits_of(planned)


def test_without_alarms_nothing_is_dialled_and_the_machine_is_a_generic_one():
    domain = case().to_domain()
    assert domain.alarms is None
    assert domain.alarm_system == AlarmSystem()
    assert case(alarms=[]).to_domain().alarms == {}


def test_the_machine_is_described_condition_by_condition():
    one = {"name": "exhaled_tidal_volume", "side": "low", "step": 5, "lowest": 0, "beyond_breaths": 4}
    mean = {"name": "exhaled_minute_volume", "side": "low", "averages_breaths": 8}
    system = case(alarm_conditions=[one, mean]).to_domain().alarm_system
    low = system.condition("exhaled_tidal_volume", "low")
    assert (low.lowest, low.highest, low.step, low.beyond(3.0)) == (0.0, 2000.0, 5.0, 4)
    assert system.condition("exhaled_minute_volume", "low").averages(3.0) == 8  # instead of 30 s
    assert system.condition("exhaled_tidal_volume", "high") == AlarmSystem().condition("exhaled_tidal_volume", "high")
    case(alarm_conditions=[one], alarms=[{"name": "exhaled_tidal_volume", "low": 605}])


@pytest.mark.parametrize(
    ("fields", "column", "word"),
    [
        ({"alarms": [{"name": "exhaled_tidal_volume", "low": 2500}]}, "alarms[0].low", "10 to 2000"),
        ({"alarms": [{"name": "exhaled_tidal_volume", "low": 605}]}, "alarms[0].low", "steps of 10"),
        ({"alarms": [{"name": "apnoea", "low": 20}]}, "alarms[0].low", "no dial"),
        ({"alarms": [{"name": "exhaled_tidal_volum", "low": 600}]}, "alarms[0].name", "cannot be"),
        ({"alarms": [{"name": "peep", "low": 12, "high": 8}]}, "alarms[0].low", "not below"),
        ({"alarms": [{"name": "peep", "low": 5}, {"name": "peep", "high": 15}]}, "alarms[1].name", "twice"),
        ({"alarms": [{"name": "exhaled_tidal_volume", "low": 1, "unit": "L"}]}, "alarms[0].unit", "mL"),
        ({"alarms": [{"name": "peep", "lo": 5}]}, "alarms[0].lo", "no field"),
        ({"alarm_conditions": [{"name": "rate", "side": "low"}]}, "alarm_conditions[0].side", "no machine"),
        ({"alarm_conditions": [{"name": "peep", "side": "low", "lowest": 60}]}, "alarm_conditions[0].lowest", "goes from"),
        ({"alarm_conditions": [{"name": "peep", "side": "low", "averages_breaths": 5}]}, "alarm_conditions[0]", "averages and waits"),
        ({"alarm_conditions": [{"name": "peep", "side": "low"}] * 2}, "alarm_conditions[1]", "twice"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_refused_where_it_stands(fields, column, word):
    found = refused(**fields)
    assert word in found[column].reason
    assert found[column].remedy
