"""The short form of the API's random calls; the count that is told stands in docs/proof.md."""

from __future__ import annotations

from studies.api_calls import NOBODY, ROLES, run
from web.browser.conftest import Served


def test_no_random_call_finds_a_defect_or_anything_without_a_right(planned: Served) -> None:
    tallies = run(planned, calls=30, at_seed=11)
    for who in ROLES:
        tally = tallies[who]
        assert tally.calls >= 25
        assert (tally.defects, tally.untold, tally.leaks, tally.wrote) == ([], [], [], 0)
        assert (200 in tally.by_status) == (who != NOBODY)
