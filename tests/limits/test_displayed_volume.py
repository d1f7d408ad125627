"""The volume that a machine shows, re-added by hand: what the patients breathe out and what the circuit gives back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from airyoke.breath import Settings
from airyoke.breath.displayed import displayed_volume_ml
from airyoke.circuit import standard_build
from airyoke.contract.case import read_case
from airyoke.contract.shown_volume import shown_volume_words
from airyoke.limits.answer import GroupAnswer
from airyoke.limits.answering import answer_group
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import predict, sample_group
from airyoke.lungs.assumptions import Assumptions
from contract.cases import text, two_patients

PRESSURE = Settings("pc", 20.0, 1.0, 10.0, pressure_above_peep_cmh2o=14.0)
VOLUME = Settings("vc", 20.0, 1.0, 10.0, tidal_volume_ml=900.0)


def answered(settings: Settings) -> GroupAnswer:
    patients = read_case(text(two_patients())).to_domain().patients
    group = sample_group(patients, standard_build(2), Assumptions(), 16, 0)
    return answer_group(group, predict(group, [settings]), Policy(), 0)


def figures(settings: Settings) -> tuple[float, float, float, float]:
    """To the patients, compressed, shown, delivered."""
    answer = answered(settings)
    to_patients = sum(p.figures["tidal_volume_ml"].value or 0.0 for p in answer.patients)
    shown = answer.ventilator
    return (
        to_patients, shown["compressed_volume_ml"].value or 0.0, shown["displayed_tidal_volume_ml"].value or 0.0,
        shown["delivered_tidal_volume_ml"].value or 0.0,
    )  # fmt: skip


def test_worked_by_hand_the_display_loses_compliance_times_peak_less_peep() -> None:
    # By hand: 4 mL/cmH2O x (24 - 10) cmH2O = 56 mL (compressible volume of a circuit, textbook).
    exhaled, peak = np.array([900.0, 30.0]), np.array([24.0, 24.0])
    assert displayed_volume_ml(exhaled, peak, PRESSURE, 4.0).tolist() == [900.0, 30.0]
    on = displayed_volume_ml(exhaled, peak, replace(PRESSURE, circuit_compensation="on"), 4.0)
    assert on.tolist() == [844.0, 0.0]  # never below zero


@pytest.mark.parametrize("settings", [PRESSURE, VOLUME], ids=["pc", "vc"])
def test_with_compensation_off_patients_and_compressed_gas_make_up_what_is_shown(settings: Settings) -> None:
    to_patients, compressed, shown, _ = figures(settings)
    assert to_patients + compressed == pytest.approx(shown, abs=1e-6)
    # The textbook's circuit compliance x (peak - PEEP), within the pressure that limbs and valves keep from the wyes.
    answer = answered(settings)
    by_hand = standard_build(2).network.compliance_ml_per_cmh2o * (
        (answer.ventilator["peak_pressure_cmh2o"].value or 0.0) - 10
    )
    assert compressed == pytest.approx(by_hand, rel=0.2)


@pytest.mark.parametrize("settings", [PRESSURE, VOLUME], ids=["pc", "vc"])
def test_with_compensation_on_the_display_is_the_sum_of_the_patients(settings: Settings) -> None:
    to_patients, compressed, shown, _ = figures(replace(settings, circuit_compensation="on"))
    # What is left is what the wyes do not see of the peak: less than a fifth of the compressed volume.
    assert shown == pytest.approx(to_patients, abs=0.2 * compressed)


def test_in_pressure_control_compensation_moves_the_display_and_no_patient() -> None:
    off, on = figures(PRESSURE), figures(replace(PRESSURE, circuit_compensation="on"))
    assert on[0] == off[0]
    assert on[3] == off[3]
    assert on[2] < off[2]


def test_in_volume_control_compensation_also_delivers_what_it_takes_off() -> None:
    off, on = figures(VOLUME), figures(replace(VOLUME, circuit_compensation="on"))
    assert on[3] > off[3]
    assert on[2] == pytest.approx(900.0, rel=0.01)  # what was dialled


def test_the_words_add_up_as_printed() -> None:
    def numbers(words: str | None) -> list[int]:
        assert words is not None
        return [int(word.strip("(,")) for word in words.split() if word.strip("(,").isdigit()]

    shown, to_patients, compressed = numbers(shown_volume_words(answered(PRESSURE)))
    assert shown == to_patients + compressed
    words = shown_volume_words(answered(replace(PRESSURE, circuit_compensation="on")))
    shown, to_patients, compressed, off = numbers(words)
    assert shown == to_patients + compressed - off
