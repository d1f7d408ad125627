"""A rehearsal simulated with lungs that are not the model's: does it find the groups that would go wrong?

``python -m tests.studies.rehearsal --wards 12 --seed 4000 --results FILE``

The groups of a plan are taken one by one. What is true of each patient is drawn from the spread that the plan allows
for; then a lung is made that has this compliance and these resistances but not the model's shape: two compartments, or a
sigmoid pressure-volume curve (the model's own shape stands beside them). An outside solver breathes for each patient
alone at the planned settings; holds, volume and gas are read with errors; from these the tool estimates the lungs again
and predicts the group again, in three ways: with the build from part data; with a build that was measured on the bench;
and, with that build, lungs whose resistance was fitted so that the volume read comes back, every part of the mechanics
then taken as known to 3 %. *Confirmed*: everybody inside every target in at least 90 % of the draws and inside every
hard bound in at least 95 %, at the planned settings or with pressure and PEEP moved by at most 2. *Truly inside*: the
outside solver couples the two lungs at those settings, and every target holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from random import Random
from statistics import fmean

import numpy as np

from airyoke.breath.engine import QUICK, LungMechanics, settle
from airyoke.breath.settings import Settings
from airyoke.circuit.builds import Build, single_build, standard_build
from airyoke.limits.margins import group_margin as margin_of
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import judge_group, predict, sample_group
from airyoke.lungs import gas_exchange
from airyoke.lungs.estimates import estimate_lungs
from airyoke.lungs.patient import Patient
from airyoke.lungs.readings import Readings
from airyoke.quantities.estimate import Estimate, Spread
from plan.ward_rules import WardRules
from referees.margin_referee import LIMITS, Draws, fresh_draws, outcomes_of
from referees.outside_lungs import FastAndSlow, Lung, OneCompartment, Reading, Sigmoid, breathe
from studies.planning import planned
from studies.records import Record, each_ward, heading, parser, table
from studies.wards import study_ward

LUNGS = ("the model's own", "two compartments", "sigmoid")
WAYS = ("by the tool, build from part data", "by the tool, build measured", "fitted to the volume, build measured")
TRUTH_SEED = 520_000
DRAWS = 256
MOST_TRIED = 8  # settings near the planned ones that get draws

# Errors of what is read in a rehearsal, standard deviations. Judgement: read with care, by one person.
VOLUME_RELATIVE_SD = 0.02
PRESSURE_SD_CMH2O = 0.25
PACO2_RELATIVE_SD = 0.03
PH_SD = 0.01
PAO2_RELATIVE_SD = 0.03
# What the tool is then told about these errors; resistances are not read in pressure control and stay as they were.
READ_AGAIN = {"compliance_relative_sd": 0.03, "paco2_sd_mmhg": 1.5}
FITTED_SD = 0.03
MEASURED_BUILD_SD = 0.05  # of a build whose pressure drop and volume were measured on the bench


def study(seed: int, beds: int, ventilators: int, truths: int) -> Record:
    """One ward: every planned group, ``truths`` draws of what is true, each shape of lung."""
    ward = study_ward(seed, beds, ventilators)
    rules = WardRules(ward)
    cases = []
    for number, group in enumerate(planned(ward).groups):
        if len(group.beds) < 2 or group.settings is None:
            continue
        patients = [p for b in group.beds if (p := rules.lungs(rules.bed[b])) is not None]
        read = [r for b in group.beds if (r := rules.bed[b].readings) is not None]
        build = standard_build(len(patients))
        draws = fresh_draws(patients, build, ward.policy.assumptions, truths, TRUTH_SEED + 100 * seed + number)
        for truth, shape in product(range(1, truths + 1), LUNGS):
            rng = Random(f"{seed} {group.beds} {truth}")  # the same errors for every shape of lung
            rehearsal = Rehearsal(patients, read, build, ward.policy, draws, truth, shape)
            assert group.answer is not None
            assert group.answer.margin is not None
            planned_at = group.answer.margin.inside_probability
            cases.append({"lung": shape, "planned": planned_at, **rehearsal.run(group.settings, rng)})
    return {"cases": cases}


class Rehearsal:
    """One group with one draw of what is true, and lungs of one shape that have it."""

    def __init__(
        self,
        patients: Sequence[Patient],
        read: Sequence[Readings],
        build: Build,
        policy: Policy,
        draws: Draws,
        truth: int,
        shape: str,
    ) -> None:
        self.patients, self.read, self.policy = patients, read, policy
        # Row 0 the best estimate, as the referee counts the present total PEEP from there; row 1 what is true.
        self.true = [{name: column[[0, truth]] for name, column in one.items()} for one in draws.patients]
        factors = float(draws.resistance_factor[truth]), float(draws.compliance_factor[truth])
        self.build = build
        self.true_build = replace(build, network=build.network.scaled(*factors))
        self.lungs = [lung_of(shape, p, t) for p, t in zip(patients, self.true, strict=True)]

    def run(self, settings: Settings, rng: Random) -> Record:
        """What is true before, whether the rehearsal confirms, and what is true at the settings that it confirms."""
        found: Record = {"truly": self.truly_inside(settings)}
        again = [self._read_alone(i, settings, rng) for i in range(len(self.patients))]
        patients = [p for p in again if p is not None]
        measured = replace(
            self.true_build, resistance_relative_sd=MEASURED_BUILD_SD, compliance_relative_sd=MEASURED_BUILD_SD
        )
        fitted = [fitted_to_volume(p, settings) for p in patients]
        for way, lungs, build in zip(WAYS, (patients, patients, fitted), (self.build, measured, measured), strict=True):
            near = self.confirmed_near(lungs, settings, build) if len(patients) == len(again) else None
            found[way] = {
                "as_planned": near == settings,
                "truly": None if near is None else self.truly_inside(near),
            }
        return found

    def _read_alone(self, i: int, settings: Settings, rng: Random) -> Patient | None:
        """The patient as estimated again from what is read while alone at these settings."""
        build = single_build("hme")
        (true,) = breathe(build.network, settings, [self.lungs[i]])
        outcome = self._outcomes(i, build.network.limbs[0].dead_space_ml, settings, true)
        ph = outcome["ph"] + rng.gauss(0, PH_SD)
        po2 = gas_exchange.po2_from_saturation_mmhg(min(outcome["spo2_pct"], 99.5) / 100.0, outcome["ph"])
        plateau, total = (p + rng.gauss(0, PRESSURE_SD_CMH2O) for p in (true.plateau_cmh2o, true.total_peep_cmh2o))
        readings = replace(
            self.read[i],
            mode="pc",
            flow_shape=None,
            pause_s=None,
            peak_cmh2o=None,
            flow_l_per_min=None,
            etco2_mmhg=None,
            spo2_pct=None,
            rate_per_min=settings.rate_per_min,
            inspiratory_time_s=settings.inspiratory_time_s,
            pressure_above_peep_cmh2o=settings.pressure_above_peep_cmh2o,
            peep_cmh2o=settings.peep_cmh2o,
            fio2=settings.fio2,
            tidal_volume_ml=true.tidal_volume_ml * (1.0 + rng.gauss(0, VOLUME_RELATIVE_SD)),
            plateau_cmh2o=plateau,
            total_peep_cmh2o=max(total, settings.peep_cmh2o),
            paco2_mmhg=outcome["paco2_mmhg"] * (1.0 + rng.gauss(0, PACO2_RELATIVE_SD)),
            ph=ph,
            pao2_mmhg=po2 * (1.0 + rng.gauss(0, PAO2_RELATIVE_SD)),
        )
        # The pressure curve gives the resistance where it tells anything; else what was known of it still stands.
        first = self.patients[i].lungs.inspiratory_resistance.value
        for resistance in (None, first):
            known = replace(readings, resistance_cmh2o_s_per_l=resistance)
            found = estimate_lungs(known, self.patients[i].label, self._assumptions, circuit_compensation="on")
            if not isinstance(found, Patient):
                return None
            if not found.lungs.inspiratory_resistance.assumed:
                break
        return found

    @property
    def _assumptions(self):
        return replace(self.policy.assumptions, **READ_AGAIN)

    def confirmed_near(self, patients: Sequence[Patient], settings: Settings, build: Build) -> Settings | None:
        """The planned settings if they are confirmed, else the best within 2 of pressure and PEEP that are."""
        sampled = sample_group(patients, build, self._assumptions, DRAWS, 1)
        drive = settings.pressure_above_peep_cmh2o
        assert drive is not None

        def margin(tried: Settings) -> float:
            judged = judge_group(sampled, predict(sampled, [tried], accuracy=QUICK), self.policy)
            return margin_of(judged, self.policy, self.policy.confirm_confidence).value

        if margin(settings) >= 0.0:
            return settings
        moved = [
            replace(settings, pressure_above_peep_cmh2o=drive + d, peep_cmh2o=settings.peep_cmh2o + p)
            for d, p in product((-2, -1, 0, 1, 2), repeat=2)
        ]
        # At best estimate first: a margin over the draws is never larger.
        rows, of = np.zeros(len(moved), np.int64), np.arange(len(moved))
        judged = judge_group(sampled, predict(sampled, moved, rows=rows, settings_of=of, accuracy=QUICK), self.policy)
        at_best = np.min([one.target for one in judged], axis=0)
        hopeful = [moved[k] for k in np.argsort(-at_best)[:MOST_TRIED] if at_best[k] >= 0.0]
        margins = {tried: margin(tried) for tried in hopeful}
        best = max(hopeful, key=lambda tried: margins[tried], default=None)
        return best if best is not None and margins[best] >= 0.0 else None

    def truly_inside(self, settings: Settings) -> dict[str, bool]:
        """Whether everybody is inside every target, and every hard bound, once coupled at these settings."""
        target = hard = True
        for i, reading in enumerate(breathe(self.true_build.network, settings, self.lungs)):
            dead_space = self.build.network.limbs[i].dead_space_ml
            outcome = self._outcomes(i, dead_space, settings, reading)
            for name, side, bound, hard_bound, _ in LIMITS:
                sign = 1.0 if side == "high" else -1.0
                target = target and sign * (bound - outcome[name]) >= -1e-6
                hard = hard and sign * (hard_bound - outcome[name]) >= -1e-6
        return {"target": bool(target), "hard": bool(hard)}

    def _outcomes(self, i: int, dead_space_ml: float, settings: Settings, reading: Reading) -> dict[str, float]:
        breath = tuple(
            np.full(2, x) for x in (reading.tidal_volume_ml, reading.plateau_cmh2o, reading.total_peep_cmh2o)
        )
        assumptions = self.policy.assumptions
        rows = outcomes_of(self.patients[i], self.true[i], dead_space_ml, settings, assumptions, breath)
        return {name: float(column[1]) for name, column in rows.items()}


def fitted_to_volume(patient: Patient, settings: Settings) -> Patient:
    """The patient with both resistances scaled so that alone at these settings it gets the volume that was read."""
    now, lungs = patient.present, patient.lungs
    assert now is not None
    network = single_build("hme").network

    def volume(factor: float) -> float:
        mechanics = LungMechanics(
            np.array([[lungs.compliance.value]]),
            np.array([[lungs.inspiratory_resistance.value * factor]]),
            np.array([[lungs.expiratory_resistance.value * factor]]),
            np.array([[lungs.quadratic_resistance.value]]),
        )
        return float(settle([network], [settings], mechanics).tidal_volume_ml[0, 0])

    low, high = 0.4, 2.5
    for _ in range(12):
        middle = (low * high) ** 0.5
        low, high = (middle, high) if volume(middle) > now.tidal_volume_ml else (low, middle)

    def known(estimate: Estimate, factor: float) -> Estimate:
        return replace(estimate, value=estimate.value * factor, spread=Spread.relative(FITTED_SD))

    return replace(
        patient,
        lungs=replace(
            lungs,
            compliance=known(lungs.compliance, 1.0),
            inspiratory_resistance=known(lungs.inspiratory_resistance, low),
            expiratory_resistance=known(lungs.expiratory_resistance, low),
        ),
    )


def lung_of(shape: str, patient: Patient, true: dict[str, np.ndarray]) -> Lung:
    """A lung of this shape with the compliance and resistances that are true."""
    compliance = float(true["compliance_ml_per_cmh2o"][1]) / 1000.0
    r_in = float(true["inspiratory_resistance_cmh2o_s_per_l"][1])
    r_out = float(true["expiratory_resistance_cmh2o_s_per_l"][1])
    if shape == LUNGS[0]:
        return OneCompartment(compliance, r_in, r_out)
    if shape == LUNGS[1]:
        return FastAndSlow(compliance, r_in, r_out)
    now = patient.present
    assert now is not None
    assert now.plateau_cmh2o is not None
    low, high = now.total_peep.value, now.plateau_cmh2o
    # As stiff from the present total PEEP to the present plateau as is true; softer below, stiffer above.
    return Sigmoid.through(low, high, compliance, 0.5 * (low + high), 8.0, r_in, r_out)


def report(records: Sequence[Record]) -> str:
    """Fractions by shape of lung: truly inside before; confirmed; truly inside once confirmed; refused though good."""
    cases = [c for r in records for c in r["cases"]]
    rows = []
    for shape, way in product(LUNGS, WAYS):
        of = [c for c in cases if c["lung"] == shape]
        confirmed = [c for c in of if c[way]["truly"] is not None]
        as_planned = [c for c in of if c[way]["as_planned"]]
        refused = [c for c in of if c[way]["truly"] is None]
        rows.append(
            (
                shape, way, len(of), _share(c["truly"]["target"] for c in of), _share(c["truly"]["hard"] for c in of),
                _share(c[way]["as_planned"] for c in of), _share(c["truly"]["target"] for c in as_planned),
                _share(c in confirmed for c in of), _share(c[way]["truly"]["target"] for c in confirmed),
                _share(c[way]["truly"]["hard"] for c in confirmed), _share(c["truly"]["target"] for c in refused),
            )
        )  # fmt: skip
    columns = (
        "lung", "estimated again", "cases", "truly inside targets before", "truly inside hard bounds before",
        "confirmed as planned", "of these truly inside", "confirmed, settings may move by 2", "of these truly inside",
        "of these inside hard bounds", "of those dissolved truly inside",
    )  # fmt: skip
    return "\n".join([heading("Rehearsal", records), "", table(columns, rows)])


def _share(true: Sequence[bool]) -> str:
    counted = list(true)
    return f"{100.0 * fmean(counted):.0f} %" if counted else "-"


def main() -> None:
    arguments = parser(__doc__.split("\n")[0], wards=12, seed=4000)
    arguments.add_argument("--ventilators", type=int, default=24, help="how many there are to use")
    arguments.add_argument("--truths", type=int, default=3, help="draws of what is true, a group")
    a = arguments.parse_args()
    seeds = range(a.seed, a.seed + a.wards)
    records = each_ward(
        seeds, lambda seed: study(seed, a.beds, a.ventilators, a.truths), a.results,
        beds=a.beds, ventilators=a.ventilators, truths=a.truths,
    )  # fmt: skip
    print(report(records))


if __name__ == "__main__":
    main()
