"""What a plan is worth: invented wards planned by the tool and by three ways of pairing without it.

``python -m tests.studies.value --wards 50 --seed 1000 --results FILE``

All are held to one rule: of every pair the settings are the best that the tool's own search finds (which favours the
ways without it), every group is judged again on fresh draws by the referee's arithmetic, and a group is outside where
the chance of everybody inside every target is below 0.67, or inside every hard bound below 0.93. *Left* counts the
patients without a ventilator and one for each group outside. All ventilators are alike, none is held back.

A plan asks for more (0.70 and 0.95) than what is called outside here, which leaves room for the luck of draws. A pair
in between is refused by the tool and not charged to a way that couples it all the same: on such a ward the plan can
leave more than another way. The report names those wards.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from statistics import fmean, median

from airyoke.plan.plan import Plan, PlannedGroup
from plan.ward_rules import WardRules
from studies.naive import by_compliance, careful, greedy
from studies.planning import FRESH, Again, JudgedAgain, PairBook, planned
from studies.records import Record, each_ward, heading, parser, table
from studies.wards import study_ward

OURS = "the plan"
WAYS = ("sorted by compliance", "careful sort", "greedy on our margin", OURS)


def study(seed: int, beds: int, ventilators: Sequence[int], fresh: int = FRESH) -> Record:
    """One ward: for each number of ventilators and each way, who is left and what its groups are worth."""
    ward = study_ward(seed, beds, max(ventilators))
    rules = WardRules(ward)
    book, again = PairBook(ward, rules), JudgedAgain(ward, rules, seed, fresh)
    pairs = [book.pair(p) for p in book.permitted]
    record: Record = {"permitted": len(pairs), "allowed": sum(p.allowed for p in pairs)}
    for machines in ventilators:
        needed = max(beds - machines, 0)
        chosen = {
            WAYS[0]: by_compliance(rules, book.permitted, needed),
            WAYS[1]: careful(rules, book.permitted, needed),
            WAYS[2]: greedy(pairs, needed),
        }
        ways: dict[str, Record] = {}
        for way, coupled in chosen.items():
            judged = [again.group(p, book.pair(p).settings) for p in coupled]
            ways[way] = _summary(needed - len(coupled), judged)
        plan = planned(study_ward(seed, beds, machines))
        shared = [g for g in plan.groups if len(g.beds) > 1]
        judged = [again.group(g.beds, g.settings) for g in shared]
        ways[OURS] = _summary(len(plan.unplaced), judged) | _proof(plan)
        # How far the chance that the plan states lies above the chance on fresh draws, group by group.
        ways[OURS]["overstated"] = [round(_stated(g) - a.inside, 4) for g, a in zip(shared, judged, strict=True)]
        record[str(machines)] = ways
    return record


def _summary(without_place: int, judged: Sequence[Again]) -> Record:
    outside = sum(a.outside for a in judged)
    smallest = min((a.margin for a in judged), default=inf)
    return {
        "without_place": without_place,
        "groups": len(judged),
        "outside": outside,
        "left": without_place + outside,
        "smallest_margin": smallest,
    }


def _stated(group: PlannedGroup) -> float:
    assert group.answer is not None
    assert group.answer.margin is not None
    return group.answer.margin.inside_probability


def _proof(plan: Plan) -> Record:
    return {"not_proved": [g.goal for g in plan.proof if g.status == "open"], "rounds": plan.rounds}


def report(records: Sequence[Record], ventilators: Sequence[int]) -> str:
    """The table, and on how many wards the plan left more than another way."""
    rows = []
    for machines in ventilators:
        for way in WAYS:
            of = [r[str(machines)][way] for r in records]
            rows.append(
                (
                    machines, way, fmean(o["left"] for o in of), sum(o["left"] == 0 for o in of),
                    fmean(o["without_place"] for o in of), fmean(o["groups"] for o in of),
                    fmean(o["outside"] for o in of), median(o["smallest_margin"] for o in of),
                )
            )  # fmt: skip
    columns = (
        "ventilators", "way", "left a ward", "wards with nobody left", "without a place", "shared groups",
        "groups outside", "median smallest margin",
    )  # fmt: skip
    worse = beaten(records, ventilators)
    over = [x for r in records for m in ventilators for x in r[str(m)][OURS]["overstated"]] or [0.0]
    said = [
        heading("Value of a plan", records),
        "",
        table(columns, rows),
        "",
        f"Wards on which the plan leaves more than another way: {len(worse)} of {len(records) * len(ventilators)}"
        + (f" {worse}." if worse else "."),
        f"Pairs permitted by rooms, labels and conditions {fmean(r['permitted'] for r in records):.1f} a ward, "
        f"allowed by the tool {fmean(r['allowed'] for r in records):.1f}.",
        f"Stated chance of all targets less the chance on fresh draws: mean {fmean(over):+.3f}, largest {max(over):+.3f}, "
        f"smallest {min(over):+.3f} of {len(over)} groups.",
        f"Goals of the plans not proved: {sum(len(r[str(m)][OURS]['not_proved']) for r in records for m in ventilators)}.",
    ]
    return "\n".join(said)


def beaten(records: Sequence[Record], ventilators: Sequence[int]) -> list[tuple[int, int, str]]:
    """(seed, ventilators, way) of every ward on which another way leaves fewer than the plan."""
    return [
        (r["seed"], m, way)
        for r in records
        for m in ventilators
        for way in WAYS[:-1]
        if r[str(m)][way]["left"] < r[str(m)][OURS]["left"]
    ]


def main() -> None:
    arguments = parser(__doc__.split("\n")[0], wards=50, seed=1000)
    arguments.add_argument("--ventilators", type=int, nargs="+", default=[24, 30], help="how many there are to use")
    a = arguments.parse_args()
    seeds = range(a.seed, a.seed + a.wards)
    records = each_ward(
        seeds, lambda seed: study(seed, a.beds, a.ventilators), a.results,
        beds=a.beds, ventilators=a.ventilators, fresh=FRESH,
    )  # fmt: skip
    print(report(records, a.ventilators))


if __name__ == "__main__":
    main()
