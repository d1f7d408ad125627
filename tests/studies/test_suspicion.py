"""The study of suspicion, short: held-out groups, one change each, or none. ``AIRYOKE_LONG=1`` for more of them."""

from __future__ import annotations

import os

import numpy as np

from studies.suspicion import quiet_rounds, rank, stories

LONG = os.environ.get("AIRYOKE_LONG") == "1"


def test_what_changed_is_first_in_four_of_five_and_among_two_in_nineteen_of_twenty_once_it_was_read():
    told = [one for one in stories(400 if LONG else 12, 9100, per_group=40 if LONG else 14) if one.felt]
    ranks = np.array([rank(one, one.at_last) for one in told])
    assert np.mean(ranks == 1) >= 0.80
    assert np.mean(ranks <= 2) >= 0.95
    # The machine alone knows less: what is asked for must be worth the walk.
    assert np.mean([rank(one, one.at_machine) == 1 for one in told]) < np.mean(ranks == 1)


def test_while_nothing_changes_a_change_is_believed_less_than_before_anything_was_read():
    probabilities = np.array([p for _, p in quiet_rounds(1000 if LONG else 20, 9102, per_group=20 if LONG else 2)])
    assert np.mean(probabilities) < 0.05
    assert np.mean(probabilities > 0.5) <= 0.01
