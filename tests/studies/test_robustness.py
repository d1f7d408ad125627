"""The study of definitions on a small ward: what a stricter definition allows, a looser one allows too."""

from __future__ import annotations

from itertools import combinations
from random import Random

import numpy as np
import pytest

from airyoke.circuit.builds import standard_build
from airyoke.limits import prediction
from airyoke.lungs.assumptions import Assumptions
from studies.robustness import DEFINITIONS, RECOMMENDED, SPREADS, STRICT, build_known_to, most_pairs, report, study

SOME = tuple(d for d in DEFINITIONS if d.name in ("best estimate only", RECOMMENDED, STRICT))


@pytest.fixture(scope="module")
def record():
    """A ward of six beds in which some pairs can share."""
    return {"seed": 24, "source": "", "seconds": 0.0, **study(24, beds=6, definitions=SOME)}


def test_a_stricter_definition_allows_no_more_pairs(record):
    best, recommended, strict = (record["rows"][d.name]["pairs"] for d in SOME)
    assert record["permitted"] >= best >= recommended >= strict
    assert best > strict, "a ward in which certainty costs nothing proves nothing"


def test_a_definition_is_the_policy_that_it_says():
    by_name = {d.name: d.policy() for d in DEFINITIONS}
    usual = Assumptions()
    assert by_name[RECOMMENDED].assumptions == usual
    assert (by_name[STRICT].confidence, by_name[STRICT].hard_confidence) == (0.90, 0.95)
    wide = by_name[f"{STRICT}, spreads x 1.5"].assumptions
    none = by_name[f"{STRICT}, only the build uncertain"].assumptions
    for name in SPREADS:
        assert getattr(wide, name) == pytest.approx(1.5 * getattr(usual, name)), name
        assert getattr(none, name) == 0.0, name


def test_a_build_known_better_scatters_less():
    build = standard_build(2)
    usual, _ = prediction._build_draws(build, 64, 0)
    with build_known_to(0.2):
        known, _ = prediction._build_draws(build, 64, 0)
    apart = [np.log(one.trunks[1:, 0] / one.trunks[0, 0]).std() for one in (usual, known)]
    assert apart[1] == pytest.approx(0.2 * apart[0], rel=1e-6)


def test_the_report_counts_those_who_find_no_partner(record):
    text = report([record], 6)
    assert f"| {RECOMMENDED} |" in text
    row = next(line for line in text.splitlines() if line.startswith(f"| {RECOMMENDED} |")).split("|")
    # Six beds on 0.6 x 6 = 4 ventilators: two must be saved.
    assert float(row[7]) == max(2 - record["rows"][RECOMMENDED]["matched"], 0)


@pytest.mark.parametrize("seed", range(20))
def test_the_largest_matching_is_the_largest_of_all(seed):
    rng = Random(seed)
    pairs = [p for p in combinations("abcdefg", 2) if rng.random() < 0.3]
    largest = max(
        size
        for size in range(4)
        for some in combinations(pairs, size)
        if len({bed for pair in some for bed in pair}) == 2 * size
    )
    assert most_pairs(pairs) == largest
