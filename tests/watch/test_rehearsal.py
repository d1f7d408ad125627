"""The verdict on a rehearsal: lungs that the readings were made from come back, and what is confirmed holds again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from airyoke.breath.engine import LungMechanics, settle
from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.circuit.builds import single_build, standard_build
from airyoke.limits.policy import Policy
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.patient import Patient
from airyoke.lungs.readings import Readings
from airyoke.watch.rehearsal import MAY_MOVE_CMH2O, lungs_again, near_by, read_alone, rehearse, without_rehearsal

SHARED = Settings("pc", 22.0, 0.9, 10.0, 0.6, pressure_above_peep_cmh2o=14.0, circuit_compensation="on")
BEFORE = Readings("m", 175.0, "yes", "vc", 20.0, 1.0, 420.0, 10.0, 0.6, flow_shape="constant", pause_s=0.3,
                  plateau_cmh2o=24.0, total_peep_cmh2o=10.5, flow_l_per_min=40.0, peak_cmh2o=33.0, paco2_mmhg=44.0,
                  ph=7.36, pao2_mmhg=70.0, humidification="hme")  # fmt: skip
LUNGS = {"compliance_ml_per_cmh2o": 33.0, "inspiratory_resistance_cmh2o_s_per_l": 11.0}


def first(label: str) -> Patient:
    found = estimate_lungs(BEFORE, label, Assumptions(), circuit_compensation="on")
    assert isinstance(found, Patient)
    return found


def rehearsed(label: str, compliance: float = 33.0, paco2_mmhg: float = 38.0, ph: float = 7.41) -> Patient:
    """A patient whose true compliance is this, read alone at the shared settings as the engine breathes for it."""
    lungs = LungMechanics(np.array([[compliance]]), np.array([[11.0]]), np.array([[11.0]]), np.array([[0.0]]))
    breath = settle([single_build("hme").network], [SHARED], lungs)
    measured = {
        "tidal_volume_ml": float(breath.tidal_volume_ml[0, 0]),
        "plateau_cmh2o": float(breath.plateau_cmh2o[0, 0]),
        "total_peep_cmh2o": float(breath.total_peep_cmh2o[0, 0]),
        "paco2_mmhg": paco2_mmhg, "ph": ph, "pao2_mmhg": 72.0,
    }  # fmt: skip
    again = lungs_again(read_alone(BEFORE, SHARED, measured), first(label), Assumptions(), circuit_compensation="on")
    assert isinstance(again, Patient)
    return again


@pytest.mark.parametrize("compliance", [24.0, 33.0, 45.0])
def test_the_compliance_that_the_readings_were_made_from_comes_back_with_the_spread_of_a_rehearsal(
    compliance: float,
) -> None:
    """Compliance = volume over plateau less total PEEP (definition); the engine made the readings."""
    again = rehearsed("1", compliance).lungs.compliance
    assert again.value == pytest.approx(compliance, rel=0.01)
    assert again.spread.sd == pytest.approx(Assumptions().rehearsed_relative_sd, rel=0.35)


def test_what_does_not_belong_to_the_shared_settings_is_not_taken_along() -> None:
    again = read_alone(BEFORE, SHARED, {"tidal_volume_ml": 400.0, "plateau_cmh2o": 23.0, "total_peep_cmh2o": 10.6,
                                        "paco2_mmhg": 45.0, "ph": 7.35})  # fmt: skip
    assert (again.peak_cmh2o, again.flow_l_per_min, again.pao2_mmhg, again.spo2_pct) == (None,) * 4
    assert (again.mode, again.height_cm, again.rate_per_min) == ("pc", 175.0, 22.0)
    with pytest.raises(KeyError):
        read_alone(BEFORE, SHARED, {"tidal_volume_ml": 400.0})


def verdict(one: Patient, other: Patient, settings: Settings = SHARED, draws: int = 256):  # type: ignore[no-untyped-def]
    return rehearse([one, other], standard_build(2), settings, Policy(), Ventilator("V1"), draws=draws)


def test_a_pair_that_was_read_as_planned_is_confirmed_and_says_its_chance() -> None:
    enough = replace(SHARED, pressure_above_peep_cmh2o=15.0, peep_cmh2o=9.0)
    found = verdict(rehearsed("1"), rehearsed("2"), enough)
    assert (found.outcome, found.settings) == ("confirmed", enough)
    assert found.as_planned is not None
    assert found.as_planned.inside_probability >= 0.90
    assert f"{100 * found.as_planned.inside_probability:.0f} % of 256 draws (90 needed)" in found.words


def test_a_pressure_a_little_too_low_is_retuned_by_at_most_2_and_the_new_settings_are_confirmed_when_asked() -> None:
    # Read with more CO2: through the shared circuit each gets less than alone, and the pH falls out of its target.
    one, other = rehearsed("1", paco2_mmhg=44.0, ph=7.36), rehearsed("2", paco2_mmhg=44.0, ph=7.36)
    found = verdict(one, other)
    assert found.outcome == "retuned"
    assert found.settings.pressure_above_peep_cmh2o is not None
    assert abs(found.settings.pressure_above_peep_cmh2o - 14.0) <= MAY_MOVE_CMH2O
    assert abs(found.settings.peep_cmh2o - 10.0) <= MAY_MOVE_CMH2O
    assert (found.settings.rate_per_min, found.settings.inspiratory_time_s) == (22.0, 0.9)
    assert verdict(one, other, found.settings).outcome == "confirmed"
    assert "As planned" in found.words
    assert f"pressure above PEEP {found.settings.pressure_above_peep_cmh2o:g} (was 14)" in found.words


def test_lungs_that_no_pressure_suits_both_are_not_coupled_and_the_bed_that_holds_it_back_is_named() -> None:
    found = verdict(rehearsed("1", 14.0), rehearsed("2", 60.0))
    assert found.outcome in ("replan", "dissolved")
    assert "bed 1" in found.words or "bed 2" in found.words


def test_every_step_of_the_dials_within_reach_is_tried_and_none_beyond_the_machine() -> None:
    near = near_by(replace(SHARED, pressure_above_peep_cmh2o=14.0), Ventilator("V1", max_pressure_cmh2o=25.0, max_peep_cmh2o=11.0))
    dialled = {(one.pressure_above_peep_cmh2o, one.peep_cmh2o) for one in near}
    by_hand = {(d, p) for d in (12, 13, 14, 15, 16) for p in (8, 9, 10, 11) if d + p <= 25} - {(14, 10)}
    assert dialled == by_hand


def test_without_a_rehearsal_the_chance_is_that_of_the_earlier_readings_which_is_smaller() -> None:
    skipped = without_rehearsal([first("1"), first("2")], standard_build(2), SHARED, Policy(), draws=256)
    assert "Not rehearsed" in skipped.words
    assert skipped.as_planned is not None
    again = verdict(rehearsed("1"), rehearsed("2")).as_planned
    assert skipped.as_planned.inside_probability < again.inside_probability
