"""Suspicion: the probabilities against general-purpose statistics, and what must hold of them whatever is read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from airyoke.circuit import standard_build
from airyoke.limits.prediction import predict
from airyoke.lungs.carbon_dioxide import VENTILATION_CONSTANT_MMHG
from airyoke.lungs.stores import gas_course, sample_stores
from airyoke.quantities import Refused
from airyoke.quantities.draws import uniform_draws
from airyoke.watch.drift import cumulative_sums, run_length, standardised, threshold_of
from airyoke.watch.expected import watch_group
from airyoke.watch.gas_after import at_minutes
from airyoke.watch.hypotheses import Sizes
from airyoke.watch.likelihood import Evidence, ReadingErrors, Shows
from airyoke.watch.next_reading import Block, next_readings
from airyoke.watch.suspicion import SuspicionRules, suspect
from airyoke.watch.watch_readings import WatchReading, WatchRound
from studies.alarms import invented


@pytest.fixture(scope="module")
def watched():
    group = invented(5000, 2)
    return watch_group(group.patients, standard_build(2), group.settings, draws=32)


def shown(watched, *, without=(), **changed):
    """What the group shows at the middle of its draws, with some readings changed: ``etco2_mmhg_1=20``."""
    e = watched.expected
    values = {
        ("displayed_tidal_volume_ml", None): e.displayed_ml[0].mean(),
        ("peak_pressure_cmh2o", None): e.peak_cmh2o[0].mean(),
        ("rate_per_min", None): e.rate_per_min[0].mean(),
    }
    for lane in range(watched.patients):
        values |= {
            ("etco2_mmhg", lane): 36.0,
            ("co2_curve", lane): 1.0,
            ("chest_rises", lane): 1.0,
            ("tidal_volume_ml", lane): e.tidal_volume_ml[0, :, lane].mean(),
            ("plateau_cmh2o", lane): e.plateau_cmh2o[0, :, lane].mean(),
        }
    for name, value in changed.items():
        key, _, lane = name.rpartition("_")
        values[(key, int(lane)) if lane.isdigit() else (name, None)] = value
    return tuple(WatchReading(key, float(v), lane) for (key, lane), v in values.items() if key not in without)


def test_readings_of_one_sensor_have_the_density_of_the_joint_normal():
    """Second opinion: scipy's multivariate normal with covariance s² + l lᵀ."""
    rng = np.random.default_rng(3)
    predicted, loading, scatter, read = rng.normal(5, 1, 6), rng.uniform(0, 2, 6), rng.uniform(0.1, 1, 6), rng.normal(5, 2, 6)
    evidence = Evidence()
    for p, load, s, y in zip(predicted, loading, scatter, read, strict=True):
        evidence.add(Shows(("volume", None), *(np.array([[one]]) for one in (p, load, s))), y)
    covariance = np.diag(scatter**2) + np.outer(loading, loading)
    expected = multivariate_normal(predicted, covariance).logpdf(read) + 3.0 * np.log(2.0 * np.pi)
    assert evidence.log_likelihood()[0, 0] == pytest.approx(expected, abs=1e-9)
    # The lasting error given these readings: the usual conditional normal.
    gain = loading @ np.linalg.inv(covariance)
    mean, variance = evidence.lasting_error(("volume", None))
    assert mean[0, 0] == pytest.approx(gain @ (read - predicted), abs=1e-9)
    assert variance[0, 0] == pytest.approx(1.0 - gain @ loading, abs=1e-9)


def test_before_anything_is_read_a_change_is_as_likely_as_the_policy_says(watched):
    found = suspect(watched, WatchRound(0.0), (WatchRound(15.0), WatchRound(30.0)), SuspicionRules(change_per_round=0.1))
    assert found.nobody == pytest.approx(0.9**2)
    assert found.nobody + sum(one.probability for one in found.suspects) == pytest.approx(1.0)


def test_the_same_values_again_are_no_reason_to_suspect_anybody(watched):
    same = shown(watched)
    found = suspect(watched, WatchRound(0.0, same), (WatchRound(15.0, same), WatchRound(30.0, same)))
    assert found.nobody > 0.97
    assert found.first.hypothesis.cause == "nobody"
    assert all(one.inside for one in found.compared)


@pytest.mark.parametrize("lane", [0, 1])
def test_a_flat_curve_with_a_still_chest_points_at_that_patient(watched, lane):
    e = watched.expected
    blocked = next(n for n, one in enumerate(watched.hypotheses) if one.id == f"blocked.{'AB'[lane]}")
    now = shown(
        watched, without=("tidal_volume_ml", "plateau_cmh2o", "etco2_mmhg"),
        displayed_tidal_volume_ml=float(e.displayed_ml[blocked].mean()),
        **{f"co2_curve_{lane}": 0.0, f"chest_rises_{lane}": 0.0},
    )  # fmt: skip
    found = suspect(watched, WatchRound(0.0, shown(watched)), (WatchRound(15.0, now),))
    assert found.first.hypothesis.id == f"blocked.{'AB'[lane]}"
    assert found.of_patient[lane] > 0.95
    assert found.first.since_minutes == (0.0, 15.0)
    assert any(one.rule == "act" for one in found.compared)


def test_a_lower_sum_alone_blames_neither_patient_and_asks_for_a_look_at_one_of_them(watched):
    now = (WatchReading("displayed_tidal_volume_ml", 0.8 * float(watched.expected.displayed_ml[0].mean())),)
    found = suspect(watched, WatchRound(0.0, shown(watched)), (WatchRound(15.0, now),))
    assert found.nobody < 0.1
    assert max(found.of_patient) < 0.75
    assert found.next_readings[0].bits > 0.5
    assert found.next_readings[0].steps


def test_a_wrong_reading_is_refused_with_what_to_do(watched):
    cases = {
        "watch-whose": WatchReading("etco2_mmhg", 40.0, 2),
        "watch-out-of-range": WatchReading("displayed_tidal_volume_ml", 43000.0),
        "watch-unknown": WatchReading("displayed_volume_ml", 430.0),
        "watch-yes-or-no": WatchReading("co2_curve", 0.5, 0),
    }
    for id_, reading in cases.items():
        with pytest.raises(Refused) as refused:
            suspect(watched, WatchRound(0.0), (WatchRound(5.0, (reading,)),))
        assert refused.value.findings[0].id == id_
        assert refused.value.findings[0].remedy
    with pytest.raises(Refused, match="watch-future"):
        suspect(watched, WatchRound(0.0), (WatchRound(5.0),), now_minutes=4.0)
    with pytest.raises(Refused, match="watch-order"):
        suspect(watched, WatchRound(0.0), (WatchRound(5.0), WatchRound(5.0)))


@pytest.mark.parametrize(("threshold", "length"), [(4.0, 168.0), (5.0, 465.0)])
def test_run_lengths_of_the_cumulative_sums_are_those_of_the_handbook(threshold, length):
    """Both sums with allowance 0.5: 168 and 465 values (Montgomery, Introduction to statistical quality control, table
    of run lengths; from memory)."""
    assert 0.5 * run_length(threshold, 0.5) == pytest.approx(length, rel=0.01)


def test_a_series_that_does_not_drift_is_told_to_drift_as_rarely_as_stated():
    """Simulated: 400 series of unknown level; mean rounds to the first alarm against the stated 100."""
    threshold = threshold_of(100.0, 0.5)
    rng = np.random.default_rng(11)
    lengths = []
    for _ in range(400):
        up, down = cumulative_sums(standardised(rng.normal(rng.normal(0, 50), 2.0, 1000), 2.0), 0.5)
        lengths.append(1 + int(np.argmax(np.maximum(up, down) >= threshold)))
    assert np.mean(lengths) == pytest.approx(100.0, rel=0.15)


def test_what_a_hypothesis_shows_is_what_the_engine_predicts_for_those_lungs(watched):
    """Second way: the plain prediction of the group, its lungs changed by hand, row by row."""
    group, e = watched.group, watched.expected
    rows = np.arange(1, group.draws + 1)
    number = next(n for n, one in enumerate(watched.hypotheses) if one.id == "stiffer.B")
    size = uniform_draws("watch stiffer.B", 0, group.draws, group.seed)
    first, last = Sizes().stiffer
    lungs = group.lungs.rows(rows)
    compliance = lungs.compliance_ml_per_cmh2o.copy()
    compliance[:, 1] *= np.exp(np.log(first) + size * np.log(last / first))
    for n, changed in ((0, lungs), (number, replace(lungs, compliance_ml_per_cmh2o=compliance))):
        plain = predict(group, [watched.settings], rows=rows, lungs=changed)
        np.testing.assert_allclose(e.shared_volume_ml[n], plain.breath.tidal_volume_ml, rtol=1e-3)
        np.testing.assert_allclose(e.peak_cmh2o[n], plain.breath.ventilator_peak_cmh2o, rtol=1e-3)


def test_gas_after_a_change_is_that_of_the_stores_between_the_nodes_too(watched):
    """Against the stores themselves at shares and times off the nodes: 2 % of PaCO2, one point of saturation."""
    group, base = watched.group, watched.baseline
    stores = sample_stores(
        group.patients[0], group.columns[0], fio2=watched.settings.fio2, seed=group.seed,
        paco2_mmhg=np.full(group.draws + 1, watched.gas.paco2_mmhg[0]), total_peep_cmh2o=base.breath.total_peep_cmh2o[:, 0],
        shunt_fraction=group.shunt_fraction[:, 0],
    ).rows(np.array([0, 0, 0]))  # fmt: skip
    left = np.array([0.22, 0.68, 1.25])
    ventilation = left * VENTILATION_CONSTANT_MMHG * stores.vco2_ml_per_min / stores.paco2_mmhg
    course = gas_course(stores, "circuit", np.array([180.0, 540.0]), ventilation)
    ratio, moved = watched.gas.courses(np.zeros((1, 1), np.int64), left[None, :, None])
    for row, minutes in enumerate((3.0, 9.0)):
        np.testing.assert_allclose(at_minutes(ratio[:, :, 0], minutes)[0], course.paco2_mmhg[row] / stores.paco2_mmhg, rtol=0.02)
        expected = course.spo2_pct[row] - watched.gas.spo2_pct[0]
        np.testing.assert_allclose(at_minutes(moved[:, :, 0], minutes)[0], expected, atol=1.0)


def test_expected_information_of_a_yes_or_no_is_that_of_the_binary_channel(watched):
    """Two hypotheses, even odds, one answer in fifty wrong: 1 - H(0.02) = 0.859 bit (Shannon 1948)."""
    crossed = next(n for n, one in enumerate(watched.hypotheses) if one.cause == "monitors-crossed")
    draws = watched.group.draws
    state = [
        Block(slice(n, n + 1), np.full((1, draws), 0.5 / draws), Evidence(), np.zeros(draws)) for n in (0, crossed)
    ]
    bits = {one.id: one.bits for one in next_readings(watched, ReadingErrors(), state)}
    assert bits["press-one.A"] == pytest.approx(0.859, abs=0.06)
    assert "machine" not in bits, "the machine shows nothing of crossed monitors"


def test_plateau_and_total_peep_read_together_are_judged_as_driving_pressure(watched):
    readings = (WatchReading("plateau_cmh2o", 29.0, 0), WatchReading("total_peep_cmh2o", 12.0, 0))
    found = suspect(watched, WatchRound(0.0), (WatchRound(5.0, readings),)).compared
    driving = next(one for one in found if one.reading.key == "driving_pressure_cmh2o")
    assert (driving.reading.value, driving.rule, driving.bound) == (17.0, "act", 15.0)


def test_readings_that_nothing_on_the_list_makes_are_said_to_be_unexplained(watched):
    """Twice the volume at half the peak: no single change does that."""
    e = watched.expected
    odd = (
        WatchReading("displayed_tidal_volume_ml", 2.0 * float(e.displayed_ml[0].mean())),
        WatchReading("peak_pressure_cmh2o", 0.5 * float(e.peak_cmh2o[0].mean())),
    )
    assert suspect(watched, WatchRound(0.0, shown(watched)), (WatchRound(15.0, odd),)).unexplained
    same = shown(watched)
    assert not suspect(watched, WatchRound(0.0, same), (WatchRound(15.0, same),)).unexplained
