"""Who may write, who may sign in, and how guessing is slowed down without locking anybody out."""

from __future__ import annotations

import time
from typing import Any

import pytest

from airyoke.quantities import Refused
from airyoke.record import passwords
from airyoke.record.door import Door, door
from airyoke.record.passwords import Throttle, check_strength
from airyoke.record.people import add_person, change_password, remove_person, sign_in
from airyoke.record.record import Record
from airyoke.ward.entries import Draft
from airyoke.ward.kinds import KINDS, ROLES
from airyoke.ward.state import WardState
from record.conftest import Site, reading, start_ward

GOOD = "orange bicycle lantern moss"
OTHER = "seven quiet herons wading"


@pytest.fixture(autouse=True)
def _quick_hashes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is tested here is not the cost of a hash, but where it is."""
    if "real_hashes" not in request.fixturenames:
        monkeypatch.setattr(passwords, "_MEMORY_KIB", 64)
        monkeypatch.setattr(passwords, "_PASSES", 1)
        monkeypatch.setattr(passwords, "_NOBODY", [])


@pytest.fixture
def real_hashes() -> None:
    """Hashes as costly as in earnest."""


def refused_id(call: Any, *arguments: Any, **options: Any) -> str:
    with pytest.raises(Refused) as refusal:
        call(*arguments, **options)
    assert all(finding.reason and finding.remedy for finding in refusal.value.findings)
    return refusal.value.findings[0].id


def keeper(place: Site, **options: Any) -> Record:
    record = place.create(**options)
    add_person(record, "kim", ["keeper"], GOOD, by="kim")
    return record


def test_a_fresh_record_has_no_default_account_and_takes_its_keeper_first(place: Site) -> None:
    record = place.create(unlocked=False)
    assert refused_id(sign_in, record, "admin", "admin", Throttle()) == "sign-in-wrong"
    assert refused_id(record.write, [Draft("bed", {"bed": "1"})], person="kim", seen=1) == "right-missing"
    assert refused_id(add_person, record, "kim", ["writer"], GOOD, by="kim") == "keeper-first"
    add_person(record, "kim", ["keeper"], GOOD, by="kim")
    assert sign_in(record, "kim", GOOD, Throttle()) == ("keeper",)


def test_nobody_adds_or_removes_people_but_a_keeper_and_the_last_keeper_stays(place: Site) -> None:
    record = keeper(place)
    add_person(record, "ann", ["writer"], OTHER, by="kim")
    assert refused_id(add_person, record, "eve", ["keeper"], GOOD, by="ann") == "right-missing"
    assert refused_id(sign_in, record, "eve", GOOD, Throttle()) == "sign-in-wrong"
    assert refused_id(remove_person, record, "kim", by="kim") == "keeper-last"
    remove_person(record, "ann", by="kim", reason="left")
    assert refused_id(sign_in, record, "ann", OTHER, Throttle()) == "sign-in-wrong"
    assert record.entries()[2].content == {"name": "ann", "roles": ["writer"]}


def test_roles_that_are_refused_leave_the_password_as_it_was(place: Site) -> None:
    record = keeper(place)
    assert refused_id(add_person, record, "kim", ["writer"], OTHER, by="kim") == "keeper-last"
    assert refused_id(add_person, record, "kim", ["boss"], OTHER, by="kim") == "role-unknown"
    assert sign_in(record, "kim", GOOD, Throttle()) == ("keeper",)
    add_person(record, "kim", ["keeper", "writer"], OTHER, by="kim")
    assert sign_in(record, "kim", OTHER, Throttle()) == ("keeper", "writer")


def test_a_changed_password_replaces_the_old_one(place: Site) -> None:
    record = keeper(place)
    change_password(record, "kim", OTHER)
    assert refused_id(sign_in, record, "kim", GOOD, Throttle()) == "sign-in-wrong"
    assert sign_in(record, "kim", OTHER, Throttle()) == ("keeper",)
    assert refused_id(change_password, record, "nobody", OTHER) == "person-unknown"


def test_passwords_stand_in_no_entry_and_not_in_clear(place: Site, real_hashes: None) -> None:
    record = keeper(place)
    lines = "".join(row.line for stream in ("ward", "audit") for row in record.rows(stream))  # type: ignore[arg-type]
    assert GOOD not in lines
    assert "argon2" not in lines
    (kept,) = place.sql("SELECT password_hash FROM account")[0]
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=1$")


@pytest.mark.parametrize(
    "password", ["", "short", "x" * 257, "password1234", "aaaaaaaaaaaaaa", "kim-kim-kim-kim", "123456789012"]
)
def test_a_password_that_is_easily_guessed_is_refused(password: str) -> None:
    assert refused_id(check_strength, password, "kim", "st-example").startswith("password-")


@pytest.mark.parametrize("password", [GOOD, OTHER, "Zq8#vLp2!xTn", "w" + "ö9ü ß氏 x" * 20])
def test_a_long_or_mixed_password_is_taken_as_typed(password: str) -> None:
    check_strength(password, "kim", "st-example")


@pytest.mark.parametrize(
    "kind", [kind.name for kind in KINDS.values() if kind.stream == "ward" and kind.name not in ("correction", "undo")]
)
def test_each_kind_is_refused_to_every_role_that_does_not_answer_for_it(file_place: Site, kind: str) -> None:
    answers = {"plan_accepted": {"planner"}, "plan_superseded": {"planner"}, "group_started": {"planner"}, "group_changed": {"planner"},
               "group_prepared": {"planner"}, "rehearsed": {"planner"}, "coupling_begun": {"planner"}, "exit_begun": {"planner"}, "sequence_edited": {"keeper"},
               "group_ended": {"planner"}, "person": {"keeper"}, "site": {"keeper"}, "policy": {"keeper"}, "import": {"writer", "planner", "keeper"}}.get(kind, {"writer", "planner"})  # fmt: skip
    from airyoke.record.rights import check_right

    state = WardState(people={role: (role,) for role in ROLES})
    for role in (*ROLES, "stranger"):
        for named in (kind, "correction", "undo"):
            changes = None if named == kind else kind
            if role in answers:
                check_right(state, role, named, changes)
            else:
                assert refused_id(check_right, state, role, named, changes) == "right-missing"
    open_state = WardState(people={"kim": ("keeper",)}, site={"unlocked": True})
    if answers == {"keeper"}:
        assert refused_id(check_right, open_state, "anybody", kind) == "right-missing"
    else:
        check_right(open_state, "anybody", kind)


def test_a_correction_needs_the_right_of_what_it_changes(place: Site) -> None:
    record = keeper(place)
    add_person(record, "ann", ["writer"], OTHER, by="kim")
    (policy,) = record.write([Draft("policy", {"values": {"max_group_size": 3}})], person="kim", seen=10**9)
    assert refused_id(record.write, [Draft("undo", {"undoes": policy.id})], person="ann", seen=10**9) == "right-missing"
    record.write([Draft("undo", {"undoes": policy.id})], person="kim", seen=10**9)
    assert dict(record.state().policy) == {}


def test_an_unlocked_record_says_so(place: Site) -> None:
    record = place.create()
    start_ward(record)
    record.write([reading(24)], person="whoever", seen=10**9)
    assert "record-unlocked" in [finding.id for finding in record.findings()]
    record.write([Draft("site", {"unlocked": False})], person="kim", seen=10**9)
    assert refused_id(record.write, [reading(24)], person="whoever", seen=10**9) == "right-missing"
    assert "record-unlocked" not in [finding.id for finding in record.findings()]


def test_waits_grow_to_a_minute_and_never_lock_out() -> None:
    now = [0.0]
    throttle = Throttle(lambda: now[0])
    reached = refused = 0
    for _ in range(36_000):  # ten guesses a second for an hour
        now[0] += 0.1
        try:
            throttle.check("account kim", "address here")
        except Refused:
            refused += 1
            continue
        reached += 1
        throttle.failed("account kim", "address here")
    assert reached <= 100
    assert refused + reached == 36_000
    throttle.check("account ann", "address elsewhere")
    assert refused_id(throttle.check, "account ann", "address here") == "sign-in-wait"
    now[0] += 60.0
    throttle.check("account kim", "address here")
    throttle.succeeded("account kim", "address here")
    throttle.failed("account kim")
    throttle.check("account kim")


def test_the_right_password_is_taken_after_the_wait_and_each_try_is_in_the_audit(file_place: Site) -> None:
    record = keeper(file_place)
    now = [0.0]
    throttle = Throttle(lambda: now[0])
    for _ in range(5):
        assert refused_id(sign_in, record, "kim", "wrong", throttle, address="10.0.0.7") == "sign-in-wrong"
    assert refused_id(sign_in, record, "kim", GOOD, throttle, address="10.0.0.7") == "sign-in-wait"
    now[0] += 1.1
    assert sign_in(record, "kim", GOOD, throttle, address="10.0.0.7") == ("keeper",)
    tries = [entry.content["accepted"] for entry in record.entries(stream="audit") if entry.kind == "sign_in"]
    assert tries == [False] * 5 + [True]


def test_how_long_a_refusal_takes_does_not_tell_whether_the_name_exists(file_place: Site, real_hashes: None) -> None:
    record = keeper(file_place)
    refused_id(sign_in, record, "nobody", "wrong", Throttle())  # the first one makes the hash of nobody
    gaps: list[float] = []
    for _ in range(4):  # machines here are shared: a real gap (a hash takes 0.2 s) is there each time, noise is not
        least: dict[str, float] = {"kim": 9.0, "nobody": 9.0}
        for name in ("kim", "nobody") * 3:
            start = time.thread_time()
            refused_id(sign_in, record, name, "wrong password here", Throttle())
            least[name] = min(least[name], time.thread_time() - start)
        gaps.append(abs(least["kim"] - least["nobody"]))
        if gaps[-1] < 0.010:
            return
    pytest.fail(f"gaps in seconds: {gaps}")


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "[::1]", "127.8.8.8"])
def test_on_this_machine_an_unlocked_record_opens_without_a_login_and_says_so(host: str) -> None:
    kept = {"kim": ("keeper",)}
    unlocked = door(host, encrypted=False, state=WardState(people=kept, site={"unlocked": True}))
    assert not unlocked.login
    assert "unlocked" in (unlocked.notice or "")
    assert door(host, encrypted=False, state=WardState(people=kept)) == Door(True)
    assert refused_id(door, host, encrypted=False, state=WardState()) == "door-no-keeper"


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "ward-pc", "10.0.0.7", "localhost.example", ""])
def test_on_a_network_nothing_is_served_without_a_login_and_an_encrypted_line(host: str) -> None:
    kept = {"kim": ("keeper",)}
    assert (
        refused_id(door, host, encrypted=True, state=WardState(people=kept, site={"unlocked": True})) == "door-unlocked"
    )
    assert refused_id(door, host, encrypted=False, state=WardState(people=kept)) == "door-open-line"
    assert refused_id(door, host, encrypted=True, state=WardState()) == "door-no-keeper"
    assert door(host, encrypted=True, state=WardState(people=kept)) == Door(True)
