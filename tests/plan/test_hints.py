"""What would change who is left: each hint is applied to the ward, planned again, and must hold what it says."""

from __future__ import annotations

import re
from dataclasses import replace

from airyoke.circuit.builds import MAX_PATIENTS
from airyoke.limits.policy import Policy
from plan.refereed import LONG, planned_in_full
from referees.ward_maker import random_ward
from studies.wards import study_ward

WARDS = 40 if LONG else 2
TRIED = ("one-more-ventilator", "reserve", "parts", "max-group-size", "rooms-may-mix", "fio2-spread")


def ward_of(seed):
    """Eight to twelve beds and too few machines; some wards in two rooms, some with parts that run short."""
    if seed % 2:
        return random_ward(800 + seed, fewest=8, most=10)
    ward = study_ward(73_000 + seed, 8 + seed % 5, 4, policy=Policy(sharing="last-resort-accepted"))
    rooms = tuple(replace(bed, room="EW"[n % 2]) for n, bed in enumerate(ward.beds))
    return replace(ward, beds=rooms)


def changed(ward, hint):
    """The ward with what the hint asks for, and the two beds that it says may share then (``None``: nobody by name)."""
    policy, pair = ward.policy, re.match(r"(\S+) and (\S+) may share", hint.text)
    beds = None if pair is None else pair.groups()
    if hint.id == "one-more-ventilator":
        like = next(v for v in ward.ventilators if v.usable)
        more = replace(like, label="one more", room=None, modes=("vc", "pc"))
        return replace(ward, ventilators=(*ward.ventilators, more)), beds
    if hint.id == "reserve":
        return replace(ward, policy=replace(policy, reserve_ventilators=policy.reserve_ventilators - 1)), beds
    if hint.id == "parts":
        more = {part: int(count) for count, part in re.findall(r"(\d+) (\S+)", hint.text.partition(" more in")[0])}
        assert more
        return replace(ward, stock={p: ward.stock.get(p, 0) + more.get(p, 0) for p in {*ward.stock, *more}}), beds
    if hint.id == "max-group-size":
        assert policy.max_group_size < MAX_PATIENTS
        return replace(ward, policy=replace(policy, max_group_size=policy.max_group_size + 1)), beds
    if hint.id == "rooms-may-mix":
        return replace(ward, policy=replace(policy, rooms_may_mix=True)), beds
    widest = float(re.search(r"FiO2 up to (\d\.\d+) apart", hint.text).group(1))
    return replace(ward, policy=policy.with_limit("fio2_spread", widest)), beds


def may_share(ward, beds):
    """Whether a ward of these two and one machine puts them together."""
    two = tuple(b for b in ward.beds if b.label in beds)
    machine = next(v for v in ward.ventilators if v.usable and "pc" in v.modes)
    away = tuple(replace(v, usable=False) for v in ward.ventilators)
    small = replace(
        ward, beds=two, ventilators=(*away, replace(machine, label="the one", room=None)), stock=None,
        policy=replace(ward.policy, reserve_ventilators=0),
    )  # fmt: skip
    _, plan = planned_in_full(small)
    return any(set(g.beds) == set(beds) for g in plan.groups)


def test_every_hint_gives_a_place_to_one_more_bed_or_lets_the_two_share_when_it_is_done():
    wrong, tried = [], dict.fromkeys(TRIED, 0)
    for seed in range(WARDS):
        ward = ward_of(seed)
        _, plan = planned_in_full(ward, hints=True)
        hints = {(note.id, note.text): note for one in plan.unplaced for note in one.would_change if note.id in TRIED}
        known = {}
        for hint in hints.values():
            tried[hint.id] += 1
            other, beds = changed(ward, hint)
            if beds is not None:
                if not may_share(other, beds):
                    wrong.append((seed, hint, "they may not"))
                continue
            if hint.id not in known:
                known[hint.id] = len(planned_in_full(other)[1].unplaced)
            if known[hint.id] >= len(plan.unplaced):
                wrong.append((seed, hint, len(plan.unplaced), known[hint.id]))
    assert not wrong, f"{len(wrong)} of {tried}: {wrong[:5]}"
    assert sum(count > 0 for count in tried.values()) >= 3, tried
