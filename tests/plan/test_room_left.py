"""Room left: at its end somebody is just outside, short of it nobody is, and a closed form finds the same end."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from airyoke.breath.settings import Settings
from airyoke.circuit.builds import ideal_build, standard_build
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import judge_group, predict, sample_group
from airyoke.lungs.closed_forms import pressure_control
from airyoke.lungs.patient import Lungs, Patient
from airyoke.lungs.size import predicted_body_weight_kg
from airyoke.plan.candidate import permitted_pairs
from airyoke.plan.judging import Judge
from airyoke.plan.room_left import BISECTIONS, FARTHEST, SCAN_STEPS, room_left
from airyoke.quantities.estimate import Estimate, Spread
from airyoke.ward.candidates import assess_ward, candidate
from plan.refereed import LONG
from plan.screen_property import DRAWS, KIND
from studies.wards import study_ward

PAIRS = 60 if LONG else 8
STEP = FARTHEST ** (1.0 / (SCAN_STEPS * 2**BISECTIONS))  # the end is known to one such factor
OF = {
    "compliance_ml_per_cmh2o": ("compliance_ml_per_cmh2o",),
    "airway_resistance": ("inspiratory_resistance_cmh2o_s_per_l", "expiratory_resistance_cmh2o_s_per_l"),
}


@pytest.fixture(scope="module")
def pairs():
    """Allowed pairs at their settings: patients, settings, policy, room left."""
    found = []
    for seed in range(72_000, 72_100):
        ward = study_ward(seed, 12)
        candidates = tuple(candidate(a, ward.policy) for a in assess_ward(ward))
        judge = Judge(candidates, ward.policy, DRAWS, 0)
        judge.prepare(KIND, standard_build(2))
        taken = 0
        for members in permitted_pairs(candidates, ward.policy).groups(2):
            if taken == 2 or len(found) == PAIRS:
                break
            screened = judge.screen(members, KIND, standard_build(2))
            if screened is None or screened.margin < 0.0:
                continue
            verdict = judge.verdict(members, KIND, standard_build(2))
            if verdict.allowed:
                taken += 1
                patients = [candidates[i].patient for i in members]
                settings = verdict.answer.settings
                found.append(
                    (patients, settings, ward.policy, rooms(patients, settings, ward.policy))
                )  # fmt: skip
        if len(found) == PAIRS:
            return found
    raise AssertionError("too few allowed pairs")


def rooms(patients, settings, policy, build=None):
    return room_left(["A", "B"][: len(patients)], patients, build or standard_build(len(patients)), settings, policy)


def margins(patients, settings, policy, member, quantity, factors):
    """Margin of every limit, (limits, factors), with one quantity of one patient multiplied; by the engine."""
    group = sample_group(patients, standard_build(len(patients)), policy.assumptions, 0, 0)
    rows = np.zeros(len(factors), np.int64)
    lungs = group.lungs.rows(rows)
    changed = {}
    for name in OF[quantity]:
        changed[name] = np.array(getattr(lungs, name))
        changed[name][:, member] *= factors
    judged = judge_group(group, predict(group, [settings], rows=rows, lungs=replace(lungs, **changed)), policy)
    return judged, np.stack([one.target for one in judged])


def test_at_the_end_the_named_limit_of_the_named_bed_is_just_left_and_short_of_it_nobody_is_outside(pairs):
    wrong, ends = [], 0
    for patients, settings, policy, found in pairs:
        for one in found:
            if one.at is None:
                continue
            ends += 1
            member, factor = "AB".index(one.bed), one.at / one.now
            way = 1.0 if factor > 1.0 else -1.0
            short = np.exp(np.linspace(0.0, math.log(factor) - way * math.log(STEP) * 1.01, 12))
            judged, target = margins(patients, settings, policy, member, one.quantity, [factor, *short])
            binding = judged[int(target[:, 0].argmin())]
            whose = None if binding.patient is None else "AB"[binding.patient]
            if (binding.limit.name, binding.limit.side, whose) != (one.limit, one.side, one.whose):
                wrong.append((one, "another limit", binding.limit.key, whose))
            if not -0.05 <= target[:, 0].min() < 0.0:
                wrong.append((one, "not just outside", target[:, 0].min()))
            if target[:, 1:].min() < 0.0:
                wrong.append((one, "outside before the end", target[:, 1:].min(axis=0)))
            if (way > 0.0) != (one.direction == "up"):
                wrong.append((one, "the other way"))
    assert not wrong, f"{len(wrong)} of {ends}: {wrong[:4]}"
    assert ends >= 3 * PAIRS


def test_where_no_end_is_named_everybody_stays_inside_all_the_way(pairs):
    tried = 0
    for patients, settings, policy, found in pairs:
        for one in found:
            if one.at is not None:
                continue
            tried += 1
            assert (one.limit, one.side, one.whose) == (None, None, None)
            sign = 1.0 if one.direction == "up" else -1.0
            factors = FARTHEST ** (sign * np.linspace(0.0, 1.0, 33))
            member = "AB".index(one.bed)
            assert margins(patients, settings, policy, member, one.quantity, factors)[1].min() >= -0.01
    assert tried > 0


def test_a_wider_limit_never_gives_less_room(pairs):
    tried = 0
    for patients, settings, policy, found in pairs[: None if LONG else 2]:
        for named in dict.fromkeys((one.limit, one.side) for one in found if one.at is not None):
            limit = policy.limit(*named)
            outward = 0.3 * limit.scale * (1.0 if limit.side == "high" else -1.0)
            wider = policy.with_limit(limit.policy_name, limit.target + outward)
            for one, more in zip(found, rooms(patients, settings, wider), strict=True):
                tried += 1
                assert (one.bed, one.quantity, one.direction) == (more.bed, more.quantity, more.direction)
                assert way(more) >= way(one) - 1e-9, (one, more)
    assert tried > 0


def test_a_narrower_limit_takes_room_away_somewhere(pairs):
    # Negative control of the law above.
    patients, settings, policy, found = pairs[0]
    named = next(one for one in found if one.at is not None)
    limit = policy.limit(named.limit, named.side)
    inward = 0.02 * limit.scale * (-1.0 if limit.side == "high" else 1.0)
    narrower = policy.with_limit(limit.policy_name, limit.target + inward)
    less = rooms(patients, settings, narrower)
    assert any(way(after) < way(before) - 1e-9 for before, after in zip(found, less, strict=True))


def way(one) -> float:
    """How far it may go, as a logarithm."""
    return math.inf if one.at is None else abs(math.log(one.at / one.now))


def test_settings_at_which_somebody_is_outside_leave_no_room(pairs):
    patients, settings, policy, _ = pairs[0]
    too_much = replace(settings, pressure_above_peep_cmh2o=settings.pressure_above_peep_cmh2o + 12.0)
    assert all(one.at == pytest.approx(one.now, rel=1e-12) for one in rooms(patients, too_much, policy))


COMPLIANCE, RESISTANCE_IN, RESISTANCE_OUT = 40.0, 10.0, 14.0
DRIVE, PEEP, RATE, TIME = 13.0, 8.0, 20.0, 1.0


@pytest.mark.parametrize(
    ("quantity", "direction", "limit"),
    [
        ("compliance_ml_per_cmh2o", "up", ("tidal_volume_ml_per_kg", "high")),
        ("compliance_ml_per_cmh2o", "down", ("tidal_volume_ml_per_kg", "low")),
        ("airway_resistance", "up", ("trapped_peep_cmh2o", "high")),
        ("airway_resistance", "up", ("tidal_volume_ml_per_kg", "low")),
    ],
)
def test_for_one_lung_behind_no_circuit_the_closed_form_finds_the_same_end(quantity, direction, limit):
    only = Policy().limit(*limit)
    policy = replace(Policy(), limits=(only,))
    names = (
        "compliance_ml_per_cmh2o", "inspiratory_resistance_cmh2o_s_per_l", "expiratory_resistance_cmh2o_s_per_l",
        "quadratic_resistance_cmh2o_s2_per_l2",
    )  # fmt: skip
    values = (COMPLIANCE, RESISTANCE_IN, RESISTANCE_OUT, 0.0)
    lungs = Lungs(*(Estimate(name, value, Spread.none()) for name, value in zip(names, values, strict=True)))
    patient = Patient("A", lungs, sex="m", height_cm=180.0)
    weight = predicted_body_weight_kg("m", 180.0)
    settings = Settings("pc", RATE, TIME, PEEP, 0.4, pressure_above_peep_cmh2o=DRIVE)

    def margin(factor: float) -> float:
        c, r = (factor, 1.0) if quantity == "compliance_ml_per_cmh2o" else (1.0, factor)
        breath = pressure_control(COMPLIANCE * c, RESISTANCE_IN * r, RESISTANCE_OUT * r, PEEP, DRIVE, RATE, TIME)
        value = {
            "tidal_volume_ml_per_kg": breath.tidal_volume_ml / weight, "trapped_peep_cmh2o": breath.intrinsic_peep_cmh2o,
        }[only.name]  # fmt: skip
        return only.target - value if only.side == "high" else value - only.target

    farthest = FARTHEST if direction == "up" else 1.0 / FARTHEST
    true = brentq(margin, *sorted((1.0, farthest)))
    found = rooms([patient], settings, policy, ideal_build(1))
    one = next(o for o in found if (o.quantity, o.direction) == (quantity, direction))
    now = COMPLIANCE if quantity == "compliance_ml_per_cmh2o" else RESISTANCE_IN
    assert one.now == now
    assert (one.limit, one.side, one.whose) == (*limit, "A")
    # One step of the bisection, and the ideal build's own 0.1 % (of flow and pressure).
    assert abs(math.log(one.at / (now * true))) < math.log(STEP) + 0.003
