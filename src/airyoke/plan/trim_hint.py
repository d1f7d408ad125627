"""Would a trim give somebody who is left a place? Tried with the pairs of this bed that are refused narrowly.

The plan itself couples nobody who needs a trim: a restrictor or a valve on one limb is one more thing that can clog,
drift or sit on the wrong limb. Whether it is worth that is for people to decide, so it is said and not done.
"""

from __future__ import annotations

from dataclasses import replace

from airyoke.plan.candidate import Note
from airyoke.plan.coupling import Coupling
from airyoke.plan.judging import Verdict
from airyoke.plan.planner import Planned
from airyoke.plan.request import Request
from airyoke.plan.trim_steps import fitting_words
from airyoke.plan.trims import Proposal, search_trims
from airyoke.plan.what_if import Question

NARROWLY = -0.6  # judgement: farther out the wait for an answer is not worth its chance
MOST_TRIED = 2
NOT_BY_A_TRIM = frozenset({"fio2_spread", "fio2", "spo2_pct"})


def trim_hint(planned: Planned, request: Request, bed: int) -> list[Note]:
    """One trim of one piece that gives this bed a place, or nothing."""
    refused = [
        verdict
        for verdict, _ in planned.pool.pair_verdicts()
        if bed in verdict.members and verdict.found is not None and not verdict.allowed
        and verdict.margin > NARROWLY and verdict.found.search_margin.limit.name not in NOT_BY_A_TRIM
    ]  # fmt: skip
    refused.sort(key=lambda one: -one.margin)
    for verdict in refused[:MOST_TRIED]:
        proposal = _trimmed(verdict, request)
        if proposal is not None and _gives_a_place(planned, verdict, proposal):
            first, second = proposal.after.coupling.labels
            s = proposal.after.coupling.settings
            pieces = " and ".join(fitting_words(one) for one in proposal.fittings)
            dials = (
                f"pressure above PEEP {s.pressure_above_peep_cmh2o:g} and PEEP {s.peep_cmh2o:g} cmH2O, "
                f"{s.rate_per_min:g}/min, Ti {s.inspiratory_time_s:g} s, FiO2 {s.fio2:g}"
            )
            text = f"{first} and {second} may share with a trim: {pieces}; {dials}"
            return [Note("trim", f"{text}; it is one more thing to set, mark and watch")]
    return []


def _trimmed(verdict: Verdict, request: Request) -> Proposal | None:
    """The best single piece for a refused pair, where it brings both inside."""
    assert verdict.found is not None
    patients = tuple(p for i in verdict.members if (p := request.candidates[i].patient) is not None)
    coupling = Coupling(patients, verdict.build, verdict.found.settings)
    found = search_trims(coupling, Question(request.policy, request.draws, request.seed), request.stock, most_pieces=1)
    inside = [one for one in found.proposals if one.fittings and one.margin >= 0.0]
    return inside[-1] if inside else None


def _gives_a_place(planned: Planned, verdict: Verdict, proposal: Proposal) -> bool:
    """Whether the ward, planned again with this pair allowed, leaves fewer."""
    options = [
        replace(one, margin=proposal.margin)
        for pool, _ in planned.pool.kinds()
        if planned.pool.near(pool, verdict.members)
        for one in planned.pool.offers.shared(verdict.members, pool, verdict.build)
    ]
    return bool(options) and planned.chooser.fewest_left(0, options) < len(planned.assignment.left)
