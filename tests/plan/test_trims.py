"""Trims: the engine's orifice is the closed form's, no real piece is better than the one proposed, nothing is invented."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from airyoke.breath import Settings
from airyoke.breath.engine import settle
from airyoke.circuit import NO_TRIM, Trim, ideal_build, trimmed
from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.cli import main
from airyoke.cli.page import Page
from airyoke.cli.trim import trim_page
from airyoke.contract.case import read_case
from airyoke.plan.coupling import Coupling
from airyoke.plan.trim_sensitivity import sensitivity
from airyoke.plan.trim_steps import steps
from airyoke.plan.trims import DRIVE_STEPS_CMH2O, SEARCH_DRAWS, TIE, fitted_coupling, fittings_for, search_trims
from airyoke.plan.what_if import Question, predict_coupling
from breath.cases import mechanics
from contract.cases import text, two_patients
from plan.refereed import LONG

FEW = {"restrictor-4.0mm": 1, "restrictor-5.0mm": 1, "restrictor-6.0mm": 1, "peep-valve-in-line": 1}


def unequal():
    """A stiff and a soft lung: at the drive that the stiff one needs the soft one gets too much."""
    case = two_patients()
    for patient, compliance, height, dead_space in zip(case["patients"], (30, 62), (165, 168), (75, 90), strict=True):
        patient |= {
            "compliance_ml_per_cmh2o": compliance, "height_cm": height, "airway_dead_space_ml": dead_space,
            "vco2_ml_per_min": 170, "alveolar_dead_space_fraction": 0.15,
        }  # fmt: skip
    case["settings"] |= {"pressure_above_peep_cmh2o": 17, "rate_per_min": 20, "inspiratory_time_s": 1.0}
    return case


def coupling(case) -> Coupling:
    read = read_case(text(case)).to_domain()
    return Coupling(read.patients, read.bare_build, read.settings, read.trims)


@pytest.fixture(scope="module")
def found():
    return search_trims(coupling(unequal()), Question(), FEW)


@pytest.mark.parametrize("diameter_mm", [3.0, 3.5, 4.0, 5.0, 6.0])
def test_the_volume_behind_an_orifice_is_that_of_the_closed_form(diameter_mm):
    # Nothing but an orifice and a lung: dx/dt = -sqrt(x / K) / C for x = P - V / C, so the root of x falls in a straight
    # line: V = C (P - (sqrt(P) - t / (2 C sqrt(K)))²) until x is 0. K = rho / (2 (Cd A)²) (1 - (d/22)^4), handbook Cd.
    P, C, Ti = 15.0, 0.045, 0.9
    area = math.pi / 4 * (diameter_mm / 1000) ** 2
    K = 1.2046 / (2 * (0.62 * area) ** 2) * 1e-6 / 98.0665 * (1 - (diameter_mm / 22) ** 4)
    root = max(math.sqrt(P) - Ti / (2 * C * math.sqrt(K)), 0.0)
    expected_ml = 1000 * C * (P - root**2)
    trim = Trim(orifice_quadratic_cmh2o_s2_per_l2(diameter_mm, bore_mm=22.0))
    build = trimmed(ideal_build(2), (trim, NO_TRIM))
    breath = settle(
        build.network, Settings("pc", 8, Ti, 5, pressure_above_peep_cmh2o=P), mechanics([45, 45], [0.01, 0.01], [0.01, 0.01])
    )
    assert breath.tidal_volume_ml[0, 0] == pytest.approx(expected_ml, rel=5e-3)
    assert breath.tidal_volume_ml[0, 1] == pytest.approx(1000 * C * P, rel=5e-3)


def test_no_piece_on_no_limb_at_no_drive_is_better_than_the_one_proposed(found):
    group, question = coupling(unequal()), Question(draws=SEARCH_DRAWS)
    pieces = {label: fittings_for(label, FEW) for label in ("A", "B")}
    pairs = [(a, b) for a in pieces["A"] for b in pieces["B"] if a.kind != b.kind]
    best = -math.inf
    for fittings in [(), *((one,) for label in pieces for one in pieces[label]), *pairs]:
        for step in DRIVE_STEPS_CMH2O if LONG else (-2.0, 0.0):
            settings = Settings(**{
                name: getattr(group.settings, name) for name in Settings.__slots__
            } | {"pressure_above_peep_cmh2o": 17 + step})  # fmt: skip
            here = fitted_coupling(group, fittings, settings)
            # The verdict at best estimate bounds that of the draws by definition: most need no draws.
            if _margin(here, Question(draws=0)) > best:
                best = max(best, _margin(here, question))
    proposal = found.proposals[-1]
    assert _margin(proposal.after.coupling, question) >= best - 2 * TIE
    assert proposal.margin >= 0.0 > found.before.answer.margin.value


def _margin(group, question):
    answer = predict_coupling(group, question).answer
    return -math.inf if answer.margin is None else answer.margin.value


def test_a_restrictor_is_never_on_the_way_out(found):
    for proposal in found.proposals:
        after = proposal.after.coupling
        for bare, fitted, trim in zip(after.build.network.limbs, after.fitted.network.limbs, after.trims, strict=True):
            assert trim.peep_valve_cmh2o > 0.0 or fitted.expiratory == bare.expiratory
        assert any(one.kind == "restrictor" for one in proposal.fittings)


def test_without_parts_only_dead_space_is_left_and_a_single_piece_is_not_used_twice():
    assert {one.kind for one in fittings_for("A", {})} == {"dead_space"}
    assert {one.part for one in fittings_for("A", {"restrictor-4.0mm": 1})} == {None, "restrictor-4.0mm"}
    case = unequal()
    case["patients"].append(case["patients"][1] | {"label": "C"})
    three = search_trims(coupling(case), Question(draws=16), {"restrictor-5.0mm": 1})
    for proposal in three.proposals:
        assert sum(one.part == "restrictor-5.0mm" for one in proposal.fittings) <= 1


def test_a_group_that_is_inside_gets_no_trim(found):
    inside = found.proposals[-1].after.coupling
    again = search_trims(inside, Question(), FEW)
    assert again.proposals == ()
    assert again.tried == 0


def test_the_more_a_hole_narrows_the_less_its_patient_gets_and_a_piece_on_the_wrong_limb_is_told(found):
    proposal = found.proposals[-1]
    rows = {row.what: row for row in sensitivity(proposal)}
    (one,) = (fitting for fitting in proposal.fittings if fitting.kind == "restrictor")
    place = proposal.after.coupling.labels.index(one.patient)
    names = ["resistance +40 % (wet or badly made)", "hole 0.1 mm narrower", None, "hole 0.1 mm wider",
             "resistance -40 % (a rounded inlet)", "left out"]  # fmt: skip
    volumes = [rows["as proposed" if name is None else f"{one.patient}: {name}"].tidal_volumes_ml[place] for name in names]
    assert np.all(np.diff(volumes) > 0.0)
    if len(proposal.fittings) == 1:
        assert any(what.startswith("on ") for what in rows)
    said = " ".join(steps(proposal))
    assert "Never on the branch out" in said
    assert "clamp all but one" in said


def test_a_proposal_typed_into_the_case_gives_what_was_promised(tmp_path, capsys):
    path = tmp_path / "case.json"
    path.write_text(text(unequal()), encoding="utf-8")
    assert main(["predict", str(path), "--trim", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["schema"] == "airyoke/trim/1"
    assert answer["outcome"] == "found"
    proposal = answer["proposals"][-1]
    assert not any(one["kind"] == "peep_valve" for one in proposal["fittings"]), "its own resistance cannot be typed"
    case = unequal()
    case["settings"] = {k: v for k, v in proposal["after"]["settings"].items() if v is not None}
    for one in proposal["fittings"]:
        patient = next(p for p in case["patients"] if p["label"] == one["patient"])
        for name in ("restrictor_cmh2o_s2_per_l2", "peep_valve_cmh2o", "added_dead_space_ml"):
            patient[name] = one[name]
    path.write_text(text(case), encoding="utf-8")
    assert main(["predict", str(path), "--json"]) == 0
    by_hand = json.loads(capsys.readouterr().out)
    for got, wanted in zip(proposal["after"]["patients"], by_hand["patients"], strict=True):
        assert got["tidal_volume_ml"]["value"] == pytest.approx(wanted["tidal_volume_ml"]["value"], rel=1e-5)
    assert proposal["after"]["margin"]["value"] == pytest.approx(by_hand["margin"]["value"], abs=1e-4)


def test_the_page_says_what_it_forgives_and_how_it_is_set(found):
    page = Page(width=100)
    trim_page(page, found, (), stock_known=True)
    told = page.rendered()
    assert max(len(line) for line in told.splitlines()) <= 100
    for words in ("What it forgives", "How it is set", "last resort", "on the branch in of B", "left out"):
        assert words in told
