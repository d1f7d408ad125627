"""One circuit, with everything that is asked of it at the trolley: steps, costs, effect, what the bench should show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from airyoke.bench_check.checks import Check, bench_settings, expected_checks
from airyoke.bench_check.effects import Effect, effect_of, without_valves
from airyoke.bench_check.mistakes import Suspect, judge, suspects
from airyoke.bench_check.test_lungs import TestLung, usual_test_lungs
from airyoke.breath.settings import Settings
from airyoke.circuit.assembly import Assembly
from airyoke.circuit.gas_path import GasPath, gas_path
from airyoke.circuit.inspection import inspect
from airyoke.circuit.order_rule import RuleLine, order_rule
from airyoke.circuit.reduction import Costs, Mistake, costs_of, network_of
from airyoke.circuit.steps import Step, steps, valves
from airyoke.quantities import Finding, Refused, did_you_mean


@dataclass(frozen=True, slots=True)
class CircuitReport:
    """A circuit as planned or as typed back.

    ``findings`` speak against it; ``judged`` are readings beside their checks; ``suspects`` the mistakes that explain
    them, ``answered`` the valves that were said to be missing or turned round.
    """

    path: GasPath
    steps: tuple[Step, ...]
    costs: Costs
    settings: Settings
    lungs: tuple[TestLung, ...]
    effect: tuple[Effect, ...]
    bare: tuple[Effect, ...]
    order: tuple[RuleLine, ...]
    checks: tuple[Check, ...]
    findings: tuple[Finding, ...]
    judged: tuple[tuple[Check, float, bool], ...] = ()
    suspects: tuple[Suspect, ...] = ()
    answered: tuple[Suspect, ...] = ()


def report_of(
    assembly: Assembly,
    *,
    answers: Mapping[str, str] | None = None,
    readings: Mapping[str, float] | None = None,
    settings: Settings | None = None,
) -> CircuitReport:
    """Everything about one circuit.

    ``answers``: valve id -> ``right``, ``reversed`` or ``missing``, as typed back from the checklist. ``readings``:
    check id -> value. Raises ``Refused`` where the joints make no circuit, or an answer or reading names nothing.
    """
    path = gas_path(assembly)
    settings = settings or bench_settings()
    lungs = usual_test_lungs(len(path.lanes))
    network = network_of(path)
    mistakes = _mistakes(assembly, answers or {})
    checks = expected_checks(path, settings, lungs)
    judged = judge(checks, readings or {})
    outside = any(not accepted for _, _, accepted in judged)
    every = suspects(path, settings, lungs, readings or {}) if outside or mistakes else ()
    return CircuitReport(
        path=path,
        steps=steps(assembly),
        costs=costs_of(path),
        settings=settings,
        lungs=lungs,
        effect=effect_of(network, settings, lungs),
        bare=without_valves(network, settings, lungs) if len(lungs) > 1 else (),
        order=order_rule(path),
        checks=checks,
        findings=inspect(assembly),
        judged=judged,
        suspects=tuple(one for one in every if outside and one.explains),
        answered=tuple(one for one in every if mistakes.get(one.piece) == one.mistake),
    )


def _mistakes(assembly: Assembly, answers: Mapping[str, str]) -> dict[str, Mistake]:
    known = valves(assembly)
    found: dict[str, Mistake] = {}
    wrong: list[Finding] = []
    for piece, word in answers.items():
        if piece not in known:
            near = did_you_mean(piece, known)
            remedy = f"did you mean {near}?" if near else f"the valves are {', '.join(known) or 'none'}"
            wrong.append(_refused("circuit-valve-unknown", f"there is no valve {piece!r}", remedy, piece))
        elif word == "missing" or word == "reversed":
            found[piece] = "missing" if word == "missing" else "reversed"
        elif word != "right":
            reason = f"{piece}: {word!r} is no answer"
            wrong.append(_refused("circuit-valve-answer", reason, "answer right, reversed or missing", word))
    if wrong:
        raise Refused(tuple(wrong))
    return found


def _refused(id_: str, reason: str, remedy: str, value: str) -> Finding:
    return Finding(id_, "refused", reason, remedy, column="valves", value=value)
