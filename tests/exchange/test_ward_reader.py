"""What a ward becomes: which values survive, what a person's confirmation does, how policy and stock are read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from airyoke.exchange import read_ward
from airyoke.limits.policy import Policy, limit_policy_names
from airyoke.quantities import Refused
from airyoke.ward.ward import Ward
from exchange.clean_ward import NOW, Tables, clean_tables, write_csv_ward


def _read(tmp_path: Path, tables: Tables, name: str = "ward") -> Ward:
    return read_ward(write_csv_ward(tmp_path / name, tables), now=NOW)


def test_an_optional_refused_value_becomes_not_known(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0]["paco2_mmhg"] = 460
    ward = _read(tmp_path, tables)
    assert ward.beds[0].readings is not None
    assert ward.beds[0].readings.paco2_mmhg is None
    assert [(f.id, f.level, f.row, f.column, f.bed, f.value, f.file, f.sheet) for f in ward.findings] == [
        ("paco2-out-of-range", "refused", 2, "paco2_mmhg", "1", "460", "beds.csv", "beds")
    ]


def test_a_needed_refused_value_leaves_the_bed_alone_and_the_others_as_they_are(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][1]["height_cm"] = 70
    ward = _read(tmp_path, tables)
    assert [bed.readings is None for bed in ward.beds] == [False, True, False, False]
    assert ward.beds[1].ventilator == "V2"


def test_an_asked_value_is_used_as_typed_until_confirmed(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0].update(paco2_mmhg=20, ph=7.55, etco2_mmhg=18, bicarbonate_mmol_per_l=17)
    ward = _read(tmp_path, tables, "first")
    assert {(f.id, f.level) for f in ward.findings} == {("paco2-unusual", "ask")}
    assert ward.beds[0].readings is not None
    assert ward.beds[0].readings.paco2_mmhg == 20
    tables["beds"][0]["confirmed"] = "reading-old; paco2-unusual"
    confirmed = _read(tmp_path, tables, "confirmed")
    assert [(f.id, f.level) for f in confirmed.findings] == [("paco2-unusual", "note")]
    assert "confirmed" in confirmed.findings[0].reason
    assert confirmed.beds[0].confirmed == ("reading-old", "paco2-unusual")


def test_a_confirmation_never_lifts_a_refusal_and_holds_for_its_bed_only(tmp_path: Path) -> None:
    tables = clean_tables()
    for row in tables["beds"][:2]:
        row["fio2"] = 60
    tables["beds"][2]["exclude"] = "no"
    tables["beds"][3]["exclude"] = "-"
    tables["beds"][0]["confirmed"] = "fio2-unit;exclude-unclear"
    tables["beds"][2]["confirmed"] = "exclude-unclear"
    ward = _read(tmp_path, tables)
    assert [(f.bed, f.id, f.level) for f in ward.findings] == [
        ("1", "fio2-unit", "refused"),
        ("2", "fio2-unit", "refused"),
        ("3", "exclude-unclear", "note"),
        ("4", "exclude-unclear", "ask"),
    ]
    # Confirmed or not, the words stand: a patient is let out of exclusion by clearing the cell only.
    assert (ward.beds[2].exclude, ward.beds[3].exclude) == ("no", "-")


def test_two_beds_on_one_ventilator_are_a_running_group_and_no_finding(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][3]["ventilator"] = "V1"
    ward = _read(tmp_path, tables)
    assert ward.findings == ()
    assert [bed.label for bed in ward.beds if bed.ventilator == "V1"] == ["1", "4"]


def test_lists_are_split_and_blank_infection_is_not_an_empty_set(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0]["infection"] = "mrsa; vre ;mrsa;"
    tables["beds"][1]["infection"] = None
    tables["beds"][2]["infection"] = ";"
    ward = _read(tmp_path, tables)
    assert [bed.infection for bed in ward.beds[:3]] == [frozenset({"mrsa", "vre"}), None, None]


def test_several_unreadable_things_are_said_at_once(tmp_path: Path) -> None:
    tables = clean_tables()
    for row in tables["beds"]:
        row["plateu_cmh2o"] = row.pop("plateau_cmh2o")
    tables["policy"].append({"nmae": "x", "name": "confidence", "value": 0.7})
    with pytest.raises(Refused) as refusal:
        _read(tmp_path, tables)
    assert [(f.sheet, f.id, f.remedy) for f in refusal.value.findings] == [
        ("beds", "column-unknown", "did you mean plateau_cmh2o?"),
        ("policy", "column-unknown", "did you mean name?"),
    ]


@pytest.mark.parametrize(
    ("header", "remedy"),
    [
        ("plateau", "did you mean plateau_cmh2o or plateau_kpa or plateau_mbar or plateau_hpa? The name says the unit"),
        ("height_ft", "did you mean height_cm or height_in or height_m? The name says the unit"),
        ("FiO2 [%]", "did you mean fio2 or fio2_pct? The name says the unit"),
        ("rr", "did you mean rate_per_min? The name says the unit"),
        ("tital_volume_ml", "did you mean tidal_volume_ml?"),
        ("patient_name", "the columns of beds are bed"),
    ],
)
def test_an_unknown_column_names_the_way_out(tmp_path: Path, header: str, remedy: str) -> None:
    tables = clean_tables()
    tables["beds"][0][header] = 1
    with pytest.raises(Refused) as refusal:
        _read(tmp_path, tables)
    assert [f.id for f in refusal.value.findings] == ["column-unknown"]
    assert refusal.value.findings[0].remedy.startswith(remedy)


def test_a_missing_needed_column_is_said_once_and_leaves_every_bed_alone(tmp_path: Path) -> None:
    tables = clean_tables()
    for row in tables["beds"]:
        del row["fio2"]
    ward = _read(tmp_path, tables)
    assert [(f.id, f.level, f.column, f.row) for f in ward.findings] == [("column-missing", "refused", "fio2", 1)]
    assert all(bed.readings is None for bed in ward.beds)


def test_a_ventilator_with_a_refused_cell_is_not_given_away(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["ventilators"][1]["max_pressure_cmh2o"] = 6000
    ward = _read(tmp_path, tables)
    assert [machine.usable for machine in ward.ventilators] == [True, False, True]
    assert {f.id for f in ward.findings} == {"max-pressure-out-of-range", "ventilator-unusable-in-use"}


def test_defaults_of_ventilators_and_their_words(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["ventilators"] += [{"ventilator": "V4", "usable": "NO", "modes": "PC"}]
    ward = _read(tmp_path, tables)
    assert (ward.ventilators[3].usable, ward.ventilators[3].modes) == (False, ("pc",))
    assert ward.ventilators[3].max_peak_flow_l_per_min == 120
    assert ward.ventilators[2].room is None


def _policy(tmp_path: Path, name: str, value: Any) -> Ward:
    tables = clean_tables()
    tables["policy"] = [{"name": name, "value": value}]
    return _read(tmp_path, tables)


@pytest.mark.parametrize("name", limit_policy_names())
def test_every_limit_can_be_set(tmp_path: Path, name: str) -> None:
    default = Policy()
    target, side = name.removesuffix("_hard"), "hard" if name.endswith("_hard") else "target"
    present = next(getattr(limit, side) for limit in default.limits if limit.policy_name == target)
    value = round(present * 1.01, 4) if present * 1.01 <= 1 or present > 1 else 0.99
    policy = _policy(tmp_path, name, value).policy
    assert next(getattr(limit, side) for limit in policy.limits if limit.policy_name == target) == value


def test_rules_and_assumptions_of_a_policy(tmp_path: Path) -> None:
    tables = clean_tables()
    rules = {
        "sharing": "no", "max_group_size": 3, "reserve_ventilators": 2, "rooms_may_mix": "yes", "rehearse": "no",
        "hard_confidence": 0.9, "confirm_confidence": 0.85, "reading_max_age_h": 4, "spo2_aim_pct": 93,
        "eligible_ph": 7.25, "eligible_fio2": 0.7, "barometric_pressure_mmhg": 640, "haemoglobin_g_per_dl": 9,
    }  # fmt: skip
    tables["policy"] = [{"name": name, "value": value} for name, value in rules.items()]
    ward = _read(tmp_path, tables)
    policy = ward.policy
    assert ward.findings == ()
    assert (policy.sharing, policy.max_group_size, policy.reserve_ventilators) == ("no", 3, 2)
    assert isinstance(policy.max_group_size, int)
    assert (policy.rooms_may_mix, policy.rehearse) == (True, False)
    assert (policy.hard_confidence, policy.confirm_confidence, policy.reading_max_age_h) == (0.9, 0.85, 4)
    assert (policy.spo2_aim_pct, policy.eligible_ph, policy.eligible_fio2) == (93, 7.25, 0.7)
    assert (policy.assumptions.barometric_pressure_mmhg, policy.assumptions.haemoglobin_g_per_dl) == (640, 9)


def test_conditions_of_a_bed_and_the_rules_of_a_site(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0]["conditions"] = "Air-Leak; tube-trouble"
    tables["policy"] += [{"name": "air-leak", "value": "ask"}, {"name": "Heavy-Secretions", "value": "Allow"}]
    ward = _read(tmp_path, tables)
    assert ward.findings == ()
    assert ward.beds[0].conditions == ("air-leak", "tube-trouble")
    assert ward.policy.condition_rules == (("air-leak", "ask"), ("heavy-secretions", "allow"))


def test_no_reserve_is_asked(tmp_path: Path) -> None:
    ward = _policy(tmp_path, "reserve_ventilators", 0)
    assert [(f.id, f.level) for f in ward.findings] == [("policy-reserve-ventilators-unusual", "ask")]
    assert ward.policy.reserve_ventilators == 0


def test_barometric_pressure_of_the_site_decides_what_oxygen_is_possible(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["beds"][0]["pao2_mmhg"] = 280
    assert "pao2-above-alveolar" not in {f.id for f in _read(tmp_path, tables, "first").findings}
    tables["policy"].append({"name": "barometric_pressure_mmhg", "value": 600})
    high = _read(tmp_path, tables, "high")
    assert "pao2-above-alveolar" in {f.id for f in high.findings}


def test_two_low_pressures_that_cross_are_asked(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["policy"] = [{"name": "rate_per_min_low", "value": 20}, {"name": "rate_per_min_high", "value": 18}]
    ward = _read(tmp_path, tables)
    assert [(f.id, f.row) for f in ward.findings] == [("policy-range-empty", 2)]


def test_findings_come_in_the_order_of_the_sheets(tmp_path: Path) -> None:
    tables = clean_tables()
    tables["policy"].append({"name": "nothing", "value": 1})
    tables["stock"].append({"part": "nothing", "count": 1})
    tables["ventilators"][2]["usable"] = "perhaps"
    tables["beds"][3]["ph"] = 74
    tables["beds"][0]["ph"] = 74
    ward = _read(tmp_path, tables)
    assert [(f.sheet, f.row) for f in ward.findings] == [
        ("beds", 2),
        ("beds", 4),
        ("beds", 5),
        ("ventilators", 4),
        ("stock", len(tables["stock"]) + 1),
        ("policy", len(tables["policy"]) + 1),
    ]
