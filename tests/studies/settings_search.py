"""Does the search for settings refuse pairs that it should not? A plain grid looks at the pairs that were refused.

``python -m tests.studies.settings_search --wards 5 --seed 2000 --results FILE``

Of every pair that the tool refuses although both patients are inside every target at some settings at best estimate, a
grid of rate, inspiratory time, pressure and PEEP is tried out with the engine: all of it at best estimate, the best few
hundred on draws, the best few on more. What it finds is judged again on fresh draws by the referee's arithmetic.
*Missed*: the grid's settings hold all targets in at least 70 % and all hard bounds in at least 95 % of the fresh draws.
A grid is no proof either: the real number is at least this.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean

import numpy as np
from numpy.typing import NDArray

from airyoke.breath.engine import QUICK
from airyoke.breath.settings import Settings
from airyoke.circuit.builds import standard_build
from airyoke.limits.policy import Policy
from airyoke.limits.prediction import SampledGroup, judge_group, predict, sample_group
from airyoke.lungs.patient import Patient
from plan.ward_rules import WardRules
from studies.planning import Again, JudgedAgain, PairBook
from studies.records import Record, each_ward, heading, parser, table
from studies.robustness import DEFINITIONS, most_pairs
from studies.wards import study_ward

RATES = range(10, 36, 2)
INSPIRATORY_TIMES_S = np.round(np.arange(0.6, 1.65, 0.1), 2)
PRESSURES_CMH2O = range(6, 26)
HIGHEST_CMH2O = 33  # of pressure and PEEP together: above it somebody's plateau is beyond its limit
LEAST_IN_TO_OUT, MOST_IN_TO_OUT = 1 / 3, 1.0

ON_DRAWS, FIRST_DRAWS = 800, 48
ON_MORE, MORE_DRAWS = 16, 512
GRID_SEED = 5555
SURE, HARD_SURE = 0.70, 0.95


def grid_for(patients: Sequence[Patient], fio2: float) -> list[Settings]:
    """Settings that could suit these patients: PEEP is tried around what they have now."""
    now = [p.present.total_peep.value for p in patients if p.present is not None]
    peeps = range(max(int(max(now)) - 4, 0), int(min(now)) + 6)
    return [
        Settings(
            "pc", float(rate), float(time), float(peep), fio2,
            pressure_above_peep_cmh2o=float(pressure), max_peak_flow_l_per_min=120.0,
        )
        for rate in RATES
        for time in INSPIRATORY_TIMES_S
        if LEAST_IN_TO_OUT - 1e-9 <= time / (60.0 / rate - time) <= MOST_IN_TO_OUT + 1e-9
        for pressure in PRESSURES_CMH2O
        for peep in peeps
        if pressure + peep <= HIGHEST_CMH2O
    ]  # fmt: skip


def best_of_grid(patients: Sequence[Patient], fio2: float, policy: Policy) -> Settings | None:
    """The settings of the grid that are surest on the draws; ``None`` where none holds at best estimate."""
    group = sample_group(patients, standard_build(len(patients)), policy.assumptions, MORE_DRAWS, GRID_SEED)
    tried = grid_for(patients, fio2)
    if not tried:
        return None
    target, _ = _margins(group, tried, 0, policy)
    tried = [tried[k] for k in np.argsort(-target[:, 0], kind="stable")[:ON_DRAWS] if target[k, 0] >= 0.0]
    for draws, kept in ((FIRST_DRAWS, ON_MORE), (MORE_DRAWS, 1)):
        if not tried:
            return None
        target, hard = _margins(group, tried, draws, policy)
        inside, hard_inside = ((m[:, 1:] >= 0.0).mean(axis=1) for m in (target, hard))
        # How far the worse of both chances is above what is asked.
        surplus = np.minimum((inside - SURE) / (1.0 - SURE), (hard_inside - HARD_SURE) / (1.0 - HARD_SURE))
        tried = [tried[k] for k in np.argsort(-surplus, kind="stable")[:kept]]
    return tried[0]


def _margins(
    group: SampledGroup, settings: Sequence[Settings], draws: int, policy: Policy
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Smallest target and hard margins, (settings, rows); row 0 is the best estimate."""
    rows = draws + 1
    outcome = predict(
        group,
        settings,
        rows=np.tile(np.arange(rows), len(settings)),
        settings_of=np.repeat(np.arange(len(settings)), rows),
        accuracy=QUICK,
    )
    judged = judge_group(group, outcome, policy)
    target = np.min([one.target for one in judged], axis=0)
    hard = np.min([one.hard for one in judged if one.hard is not None], axis=0)
    settled = outcome.breath.settled
    return tuple(np.where(settled, m, -np.inf).reshape(-1, rows) for m in (target, hard))  # type: ignore[return-value]


def study(seed: int, beds: int) -> Record:
    """One ward: pairs refused though inside at best estimate, and what the grid finds for them."""
    ward = study_ward(seed, beds)
    rules = WardRules(ward)
    book, again = PairBook(ward, rules), JudgedAgain(ward, rules, seed)
    at_best = PairBook(replace(ward, policy=DEFINITIONS[0].policy()), rules)
    allowed = [p for p in book.permitted if book.pair(p).allowed]
    refused = [p for p in book.permitted if p not in set(allowed) and at_best.pair(p).allowed]
    missed = []
    for beds_of_pair in refused:
        settings = book.pair(beds_of_pair).settings
        patients = [p for b in beds_of_pair if (p := again.patient(b)) is not None]
        assert settings is not None
        found = best_of_grid(patients, settings.fio2, ward.policy)
        if found is not None and _holds(again.group(beds_of_pair, found)):
            missed.append(beds_of_pair)
    return {
        "allowed": len(allowed),
        "refused": len(refused),
        "missed": [list(p) for p in missed],
        "matched": most_pairs(allowed),
        "matched_with_missed": most_pairs([*allowed, *missed]),
    }


def _holds(again: Again) -> bool:
    return again.margin >= 0.0


def report(records: Sequence[Record]) -> str:
    """Counts a ward, and what the missed pairs would be worth in patients."""
    rows = [
        ("pairs that the tool allows", fmean(r["allowed"] for r in records)),
        ("pairs refused though inside at best estimate", fmean(r["refused"] for r in records)),
        ("of these the grid finds settings that hold", fmean(len(r["missed"]) for r in records)),
        ("most disjoint pairs, the tool's", fmean(r["matched"] for r in records)),
        ("most disjoint pairs, with the grid's", fmean(r["matched_with_missed"] for r in records)),
    ]
    return "\n".join([heading("Search for settings", records), "", table(("a ward, on average", "number"), rows)])


def main() -> None:
    a = parser(__doc__.split("\n")[0], wards=5, seed=2000).parse_args()
    seeds = range(a.seed, a.seed + a.wards)
    print(report(each_ward(seeds, lambda seed: study(seed, a.beds), a.results, beds=a.beds)))


if __name__ == "__main__":
    main()
