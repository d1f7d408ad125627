"""What "inside the limits" costs when readings are uncertain: how many pairs a definition allows, who is left.

``python -m tests.studies.robustness --wards 20 --seed 3000 --results FILE``

Every pair that rooms, labels and conditions allow is put to the tool by itself, on the standard build and with the real
engine, under a policy that states the definition; for each the tool searches settings of its own. A pair outside at best
estimate is outside under every definition and is not asked again. *Left*: the patients without a ventilator where as
many disjoint pairs as possible are coupled (a largest matching), groups of two only. What the part data of the build
leave open stays in every row; a policy cannot take it away.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from statistics import fmean
from unittest.mock import patch

from ortools.sat.python import cp_model

from airyoke.circuit.builds import Build
from airyoke.limits import prediction
from airyoke.limits.policy import Policy
from airyoke.lungs.assumptions import Assumptions
from plan.ward_rules import ENTRY_PH, WardRules
from studies.planning import DRAWS, PairBook
from studies.records import Record, each_ward, heading, parser, table
from studies.wards import study_ward

Beds = tuple[str, str]

MECHANICS = ("compliance_relative_sd", "resistance_relative_sd", "expiratory_resistance_relative_sd")
CARBON_DIOXIDE = ("airway_dead_space_relative_sd", "paco2_sd_mmhg", "paco2_change_sd_fraction")
PEEP_READING = ("total_peep_half_range_cmh2o",)
OXYGEN = ("shunt_sd", "arteriovenous_difference_sd_ml_per_dl", "haemoglobin_relative_sd")
SPREADS = (*MECHANICS, *CARBON_DIOXIDE, *PEEP_READING, *OXYGEN)

SHARES_OF_VENTILATORS = (0.60, 0.75)


@dataclass(frozen=True)
class Definition:
    """What a plan asks for, and with which spreads. ``within``: it can only allow pairs that this other one allows."""

    name: str
    confidence: float
    hard_confidence: float
    spreads: Callable[[str], float] = lambda _: 1.0  # factor on the spread of that name
    within: str | None = "best estimate only"
    build: float = 1.0  # factor on the spreads of the build

    def policy(self) -> Policy:
        """The definition as a site's policy."""
        usual = Assumptions()
        changed = {name: getattr(usual, name) * self.spreads(name) for name in SPREADS}
        return Policy(
            assumptions=replace(usual, **changed),
            confidence=self.confidence,
            hard_confidence=self.hard_confidence,
            reserve_ventilators=0,
            sharing="last-resort-accepted",
        )


def _only(*names: str) -> Callable[[str], float]:
    return lambda name: 1.0 if name in names else 0.0


RECOMMENDED = "recommended: targets 0.70, hard bounds 0.95"
STRICT = "targets 0.90, hard bounds 0.95"
DEFINITIONS = (
    Definition("best estimate only", 0.0, 0.0, within=None),
    Definition(RECOMMENDED, 0.70, 0.95),
    Definition(STRICT, 0.90, 0.95, within=RECOMMENDED),
    Definition(f"{RECOMMENDED}, spreads x 1.5", 0.70, 0.95, lambda _: 1.5),
    Definition(f"{STRICT}, spreads x 1.5", 0.90, 0.95, lambda _: 1.5, within=f"{RECOMMENDED}, spreads x 1.5"),
    Definition(f"{RECOMMENDED}, spreads x 2/3", 0.70, 0.95, lambda _: 2 / 3),
    Definition(f"{STRICT}, spreads x 2/3", 0.90, 0.95, lambda _: 2 / 3, within=f"{RECOMMENDED}, spreads x 2/3"),
    Definition(f"{STRICT}, mechanics alone uncertain", 0.90, 0.95, _only(*MECHANICS)),
    Definition(f"{STRICT}, CO2 alone uncertain", 0.90, 0.95, _only(*CARBON_DIOXIDE)),
    Definition(f"{STRICT}, oxygen alone uncertain", 0.90, 0.95, _only(*OXYGEN)),
    Definition(f"{STRICT}, only the build uncertain", 0.90, 0.95, _only()),
    Definition(f"{RECOMMENDED}, build measured", 0.70, 0.95, build=0.2),
    Definition(f"{STRICT}, build measured", 0.90, 0.95, build=0.2, within=f"{RECOMMENDED}, build measured"),
)


@contextmanager
def build_known_to(factor: float) -> Iterator[None]:
    """The spreads of every build multiplied, for the time of a study."""
    draws = prediction._build_draws

    def narrower(build: Build, count: int, seed: int) -> object:
        r, c = factor * build.resistance_relative_sd, factor * build.compliance_relative_sd
        return draws(replace(build, resistance_relative_sd=r, compliance_relative_sd=c), count, seed)

    with patch.object(prediction, "_build_draws", narrower):
        yield


def study(seed: int, beds: int, definitions: Sequence[Definition] = DEFINITIONS, draws: int = DRAWS) -> Record:
    """One ward: the pairs that each definition allows, and how many of them keep the entry rule on pH."""
    ward = study_ward(seed, beds)
    permitted = PairBook(ward).permitted
    rules = WardRules(ward)
    entry = {pair for pair in permitted if _entry(rules, pair)}
    allowed: dict[str, list[Beds]] = {}
    for definition in definitions:
        asked = permitted if definition.within is None else allowed[definition.within]
        book = PairBook(replace(ward, policy=definition.policy()), draws=draws)
        with build_known_to(definition.build):
            allowed[definition.name] = [pair for pair in asked if book.pair(pair).allowed]
    return {
        "permitted": len(permitted),
        "entry": len(entry),
        "rows": {
            name: {
                "pairs": len(pairs),
                "matched": most_pairs(pairs),
                "entry_pairs": sum(p in entry for p in pairs),
                "entry_matched": most_pairs([p for p in pairs if p in entry]),
            }
            for name, pairs in allowed.items()
        },
    }


def _entry(rules: WardRules, pair: Beds) -> bool:
    read = [rules.bed[bed].readings for bed in pair]
    return all(r is not None and r.ph is not None and r.ph >= ENTRY_PH for r in read)


def most_pairs(pairs: Iterable[Beds]) -> int:
    """How many disjoint ones of these pairs there can be."""
    pairs = list(pairs)
    model = cp_model.CpModel()
    x = [model.new_bool_var(str(k)) for k in range(len(pairs))]
    for bed in {bed for pair in pairs for bed in pair}:
        model.add_at_most_one(x[k] for k, pair in enumerate(pairs) if bed in pair)
    model.maximize(sum(x))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    if solver.solve(model) != cp_model.OPTIMAL:
        raise RuntimeError("the largest matching was not proved")
    return round(solver.objective_value)


def report(records: Sequence[Record], beds: int) -> str:
    """Pairs and people left, with and without the entry rule that pH is at least 7.30."""
    needed = [beds - round(share * beds) for share in SHARES_OF_VENTILATORS]
    rows = []
    for name in records[0]["rows"]:
        of = [r["rows"][name] for r in records]
        row: list[object] = [name]
        for pairs, matched in (("entry_pairs", "entry_matched"), ("pairs", "matched")):
            row.append(fmean(o[pairs] for o in of))
            row += [fmean(max(n - o[matched], 0) for o in of) for n in needed]
        rows.append(row)
    left = [f"left, ventilators for {share:g}" for share in SHARES_OF_VENTILATORS]
    columns = ["definition", "pairs", *left, *(f"{c}, entry pH waived" for c in ("pairs", *left))]
    return "\n".join(
        [
            heading("Definitions of inside", records),
            f"Permitted by rooms, labels and conditions: {fmean(r['permitted'] for r in records):.1f} pairs a ward, "
            f"{fmean(r['entry'] for r in records):.1f} with both at pH {ENTRY_PH:.2f} or more.",
            "",
            table(columns, rows),
        ]
    )


def main() -> None:
    a = parser(__doc__.split("\n")[0], wards=20, seed=3000).parse_args()
    seeds = range(a.seed, a.seed + a.wards)
    names = [d.name for d in DEFINITIONS]
    records = each_ward(seeds, lambda seed: study(seed, a.beds), a.results, beds=a.beds, definitions=names)
    print(report(records, a.beds))


if __name__ == "__main__":
    main()
