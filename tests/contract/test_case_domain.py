"""From a case as written to lungs, build and settings; every default is listed."""

from __future__ import annotations

import pytest

from airyoke.circuit import Element, ideal_build, single_build, standard_build
from airyoke.contract.case import read_case
from airyoke.contract.case_domain import DomainCase
from airyoke.contract.case_findings import unusual
from airyoke.quantities import Spread
from contract.cases import CIRCUIT, VOLUME_CONTROL, example, text, two_patients


def domain(case: object) -> DomainCase:
    read = read_case(text(case))
    return read.to_domain(unusual(read))


def test_the_example_is_taken_as_written() -> None:
    case = domain(example())
    lungs = case.patients[0].lungs
    assert lungs.compliance.value == 32.0
    assert lungs.compliance.spread == Spread.relative(0.1)
    assert lungs.inspiratory_resistance.spread == Spread.none()
    assert lungs.airway_dead_space is not None
    assert lungs.airway_dead_space.spread == Spread.relative(0.15)
    assert lungs.vco2 is not None
    assert lungs.vco2.spread == Spread.relative(0.05)
    assert lungs.shunt is not None
    assert lungs.shunt.spread.kind == "normal"
    assert case.build == ideal_build(1)
    assert case.settings.pressure_above_peep_cmh2o == 14.0
    assert [one.field for one in case.assumed] == [
        "circuit_compensation",
        "arteriovenous_difference_ml_per_dl",
        "barometric_pressure_mmhg",
    ]
    assert case.findings == ()


def test_every_default_is_listed_with_why_and_source() -> None:
    least = {
        "patients": [{"label": "A", "sex": "f", "height_cm": 160, "compliance_ml_per_cmh2o": 32}],
        "circuit": "ideal",
        "settings": {**VOLUME_CONTROL, "fio2": None},
    }
    case = domain(least)
    assumed = {one.field: one for one in case.assumed}
    assert {name: one.value for name, one in assumed.items()} == {
        "inspiratory_resistance_cmh2o_s_per_l": 12.0,
        "expiratory_resistance_cmh2o_s_per_l": 12.0,
        "quadratic_resistance_cmh2o_s2_per_l2": 0.0,
        "airway_dead_space_ml": pytest.approx(2.2 * 52.4, abs=0.1),
        "alveolar_dead_space_fraction": 0.25,
        "vco2_ml_per_min": 200.0,
        "bicarbonate_mmol_per_l": 24.0,
        "haemoglobin_g_per_dl": 10.0,
        "fio2": 0.21,
        "flow_shape": "constant",
        "pause_s": 0.0,
        "circuit_compensation": "off",
    }
    assert all(one.why and one.source for one in case.assumed)
    assert case.patients[0].lungs.shunt is None
    assert case.patients[0].lungs.vco2 is not None
    assert case.patients[0].lungs.vco2.assumed


def test_without_size_the_airway_dead_space_is_not_known() -> None:
    case = example()
    for name in ("sex", "height_cm", "airway_dead_space_ml"):
        del case["patients"][0][name]
    assert domain(case).patients[0].lungs.airway_dead_space is None


def test_structural_spread_can_be_left_out() -> None:
    case = example() | {"structural_uncertainty": False}
    taken = domain(case)
    lungs = taken.patients[0].lungs
    assert not taken.structural
    assert lungs.airway_dead_space is not None
    assert lungs.airway_dead_space.spread == Spread.none()
    assert lungs.compliance.spread == Spread.relative(0.1)


@pytest.mark.parametrize(
    ("name", "value", "written", "spread"),
    [
        ("compliance_ml_per_cmh2o", 32, {"relative_sd": 0.2}, Spread.relative(0.2)),
        ("compliance_ml_per_cmh2o", 32, {"sd": 3.2}, Spread.relative(0.1)),
        ("quadratic_resistance_cmh2o_s2_per_l2", 0, {"sd": 2}, Spread.absolute(2.0, low=0.0)),
        ("shunt_fraction", 0.25, {"sd": 0.05}, Spread.absolute(0.05, 0.0, 1.0)),
        ("shunt_fraction", 0.25, {"relative_sd": 0.2}, Spread.absolute(0.05, 0.0, 1.0)),
        ("vco2_ml_per_min", 200, {"relative_sd": 0.0}, Spread.relative(0.0)),
    ],
)
def test_spreads(name: str, value: float, written: dict[str, float], spread: Spread) -> None:
    case = example()
    case["patients"][0].update({name: value, "uncertainty": {name: written}})
    lungs = domain(case).patients[0].lungs
    found = {
        estimate.quantity: estimate.spread
        for estimate in (lungs.compliance, lungs.quadratic_resistance, lungs.shunt, lungs.vco2)
        if estimate is not None
    }
    assert found[name] == spread


def test_circuits() -> None:
    assert domain(two_patients()).build == standard_build(2)
    alone = example() | {"circuit": "standard"}
    assert domain(alone).build == single_build("hme")
    custom = domain(two_patients() | {"circuit": CIRCUIT}).build
    assert custom.name == "custom"
    assert custom.resistance_relative_sd == custom.compliance_relative_sd == 0.0
    assert custom.network.inspiratory_trunk == Element(1.5, 0.5)
    limb = custom.network.limbs[1]
    assert limb.inspiratory_valve is not None
    assert limb.inspiratory_valve.linear == 2.0
    assert limb.dead_space_ml == 0.0
    bare = domain(two_patients() | {"circuit": {**CIRCUIT, "valves": "none"}}).build
    assert bare.network.limbs[0].expiratory_valve is None


def test_trims_stand_on_the_limb_of_their_patient() -> None:
    case = two_patients()
    case["patients"][1].update(restrictor_cmh2o_s2_per_l2=40, peep_valve_cmh2o=5, added_dead_space_ml=30)
    plain, trimmed = standard_build(2).network.limbs[1], domain(case).build.network.limbs
    assert trimmed[0] == standard_build(2).network.limbs[0]
    assert trimmed[1] == plain.trimmed(40.0, 5.0, 30.0)


def test_unusual_values_are_used_and_noted() -> None:
    case = example()
    case["patients"][0]["compliance_ml_per_cmh2o"] = 120
    case["settings"]["pause_s"] = 0.2
    taken = domain(case)
    assert taken.patients[0].lungs.compliance.value == 120.0
    assert [(f.id, f.level, f.column) for f in taken.findings] == [
        ("compliance-unusual", "note", "patients[0].compliance_ml_per_cmh2o"),
        ("not-used", "note", "settings.pause_s"),
    ]


def test_what_a_mode_does_not_use_may_be_null() -> None:
    case = example()
    case["settings"] |= {
        "tidal_volume_ml": None,
        "flow_shape": None,
        "pause_s": None,
        "pressure_limit_cmh2o": 40,
    }
    assert domain(case).settings.pressure_limit_cmh2o == 40.0
