"""What is due when: against a list of times counted out by hand, and laws that no schedule may break."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from airyoke.watch.clock import Check, LastRead, apnoea, checks_due
from airyoke.watch.rounds import rounds

START = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
NEVER = {"1": LastRead(), "2": LastRead()}


def minutes(count: float) -> datetime:
    return START + timedelta(minutes=count)


def by_name(checks: tuple[Check, ...]) -> dict[tuple[str, str | None], float]:
    return {(one.name, one.bed): (one.at - START).total_seconds() / 60 for one in checks}


def test_a_round_done_is_followed_by_the_next_of_1_5_15_30_60_minutes_and_every_hour() -> None:
    done_then_due = [(None, 1), (1, 5), (5, 15), (14, 30), (15, 30), (30, 60), (55, 120), (61, 120), (115, 180)]
    for done, due in done_then_due:
        found = by_name(checks_due(START, beds={}, round_at=None if done is None else minutes(done)))
        assert found["round", None] == due, done


def test_mechanics_and_gases_are_due_for_each_patient_by_itself() -> None:
    found = by_name(checks_due(START, beds={"1": LastRead(minutes(31), minutes(25)), "2": LastRead()}))
    assert {key: at for key, at in found.items() if key[1]} == {
        ("mechanics", "1"): 240, ("gas", "1"): 120, ("mechanics", "2"): 30, ("gas", "2"): 30,
    }  # fmt: skip


def test_after_a_change_everything_is_read_again_and_then_the_clock_goes_on() -> None:
    read = LastRead(minutes(240), minutes(240))
    before = {"beds": {"1": read}, "round_at": minutes(240)}
    assert by_name(checks_due(START, **before))["round", None] == 300  # type: ignore[arg-type]
    changed = by_name(checks_due(START, **before, changed_at=minutes(250)))  # type: ignore[arg-type]
    assert (changed["round", None], changed["mechanics", "1"], changed["gas", "1"]) == (251, 265, 280)
    after = by_name(checks_due(START, beds={"1": LastRead(minutes(265), minutes(280))}, round_at=minutes(265),
                               changed_at=minutes(250)))  # fmt: skip
    assert (after["round", None], after["mechanics", "1"], after["gas", "1"]) == (300, 480, 600)


def test_what_was_missed_stays_due_and_says_for_how_long() -> None:
    checks = checks_due(START, beds=NEVER, round_at=minutes(5))
    one = next(check for check in checks if check.name == "round")
    assert one.overdue(minutes(200)) == timedelta(minutes=185)
    assert one.overdue(minutes(10)) == timedelta(0)
    assert checks == tuple(sorted(checks, key=lambda check: check.at))


@settings(max_examples=80, deadline=None)
@given(st.lists(st.integers(0, 48 * 60), max_size=12), st.integers(0, 48 * 60))
def test_whoever_does_every_check_when_it_is_due_is_never_asked_for_it_again(done: list[int], now: int) -> None:
    """And whoever has done nothing since is asked for it within the longest interval of the schedule."""
    last = max((one for one in done if one <= now), default=None)
    at = None if last is None else minutes(last)
    found = checks_due(START, beds={"1": LastRead(at, at)}, round_at=at)
    longest = {"round": 60, "mechanics": 240, "gas": 360}
    for check in found:
        if check.name in longest:
            assert last is None or check.at > minutes(last)
            assert check.at - (at or START) <= timedelta(minutes=longest[check.name] + 10)
    planned = {one.minutes for one in rounds(3 * 24 * 60)}
    assert by_name(found)["round", None] in planned


def test_the_baseline_is_due_until_it_is_read_and_the_end_at_two_days_whatever_was_read() -> None:
    found = by_name(checks_due(START, beds={}))
    assert (found["baseline", None], found["end", None], found["review", None]) == (15, 48 * 60, 12 * 60)
    found = by_name(checks_due(START, beds={}, baseline_at=minutes(14), reviewed_at=minutes(12 * 60 + 5)))
    assert ("baseline", None) not in found
    assert (found["end", None], found["review", None]) == (48 * 60, 24 * 60)


def test_the_apnoea_clock_stops_at_20_seconds_and_never_runs_backwards() -> None:
    """20 s: judgement, no source."""
    for seconds, left, stop in (
        (-5, 20.0, False),
        (0, 20.0, False),
        (19.5, 0.5, False),
        (20, 0.0, True),
        (75, 0.0, True),
    ):
        found = apnoea(START, START + timedelta(seconds=seconds))
        assert (found.left_s, found.stop) == (left, stop)
        assert found.seconds >= 0.0
