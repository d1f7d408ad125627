"""Random histories: the ward that is folded as they are written is the ward folded anew, and what a referee reads.

``AIRYOKE_LONG=1`` runs the figures: 10,000 histories folded anew, 2,000 of 50 steps against the referee.
"""

from __future__ import annotations

import os
import random
from collections import Counter

import pytest

from airyoke.quantities import Refused
from airyoke.ward.fold import Fold
from airyoke.ward.state import WardState
from record import fold_referee
from record.histories import MACHINES, begun, step
from record.scribe import Scribe, source_of

LONG = os.environ.get("AIRYOKE_LONG") == "1"
HISTORIES = 10_000 if LONG else 150
WATCHED = 2_000 if LONG else 60
STEPS = 50


def check_rules(state: WardState) -> None:
    """Nobody on two circuits, nobody in two beds, no group without its patients, no machine with strangers."""
    codes = [place.patient.code for place in state.beds.values() if place.patient]
    assert len(codes) == len(set(codes))
    members = [bed for group in state.groups.values() for bed in group.beds]
    assert len(members) == len(set(members))
    machines = [group.ventilator for group in state.groups.values()]
    assert len(machines) == len(set(machines))
    for group in state.groups.values():
        assert 1 <= len(group.beds) <= 4
        for bed in group.beds:
            patient = state.beds[bed].patient
            assert patient is not None
            assert patient.ventilator == group.ventilator
    for bed, place in state.beds.items():
        if place.patient and place.patient.ventilator:
            assert place.patient.ventilator in state.ventilators
            on = state.group_on(place.patient.ventilator)
            assert on is None or bed in state.groups[on].beds


def compare(scribe: Scribe) -> None:
    """The state against the referee, question by question."""
    state, history = scribe.fold.state, scribe.entries
    told = [(entry.sequence, entry.kind, dict(content)) for entry, content in scribe.fold.counted(history)]
    assert told == fold_referee.counted(history)
    assert set(state.beds) == set(fold_referee.beds(history))
    for bed, place in state.beds.items():
        who = fold_referee.patient_in(history, bed)
        assert (place.patient and (place.patient.code, place.patient.since)) == who
        if place.patient is not None:
            value = place.patient.readings.get("plateau_cmh2o")
            assert (value and value.value) == fold_referee.last_reading(history, bed, "plateau_cmh2o")
            assert place.patient.ventilator == fold_referee.ventilator_of(history, bed)
    assert {name: (g.ventilator, frozenset(g.beds)) for name, g in state.groups.items()} == fold_referee.running(
        history
    )
    assert dict(state.policy) == fold_referee.settled(history, "policy", "values")
    assert dict(state.stock or {}) == fold_referee.settled(history, "stock", "counts")


def test_a_ward_folded_as_it_is_written_is_the_ward_folded_anew(capsys: pytest.CaptureFixture[str]) -> None:
    seed = random.SystemRandom().randrange(2**32)
    taken = tried = 0
    for history in range(HISTORIES):
        dice = random.Random(history if history % 2 else seed + history)
        scribe = begun()
        for number in range(STEPS):
            taken += step(scribe, dice, number)
            tried += 1
        anew = Fold().with_entries(scribe.entries, source_of(scribe.entries))
        assert anew.state == scribe.fold.state, (seed, history)
    with capsys.disabled():
        print(f"\n  {HISTORIES} histories, {tried} steps, {taken} taken: folded anew 0 differences, seed {seed}")
    assert taken > tried / 5


def test_every_step_of_a_history_keeps_the_rules_and_agrees_with_the_referee(
    capsys: pytest.CaptureFixture[str],
) -> None:
    seed = random.SystemRandom().randrange(2**32)
    kinds: Counter[str] = Counter()
    for history in range(WATCHED):
        dice = random.Random(history if history % 2 else seed + history)
        scribe = begun()
        for number in range(STEPS):
            if step(scribe, dice, number):
                check_rules(scribe.fold.state)
                compare(scribe)
        kinds.update(entry.kind for entry in scribe.entries)
    with capsys.disabled():
        print(
            f"\n  {WATCHED} histories of {STEPS} steps watched, 0 rules broken, 0 differences, seed {seed}: {dict(kinds)}"
        )
    assert (
        min(
            kinds[kind]
            for kind in ("group_started", "group_changed", "group_ended", "undo", "correction", "patient_moved")
        )
        > 0
    )


def test_the_referee_sees_a_fold_that_lets_undone_entries_count() -> None:
    """The control."""
    scribe = begun()
    scribe.write("patient_in", bed="1", code="a")
    reading = scribe.write("reading", bed="1", code="a", read_at="2026-11-25T14:00+00:00", values={"plateau_cmh2o": 24})
    before = scribe.fold.state
    scribe.write("undo", undoes=reading.id)
    compare(scribe)
    scribe.fold = Fold(before, scribe.fold.revisions, scribe.fold.kept)
    with pytest.raises(AssertionError):
        compare(scribe)


def test_corrections_across_kept_states_count_like_any() -> None:
    scribe = begun()
    scribe.write("patient_in", bed="1", code="a", values={"ventilator": MACHINES[0]})
    early = scribe.write("policy", values={"max_group_size": 3})
    for number in range(600):
        scribe.write(
            "reading",
            bed="1",
            code="a",
            read_at=f"2026-11-25T{number // 60:02}:{number % 60:02}+00:00",
            values={"plateau_cmh2o": 20},
        )
    scribe.write("correction", corrects=early.id, content={"values": {"max_group_size": 4}})
    assert scribe.fold.state.policy == {"max_group_size": 4}
    for number in range(300):
        scribe.write("note", text=str(number))
    scribe.write("undo", undoes=early.id)
    assert dict(scribe.fold.state.policy) == {}
    assert Fold().with_entries(scribe.entries, source_of(scribe.entries)) == scribe.fold
    with pytest.raises(Refused, match="later-entry"):
        scribe.write("undo", undoes=scribe.entries[7].id)
