"""What alarm limits are worth: the harm that usual, planned and best limits tell of, in invented groups.

``python -m tests.studies.alarms --groups 5 --seed 5000``

Every group is of two, three or four invented patients whose lungs ask for about the same pressure (6 mL/kg PBW, within
a quarter, at one drive), on the standard build, in pressure control and in volume control with the same volume. Each
fault of its list is breathed by the engine; what each set of limits catches in time is the product's own figure, and so
are the false alarms. Nothing here is clinical evidence.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from random import Random
from statistics import fmean
from time import process_time

from airyoke.breath.settings import Settings
from airyoke.circuit import standard_build
from airyoke.contract.case import read_case
from airyoke.faults.report import FaultReport, report_faults
from airyoke.limits.prediction import predict, sample_group
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.patient import Patient
from contract.cases import text

SETS = ("usual", "planned", "best")


@dataclass(frozen=True)
class Group:
    """One invented group: lungs and settings in pressure control."""

    patients: tuple[Patient, ...]
    settings: Settings


def invented(seed: int, size: int) -> Group:
    """The group of that number and size, the same each time."""
    rng = Random(f"alarm study {seed} {size}")
    drive, peep = rng.randint(11, 15), rng.randint(8, 14)
    rate = rng.randint(18, 26)
    people = []
    for label in "ABCD"[:size]:
        sex = rng.choice("fm")
        height = round(rng.gauss(165 if sex == "f" else 178, 6))
        weight = (50.0 if sex == "m" else 45.5) + 0.91 * (height - 152.4)
        resistance = rng.uniform(8.0, 14.0)
        people.append(
            {
                "label": label, "sex": sex, "height_cm": height,
                "compliance_ml_per_cmh2o": round(weight * 6.0 * rng.uniform(0.8, 1.25) / drive, 1),
                "inspiratory_resistance_cmh2o_s_per_l": round(resistance, 1),
                "expiratory_resistance_cmh2o_s_per_l": round(1.2 * resistance, 1),
                "shunt_fraction": round(rng.uniform(0.1, 0.25), 2),
                "uncertainty": {"compliance_ml_per_cmh2o": {"relative_sd": 0.1}},
            }
        )  # fmt: skip
    settings = {
        "mode": "pc", "pressure_above_peep_cmh2o": drive + 2, "peep_cmh2o": peep, "rate_per_min": rate,
        "inspiratory_time_s": 0.9, "fio2": 0.6,
    }  # fmt: skip
    case = read_case(text({"patients": people, "circuit": "standard", "settings": settings})).to_domain()
    return Group(case.patients, case.settings)


def in_volume_control(group: Group) -> Settings:
    """The same group with as much volume as it gets in pressure control, circuit and all."""
    sampled = sample_group(group.patients, standard_build(len(group.patients)), Assumptions(), 1, 0)
    delivered = float(predict(sampled, [group.settings]).breath.delivered_ml[0])
    s = group.settings
    return Settings("vc", s.rate_per_min, s.inspiratory_time_s, s.peep_cmh2o, s.fio2, tidal_volume_ml=round(delivered))


def reported(seed: int, size: int, mode: str) -> FaultReport:
    """Every fault of one group, as the product reports them."""
    group = invented(seed, size)
    settings = group.settings if mode == "pc" else in_volume_control(group)
    return report_faults(group.patients, standard_build(size), settings)


def main() -> None:
    """Print the table of the study."""
    parse = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parse.add_argument("--groups", type=int, default=5)
    parse.add_argument("--seed", type=int, default=5000)
    asked = parse.parse_args()
    print("| patients | mode | usual % | planned % | best % | false/12 h: usual, planned, best | told of | tried |")
    print("|---|---|---:|---:|---:|---|---:|---:|")
    for size in (2, 3, 4):
        for mode in ("pc", "vc"):
            _line([reported(asked.seed + i, size, mode) for i in range(asked.groups)], size, mode)


def _line(reports: list[FaultReport], size: int, mode: str) -> None:
    alarms = [one.alarms for one in reports]
    shares = [[getattr(one, name).caught for one in alarms] for name in SETS]
    rates = [fmean(getattr(one, name).false_alarms_in_all for one in alarms) for name in SETS]
    cells = [f"{100 * fmean(each):.0f} ({100 * min(each):.0f}-{100 * max(each):.0f})" for each in shares]
    weighty = fmean(sum(f.best_caught is not None for f in one.findings) for one in reports)
    tried = max(one.proof.tried for one in alarms if one.proof is not None)
    words = ", ".join(f"{rate:.2g}" for rate in rates)
    print(f"| {size} | {mode} | {' | '.join(cells)} | {words} | {weighty:.0f} | {tried} |", flush=True)


if __name__ == "__main__":
    started = process_time()
    main()
    print(f"{process_time() - started:.0f} s of processor time")
