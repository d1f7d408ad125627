"""The drawn circuit: well-formed, complete, legible, told apart without colour."""

from __future__ import annotations

import os
import random
import re
from functools import lru_cache
from pathlib import Path
from xml.etree import ElementTree

import pytest

from airyoke.circuit import PARTS
from airyoke.circuit.assembly import TERMINALS
from airyoke.circuit.choice import CannotBuild
from airyoke.circuit.from_stock import build_for
from airyoke.circuit.needs import CircuitNeeds, PatientNeeds
from airyoke.pictures import circuit_svg
from airyoke.pictures.circuit import description
from airyoke.pictures.style import INKS, PATTERNS, dashes
from pictures.looking import SVG, check_words, texts

CASES = [(n, layout, wet) for n in (1, 2, 3, 4) for layout in ("tree", "chain") for wet in ("hme", "heated")]
IDS = [f"{n} {layout} {wet}" for n, layout, wet in CASES]


@lru_cache
def _assembly(n, layout="tree", wet="hme", **each):
    return build_for(CircuitNeeds((PatientNeeds(**each),) * n, layout, wet), None).assembly


def _mixed(seed):
    """A circuit of whatever parts a random store room gives, trims and long hoses included."""
    dice = random.Random(seed)
    stock = {name: dice.choice([0, 1, 2, 30]) for name in PARTS}
    patients = tuple(
        PatientNeeds(
            dice.choice([1.5, 3.0, 4.0]),
            dice.choice([None, "restrictor-4.0mm"]),
            dice.choice([None, 5.0]),
            dice.random() < 0.3,
        )
        for _ in range(dice.choice([2, 3, 4]))
    )
    built = build_for(CircuitNeeds(patients, dice.choice(["tree", "chain"]), dice.choice(["hme", "heated"])), stock)
    if isinstance(built, CannotBuild):
        extra = dict(built.missing)
        built = build_for(built.needs, {name: stock[name] + extra.get(name, 0) for name in PARTS})
    return built.assembly


@pytest.mark.parametrize("seed", range(60 if os.environ.get("AIRYOKE_LONG") == "1" else 12))
@pytest.mark.parametrize("shape", ["wide", "narrow"])
def test_words_keep_apart_in_mixed_circuits_too(seed, shape):
    check_words(circuit_svg(_mixed(seed), shape=shape, labels=("E1", "E4", "W2", "W3")))


@pytest.mark.parametrize(("n", "layout", "wet"), CASES, ids=IDS)
@pytest.mark.parametrize("shape", ["wide", "narrow"])
def test_every_word_lies_inside_the_sheet_and_on_no_other_word(n, layout, wet, shape):
    check_words(circuit_svg(_assembly(n, layout, wet), shape=shape, labels=("E1", "E4", "W2", "W3")))


@pytest.mark.parametrize(("n", "layout", "wet"), CASES, ids=IDS)
def test_every_part_is_labelled_with_its_step_and_every_patient_with_its_letter(n, layout, wet):
    assembly = _assembly(n, layout, wet, reach_m=3.0, restrictor="restrictor-4.0mm", peep_valve_cmh2o=5.0)
    words = " ".join(text for text, _ in texts(circuit_svg(assembly)))
    for one in assembly.pieces:
        if one.part not in TERMINALS and assembly.part(one.id).kind not in ("tube",) and ".connector" not in one.id:
            for word in assembly.part(one.id).short.split():
                assert word in words, one.id
    for lane in assembly.lanes:
        assert re.search(rf"\b{lane}\b", words)
    assert words.count("1.5+1.5 m") == 2 * n


def test_a_screen_reader_is_told_each_lane_from_machine_to_machine():
    assembly = _assembly(2)
    root = ElementTree.fromstring(circuit_svg(assembly))
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == "Circuit for 2 patients on one ventilator"
    told = root.find(f"{SVG}desc").text
    assert told == description(assembly)
    for word in ("Lane A, solid line", "Lane B, long dashes", "HMEF", "one-way valve", "Shared: sleeve"):
        assert word in told


def test_patterns_tell_the_lanes_apart_without_colour():
    patterns = [dashes(lane, 4.0) for lane in "ABCD"]
    assert len(set(patterns)) == 4
    assert len({one.words for one in PATTERNS.values()}) == 4
    printed = [INKS[f"lane-{lane}"][2] for lane in "abcd"]
    assert set(printed) == {"#000000"}  # on paper nothing hangs on colour
    svg = circuit_svg(_assembly(4))
    for lane, pattern in zip("BCD", patterns[1:], strict=True):
        assert re.search(rf'class="l l{lane.lower()}"', svg)
        assert dashes(lane, 4.2) in svg, pattern


def _luminance(ink):
    def linear(value):
        return value / 12.92 if value <= 0.03928 else ((value + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(int(ink[i : i + 2], 16) / 255) for i in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one, other):
    """WCAG 2.2, relative luminance and contrast ratio."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", [0, 1, 2], ids=["light", "dark", "print"])
def test_words_and_lines_have_the_contrast_that_wcag_asks(theme):
    paper, pipe = INKS["paper"][theme], INKS["pipe"][theme]
    for name in ("ink", "quiet"):
        assert _contrast(INKS[name][theme], paper) >= 4.5  # 1.4.3, text
    for lane in "abcd":
        assert _contrast(INKS[f"lane-{lane}"][theme], paper) >= 3.0  # 1.4.11, graphics
        assert _contrast(INKS[f"lane-{lane}"][theme], pipe) >= 3.0
    assert _contrast(INKS["edge"][theme], paper) >= 3.0


def test_printed_inks_are_grey():
    for light, dark, printed in INKS.values():
        assert len({printed[1:3], printed[3:5], printed[5:7]}) == 1, (light, dark, printed)


def test_the_picture_loads_nothing_and_runs_nothing():
    svg = circuit_svg(_assembly(4, "chain"))
    for word in ("<script", "href", "url(", "<image", "<foreignObject", "@import", "onload"):
        assert word not in svg


def test_words_that_are_typed_cannot_become_markup():
    svg = circuit_svg(_assembly(2), labels=("<script>", '"&'))
    ElementTree.fromstring(svg)
    assert "<script" not in svg


def test_more_than_two_carry_the_regulators_word():
    assert "outside regulators" in circuit_svg(_assembly(3))
    assert "outside regulators" not in circuit_svg(_assembly(2))
    for n in (2, 3, 4):
        assert "last resort" in circuit_svg(_assembly(n))


def test_the_same_circuit_is_the_same_picture():
    assert circuit_svg(_assembly(3)) == circuit_svg(_assembly(3))


def test_the_picture_of_the_readme_is_the_one_that_is_drawn():
    committed = (Path(__file__).parents[2] / "docs" / "circuit-2.svg").read_text(encoding="utf-8")
    assert committed == circuit_svg(_assembly(2)), "run: airyoke circuit --patients 2 --svg docs/circuit-2.svg"
